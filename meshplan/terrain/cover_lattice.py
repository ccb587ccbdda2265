"""The lattice on which links meet cover: parts of the cells of the working grid where these are too coarse for hedges."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.grid import Float32, Grid

COARSE_ABOVE_M, PART_M = 2.5, 2.0
"""Coarser cells are parted into an odd number of cells of at most `PART_M` each way, so that centres of parts lie on the centres of
cells; the same parts as those of a grid that is chosen for 30 m of data (`inputs.grid_choice`)."""

MOST_PARTS = 16_000_000
"""Fewer parts are taken where there would be more than that on all the land: 32 MB."""


Cell = TypeVar("Cell", bound=np.generic)


@dataclass(frozen=True, eq=False)
class CoverLattice:
    """What stands on the cells of a grid; arrays of shape (rows, columns), with the numbers of `Landscape.covers`."""

    grid: Grid
    index: NDArray[np.unsignedinteger[Any]]
    canopy_m: Float32 | None = None
    share: Float32 | None = None
    """How much of its cell a thin cover takes, 1 elsewhere; None where all cells are full."""

    def numbers_at(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[NDArray[np.unsignedinteger[Any]], NDArray[np.bool_]]:
        """Return the cover index of the cells nearest to places, and whether the places lie on the lattice."""
        column, row = (np.rint(values).astype(np.intp) for values in self.grid.column_row(x_m, y_m))
        inside = (column >= 0) & (row >= 0) & (column < self.grid.columns) & (row < self.grid.rows)
        return self.index[np.clip(row, 0, self.grid.rows - 1), np.clip(column, 0, self.grid.columns - 1)], inside


def finer_grid(grid: Grid) -> Grid | None:
    """Return the grid of parts on which cover is laid once more; None where the cells are fine enough, or too many."""
    if grid.cell_m <= COARSE_ABOVE_M:
        return None
    parts = math.ceil(grid.cell_m / PART_M - 1e-9) | 1
    while parts > 1 and grid.rows * grid.columns * parts**2 > MOST_PARTS:
        parts -= 2
    if parts == 1:
        return None
    return Grid(grid.crs, grid.west_m, grid.north_m, grid.cell_m / parts, grid.columns * parts, grid.rows * parts)


def on_parts(values: NDArray[Cell], parts: int) -> NDArray[Cell]:
    """Return values of cells on their parts."""
    return np.asarray(np.repeat(np.repeat(values, parts, axis=0), parts, axis=1), dtype=values.dtype)
