"""The local metric grid and the arrays that lie on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Float32 = NDArray[np.float32]


@dataclass(frozen=True)
class Grid:
    """A north-up grid of square cells in a metric projection.

    Row 0 is the northern row. The centre of cell (row, column) lies at
    x = west_m + (column + 0.5)·cell_m, y = north_m − (row + 0.5)·cell_m.
    """

    crs: str
    """Projection as an authority code or WKT."""
    west_m: float
    north_m: float
    cell_m: float
    columns: int
    rows: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.rows, self.columns

    @property
    def east_m(self) -> float:
        """Eastern edge."""
        return self.west_m + self.columns * self.cell_m

    @property
    def south_m(self) -> float:
        """Southern edge."""
        return self.north_m - self.rows * self.cell_m

    def column_row(self, x_m: ArrayLike, y_m: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return fractional cell indices; a whole number is a cell centre."""
        column = (np.asarray(x_m, dtype=float) - self.west_m) / self.cell_m - 0.5
        row = (self.north_m - np.asarray(y_m, dtype=float)) / self.cell_m - 0.5
        return column, row

    def x_y(self, column: ArrayLike, row: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the position of fractional cell indices."""
        x_m = self.west_m + (np.asarray(column, dtype=float) + 0.5) * self.cell_m
        y_m = self.north_m - (np.asarray(row, dtype=float) + 0.5) * self.cell_m
        return x_m, y_m


@dataclass(frozen=True, eq=False)
class RasterNote:
    """What was read from one elevation raster and how far it is trusted."""

    file: str
    holds: str
    """"ground" or "surface"."""
    cell_m: float
    error_m: float
    error_length_m: float
    share_of_grid: float
    """Share of the working grid whose height comes from this raster."""
    sentence: str


@dataclass(frozen=True, eq=False)
class Elevation:
    """Heights on the working grid, finest raster first, with their origin.

    `ground_amsl_m` and `surface_amsl_m` have shape (rows, columns), NaN where nothing is known; `surface_amsl_m` is None without a
    surface raster. `raster_index` says which entry of `rasters` each ground cell came from (255: none).
    """

    grid: Grid
    ground_amsl_m: Float32
    surface_amsl_m: Float32 | None
    raster_index: NDArray[np.uint8]
    rasters: tuple[RasterNote, ...]
    ground_is_surface: bool
    """True where only a surface model was given: trees and roofs are already in the heights."""
    assumptions: tuple[str, ...]
