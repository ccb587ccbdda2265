"""What a raster knows of the ground, and how far it may be wrong: its own pixels, what they hide, how large their errors are.

Nothing here looks at the working grid, unless the grid itself is all that is known of a raster.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final
from weakref import WeakKeyDictionary

import numpy as np
from numpy.typing import ArrayLike, NDArray
from pyproj import Transformer

from meshplan.grid import Elevation, Float32, Grid, RasterNodes, RasterNote
from meshplan.terrain.bilinear import bilinear
from meshplan.units import Array

HIDDEN_SHARE: Final = 0.30
"""What a raster hides, as a share of the root mean square of its own second differences: 0.27 to 0.38 on real land averaged to
cells of 5 to 330 m (own study on lidar, volcano and ridge country, twelve rasters; bilinear ground between them)."""
HIDDEN_LENGTH_CELLS: Final = 0.65
"""Distance in cells over which hidden relief falls to 1/e (0.5 to 1.0 in the same study)."""
NOISE_IN_DIFFERENCES: Final = 6.0
"""White noise of variance s² gives second differences of variance (1 + 4 + 1)·s²."""
MEAN_OVER_CELLS: Final = 5

FOLDED_CELL_M: Final = 2.5
"""Up to this cell paths are sampled cell by cell. What such a raster hides is a few centimetres and too short for the samples to
draw: it counts with the error of the raster, over its length."""

GRID_HOLDS_CELLS: Final = 12.0
"""A grid this much finer than a raster holds its bilinear ground: a crease is cut by less than 1/48 of a second difference."""

LINE_POINTS: Final = 5
"""A straight line of the grid is no straight line in the pixels of a raster in degrees; a quartic through so many points is."""


NO_RASTER: Final = 255
"""Number in place of that of a raster where none knows the ground."""


@dataclass(frozen=True, eq=False)
class Relief:
    """One raster: where its values lie, and standard deviations at each of them; arrays of the shape of `heights_m`."""

    heights_m: Float32
    nodes: RasterNodes | None
    """None: the values lie on the grid."""
    error_m: Float32
    """Of the product: grows with slope. On fine rasters what it hides is in it."""
    error_length_m: float
    hidden_m: Float32 | None
    """Of the relief between the nodes."""
    hidden_length_m: float
    identity: int
    """Stays the same for the same kind of raster, whatever else a property holds."""


def reliefs_of(elevation: Elevation) -> tuple[Relief | None, ...]:
    """Return what is known of each raster; None for those that give no ground here. Kept as long as the elevation is."""
    known = _reliefs.get(elevation)
    if known is None:
        known = _reliefs[elevation] = _all_reliefs(elevation)
    return known


_reliefs: WeakKeyDictionary[Elevation, tuple[Relief | None, ...]] = WeakKeyDictionary()


def _all_reliefs(elevation: Elevation) -> tuple[Relief | None, ...]:
    found: list[Relief | None] = []
    for number, note in enumerate(elevation.rasters):
        nodes = elevation.nodes[number] if number < len(elevation.nodes) else None
        gives_ground = note.share_of_grid > 0.0 and (elevation.ground_is_surface or note.holds == "ground")
        found.append(_relief(elevation, number, note, nodes) if gives_ground else None)
    return tuple(found)


def _relief(elevation: Elevation, number: int, note: RasterNote, nodes: RasterNodes | None) -> Relief:
    grid = elevation.grid
    if nodes is not None:
        heights, lag, spacing_m, cell_m = nodes.heights_m, 1, nodes.spacing_m, note.cell_m
    else:
        heights = elevation.ground_amsl_m
        if len(elevation.rasters) > 1:
            heights = np.where(elevation.raster_index == number, heights, np.float32(np.nan))
        cell_m = max(note.cell_m, grid.cell_m)
        lag = max(1, round(cell_m / grid.cell_m))
        spacing_m = (grid.cell_m, grid.cell_m)
    folded = cell_m <= FOLDED_CELL_M
    hidden = hidden_relief_m(heights, note.noise_m, lag)
    error = np.full(heights.shape, note.error_m, dtype=np.float32)
    if note.slope_growth > 0.0 and note.error_m > 0.0:
        error *= 1.0 + note.slope_growth * _steepness(heights, lag, spacing_m)
    if folded:
        error = np.hypot(error, hidden)
    return Relief(
        heights_m=heights,
        nodes=nodes,
        error_m=error,
        error_length_m=note.error_length_m,
        hidden_m=None if folded else hidden,
        hidden_length_m=HIDDEN_LENGTH_CELLS * cell_m,
        identity=round(100.0 * cell_m),
    )


def hidden_relief_m(heights_m: Float32, noise_m: float = 0.0, lag: int = 1) -> Float32:
    """Return the standard deviation of the relief between the nodes of a raster, at each node; zero where nothing is known.

    Parameters
    ----------
    heights_m : ndarray, shape (rows, columns)
    noise_m : float
        White noise of the heights.
    lag : int
        Cells of the array from one node of the raster to the next.

    Notes
    -----
    Source
        Own study of rasters averaged from finer ones (see `HIDDEN_SHARE`): sd = 0.30·rms(q), q = z(−C) − 2·z(0) + z(+C) along rows
        and columns, mean square over 5 × 5 cells, less 6·noise².
    Valid for
        Cells of 5 to 330 m. Walls, dams and cuttings narrower than a cell are no such relief and stay hidden.
    Accuracy
        ±20 % on real land; zero on a plane slope.
    """
    with np.errstate(invalid="ignore"):
        down, across = _differences(heights_m, lag, 2)
        mean_square = _mean_over_cells(np.square(down), np.square(across), lag)
    return np.asarray(HIDDEN_SHARE * np.sqrt(np.maximum(mean_square - NOISE_IN_DIFFERENCES * noise_m**2, 0.0)), dtype=np.float32)


def _steepness(heights_m: Float32, lag: int, spacing_m: tuple[float, float]) -> Float32:
    """Return the tangent of the slope, root mean square over 5 × 5 cells."""
    with np.errstate(invalid="ignore"):
        down, across = _differences(heights_m, lag, 1)
        down, across = down / np.float32(2.0 * lag * spacing_m[1]), across / np.float32(2.0 * lag * spacing_m[0])
        return np.asarray(np.sqrt(2.0 * _mean_over_cells(np.square(down), np.square(across), lag)), dtype=np.float32)


def _differences(heights_m: Float32, lag: int, order: int) -> tuple[Float32, Float32]:
    """Return differences from one node before to one node behind, down and across; NaN where a node is missing."""
    results = []
    for axis in (0, 1):
        difference = np.full(heights_m.shape, np.nan, dtype=np.float32)
        z, gives = np.moveaxis(heights_m, axis, 0), np.moveaxis(difference, axis, 0)
        if z.shape[0] > 2 * lag:
            before, here, behind = z[: -2 * lag], z[lag:-lag], z[2 * lag :]
            gives[lag:-lag] = behind - before if order == 1 else before - 2.0 * here + behind
        results.append(difference)
    return results[0], results[1]


def _mean_over_cells(down: Float32, across: Float32, lag: int) -> Float32:
    """Return the mean of both over 5 × 5 cells, of what is known there.

    Sums of shifted arrays, each in the same order: a value does not depend on where its array begins.
    """
    total, count = np.zeros(down.shape, dtype=np.float32), np.zeros(down.shape, dtype=np.float32)
    for values in (down, across):
        known = np.isfinite(values)
        total += _spread_sum(np.where(known, values, np.float32(0.0)), lag)
        count += _spread_sum(known.astype(np.float32), lag)
    return np.divide(total, count, out=np.zeros_like(total), where=count > 0.0)


def _spread_sum(values: Float32, lag: int) -> Float32:
    half = MEAN_OVER_CELLS // 2
    for axis in (0, 1):
        total = values.copy()
        for step in range(1, half + 1):
            shift = step * lag
            if shift < values.shape[axis]:
                early, late = (slice(None),) * axis + (slice(None, -shift),), (slice(None),) * axis + (slice(shift, None),)
                total[late] += values[early]
                total[early] += values[late]
        values = total
    return values


def grid_holds_ground(elevation: Elevation) -> bool:
    """Whether the ground between the pixels of every raster is on the grid already.

    A raster in another projection is warped on the grid by a rule that looks at its extent, so links read its own pixels.
    """
    return all(
        nodes is None or note.share_of_grid <= 0.0 or (nodes.same_crs and note.cell_m >= GRID_HOLDS_CELLS * elevation.grid.cell_m)
        for note, nodes in zip(elevation.rasters, elevation.nodes, strict=False)
    )


@cache
def _mover(crs: str, to: str) -> Transformer:
    return Transformer.from_crs(crs, to, always_xy=True)


def node_places(nodes: RasterNodes, grid: Grid, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Array, Array]:
    """Return fractional column and row in `nodes.heights_m` of places on the grid's projection."""
    column, row = _pixels(nodes, grid, np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float))
    return column - nodes.first_column, row - nodes.first_row


def _pixels(nodes: RasterNodes, grid: Grid, x: Array, y: Array) -> tuple[Array, Array]:
    if not nodes.same_crs:
        x, y = (np.asarray(value) for value in _mover(grid.crs, nodes.crs).transform(x, y))
        x = x + nodes.turn_deg
    a, b, c = nodes.to_column
    d, e, f = nodes.to_row
    return a * x + b * y + c, d * x + e * y + f


def line_places(
    nodes: RasterNodes, grid: Grid, x_a_m: Array, y_a_m: Array, x_b_m: Array, y_b_m: Array, samples: int
) -> tuple[Array, Array]:
    """Return the same for equally spaced samples of straight lines on the grid; shape (n_lines, samples)."""
    along = np.linspace(0.0, 1.0, samples)
    points = np.linspace(0.0, 1.0, 2 if nodes.same_crs else LINE_POINTS)
    column, row = _pixels(nodes, grid, np.outer(x_a_m, 1.0 - points) + np.outer(x_b_m, points), _between(y_a_m, y_b_m, points))
    weights = _lagrange(points, along)
    places = []
    for value, first in ((column, nodes.first_column), (row, nodes.first_row)):
        place = value[:, :1] * weights[0]
        for number in range(1, len(points)):
            place = place + value[:, number : number + 1] * weights[number]
        places.append(place - first)
    return places[0], places[1]


def _between(first: Array, last: Array, share: Array) -> Array:
    return np.asarray(np.outer(first, 1.0 - share) + np.outer(last, share))


def _lagrange(points: Array, at: Array) -> list[Array]:
    """Return the weight of each point in the polynomial through all of them."""
    weights = []
    for i, point in enumerate(points):
        weight = np.ones_like(at)
        for j, other in enumerate(points):
            if i != j:
                weight = weight * (at - other) / (point - other)
        weights.append(weight)
    return weights


def ground_of_nodes(reliefs: Sequence[Relief | None], places: Sequence[tuple[Array, Array]]) -> tuple[Array, NDArray[np.uint8]]:
    """Return ground heights and the number of the raster that gave each, finest first; NaN and 255 where none knows.

    Parameters
    ----------
    reliefs : sequence of Relief or None
    places : sequence of tuple of ndarray
        Fractional column and row of the same places in the arrays of each raster.
    """
    ground = np.full(places[0][0].shape, np.nan)
    source = np.full(places[0][0].shape, NO_RASTER, dtype=np.uint8)
    for number, (relief, place) in enumerate(zip(reliefs, places, strict=True)):
        missing = np.isnan(ground)
        if relief is None or not missing.any():
            continue
        heights = bilinear(relief.heights_m, *place)
        fill = missing & np.isfinite(heights)
        ground[fill], source[fill] = heights[fill], number
    return ground, source
