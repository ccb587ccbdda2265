"""The landscape: bare ground with everything that stands on it, on one grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from rasterio.transform import from_origin

from meshplan.grid import Elevation, Float32, Grid
from meshplan.records import Cover
from meshplan.terrain.relief import Relief, grid_holds_ground, reliefs_of

UNMAPPED_GROWTH_LEAST_M = 2.0
"""Height above bare ground from which a surface raster shows something worth counting (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Landscape:
    """Ground and cover on one grid.

    `cover_index` has shape (rows, columns): 0 is open ground, i is `covers[i - 1]`. `canopy_m` holds the height above ground of
    trees and roofs where a surface raster shows it, else NaN. `ground_is_surface` says that trees and roofs are already in the
    heights, so that cover adds none.
    """

    elevation: Elevation
    covers: tuple[Cover, ...]
    cover_index: NDArray[np.uint16]
    canopy_m: Float32 | None
    assumptions: tuple[str, ...]

    @property
    def grid(self) -> Grid:
        """The working grid."""
        return self.elevation.grid

    @property
    def ground_amsl_m(self) -> Float32:
        """Bare ground, NaN where unknown; shape (rows, columns)."""
        return self.elevation.ground_amsl_m

    @cached_property
    def reliefs(self) -> tuple[Relief | None, ...]:
        """What is known of each raster of `elevation.rasters`; None for those that give no ground."""
        return reliefs_of(self.elevation)

    @cached_property
    def grid_holds_ground(self) -> bool:
        """Whether the ground of the rasters is on the grid already; else it is read between their own pixels."""
        return grid_holds_ground(self.elevation)

    @property
    def sampled_as_m(self) -> float:
        """Cell of the raster that sets how densely paths are sampled."""
        return self.elevation.sampled_as_m or self.grid.cell_m

    @property
    def ground_is_surface(self) -> bool:
        """Whether trees and roofs are already in the heights."""
        return self.elevation.ground_is_surface

    def cover_heights_m(self, month: int) -> NDArray[np.float64]:
        """Return the height of each cover in a month, shape (n_covers + 1,); entry 0 is open ground.

        With a surface model in place of bare ground all heights are zero: what stands there is in the ground already.
        """
        heights = [0.0, *(cover.height_in_month_m(month) for cover in self.covers)]
        return np.zeros(len(heights)) if self.ground_is_surface else np.asarray(heights)


def build_landscape(elevation: Elevation, covers: Sequence[Cover]) -> Landscape:
    """Lay the cover on the grid.

    Where covers overlap, buildings win over all else, then the taller one. A cell belongs to a cover if its centre lies inside;
    a cover too thin to hold any centre takes the cells it touches.
    """
    grid = elevation.grid
    assumptions: list[str] = []
    ordered = tuple(sorted(covers, key=lambda cover: (cover.is_building, _tallest_m(cover), cover.name)))
    index = np.zeros(grid.shape, dtype=np.uint16)
    transform = from_origin(grid.west_m, grid.north_m, grid.cell_m, grid.cell_m)
    for number, cover in enumerate(ordered, start=1):
        cells = _cells_of(cover, grid, transform)
        index[cells] = number
    canopy_m: Float32 | None = None
    if elevation.surface_amsl_m is not None:
        canopy_m = np.asarray(elevation.surface_amsl_m - elevation.ground_amsl_m, dtype=np.float32)
        canopy_m = np.maximum(canopy_m, np.float32(0.0))
        unmapped = (index == 0) & (canopy_m >= UNMAPPED_GROWTH_LEAST_M)
        if bool(unmapped.any()):
            whole = shapely.box(grid.west_m, grid.south_m, grid.east_m, grid.north_m)
            growth = Cover("growth seen from above", "wood_deciduous", whole, float(np.nanmax(canopy_m)))
            ordered = (*ordered, growth)
            index[unmapped] = len(ordered)
            share = float(unmapped.mean())
            assumptions.append(
                f"On {share:.0%} of the land the surface raster stands {UNMAPPED_GROWTH_LEAST_M:g} m or more above the ground "
                "without a cover polygon; it is taken for deciduous trees."
            )
    if elevation.ground_is_surface and ordered:
        assumptions.append(
            "The elevation is a surface model: trees and roofs are in it already, so the cover polygons add no height."
        )
    return Landscape(elevation, ordered, index, canopy_m, tuple(assumptions))


def _tallest_m(cover: Cover) -> float:
    return max((cover.height_m, *cover.heights_by_month_m))


def _cells_of(cover: Cover, grid: Grid, transform: object) -> NDArray[np.bool_]:
    def burn(all_touched: bool) -> NDArray[np.bool_]:
        burnt = rasterize(
            [(cover.geometry, 1)],
            out_shape=grid.shape,
            transform=transform,
            all_touched=all_touched,
            merge_alg=MergeAlg.replace,
            dtype="uint8",
        )
        return np.asarray(burnt, dtype=bool)

    cells = burn(all_touched=False)
    expected = cover.geometry.area / grid.cell_m**2
    if cells.sum() < 0.5 * expected or not cells.any():
        cells = burn(all_touched=True)
    return cells
