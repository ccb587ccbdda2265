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
        """Return fractional cell indices; a whole number is a cell centre.

        The part of a cell is worked out from the place alone, and whole cells are taken off it last: it is the same to the bit on
        every grid of the same lattice, wherever that begins.
        """
        west, west_part = _whole_and_part(self.west_m / self.cell_m)
        north, north_part = _whole_and_part(self.north_m / self.cell_m)
        column = (np.asarray(x_m, dtype=float) / self.cell_m - (west_part + 0.5)) - west
        row = north - (np.asarray(y_m, dtype=float) / self.cell_m + (0.5 - north_part))
        return column, row

    def x_y(self, column: ArrayLike, row: ArrayLike) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the position of fractional cell indices."""
        x_m = self.west_m + (np.asarray(column, dtype=float) + 0.5) * self.cell_m
        y_m = self.north_m - (np.asarray(row, dtype=float) + 0.5) * self.cell_m
        return x_m, y_m


def _whole_and_part(cells: float) -> tuple[float, float]:
    whole = float(np.rint(cells))
    return whole, round(cells - whole, 6)


@dataclass(frozen=True, eq=False)
class RasterNodes:
    """Heights of one raster at the centres of its own pixels, as read; between them the ground is bilinear.

    A point of the raster's projection lies at fractional column a·x + b·y + c (likewise row), counted over the whole file from the
    centre of its first pixel; `heights_m` begins at `first_column`, `first_row`.
    """

    heights_m: Float32
    crs: str
    """Projection of the raster, WKT."""
    same_crs: bool
    """Whether that is the projection of the grid."""
    to_column: tuple[float, float, float]
    to_row: tuple[float, float, float]
    first_column: int
    first_row: int
    turn_deg: float
    """Added to longitudes to come to the side of the Earth where the raster lies."""
    spacing_m: tuple[float, float]
    """Metres on the ground from one column, and from one row, to the next."""


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
    slope_growth: float = 0.0
    """The error grows by this times the tangent of the slope."""
    noise_m: float = 0.0
    """White noise of the heights, which is no relief."""


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
    nodes: tuple[RasterNodes | None, ...] = ()
    """For each of `rasters` its own pixels, where the grid does not lie on them; None where the grid holds all that is known."""
    warnings: tuple[str, ...] = ()
    """What about the heights looks wrong."""
    sampled_as_m: float | None = None
    """Cell of the raster that sets how densely paths are sampled; by default that of the grid."""
    canopy_raster_m: Float32 | None = None
    """Heights of trees above the ground by a canopy map, shape (rows, columns), NaN where it knows none; None without one."""
    surface_error_m: float = 0.0
    """Standard deviation of surface less ground, from the errors of both."""
