"""Cover on the ground: every cell takes the way past woods, crops and buildings that loses least, and counts each once."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from ray_reference import OwnerRay, excess_db, free_db, owner_ray
from test_sweep import CELL_M, rough_ground

from meshplan.errors import InputError
from meshplan.loss.fast import FoliageGroup, RadioPath, StandingCover, Transmitter, best_server, sweep_loss_db, sweep_parts
from meshplan.loss.fast.thread_pool import load_compiled
from meshplan.propagation.filled_zone import filled_share, loss_of_stretches_db
from meshplan.propagation.fresnel import fresnel_radius_m

BAND = RadioPath(868.0)
WOOD = FoliageGroup(across_db_per_m=0.17, most_db=26.0, saturates=True)
VINES = FoliageGroup(0.15, 22.0, saturates=False, scale=0.8, along_db_per_m=0.04, row_azimuth_deg=30.0)
TABLE = {
    "crown_m": (0.0, 12.0, 2.0, 0.0, 0.0, 8.0),
    "roof_m": (0.0, 0.0, 0.0, 5.0, 9.0, 0.0),
    "group": (-1, 0, 1, -1, -1, 0),
    "groups": (WOOD, VINES),
    "walls_db": (0.0, 0.0, 0.0, 14.0, 30.0, 0.0),
}


def patches(shape: tuple[int, int], seed: int, count: int = 14, codes: tuple[int, ...] = (1, 2, 3, 4, 5)) -> NDArray[np.uint16]:
    """Rectangles of cover at random places."""
    rng = np.random.default_rng(seed)
    index = np.zeros(shape, dtype=np.uint16)
    for _ in range(count):
        code = int(rng.choice(codes))
        size = rng.integers(1, 4, 2) if code in (3, 4) else rng.integers(2, 25, 2)
        row, column = rng.integers(0, shape[0]), rng.integers(0, shape[1])
        index[row : row + size[0], column : column + size[1]] = code
    return index


def bearing_of(transmitter: Transmitter, row: int, column: int, ray: OwnerRay) -> float:
    """Bearing of the ray itself (not of the cell), from where it crosses the last line."""
    last = ray.first[0][-1] + (ray.second[0][-1] - ray.first[0][-1]) * ray.share[-1]
    across = ray.first[1][-1] + (ray.second[1][-1] - ray.first[1][-1]) * ray.share[-1]
    return float(np.degrees(np.arctan2(across - transmitter.column, transmitter.row - last)))


def expected_db(
    ground: NDArray[np.float32], cover: StandingCover, transmitter: Transmitter, receiver_agl_m: float, row: int, column: int
) -> tuple[float, float, float]:
    """Loss in all, over bare ground, and by cover, of one cell by the readable formulas and the six ways."""
    ray = owner_ray(ground.shape, transmitter, row, column, CELL_M)
    h = ray.sample(ground)
    codes = ray.nearest(cover.index).astype(int)
    codes[codes == transmitter.inside] = 0
    crown, roof = np.asarray(cover.crown_m)[codes], np.asarray(cover.roof_m)[codes]
    if cover.canopy_m is not None:
        seen = ray.nearest(cover.canopy_m)
        known = (codes > 0) & np.isfinite(seen)
        crown = np.where(known, seen * np.asarray(cover.crown_share)[codes], crown)
        roof = np.where(known, seen * np.asarray(cover.roof_share)[codes], roof)
    steps, radius = np.arange(ray.steps + 1), 6_371_000.0 * BAND.k_factor
    x = steps * ray.step_m
    sight = h[0] + transmitter.antenna_agl_m
    sight = sight + (h[-1] + receiver_agl_m - sight) * steps / ray.steps - x * (x[-1] - x) / (2.0 * radius)
    whole = np.where((steps == 0) | (steps == ray.steps), 0.5, 1.0) * ray.step_m
    from_end = np.minimum(x, x[-1] - x)
    near_share = np.clip((cover.near_an_antenna_m - from_end) / ray.step_m + 0.5, 0.0, 1.0)
    at = np.clip(x, 0.25 * ray.step_m, x[-1] - 0.25 * ray.step_m)
    zone = fresnel_radius_m(1, at, x[-1] - at, BAND.frequency_mhz)
    bearing = bearing_of(transmitter, row, column, ray)
    depth = np.zeros((2, len(cover.groups)))
    for cells, share in ((ray.first, 1.0 - ray.share), (ray.second, ray.share)):
        beside = cover.index[cells].astype(int)
        height, group = np.asarray(cover.crown_m)[beside], np.asarray(cover.group)[beside]
        if cover.canopy_m is not None:
            seen = cover.canopy_m[cells]
            height = np.where((beside > 0) & np.isfinite(seen), seen * np.asarray(cover.crown_share)[beside], height)
        metres = whole * share * np.where(height > 0.0, filled_share(h + height - sight, zone), 0.0)
        for number in range(len(cover.groups)):
            depth[0, number] += metres[group == number].sum()
            depth[1, number] += (metres * near_share)[group == number].sum()
    leaves, near_leaves = (
        sum(group.loss_db(float(d), bearing) for group, d in zip(cover.groups, metres, strict=True)) for metres in depth
    )
    numbers = np.where(roof > 0.0, codes, 0)[None, :]
    walls = float(loss_of_stretches_db(numbers, filled_share(h + roof - sight, zone)[None, :], np.asarray(cover.walls_db))[0])

    def over(surface: NDArray[np.float64]) -> float:
        return excess_db(ray, h, h + surface, transmitter, receiver_agl_m, BAND)

    bare = over(0.0 * h)
    far_crown = crown * (1.0 - near_share)
    ways = [max(over(roof), bare) + leaves]
    if (roof[1:-1] > 0).any():
        ways.append(bare + walls + leaves)
    if leaves > 0:
        ways += [over(roof + crown), over(roof + far_crown) + near_leaves]
        if (roof[1:-1] > 0).any():
            ways += [over(crown) + walls, over(far_crown) + near_leaves + walls]
    return free_db(ray, h, transmitter, receiver_agl_m, BAND) + min(ways), bare, min(ways) - bare


@pytest.mark.parametrize(
    ("relief", "place", "heights", "codes", "canopy"),
    [
        (1.0, (60, 70), (6.0, 1.5), (1, 2, 3, 4, 5), False),
        (0.05, (10, 120), (3.0, 1.0), (1, 2, 3, 4, 5), False),
        (0.0, (60, 70), (2.0, 1.0), (1, 2, 3, 4, 5), False),
        (0.0, (0, 0), (12.0, 1.5), (1, 2, 5), False),
        (0.2, (119, 139), (4.0, 2.0), (3, 4), False),
        (0.2, (50, 50), (4.0, 2.0), (1, 2, 3, 4, 5), True),
    ],
    ids=["hilly", "gentle", "flat", "plants only", "buildings only", "heights from a surface raster"],
)
def test_every_cell_takes_the_way_that_loses_least(
    relief: float, place: tuple[int, int], heights: tuple[float, float], codes: tuple[int, ...], canopy: bool
) -> None:
    ground = rough_ground(120, 140, relief)
    cover = StandingCover(patches(ground.shape, seed=5, codes=codes), **TABLE)  # type: ignore[arg-type]
    if canopy:
        seen = np.random.default_rng(2).uniform(0.0, 14.0, ground.shape).astype(np.float32)
        seen[::3, ::2] = np.nan
        cover = replace(cover, canopy_m=seen, crown_share=(0.0, 1.0, 0.7, 0.0, 0.0, 0.5), roof_share=(0.0, 0.0, 0.0, 1.0, 1.0, 0.0))
    transmitter = Transmitter(*place, antenna_agl_m=heights[0])
    got = sweep_parts(ground, CELL_M, transmitter, heights[1], BAND, cover=cover)
    rng = np.random.default_rng(9)
    errors, parts, touched = [], [], 0
    for _ in range(220):
        row, column = int(rng.integers(0, 120)), int(rng.integers(0, 140))
        if (row, column) == place:
            continue
        total, bare, added = expected_db(ground, cover, transmitter, heights[1], row, column)
        errors.append(abs(float(got.loss_db[row, column]) - total))
        parts.append(abs(float(got.terrain_db[row, column]) - bare) + abs(float(got.cover_db[row, column]) - added))
        touched += added > 0.0
    assert touched > 10
    assert max(errors) < 1e-3
    assert max(parts) < 1e-3


def test_the_building_around_the_transmitter_is_no_obstacle() -> None:
    ground = rough_ground(60, 60, 0.0)
    index = np.zeros(ground.shape, dtype=np.uint16)
    index[28:33, 28:33] = 3
    cover = StandingCover(index, **TABLE)  # type: ignore[arg-type]
    open_ground = sweep_loss_db(ground, CELL_M, Transmitter(30, 30, 2.0), 1.0, BAND)
    within = sweep_loss_db(ground, CELL_M, Transmitter(30, 30, 2.0, inside=3), 1.0, BAND, cover=cover)
    assert np.array_equal(within, open_ground)
    index[20:22, 28:33] = 4
    beside = sweep_loss_db(ground, CELL_M, Transmitter(30, 30, 2.0, inside=3), 1.0, BAND, cover=cover)
    assert (beside[:20, 30] > open_ground[:20, 30] + 5.0).all()
    assert np.array_equal(beside[34:], open_ground[34:])


def test_cover_never_helps_and_open_cover_changes_nothing() -> None:
    ground = rough_ground(90, 80, 0.1)
    index = patches(ground.shape, seed=3)
    bare = sweep_loss_db(ground, CELL_M, Transmitter(40, 40, 3.0), 1.0, BAND)
    covered = sweep_loss_db(ground, CELL_M, Transmitter(40, 40, 3.0), 1.0, BAND, cover=StandingCover(index, **TABLE))  # type: ignore[arg-type]
    assert (covered >= bare - 1e-4).all()
    nothing = StandingCover(np.zeros_like(index), **TABLE)  # type: ignore[arg-type]
    assert np.array_equal(sweep_loss_db(ground, CELL_M, Transmitter(40, 40, 3.0), 1.0, BAND, cover=nothing), bare)


def test_the_best_server_is_the_least_of_all_sweeps() -> None:
    ground = rough_ground(90, 110)
    ground[20:24, 70:80] = np.nan
    stations = [Transmitter(10, 10, 6.0), Transmitter(80, 100, 3.0, handicap_db=4.0), Transmitter(45, 40, 2.0)]
    got = best_server(ground, CELL_M, stations, 1.5, BAND)
    each = np.stack([sweep_loss_db(ground, CELL_M, station, 1.5, BAND) + np.float32(station.handicap_db) for station in stations])
    least = np.nanmin(np.where(np.isnan(each), np.inf, each), axis=0)
    reached = np.isfinite(least)
    assert np.array_equal(np.isnan(got.loss_db), ~reached)
    assert np.allclose(got.loss_db[reached], least[reached], atol=2e-5)
    assert np.array_equal(got.server[reached], np.argmin(np.where(np.isnan(each), np.inf, each), axis=0)[reached])
    assert (got.server[~reached] == -1).all()
    assert len(np.unique(got.server[reached])) == 3


def test_no_layout_of_the_arrays_makes_it_compile_again() -> None:
    ground = rough_ground(30, 40)
    index = patches(ground.shape, seed=3)
    sweep_loss_db(ground, CELL_M, Transmitter(5, 5, 3.0), 1.0, BAND, cover=StandingCover(index, **TABLE))  # type: ignore[arg-type]
    compiled = load_compiled("compiled_sweep", "sweep_rays")
    before = len(compiled.signatures)  # type: ignore[attr-defined]
    frozen = ground[:, ::-1]
    frozen.setflags(write=False)
    index.setflags(write=False)
    lists = {key: np.asarray(value) if key != "groups" else value for key, value in TABLE.items()}
    lists["crown_m"].setflags(write=False)  # type: ignore[attr-defined]
    for cover in (None, StandingCover(index, **lists)):  # type: ignore[arg-type]
        sweep_parts(frozen, 5, Transmitter(5, 5, 3), 1, BAND, cover=cover)
        best_server(frozen.astype(float), CELL_M, [Transmitter(5, 5, 3.0)], 1.0, BAND, cover=cover)
    assert len(compiled.signatures) == before == 1  # type: ignore[attr-defined]


def test_cover_that_does_not_fit_is_refused() -> None:
    ground = rough_ground(20, 20)
    cover = StandingCover(np.zeros((20, 19), dtype=np.uint16), **TABLE)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="does not fit the ground or itself: index"):
        sweep_loss_db(ground, CELL_M, Transmitter(5, 5, 3.0), 1.0, BAND, cover=cover)
