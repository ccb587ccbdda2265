"""Write the demo property whose land comes from open data alone: `python sample_sites/make_open_land.py`.

The place is invented, and so is the OpenStreetMap extract: nothing in it was mapped by anybody. Heights are formulas on a local
grid of metres (x east, y north) in the open North Atlantic, so that anyone can make the files again, byte for byte with the same
GDAL.
"""

from __future__ import annotations

import csv
import io
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from xml.sax.saxutils import quoteattr

import numpy as np
import rasterio
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.transform import from_origin

CRS = "EPSG:32627"
EAST_M, NORTH_M = 505_000.0, 5_317_000.0
"""Local (0, 0): 48.0° N, 20.9° W, more than 800 km from land."""
CELL_M = 2.0
GROUND_BOX_M = (-60, -60, 960, 760)
"""West, south, east, north of the ground raster."""
SURFACE_BOX_M = (-60, -60, 620, 760)
"""That of the surface: its flight ends here, so that nothing shows what stands further east beyond what is mapped."""
FOLDER = "quellimere_fold"

Array = NDArray[np.float64]
Place = tuple[float, float]
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)

THINGS = (
    ("house", 186, 190, 206, 200, 8.2),
    ("barn", 222, 186, 250, 200, 6.8),
    ("glasshouse", 150, 150, 190, 160, 4.1),
    ("wood", 540, 430, 760, 610, 14.0),
    ("copse that nobody mapped", 110, 500, 190, 590, 9.0),
    ("hedge", 40, 318, 400, 320, 2.6),
    ("orchard", 260, 60, 400, 150, 3.6),
)
"""What truly stands there: name, west, south, east, north, height. The surface shows it where it reaches."""


def _sensor(name: str, x: float, y: float, height_m: float, purpose: str, interval: str) -> dict[str, Any]:
    row = {"name": name, "role": "sensor", "at": (x, y), "antenna_agl_m": height_m}
    return {**row, "purpose": purpose, "power": "battery", "payload_bytes": 12, "interval_s": interval}


SITES: Sequence[dict[str, Any]] = (
    _sensor("Q01 yard weather", 240, 215, 2.0, "trend", "10 min"),
    _sensor("Q02 orchard soil", 330, 105, 0.5, "trend", "60 min"),
    _sensor("Q03 west trough", 70, 400, 0.8, "alarm", "30 min"),
    _sensor("Q04 copse gate", 150, 620, 1.2, "trend", "1 h"),
    _sensor("Q05 wood edge", 650, 405, 1.0, "trend", "60 min"),
    _sensor("Q06 far trough", 850, 350, 0.8, "alarm", "30 min"),
    _sensor("Q07 far gate", 840, 180, 1.2, "trend", "1 h"),
    _sensor("Q08 east spring", 700, 110, 0.6, "trend", "60 min"),
    {"name": "House gable", "role": "gateway", "at": (185, 195), "antenna_agl_m": 9.5, "power": "mains"},
    {"name": "Knoll post", "role": "relay", "at": (458, 380), "antenna_agl_m": 5.0, "power": "panel", "cost": 140},
    {"name": "Knoll shoulder", "role": "relay", "at": (436, 300), "antenna_agl_m": 6.0, "power": "panel", "cost": 170},
    {"name": "East fence", "role": "relay", "at": (760, 300), "antenna_agl_m": 4.0, "power": "panel", "cost": 130},
)

TOML = """name = "Quellimere Fold"
country = "europe"
radio = "fsk-868-4k8"
seasons = ["bare", "leaf"]
sites = "sites.csv"
# Nothing was drawn by hand: an extract of OpenStreetMap, and a surface and a ground model whose difference stands on the land.
cover = "land.osm"
elevation = [
    { file = "ground_2m.tif" },
    { file = "surface_2m.tif", holds = "surface" },
]

[requirement]
hop_limit = 3
route_chance = 0.8

[land_cover]
mapped = "judged"
unmapped = "rural"
"""

README = """# Quellimere Fold, a hill farm from open data

This place is invented: names, land, sensors, and the OpenStreetMap extract too, which nobody mapped (its credit stands on the map
because it stands on the map of every extract). Its heights are the formulas in `sample_sites/make_open_land.py`; its position is a
false origin in open ocean.

Nothing here was drawn by hand. `land.osm` holds a wood without a height, hedges, fields, an orchard, a farmyard, a pipe and a
power line; `surface_2m.tif` less `ground_2m.tif` gives heights to what states none and shows a copse that nobody mapped. East of
x = 620 m the surface ends, and of part of that land the extract says nothing either: there the plan reckons with unmapped rural
land and says what that costs. What it teaches: the best and cheapest post, on the knoll, stands beside the power line, on which its
mast could fall. It is left out of the choice, since the post on the shoulder, which costs more, serves the same sensors; map, sheet
and report say so by name, and with `use` = `forced` in its row, which takes it all the same, they warn first of all.
"""


def ground(x: Array, y: Array) -> Array:
    """Return a knoll of 26 m on land that rises gently to the north."""
    return (
        120.0
        + 0.012 * y
        + 26.0 * np.exp(-(((x - 450) / 110) ** 2 + ((y - 380) / 170) ** 2))
        + 1.2 * np.sin(x / 70) * np.cos(y / 90)
    )


def standing(x: Array, y: Array) -> Array:
    """Return the height of what stands on the land; crowns are uneven."""
    found = np.zeros_like(x)
    for name, west, south, east, north, height_m in THINGS:
        inside = (x > west) & (x < east) & (y > south) & (y < north)
        uneven = 1.0 + 0.12 * np.sin(x / 3.0) * np.sin(y / 4.0) if name in ("wood", "orchard", "copse that nobody mapped") else 1.0
        found = np.where(inside, height_m * uneven, found)
    return found


@dataclass
class Extract:
    """An invented extract in the making."""

    lines: list[str] = field(default_factory=list)
    nodes: list[str] = field(default_factory=list)

    def node(self, place: Place, tags: Mapping[str, str] | None = None) -> int:
        """Add a node and return its number."""
        lon, lat = to_degrees(*place)
        self.nodes.append(f'  <node id="{len(self.nodes) + 1}" lat="{lat:.7f}" lon="{lon:.7f}">{_tags(tags or {})}</node>')
        return len(self.nodes)

    def way(self, places: Sequence[Place], closed: bool = False, **tags: str) -> None:
        """Add a way with its nodes."""
        refs = [self.node(place) for place in places]
        nds = "".join(f'<nd ref="{ref}"/>' for ref in [*refs, *(refs[:1] if closed else [])])
        words = {key.replace("__", ":"): value for key, value in tags.items()}
        self.lines.append(f'  <way id="{1001 + len(self.lines)}">{nds}{_tags(words)}</way>')

    def box(self, west: float, south: float, east: float, north: float, **tags: str) -> None:
        """Add an area with its nodes."""
        self.way([(west, south), (east, south), (east, north), (west, north)], closed=True, **tags)

    def text(self) -> str:
        """Return the extract as XML."""
        head = '<?xml version="1.0" encoding="UTF-8"?>\n<osm version="0.6" generator="invented by make_open_land.py">\n'
        return head + "\n".join([*self.nodes, *self.lines]) + "\n</osm>\n"


def _tags(tags: Mapping[str, str]) -> str:
    return "".join(f"<tag k={quoteattr(key)} v={quoteattr(value)}/>" for key, value in tags.items())


def extract() -> Extract:
    """Return the invented extract: what is mapped, which is not all that stands there."""
    made = Extract()
    made.box(540, 430, 760, 610, natural="wood", leaf_type="broadleaved", leaf_cycle="deciduous")
    made.box(0, 320, 400, 480, landuse="meadow")
    made.box(0, 20, 250, 140, landuse="farmland", crop="maize")
    made.box(400, 200, 640, 330, landuse="meadow")
    made.box(410, 20, 640, 190, landuse="farmland")
    made.box(260, 60, 400, 150, landuse="orchard", trees="apple_trees")
    made.way([(40, 319), (400, 319)], barrier="hedge")
    made.way([(640, 20), (640, 330)], barrier="hedge", height="2.2 m")
    made.box(130, 145, 260, 230, landuse="farmyard")
    made.box(186, 190, 206, 200, building="house", building__levels="2", roof__shape="gabled", building__material="stone")
    made.box(222, 186, 250, 200, building="barn", building__material="wood")
    made.box(150, 150, 190, 160, building="greenhouse")
    made.box(300, 240, 340, 270, natural="water", water="pond")
    made.way([(474, -50), (474, 380), (486, 750)], power="minor_line", voltage="20000")
    for place in ((474, 100), (474, 240), (474, 380), (480, 560)):
        made.node(place, {"power": "pole"})
    made.way([(214, -50), (214, 185)], man_made="pipeline", substance="water", location="underground")
    made.way([(-50, 10), (900, 10)], highway="track")
    return made


def to_degrees(x: float, y: float) -> Place:
    """Return longitude and latitude of a local place, to about a centimetre."""
    lon_deg, lat_deg = TO_DEGREES.transform(EAST_M + x, NORTH_M + y)
    return round(float(lon_deg), 7), round(float(lat_deg), 7)


def write_raster(path: Path, box: tuple[int, int, int, int], *, surface: bool) -> None:
    """Write ground, or ground and what stands on it, as whole centimetres about 100 m."""
    west, south, east, north = box
    x, y = np.meshgrid(np.arange(west + CELL_M / 2, east, CELL_M), np.arange(north - CELL_M / 2, south, -CELL_M))
    heights = ground(x, y) + (standing(x, y) if surface else 0.0)
    stored = np.round((heights - 100.0) / 0.01).astype(np.int16)
    shape = {"width": stored.shape[1], "height": stored.shape[0], "count": 1, "dtype": "int16", "nodata": -32768}
    place = {"crs": CRS, "transform": from_origin(EAST_M + west, NORTH_M + north, CELL_M, CELL_M)}
    packed = {"compress": "deflate", "predictor": 2, "zlevel": 9, "tiled": True, "blockxsize": 256, "blockysize": 256}
    with rasterio.open(path, "w", driver="GTiff", **shape, **place, **packed) as raster:
        raster.scales, raster.offsets, raster.units = (0.01,), (100.0,), ("metre",)
        raster.write(stored, 1)


def sites_csv() -> str:
    """Return the sites as a table."""
    columns = ("name", "role", "lon_deg", "lat_deg", "antenna_agl_m", "purpose", "power", "cost", "payload_bytes", "interval_s")
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for site in SITES:
        lon_deg, lat_deg = to_degrees(*site["at"])
        writer.writerow({**site, "lon_deg": f"{lon_deg:.7f}", "lat_deg": f"{lat_deg:.7f}"})
    return out.getvalue()


def main(folder: Path) -> None:
    """Write the property below a folder."""
    home = folder / FOLDER
    home.mkdir(parents=True, exist_ok=True)
    for name, text in (("sites.csv", sites_csv()), ("land.osm", extract().text()), ("property.toml", TOML), ("README.md", README)):
        (home / name).write_text(text, encoding="utf-8", newline="\n")
    write_raster(home / "ground_2m.tif", GROUND_BOX_M, surface=False)
    write_raster(home / "surface_2m.tif", SURFACE_BOX_M, surface=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
