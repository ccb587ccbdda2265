"""Invented properties of any size for placement tests and benchmarks: relief, woods, fences, clusters, from a seed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.special import ndtr

from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, Redundancy, SensorDemand


@dataclass(frozen=True)
class Difficulty:
    """What makes a property hard: range of a clear link, height of the hills, share of woods, spread of the loss."""

    clear_range_m: float = 150.0
    hill_m: float = 18.0
    wood_share: float = 0.25
    spread_db: float = 3.0
    masts_per_site: int = 1


AREAS_M2 = {50: 0.16e6, 200: 0.36e6, 1000: 1e6, 5000: 4e6, 10000: 6.25e6}
"""Side by side with the number of relay sites: the areas of the measured table in the design notes."""

MAST_HEIGHTS_M = (2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
SAMPLES = 16


def make_property(
    n_sensors: int,
    n_relays: int,
    n_gateways: int,
    *,
    seed: int = 1,
    hop_limit: int = 3,
    redundancy: Redundancy = "none",
    difficulty: Difficulty = Difficulty(),
    area_m2: float | None = None,
) -> PlacementProblem:
    """Return a placement problem on a square invented property."""
    rng = np.random.default_rng(seed)
    side = float(np.sqrt(area_m2 or AREAS_M2.get(n_relays, 1000.0 * n_relays)))
    n_sites = n_relays // difficulty.masts_per_site
    relay_xy = np.repeat(_relay_sites(rng, n_sites, side), difficulty.masts_per_site, axis=0)
    gateway_xy = rng.uniform(0.05, 0.95, (n_gateways, 2)) * side
    sensor_xy = _sensor_sites(rng, n_sensors, side)
    if difficulty.masts_per_site == 1:
        mast = rng.choice(MAST_HEIGHTS_M, relay_xy.shape[0])
    else:
        mast = np.tile(MAST_HEIGHTS_M[: difficulty.masts_per_site], n_sites)
    xy = np.concatenate([sensor_xy, relay_xy, gateway_xy])
    height = np.concatenate([np.ones(n_sensors), mast, np.full(n_gateways, 5.0)])
    relief, woods = _relief(rng, side, difficulty), _woods(rng, side, difficulty)
    pairs = cKDTree(xy).query_pairs(1.6 * difficulty.clear_range_m, output_type="ndarray")
    pairs = pairs[np.lexsort((pairs[:, 1], pairs[:, 0]))]
    pairs = pairs[pairs[:, 1] >= n_sensors]
    margin = np.concatenate([_margin_db(xy, height, part, relief, woods, difficulty) for part in np.array_split(pairs, 16)])
    margin += rng.normal(0.0, difficulty.spread_db, margin.size)
    good = margin >= 0
    pairs, chance = pairs[good], np.round(ndtr((margin[good] + 6.0) / 5.0), 4)
    from_sensor = pairs[:, 0] < n_sensors
    access = Links.of(pairs[from_sensor, 0], pairs[from_sensor, 1] - n_sensors, chance[from_sensor])
    a, b, both = pairs[~from_sensor, 0] - n_sensors, pairs[~from_sensor, 1] - n_sensors, chance[~from_sensor]
    away = a < n_relays
    back = b < n_relays
    backhaul = Links.of(
        np.concatenate([a[away], b[back]]), np.concatenate([b[away], a[back]]), np.concatenate([both[away], both[back]])
    )
    relays = [
        NodeChoice(
            f"R{i}", float(25 + 5 * MAST_HEIGHTS_M.index(h) + 5 * rng.integers(1, 7)), site=f"site{i // difficulty.masts_per_site}"
        )
        for i, h in enumerate(mast)
    ]
    gateways = [NodeChoice(f"G{i}", float(5 * rng.integers(24, 41)), is_gateway=True) for i in range(n_gateways)]
    return PlacementProblem(
        tuple(SensorDemand(f"S{i}") for i in range(n_sensors)),
        (*relays, *gateways),
        access,
        backhaul,
        hop_limit=hop_limit,
        redundancy=redundancy,
        without_second_route="leave out",
    )


def _relay_sites(rng: np.random.Generator, count: int, side: float) -> NDArray[np.float64]:
    """Return half of the sites on a jittered grid, half along fences."""
    n_grid = count // 2
    steps = int(np.ceil(np.sqrt(n_grid)))
    grid = np.stack(np.meshgrid(np.arange(steps), np.arange(steps)), axis=-1).reshape(-1, 2)
    grid = rng.permutation(grid)[:n_grid]
    on_grid = (grid + rng.uniform(0.1, 0.9, grid.shape)) * side / steps
    n_fence = count - n_grid
    n_lines = max(3, int(side / 150))
    ends = rng.uniform(0, side, (n_lines, 2, 2))
    line = rng.integers(0, n_lines, n_fence)
    share = rng.uniform(0, 1, (n_fence, 1))
    on_fence = ends[line, 0] * (1 - share) + ends[line, 1] * share + rng.normal(0, 2.0, (n_fence, 2))
    return np.clip(np.concatenate([on_grid, on_fence]), 0, side)


def _sensor_sites(rng: np.random.Generator, count: int, side: float) -> NDArray[np.float64]:
    """Return a third of the sensors in clusters, the rest anywhere."""
    n_cluster = count // 3
    centres = rng.uniform(0.1, 0.9, (max(1, n_cluster // 6), 2)) * side
    clustered = centres[rng.integers(0, len(centres), n_cluster)] + rng.normal(0, 25.0, (n_cluster, 2))
    return np.clip(np.concatenate([rng.uniform(0, side, (count - n_cluster, 2)), clustered]), 0, side)


def _relief(rng: np.random.Generator, side: float, difficulty: Difficulty) -> NDArray[np.float64]:
    """Return hills as rows of (x, y, height, radius)."""
    count = max(4, int((side / 250) ** 2))
    return np.column_stack(
        [rng.uniform(0, side, (count, 2)), rng.uniform(0.2, 1.0, count) * difficulty.hill_m, rng.uniform(60, 160, count)]
    )


def _woods(rng: np.random.Generator, side: float, difficulty: Difficulty) -> NDArray[np.float64]:
    """Return blocks of wood as rows of (x low, x high, y low, y high)."""
    count = int(difficulty.wood_share * side * side / (70.0 * 70.0))
    centre, half = rng.uniform(0, side, (count, 2)), rng.uniform(15, 55, (count, 2))
    return np.column_stack(
        [centre[:, 0] - half[:, 0], centre[:, 0] + half[:, 0], centre[:, 1] - half[:, 1], centre[:, 1] + half[:, 1]]
    )


def _rasters(relief: NDArray[np.float64], woods: NDArray[np.float64], top: float) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    cells = int(top / 5.0) + 2
    axis = np.arange(cells) * 5.0
    ground = np.zeros((cells, cells), dtype=np.float32)
    for x, y, height, radius in relief:
        ground += height * np.outer(np.exp(-(((axis - y) / radius) ** 2)), np.exp(-(((axis - x) / radius) ** 2)))
    wood = np.zeros((cells, cells), dtype=bool)
    for x0, x1, y0, y1 in woods:
        wood[max(0, int(y0 / 5)) : max(0, int(y1 / 5) + 1), max(0, int(x0 / 5)) : max(0, int(x1 / 5) + 1)] = True
    return ground, wood


def _margin_db(
    xy: NDArray[np.float64],
    height: NDArray[np.float64],
    pairs: NDArray[np.int64],
    relief: NDArray[np.float64],
    woods: NDArray[np.float64],
    difficulty: Difficulty,
) -> NDArray[np.float64]:
    """Return how far each pair's link lies above its threshold: distance, one edge, woods and masts counted."""
    ground, wood = _rasters(relief, woods, float(xy.max()))
    a, b = xy[pairs[:, 0]], xy[pairs[:, 1]]
    share = (np.arange(SAMPLES) + 0.5) / SAMPLES
    points = a[:, None, :] * (1 - share[:, None]) + b[:, None, :] * share[:, None]
    cell = (points / 5.0).astype(int)
    between = ground[cell[..., 1], cell[..., 0]]
    end_a = ground[(a[:, 1] / 5).astype(int), (a[:, 0] / 5).astype(int)] + height[pairs[:, 0]]
    end_b = ground[(b[:, 1] / 5).astype(int), (b[:, 0] / 5).astype(int)] + height[pairs[:, 1]]
    line = end_a[:, None] * (1 - share) + end_b[:, None] * share
    distance = np.maximum(np.hypot(*(a - b).T), 1.0)
    nu = ((between - line) * np.sqrt(2.0 / (0.35 * distance[:, None] * share * (1 - share)))).max(axis=1)
    x = nu - 0.1
    edge = np.where(nu > -0.78, 6.9 + 20 * np.log10(np.sqrt(x * x + 1) + x), 0.0)
    in_wood = wood[cell[..., 1], cell[..., 0]].mean(axis=1) * distance
    gain = 3.0 * np.log2(height[pairs].prod(axis=1) / 2.0)
    return 30.0 * np.log10(difficulty.clear_range_m / distance) - edge - np.minimum(0.12 * in_wood, 15.0) + gain - 3.0
