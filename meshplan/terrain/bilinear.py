"""Interpolation between the cells of a raster."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshplan.units import Array


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
