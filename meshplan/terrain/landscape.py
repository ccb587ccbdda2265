"""The landscape: bare ground with everything that stands on it, on one grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio.enums import MergeAlg
from rasterio.features import rasterize
from rasterio.transform import from_origin

from meshplan.grid import Elevation, Float32, Grid
from meshplan.records import Cover
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, MappedLand

UNMAPPED_GROWTH_LEAST_M = 2.0
"""Height above bare ground from which a surface raster shows something worth counting (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Landscape:
    """Ground and cover on one grid.

    `cover_index` has shape (rows, columns): 0 is open ground, i is `covers[i - 1]`. `canopy_m` holds the height above ground of
    trees and roofs where a surface raster shows it, else NaN. `ground_is_surface` says that trees and roofs are already in the
    heights, so that cover adds none. `mapped` tells where the files account for all that stands on the land.
    """

    elevation: Elevation
    covers: tuple[Cover, ...]
    cover_index: NDArray[np.uint16]
    canopy_m: Float32 | None
    assumptions: tuple[str, ...]
    mapped: MappedLand = EVERYTHING_MAPPED

    @property
    def grid(self) -> Grid:
        """The working grid."""
        return self.elevation.grid

    @property
    def ground_amsl_m(self) -> Float32:
        """Bare ground, NaN where unknown; shape (rows, columns)."""
        return self.elevation.ground_amsl_m

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


def build_landscape(elevation: Elevation, covers: Sequence[Cover], mapped: MappedLand = EVERYTHING_MAPPED) -> Landscape:
    """Lay the cover on the grid.

    Where covers overlap, buildings win over all else, then the taller one. A cell belongs to a cover if its centre lies inside;
    a cover too thin to hold any centre takes the cells it touches. A surface raster shows what stands where it reaches, so the land
    under it is mapped, whatever `mapped` says of the cover files.
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
    return Landscape(elevation, ordered, index, canopy_m, tuple(assumptions), _with_surface(mapped, elevation))


def _with_surface(mapped: MappedLand, elevation: Elevation) -> MappedLand:
    """Return the mapped land with what a surface raster shows."""
    if mapped.boxes is None or elevation.ground_is_surface:
        return EVERYTHING_MAPPED
    if elevation.surface_amsl_m is None:
        return mapped
    rows, columns = np.nonzero(np.isfinite(elevation.surface_amsl_m))
    if not len(rows):
        return mapped
    west, north = elevation.grid.x_y(columns.min() - 0.5, rows.min() - 0.5)
    east, south = elevation.grid.x_y(columns.max() + 0.5, rows.max() + 0.5)
    seen = (float(west), float(south), float(east), float(north))
    grid = elevation.grid
    if seen == (grid.west_m, grid.south_m, grid.east_m, grid.north_m):
        return EVERYTHING_MAPPED
    return replace(mapped, boxes=(*mapped.boxes, seen))


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
