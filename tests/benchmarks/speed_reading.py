"""Reading a corner of a huge raster costs what the corner costs: `python tests/benchmarks/speed_reading.py`.

Prints CPU seconds of reading 600 × 600 cells out of 20 000 × 20 000, over reading them from a file of just that size; best of five.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
from rasterio.transform import from_origin
from rasterio.windows import Window

from meshplan.grid import Grid
from meshplan.inputs.elevation import read_elevation
from meshplan.inputs.raster import open_header
from meshplan.settings import RasterSettings

CRS = "EPSG:32632"
WEST_M, NORTH_M = 500_000.0, 5_540_000.0
HUGE, CORNER = 20_000, 1_024
GOAL = 1.5


def write(path: Path, size: int) -> Path:
    """Write a tiled raster of which only the corner holds heights."""
    heights = np.random.default_rng(1).normal(300, 20, (CORNER, CORNER)).astype(np.float32)
    shape = {"width": size, "height": size, "count": 1, "dtype": "float32", "crs": CRS}
    layout = {"tiled": True, "blockxsize": 256, "blockysize": 256, "compress": "deflate", "sparse_ok": True}
    with rasterio.open(path, "w", driver="GTiff", transform=from_origin(WEST_M, NORTH_M, 1.0, 1.0), **shape, **layout) as target:
        target.write(heights, 1, window=Window(0, 0, CORNER, CORNER))
    return path


def seconds(path: Path) -> float:
    """Return the least CPU time of five readings."""
    grid = Grid(CRS, WEST_M + 100, NORTH_M - 100, 1.0, 600, 600)
    times = []
    for _ in range(5):
        start = time.process_time()
        elevation = read_elevation([open_header(path, path.name, RasterSettings(file=path.name))], grid)
        times.append(time.process_time() - start)
        assert np.isfinite(elevation.ground_amsl_m).all()
    return min(times)


def ratio() -> float:
    """Return the cost of the corner of the huge raster over that of the small one."""
    with tempfile.TemporaryDirectory() as folder:
        small = seconds(write(Path(folder) / "small.tif", CORNER))
        return seconds(write(Path(folder) / "huge.tif", HUGE)) / small


if __name__ == "__main__":
    print(f"corner of {HUGE} × {HUGE} over the corner alone: {ratio():.2f} (goal at most {GOAL})")
