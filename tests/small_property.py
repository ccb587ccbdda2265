"""An invented holding small enough to plan in a second: a house on one side of a bank, a trough behind it, two posts upon it.

The bank runs north–south at x = 200 m, 25 m high. From the house nothing passes it at a usable rate; from either post both sides
are in plain sight. South post is the cheaper one.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.transform import from_origin

CRS = "EPSG:32627"
WEST_M, SOUTH_M = 485_000.0, 5_317_000.0
SIZE_M, CELL_M = 600.0, 5.0
NAME = "Smallholt"

Rows = list[dict[str, Any]]


def bank(height_m: float = 25.0) -> NDArray[np.float32]:
    """Return ground of 100 m with the bank, row 0 in the north; shape (120, 120)."""
    cells = int(SIZE_M / CELL_M)
    x_m = (np.arange(cells) + 0.5) * CELL_M
    ridge = height_m * np.exp(-(((x_m - 200.0) / 25.0) ** 2))
    return np.broadcast_to(100.0 + ridge, (cells, cells)).astype(np.float32)


def usual_sites() -> Rows:
    """Return the sites as rows of a table, places in metres from the south-west corner."""
    return [
        {"name": "Bed", "role": "sensor", "x": 90, "y": 320, "antenna_agl_m": 1.0, "purpose": "trend"},
        {"name": "Trough", "role": "sensor", "x": 330, "y": 300, "antenna_agl_m": 1.0, "purpose": "alarm"},
        {"name": "House", "role": "gateway", "x": 60, "y": 300, "antenna_agl_m": 4.0, "power": "mains"},
        {"name": "North post", "role": "relay", "x": 200, "y": 360, "antenna_agl_m": 4.0, "power": "panel", "cost": 150},
        {"name": "South post", "role": "relay", "x": 200, "y": 270, "antenna_agl_m": 3.0, "power": "panel", "cost": 80},
    ]


def lon_lat(x: float, y: float) -> tuple[float, float]:
    """Return longitude and latitude of a place in metres from the south-west corner."""
    lon_deg, lat_deg = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(WEST_M + x, SOUTH_M + y)
    return float(lon_deg), float(lat_deg)


def write_raster(path: Path, heights: NDArray[np.float32], **changes: Any) -> Path:
    """Write heights as a GeoTIFF on the holding's own grid."""
    shape = {"width": heights.shape[1], "height": heights.shape[0], "count": 1, "dtype": "float32"}
    place = {"crs": CRS, "transform": from_origin(WEST_M, SOUTH_M + SIZE_M, CELL_M, CELL_M)}
    with rasterio.open(path, "w", driver="GTiff", **(shape | place | changes)) as target:
        target.write(heights, 1)
    return path


def write_sites(path: Path, rows: Rows) -> Path:
    """Write rows as a CSV file with longitude and latitude, quoted where needed."""
    import csv

    written = []
    for row in rows:
        lon_deg, lat_deg = lon_lat(row["x"], row["y"])
        rest = {key: value for key, value in row.items() if key not in {"x", "y"}}
        written.append(rest | {"lon_deg": f"{lon_deg:.7f}", "lat_deg": f"{lat_deg:.7f}"})
    columns = list(dict.fromkeys(key for row in written for key in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns)
        writer.writeheader()
        writer.writerows(written)
    return path


def changed(rows: Rows, changes: Mapping[str, Mapping[str, Any]]) -> Rows:
    """Return the rows with some fields of the named sites replaced."""
    unknown = set(changes) - {row["name"] for row in rows}
    assert not unknown, f"no such sites: {unknown}"
    return [row | dict(changes.get(row["name"], {})) for row in rows]


def lay_small_property(
    folder: Path, *, sites: Rows | None = None, settings: str = "", heights: NDArray[np.float32] | None = None
) -> Path:
    """Write the whole holding into a folder and return the folder; `settings` is added to property.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    write_raster(folder / "ground.tif", bank() if heights is None else heights)
    write_sites(folder / "sites.csv", usual_sites() if sites is None else sites)
    (folder / "property.toml").write_text(
        f'name = "{NAME}"\ncountry = "europe"\nradio = "fsk-868-50k"\nseasons = "bare"\n'
        f'sites = "sites.csv"\nelevation = "ground.tif"\nland_cover.mapped = "all"\n{settings}',
        encoding="utf-8",
    )
    return folder
