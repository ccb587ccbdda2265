"""Profiles between pairs of places, many at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.grid import Grid
from meshplan.terrain.bilinear import bilinear
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.relief import Relief, ground_of_nodes, line_places, node_places
from meshplan.units import Array, Indices

LEAST_SAMPLES = 5
"""Shortest profile: two ends and three points between, so that even neighbours have an inside."""

MOST_SAMPLES = 2001
"""Longest profile; past that the step grows."""

FINEST_STEP_M = 2.5
"""Rasters up to this cell are sampled cell by cell, paths over coarser ones this densely up to `MOST_FINE_STEPS` steps, so that
what stands on them is met."""
MOST_FINE_STEPS = 512
STEPS_A_CELL, LONGEST_STEP_M = 6.0, 15.0
"""Ground of a coarse raster and the relief that it hides: steps of a sixth of its cell, at most 15 m (halving them changes the mean
loss by 0.2 dB at most; own study)."""
LEAST_SAMPLES_COARSE = 33


@dataclass(frozen=True, eq=False)
class CoverPieces:
    """Cover around samples, cell by cell: a sample between four cells holds a share of each, as its ground does.

    Metres counted by share neither jump when a sample crosses into another cell nor depend on how many samples there are. Arrays
    have shape (n_pieces,), sorted by pair, then sample; open ground has no pieces. `canopy_m` is that of the cell.
    """

    pair: NDArray[np.intp]
    sample: NDArray[np.intp]
    cover_index: Indices
    share: Array
    canopy_m: Array | None


@dataclass(frozen=True, eq=False)
class Profiles:
    """Land between pairs of places, all with the same number of equally spaced samples, first and last on the places themselves.

    Shapes: `distance_m` (n_pairs,); all others (n_pairs, n_samples). Heights are above sea level, without Earth curvature.
    `cover_index` follows `Landscape.cover_index` and is that of the cell which holds the sample; `canopy_m` is NaN where no surface
    raster tells.
    """

    distance_m: Array
    ground_amsl_m: Array
    cover_index: Indices
    canopy_m: Array | None
    pieces: CoverPieces
    raster: NDArray[np.uint8] | None = None
    """Number of the elevation raster that gave the ground, 255 where none did."""
    places: tuple[tuple[Array, Array], ...] = ()
    """Fractional column and row in the arrays of each raster of `Landscape.reliefs`."""

    @property
    def samples(self) -> int:
        """Samples of each profile."""
        return int(self.ground_amsl_m.shape[-1])

    @property
    def along_m(self) -> Array:
        """Distance of each sample from the first end, shape (n_pairs, n_samples)."""
        return self.distance_m[:, None] * np.linspace(0.0, 1.0, self.samples)

    @property
    def step_m(self) -> Array:
        """Sample spacing, shape (n_pairs,)."""
        return self.distance_m / (self.samples - 1)


def choose_sample_count(distance_m: float, cell_m: float) -> int:
    """Return how many samples a profile takes; depends on its length and on the cell of the raster below it alone.

    One a cell on rasters up to `FINEST_STEP_M`. On coarser ones a step of at most `FINEST_STEP_M` up to `MOST_FINE_STEPS` steps,
    and of a sixth of the cell, at most 15 m, on longer paths. Within `LEAST_SAMPLES` (coarse rasters: 33) and `MOST_SAMPLES`.
    """
    if cell_m <= FINEST_STEP_M:
        return min(max(math.ceil(distance_m / cell_m) + 1, LEAST_SAMPLES), MOST_SAMPLES)
    ground_step_m = max(min(cell_m / STEPS_A_CELL, LONGEST_STEP_M), FINEST_STEP_M)
    steps = max(min(math.ceil(distance_m / FINEST_STEP_M), MOST_FINE_STEPS), math.ceil(distance_m / ground_step_m))
    return min(max(steps + 1, LEAST_SAMPLES_COARSE), MOST_SAMPLES)


def sample_profiles(
    landscape: Landscape, x_a_m: ArrayLike, y_a_m: ArrayLike, x_b_m: ArrayLike, y_b_m: ArrayLike, samples: int
) -> Profiles:
    """Sample ground and cover along straight lines on the grid.

    Parameters
    ----------
    x_a_m, y_a_m, x_b_m, y_b_m : array_like, shape (n_pairs,)
        Ends on the local metric grid.
    samples : int
        Samples of each profile, ends included.

    Returns
    -------
    Profiles
        Ground by bilinear interpolation between the pixels of the rasters (NaN where one of them is unknown or outside); cover of
        the cell of `Landscape.cover_lattice` that holds the sample, and in pieces by bilinear weights there.
    """
    grid = landscape.grid
    share = np.linspace(0.0, 1.0, samples)
    x_a, y_a, x_b, y_b = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (x_a_m, y_a_m, x_b_m, y_b_m))
    x_m = x_a[:, None] * (1.0 - share) + x_b[:, None] * share
    y_m = y_a[:, None] * (1.0 - share) + y_b[:, None] * share
    column, row = grid.column_row(x_m, y_m)
    nearest_column = np.clip(np.rint(column).astype(np.intp), 0, grid.columns - 1)
    nearest_row = np.clip(np.rint(row).astype(np.intp), 0, grid.rows - 1)
    places = tuple(
        (column, row) if relief is None or relief.nodes is None else line_places(relief.nodes, grid, x_a, y_a, x_b, y_b, samples)
        for relief in landscape.reliefs
    )
    if landscape.grid_holds_ground:
        ground = bilinear(landscape.ground_amsl_m, column, row)
        raster = landscape.elevation.raster_index[nearest_row, nearest_column]
    else:
        ground, raster = ground_of_nodes(landscape.reliefs, places)
    cover = landscape.cover_lattice
    cover_column, cover_row = (column, row) if cover.grid == grid else cover.grid.column_row(x_m, y_m)
    at = (
        np.clip(np.rint(cover_row).astype(np.intp), 0, cover.grid.rows - 1),
        np.clip(np.rint(cover_column).astype(np.intp), 0, cover.grid.columns - 1),
    )
    return Profiles(
        distance_m=np.hypot(x_b - x_a, y_b - y_a),
        ground_amsl_m=ground,
        cover_index=cover.index[at],
        canopy_m=None if cover.canopy_m is None else cover.canopy_m[at].astype(float),
        pieces=cover_pieces(cover.index, cover.canopy_m, cover_column, cover_row, cover.share),
        raster=raster,
        places=places,
    )


def cover_pieces(
    cover_index: Indices,
    canopy_m: NDArray[np.float32] | None,
    column: Array,
    row: Array,
    cover_share: NDArray[np.float32] | None = None,
) -> CoverPieces:
    """Return the cover of the four cells around each place with their bilinear weights.

    Parameters
    ----------
    cover_index, canopy_m : ndarray, shape (rows, columns)
        Cover of the cells, and how high the surface raster shows it.
    column, row : ndarray, shape (n_pairs, n_samples)
        Fractional indices; within half a cell beyond the outer centres the border value holds.
    cover_share : ndarray, shape (rows, columns), optional
        How much of its cell a thin cover takes.
    """
    rows, columns = cover_index.shape
    c = np.clip(np.nan_to_num(column), 0.0, columns - 1.0)
    r = np.clip(np.nan_to_num(row), 0.0, rows - 1.0)
    at = np.minimum(r.astype(np.intp), max(rows - 2, 0)) * columns + np.minimum(c.astype(np.intp), max(columns - 2, 0))
    right, below = 1 if columns > 1 else 0, columns if rows > 1 else 0
    flat = cover_index.reshape(-1)
    corners = [at, at + right, at + below, at + below + right]
    codes = [flat[corner] for corner in corners]
    covered = np.flatnonzero((codes[0] | codes[1] | codes[2] | codes[3]).reshape(-1))
    u = c.reshape(-1)[covered] - at.reshape(-1)[covered] % columns
    v = r.reshape(-1)[covered] - at.reshape(-1)[covered] // columns
    shares = [(1.0 - u) * (1.0 - v), u * (1.0 - v), (1.0 - u) * v, u * v]
    code = np.stack([one.reshape(-1)[covered] for one in codes], axis=1).reshape(-1)
    share = np.stack(shares, axis=1).reshape(-1)
    keep = np.flatnonzero((code > 0) & (share > 0.0))
    pair, sample = np.divmod(np.repeat(covered, 4)[keep], column.shape[1])
    canopy, held = None, share[keep]
    if canopy_m is not None or cover_share is not None:
        cell = np.stack([corner.reshape(-1)[covered] for corner in corners], axis=1).reshape(-1)[keep]
    if cover_share is not None:
        held = held * cover_share.reshape(-1)[cell]
    if canopy_m is not None:
        canopy = canopy_m.reshape(-1)[cell].astype(float)
    return CoverPieces(pair, sample, code[keep], held, canopy)


def ground_at(landscape: Landscape, x_m: ArrayLike, y_m: ArrayLike) -> Array:
    """Return the ground height at places, NaN where unknown; shape of the input."""
    column, row = landscape.grid.column_row(x_m, y_m)
    if landscape.grid_holds_ground:
        return bilinear(landscape.ground_amsl_m, column, row)
    places = [_places_of(relief, landscape.grid, x_m, y_m) for relief in landscape.reliefs]
    return ground_of_nodes(landscape.reliefs, places)[0]


def _places_of(relief: Relief | None, grid: Grid, x_m: ArrayLike, y_m: ArrayLike) -> tuple[Array, Array]:
    if relief is None or relief.nodes is None:
        return grid.column_row(x_m, y_m)
    return node_places(relief.nodes, grid, x_m, y_m)


def cover_at(landscape: Landscape, x_m: ArrayLike, y_m: ArrayLike) -> Indices:
    """Return the cover index at places (0: open ground or outside the grid)."""
    found, inside = landscape.cover_lattice.numbers_at(x_m, y_m)
    return np.where(inside, found, 0).astype(found.dtype)
