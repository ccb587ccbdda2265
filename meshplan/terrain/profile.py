"""Profiles between pairs of places, many at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.grid import Grid
from meshplan.terrain.landscape import Landscape
from meshplan.units import Array

LEAST_SAMPLES = 5
"""Shortest profile: two ends and three points between, so that even neighbours have an inside."""

MOST_SAMPLES = 1025
"""Longest profile; past that the step grows beyond the cell."""


@dataclass(frozen=True, eq=False)
class CoverPieces:
    """Cover around samples, cell by cell: a sample between four cells holds a share of each, as its ground does.

    Metres counted by share neither jump when a sample crosses into another cell nor depend on how many samples there are. Arrays
    have shape (n_pieces,), sorted by pair, then sample; open ground has no pieces. `canopy_m` is that of the cell.
    """

    pair: NDArray[np.intp]
    sample: NDArray[np.intp]
    cover_index: NDArray[np.uint16]
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
    cover_index: NDArray[np.uint16]
    canopy_m: Array | None
    pieces: CoverPieces

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
    """Return how many samples a profile takes: one a cell, within `LEAST_SAMPLES` and `MOST_SAMPLES`."""
    return min(max(math.ceil(distance_m / cell_m) + 1, LEAST_SAMPLES), MOST_SAMPLES)


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
        Ground by bilinear interpolation between cell centres (NaN where one of the cells is unknown or outside); cover of the
        cell that holds the sample, and in pieces by the same weights as the ground.
    """
    grid = landscape.grid
    share = np.linspace(0.0, 1.0, samples)
    x_a, y_a, x_b, y_b = (np.atleast_1d(np.asarray(v, dtype=float)) for v in (x_a_m, y_a_m, x_b_m, y_b_m))
    x_m = x_a[:, None] * (1.0 - share) + x_b[:, None] * share
    y_m = y_a[:, None] * (1.0 - share) + y_b[:, None] * share
    column, row = grid.column_row(x_m, y_m)
    ground = bilinear(landscape.ground_amsl_m, column, row)
    nearest_column = np.clip(np.rint(column).astype(np.intp), 0, grid.columns - 1)
    nearest_row = np.clip(np.rint(row).astype(np.intp), 0, grid.rows - 1)
    canopy = None if landscape.canopy_m is None else landscape.canopy_m[nearest_row, nearest_column].astype(float)
    return Profiles(
        distance_m=np.hypot(x_b - x_a, y_b - y_a),
        ground_amsl_m=ground,
        cover_index=landscape.cover_index[nearest_row, nearest_column],
        canopy_m=canopy,
        pieces=cover_pieces(landscape.cover_index, landscape.canopy_m, column, row),
    )


def cover_pieces(cover_index: NDArray[np.uint16], canopy_m: NDArray[np.float32] | None, column: Array, row: Array) -> CoverPieces:
    """Return the cover of the four cells around each place with their bilinear weights.

    Parameters
    ----------
    cover_index, canopy_m : ndarray, shape (rows, columns)
        Cover of the cells, and how high the surface raster shows it.
    column, row : ndarray, shape (n_pairs, n_samples)
        Fractional indices; within half a cell beyond the outer centres the border value holds.
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
    canopy = None
    if canopy_m is not None:
        cell = np.stack([corner.reshape(-1)[covered] for corner in corners], axis=1).reshape(-1)[keep]
        canopy = canopy_m.reshape(-1)[cell].astype(float)
    return CoverPieces(pair, sample, code[keep], share[keep], canopy)


def bilinear(values: NDArray[np.float32], column: Array, row: Array) -> Array:
    """Interpolate between the four cell centres around each place; NaN outside the outermost cells and beside unknown cells.

    Parameters
    ----------
    values : ndarray, shape (rows, columns)
        Cell values.
    column, row : ndarray, any one shape
        Fractional indices; within half a cell beyond the outer centres the border value holds.
    """
    rows, columns = values.shape
    outside = (column < -0.5) | (row < -0.5) | (column > columns - 0.5) | (row > rows - 0.5) | np.isnan(column + row)
    c = np.clip(np.where(outside, 0.0, column), 0.0, columns - 1.0)
    r = np.clip(np.where(outside, 0.0, row), 0.0, rows - 1.0)
    c0 = np.minimum(c.astype(np.intp), max(columns - 2, 0))
    r0 = np.minimum(r.astype(np.intp), max(rows - 2, 0))
    c1 = np.minimum(c0 + 1, columns - 1)
    r1 = np.minimum(r0 + 1, rows - 1)
    u, v = c - c0, r - r0
    top = _mix(values[r0, c0].astype(float), values[r0, c1].astype(float), u)
    bottom = _mix(values[r1, c0].astype(float), values[r1, c1].astype(float), u)
    return np.where(outside, np.nan, _mix(top, bottom, v))


def _mix(first: Array, second: Array, share: Array) -> Array:
    """Weighted mean in which a neighbour of weight zero cannot spread its NaN."""
    mixed = first * (1.0 - share) + second * share
    return np.where(share == 0.0, first, np.where(share == 1.0, second, mixed))


def ground_at(landscape: Landscape, x_m: ArrayLike, y_m: ArrayLike) -> Array:
    """Return the ground height at places, NaN where unknown; shape of the input."""
    column, row = landscape.grid.column_row(x_m, y_m)
    return bilinear(landscape.ground_amsl_m, column, row)


def cover_at(landscape: Landscape, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.uint16]:
    """Return the cover index at places (0: open ground or outside the grid)."""
    grid: Grid = landscape.grid
    column, row = grid.column_row(x_m, y_m)
    c, r = np.rint(column).astype(np.intp), np.rint(row).astype(np.intp)
    inside = (c >= 0) & (r >= 0) & (c < grid.columns) & (r < grid.rows)
    found = landscape.cover_index[np.clip(r, 0, grid.rows - 1), np.clip(c, 0, grid.columns - 1)]
    return np.where(inside, found, np.uint16(0)).astype(np.uint16)
