"""Real open elevation for tests: matplotlib's sample raster as a GeoTIFF."""

from __future__ import annotations

from pathlib import Path

import matplotlib.cbook
import numpy as np
import rasterio
from rasterio.transform import from_origin

ARC_SECONDS = 3.0


def write_sample_elevation(path: Path) -> Path:
    """Write the sample raster of matplotlib: 344 × 403 cells of 3 arc-seconds, 236 to 1076 m.

    Its keys `ymin` and `ymax` are swapped: 36.7329 is the north edge and row 0 is north.
    """
    with matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz") as data:
        heights = np.asarray(data["elevation"])
        west, north = float(data["xmin"]), float(data["ymin"])
    assert heights.shape == (344, 403)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=403,
        height=344,
        count=1,
        dtype=heights.dtype,
        crs="EPSG:4326",
        transform=from_origin(west, north, ARC_SECONDS / 3600, ARC_SECONDS / 3600),
    ) as target:
        target.write(heights, 1)
    return path
