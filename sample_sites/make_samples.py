"""Write the demo properties of this folder: `python sample_sites/make_samples.py`.

Every place is invented. Heights come from formulas and fixed seeds on a local grid of metres (x east, y north; `demo_land.py`), so
that anyone can make the rasters again, byte for byte with the same GDAL. The local origin lies in the open North Atlantic, far from
land: nobody's farm is meant.
"""

from __future__ import annotations

import csv
import io
import json
import sys
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import rasterio
from demo_land import mirrowick_land, mirrowick_story, ossaby_land, ossaby_story, pellimoor_land, pellimoor_story
from natural_land import Array
from pyproj import Transformer
from rasterio.transform import from_origin

CRS = "EPSG:32627"
ORIGIN_EAST_M, ORIGIN_NORTH_M = 480_000.0, 5_317_000.0
"""Local (0, 0) of the first property: 48.0° N, 21.3° W, more than 800 km from land."""
HEIGHT_STEP_M = 0.01
HEIGHT_OFFSET_M = 100.0

Ground = Callable[[Array, Array], Array]
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)

SITE_COLUMNS = (
    "name",
    "role",
    "lon_deg",
    "lat_deg",
    "antenna_agl_m",
    "mast_heights_agl_m",
    "purpose",
    "importance",
    "power",
    "cost",
    "payload_bytes",
    "interval_s",
    "fast_interval_s",
    "indoors",
    "note",
)


@dataclass(frozen=True)
class Demo:
    """One property: where its origin lies, what grows there, who measures what."""

    folder: str
    east_m: float
    story: Ground
    """The landform that the story was written with."""
    land: Callable[[tuple[int, int, int, int], float, list[tuple[float, float]]], Array]
    """The heights of the raster, from its box, its cells and the places that keep the story's ground."""
    cell_m: float
    box_m: tuple[int, int, int, int]
    """West, south, east, north of the raster on the local grid."""
    sites: Sequence[dict[str, Any]]
    cover: Sequence[dict[str, Any]]
    boundary: Sequence[tuple[float, float]]
    toml: str
    readme: str
    coarse: dict[str, int] = field(default_factory=dict)
    """Further folders and the cell to which their raster is averaged."""


def _sensor(name: str, x: float, y: float, height_m: float, interval: str, purpose: str, **more: Any) -> dict[str, Any]:
    importance = more.pop("importance", {"trend": "low", "alarm": "high", "control": "high"}[purpose])
    return {
        "name": name,
        "role": "sensor",
        "at": (x, y),
        "antenna_agl_m": height_m,
        "interval_s": interval,
        "purpose": purpose,
        "importance": importance,
        "power": "battery",
        "payload_bytes": 12,
        **more,
    }


def _candidate(name: str, role: str, x: float, y: float, height_m: float, power: str, **more: Any) -> dict[str, Any]:
    return {"name": name, "role": role, "at": (x, y), "antenna_agl_m": height_m, "power": power, **more}


def _area(name: str, kind: str, west: float, east: float, south: float, north: float, **more: Any) -> dict[str, Any]:
    ring = [(west, south), (east, south), (east, north), (west, north), (west, south)]
    return {"ring": ring, "properties": {"name": name, "kind": kind, **more}}


EVENT = "also at every event"

OSSABY = Demo(
    folder="ossaby_terrace",
    east_m=0.0,
    story=ossaby_story,
    land=ossaby_land,
    cell_m=1.0,
    box_m=(-60, -60, 360, 480),
    sites=(
        _sensor("A01 top terrace soil", 80, 300, 0.3, "60 min", "trend"),
        _sensor("A02 mid terrace soil", 90, 190, 0.3, "60 min", "trend"),
        _sensor("A03 low terrace soil", 110, 70, 0.3, "60 min", "trend"),
        _sensor("A04 glasshouse climate", 99, 215, 1.6, "5 min", "alarm", indoors="glasshouse_metal"),
        _sensor("A05 rain butt level", 142, 336, 1.0, "30 min", "trend"),
        _sensor("A06 compost temperature", 40, 120, 0.8, "60 min", "trend"),
        _sensor("A07 stream pump state", 212, 60, 0.5, "15 min", "control", note=EVENT),
        _sensor("A08 lower gate", 150, 10, 1.2, "1 h", "alarm", importance="mid", note=EVENT),
        _sensor("A09 lawn weather", 160, 260, 2.0, "10 min", "trend", importance="mid"),
        _sensor("A10 pond level", 205, 180, 0.4, "30 min", "alarm", importance="mid"),
        _candidate("Study window", "gateway", 128, 337, 2.0, "mains", indoors="stone_500mm", note="mains and internet"),
        _candidate("Chimney", "gateway", 128, 337, 9.0, "mains", note="mains and internet through the roof"),
        _candidate("Glasshouse ridge", "gateway", 99, 226, 4.0, "panel", cost=320, note="needs a link to the house of its own"),
        _candidate("Pond arbour", "relay", 190, 170, 3.0, "panel", mast_heights_agl_m="3; 4"),
        _candidate("Gully rim post", "relay", 240, 90, 2.5, "panel", mast_heights_agl_m="2.5; 4"),
        _candidate("Lower wall post", "relay", 130, 55, 2.5, "panel", mast_heights_agl_m="2.5; 4"),
    ),
    cover=(
        _area("stone house", "building", 120, 138, 330, 344, height_m=8, wall="stone_500mm"),
        _area("glasshouse", "building", 95, 103, 205, 225, height_m=3, wall="glasshouse_metal"),
        _area("terrace hedge", "hedge_evergreen", 60, 180, 150, 153, height_m=4),
    ),
    boundary=((0, 0), (300, 0), (300, 400), (0, 400)),
    toml="""\
name = "{title}"
country = "europe"
radio = "fsk-868-50k"
seasons = ["bare", "leaf"]
sites = "{beside}sites.csv"
cover = "{beside}cover.geojson"
boundary = "{beside}boundary.geojson"
elevation = "ground_{cell}m.tif"

[requirement]
hop_limit = 2
# Readings come every few minutes and nobody acts on one alone, so 8 routes in 10 sure are enough here, for alarms and pumps too;
# without this line alarms ask for 0.95 and whatever is controlled for 0.98.
route_chance = 0.8

[land_cover]
mapped = "all"
""",
    readme="""\
# {title}, a hillside garden

This place is invented: names, land and sensors. Its heights are made by `sample_sites/make_samples.py`; its position is a false
origin in open ocean. {data}

A slope of 18 % with terrace lips and a gully, a stone house, a glasshouse, a hedge, ten sensors. What it teaches: a gateway at
the study window fails where the chimney serves nearly all; lips and hedge matter more than distance; the gully hides the stream
pump.
""",
    coarse={"ossaby_terrace_30m": 30},
)

MIRROWICK = Demo(
    folder="mirrowick_bottom",
    east_m=5_000.0,
    story=mirrowick_story,
    land=mirrowick_land,
    cell_m=2.0,
    box_m=(-250, -200, 2650, 2000),
    sites=(
        _sensor("B01 yard weather", 520, 520, 2.5, "10 min", "trend"),
        _sensor("B02 well head level", 460, 560, 0.6, "30 min", "alarm"),
        _sensor("B03 dairy tank temperature", 585, 500, 1.5, "5 min", "alarm", indoors="steel_with_openings"),
        _sensor("B04 main gate", 180, 420, 1.2, "1 h", "alarm", note=EVENT),
        _sensor("B05 stream level", 700, 598, 1.0, "15 min", "alarm", fast_interval_s="2 min"),
        _sensor("B06 silage temperature", 640, 440, 2.0, "60 min", "trend"),
        _sensor("B07 bottom meadow soil", 1250, 640, 0.4, "60 min", "trend"),
        _sensor("B08 ford level", 1900, 605, 1.0, "15 min", "alarm", fast_interval_s="2 min"),
        _sensor("B09 footbridge gate", 1650, 600, 1.2, "1 h", "trend", note=EVENT),
        _sensor("B10 hives weight", 980, 760, 0.5, "60 min", "trend"),
        _sensor("B11 north paddock trough", 800, 1480, 0.8, "30 min", "alarm"),
        _sensor("B12 north paddock soil", 1020, 1600, 0.4, "60 min", "trend"),
        _sensor("B13 saddle gate", 1500, 1150, 1.2, "1 h", "alarm", note=EVENT),
        _sensor("B14 ridge wind", 820, 1150, 4.0, "5 min", "trend"),
        _sensor("B15 spring box flow", 420, 1420, 0.5, "60 min", "trend"),
        _sensor("B16 far barn door", 1750, 1650, 2.0, "1 h", "alarm", note=EVENT),
        _sensor("B17 far trough", 1600, 1500, 0.8, "30 min", "alarm"),
        _sensor("B18 pump kiosk", 2250, 560, 1.5, "15 min", "control", note="acts on command"),
        _candidate("House roof", "gateway", 500, 500, 8.0, "mains", mast_heights_agl_m="8; 14", note="mains and internet"),
        _candidate("Far-side shed", "gateway", 1750, 1650, 5.0, "panel", cost=420, note="mobile network by contract"),
        _candidate("Ridge post, mobile network", "gateway", 820, 1150, 4.0, "panel", cost=480, note="mobile network by contract"),
        _candidate("Saddle post, mobile network", "gateway", 1500, 1150, 3.0, "panel", cost=480, note="mobile network by contract"),
        _candidate("Ridge post", "relay", 820, 1150, 4.0, "panel", mast_heights_agl_m="3; 4; 6; 8"),
        _candidate("Saddle post", "relay", 1500, 1150, 3.0, "panel", mast_heights_agl_m="3; 5; 8"),
        _candidate("East edge fence", "relay", 2050, 1150, 3.0, "panel", mast_heights_agl_m="3; 5; 8"),
        _candidate("Silage wall", "relay", 650, 430, 3.0, "mains", mast_heights_agl_m="3; 5"),
        _candidate("Meadow oak", "relay", 1180, 690, 4.0, "panel", mast_heights_agl_m="4; 6"),
        _candidate("Shelter belt end", "relay", 1330, 830, 3.0, "panel", mast_heights_agl_m="3; 5; 8"),
        _candidate("Ford sign", "relay", 1890, 640, 3.0, "panel", mast_heights_agl_m="3; 5"),
        _candidate("North stile", "relay", 960, 1420, 3.0, "panel", mast_heights_agl_m="3; 5"),
    ),
    cover=(
        _area("conifer shelter belt", "wood_evergreen", 300, 1300, 800, 860, height_m=14),
        _area("alder strip", "wood_deciduous", 900, 2200, 560, 590, height_m=9),
        _area("steel shed", "building", 560, 600, 470, 520, height_m=8, wall="steel_cladding"),
    ),
    boundary=((0, 0), (2400, 0), (2400, 1800), (0, 1800)),
    toml="""\
name = "{title}"
country = "europe"
radio = "fsk-868-4k8"
seasons = ["bare", "leaf"]
sites = "{beside}sites.csv"
cover = "{beside}cover.geojson"
boundary = "{beside}boundary.geojson"
elevation = "ground_{cell}m.tif"

[requirement]
hop_limit = 3
# Readings come every few minutes and nobody acts on one alone, so 8 routes in 10 sure are enough here, for alarms and pumps too;
# without this line alarms ask for 0.95 and whatever is controlled for 0.98.
route_chance = 0.8

[land_cover]
mapped = "all"
""",
    readme="""\
# {title}, a valley farm

This place is invented: names, land and sensors. Its heights are made by `sample_sites/make_samples.py`; its position is a false
origin in open ocean. {data}

A stream, a ridge 48 m high with a saddle, a shelter belt, alders, a steel shed, eighteen sensors on both sides. What it teaches: no
mast at the house gets over the ridge; one relay upon it does, and the plan names a stronger class that would need none.
""",
)

_SOIL = tuple(
    _sensor(f"C{number:02d} soil", x, y, 0.5, "60 min", "trend")
    for number, (x, y) in enumerate(((x, y) for x in (120, 320, 520) for y in (120, 300, 540, 780)), start=1)
)

PELLIMOOR = Demo(
    folder="pellimoor_orchard",
    east_m=10_000.0,
    story=pellimoor_story,
    land=pellimoor_land,
    cell_m=1.0,
    box_m=(-120, -120, 1220, 1020),
    sites=(
        *_SOIL,
        _sensor("C13 frost, low corner", 200, 110, 1.5, "10 min", "alarm", fast_interval_s="1 min"),
        _sensor("C14 frost, north block", 440, 820, 1.5, "10 min", "alarm", fast_interval_s="1 min"),
        _sensor("C15 leaf wetness", 320, 600, 1.8, "15 min", "trend"),
        _sensor("C16 maize soil", 800, 220, 0.4, "60 min", "trend"),
        _sensor("C17 maize edge climate", 1030, 80, 1.0, "15 min", "trend"),
        _sensor("C18 canal level", 1075, 450, 1.0, "15 min", "alarm"),
        _sensor("C19 irrigation pump", 1070, 470, 1.5, "15 min", "control", note="acts on command"),
        _sensor("C20 fuel tank", 940, 800, 1.2, "60 min", "trend"),
        _sensor("C21 cold store", 1000, 800, 2.0, "5 min", "alarm", indoors="steel_with_openings"),
        _sensor("C22 road gate", 1090, 880, 1.2, "1 h", "alarm", note=EVENT),
        _candidate("Shed gable", "gateway", 959, 759, 6.0, "mains", mast_heights_agl_m="6; 10", note="mains and internet"),
        _candidate("Orchard mast", "gateway or relay", 569, 440, 8.0, "panel", mast_heights_agl_m="5; 8"),
        _candidate("South block end", "relay", 320, 430, 4.0, "panel", mast_heights_agl_m="4; 6; 8"),
        _candidate("North block end", "relay", 320, 870, 4.0, "panel", mast_heights_agl_m="4; 6; 8"),
        _candidate("West gap", "relay", 72, 440, 4.0, "panel", mast_heights_agl_m="4; 6; 8"),
        _candidate("Maize headland", "relay", 820, 440, 3.0, "panel", mast_heights_agl_m="3; 5; 8"),
        _candidate("Canal post", "relay", 1060, 455, 3.0, "panel", mast_heights_agl_m="3; 5"),
    ),
    cover=(
        _area("orchard north", "orchard", 80, 560, 480, 860, height_m=3.5, row_azimuth_deg=0),
        _area("orchard south", "orchard", 80, 560, 60, 400, height_m=3.5, row_azimuth_deg=0),
        _area("west poplars", "wood_deciduous", 60, 68, 40, 880, height_m=15),
        _area("east poplars", "wood_deciduous", 570, 578, 40, 880, height_m=15),
        _area("maize", "maize", 600, 1040, 60, 420, height_m=2.5, heights_by_month_m="0; 0; 0; 0; 0.2; 0.9; 2; 2.5; 2.5; 0; 0; 0"),
        _area("packing shed", "building", 960, 1040, 760, 840, height_m=9, wall="steel_cladding"),
    ),
    boundary=((0, 0), (1100, 0), (1100, 900), (0, 900)),
    toml="""\
name = "{title}"
country = "europe"
radio = "fsk-868-4k8"
seasons = ["bare", "leaf", "august", "wet", "snow"]
sites = "{beside}sites.csv"
cover = "{beside}cover.geojson"
boundary = "{beside}boundary.geojson"
elevation = "ground_{cell}m.tif"

[requirement]
hop_limit = 2
# Readings come every few minutes and nobody acts on one alone, so 8 routes in 10 sure are enough here, for alarms and pumps too;
# without this line alarms ask for 0.95 and whatever is controlled for 0.98.
route_chance = 0.8

[land_cover]
mapped = "all"
""",
    readme="""\
# {title}, flat fruit land

This place is invented: names, land and sensors. Its heights are made by `sample_sites/make_samples.py`; its position is a false
origin in open ocean. {data}

Two orchard blocks in rows, windbreaks of poplar, maize that stands 2.5 m high in August and is gone in October, a steel shed, 22
sensors. What it teaches: links that work in January and fail in leaf, and a frost night on which every sensor speaks at once.
""",
)

DEMOS = (OSSABY, MIRROWICK, PELLIMOOR)
TITLES = {"ossaby_terrace": "Ossaby Terrace", "mirrowick_bottom": "Mirrowick Bottom", "pellimoor_orchard": "Pellimoor Orchard"}


def heights_of(demo: Demo, cell_m: float) -> Array:
    """Return the heights of a demo, rows from north to south; cells coarser than the demo's own are block means."""
    ground = demo.land(demo.box_m, demo.cell_m, [site["at"] for site in demo.sites])
    block = round(cell_m / demo.cell_m)
    rows, columns = ground.shape
    return np.asarray(ground.reshape(rows // block, block, columns // block, block).mean(axis=(1, 3)))


def to_degrees(demo: Demo, x: float, y: float) -> tuple[float, float]:
    """Return longitude and latitude of a local point, to about a centimetre."""
    lon_deg, lat_deg = TO_DEGREES.transform(ORIGIN_EAST_M + demo.east_m + x, ORIGIN_NORTH_M + y)
    return round(lon_deg, 7), round(lat_deg, 7)


def write_raster(demo: Demo, path: Path, cell_m: float) -> None:
    """Write heights as whole centimetres about 100 m."""
    heights = heights_of(demo, cell_m)
    west, _, _, north = demo.box_m
    stored = np.round((heights - HEIGHT_OFFSET_M) / HEIGHT_STEP_M).astype(np.int16)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=stored.shape[1],
        height=stored.shape[0],
        count=1,
        dtype="int16",
        crs=CRS,
        transform=from_origin(ORIGIN_EAST_M + demo.east_m + west, ORIGIN_NORTH_M + north, cell_m, cell_m),
        compress="deflate",
        predictor=2,
        zlevel=9,
        nodata=-32768,
        tiled=True,
        blockxsize=256,
        blockysize=256,
    ) as raster:
        raster.scales = (HEIGHT_STEP_M,)
        raster.offsets = (HEIGHT_OFFSET_M,)
        raster.units = ("metre",)
        raster.write(stored, 1)


def sites_csv(demo: Demo) -> str:
    """Return the sites as a table."""
    out = io.StringIO()
    writer = csv.DictWriter(out, SITE_COLUMNS, restval="", lineterminator="\n", extrasaction="ignore")
    writer.writeheader()
    for site in demo.sites:
        lon_deg, lat_deg = to_degrees(demo, *site["at"])
        writer.writerow({**site, "lon_deg": f"{lon_deg:.7f}", "lat_deg": f"{lat_deg:.7f}"})
    return out.getvalue()


def geojson(demo: Demo, shapes: Sequence[dict[str, Any]]) -> str:
    """Return polygons as GeoJSON, one feature on a line."""
    features = [
        {
            "type": "Feature",
            "properties": shape["properties"],
            "geometry": {"type": "Polygon", "coordinates": [[to_degrees(demo, *corner) for corner in shape["ring"]]]},
        }
        for shape in shapes
    ]
    lines = ",\n".join(json.dumps(feature) for feature in features)
    return f'{{"type": "FeatureCollection", "features": [\n{lines}\n]}}\n'


def write_demo(demo: Demo, folder: Path) -> None:
    """Write one property and its coarse twins below a folder."""
    title = TITLES[demo.folder]
    home = folder / demo.folder
    home.mkdir(parents=True, exist_ok=True)
    (home / "sites.csv").write_text(sites_csv(demo), encoding="utf-8", newline="\n")
    (home / "cover.geojson").write_text(geojson(demo, demo.cover), encoding="utf-8", newline="\n")
    outline = {"ring": [*demo.boundary, demo.boundary[0]], "properties": {"name": title}}
    (home / "boundary.geojson").write_text(geojson(demo, [outline]), encoding="utf-8", newline="\n")
    versions = [(home, demo.cell_m, title, "", f"The raster has cells of {demo.cell_m:g} m.")]
    versions.extend(
        (
            folder / name,
            float(cell_m),
            f"{title}, {cell_m} m data",
            f"../{demo.folder}/",
            f"Here its heights are averaged to cells of {cell_m} m; all else is read from `{demo.folder}`. Compare the two plans: "
            "coarse data hide the lips and half the gully, so losses look smaller than they are, and no honest plan can be sure.",
        )
        for name, cell_m in demo.coarse.items()
    )
    for place, cell_m, name, beside, data in versions:
        place.mkdir(parents=True, exist_ok=True)
        write_raster(demo, place / f"ground_{cell_m:g}m.tif", cell_m)
        words = {"title": name, "beside": beside, "cell": f"{cell_m:g}", "data": data}
        (place / "property.toml").write_text(demo.toml.format(**words), encoding="utf-8", newline="\n")
        (place / "README.md").write_text(demo.readme.format(**words), encoding="utf-8", newline="\n")


def main(folder: Path) -> None:
    """Write all demo properties."""
    for demo in DEMOS:
        write_demo(demo, folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
