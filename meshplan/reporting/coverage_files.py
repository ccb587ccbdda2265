"""Coverage as a cloud-optimised GeoTIFF."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.io import MemoryFile
from rasterio.shutil import copy as copy_raster
from rasterio.transform import from_origin

from meshplan.grid import Grid
from meshplan.reporting.files import write_bytes_atomically


def write_coverage_raster(grid: Grid, bands: Mapping[str, NDArray[Any]], names: Sequence[str], path: Path) -> Path:
    """Write bands of float32, NaN where nothing is known, with their names; return the path.

    Parameters
    ----------
    grid : Grid
    bands : mapping
        Name → array of shape (rows, columns). Whole numbers below zero become NaN.
    names : sequence of str
        Transmitters in the order of the band "transmitter", kept as a tag.
    """
    profile = {
        "driver": "GTiff",
        "width": grid.columns,
        "height": grid.rows,
        "count": len(bands),
        "dtype": "float32",
        "crs": grid.crs,
        "transform": from_origin(grid.west_m, grid.north_m, grid.cell_m, grid.cell_m),
        "nodata": float("nan"),
    }
    with MemoryFile() as plain, MemoryFile() as optimised:
        with plain.open(**profile) as target:
            for number, (name, values) in enumerate(bands.items(), start=1):
                target.write(_as_float(values), number)
                target.set_band_description(number, name)
            target.update_tags(transmitters="; ".join(f"{number}: {name}" for number, name in enumerate(names)))
        with plain.open() as source, rasterio.Env(GDAL_NUM_THREADS="1"):
            copy_raster(source, optimised.name, driver="COG", compress="deflate", predictor="yes", overview_resampling="average")
        return write_bytes_atomically(path, optimised.read())


def _as_float(values: NDArray[Any]) -> NDArray[np.float32]:
    held = values.astype(np.float32)
    if np.issubdtype(values.dtype, np.integer):
        held[values < 0] = np.nan
    return held
