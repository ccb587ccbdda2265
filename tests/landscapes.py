"""Small landscapes for tests: ground from an array, cover from shapes, on a metric grid."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Elevation, Grid, RasterNote
from meshplan.records import Cover
from meshplan.terrain.landscape import Landscape, build_landscape

CRS = "EPSG:32632"
WEST_M, NORTH_M = 500_000.0, 5_000_000.0


def make_landscape(
    ground: NDArray[np.floating],
    cell_m: float = 5.0,
    covers: tuple[Cover, ...] = (),
    *,
    surface: NDArray[np.float32] | None = None,
    ground_is_surface: bool = False,
    error_m: float = 0.5,
    error_length_m: float = 10.0,
    raster_cell_m: float | None = None,
) -> Landscape:
    """Return a landscape whose north-west corner lies at (WEST_M, NORTH_M); its raster may have been coarser than its grid."""
    grid = Grid(CRS, WEST_M, NORTH_M, cell_m, ground.shape[1], ground.shape[0])
    elevation = Elevation(
        grid=grid,
        ground_amsl_m=ground.astype(np.float32),
        surface_amsl_m=surface,
        raster_index=np.zeros(ground.shape, dtype=np.uint8),
        rasters=(RasterNote("test.tif", "ground", raster_cell_m or cell_m, error_m, error_length_m, 1.0, "a test"),),
        ground_is_surface=ground_is_surface,
        assumptions=(),
    )
    return build_landscape(elevation, covers)


def rough(rows: int, columns: int, seed: int = 4, relief: float = 0.3) -> NDArray[np.float64]:
    """Return seeded rolling ground around 200 m."""
    random = np.random.default_rng(seed)
    return np.asarray(200.0 + np.cumsum(np.cumsum(random.normal(0, relief, (rows, columns)), axis=0), axis=1) / 30)
