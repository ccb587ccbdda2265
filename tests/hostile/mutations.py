"""Seeded faults in everything that a user, a disk or a stranger may hand over, run through the command line in this process.

`Holding` lays a small property with every kind of file that meshplan reads. `mutate` changes one of them; the same seed always
makes the same change. `run_case` runs the commands that read the file and says what was wrong with the answer: a fault of ours
(exit code 3), a code that is a lie, a message without words, a hang.
"""

from __future__ import annotations

import contextlib
import copy
import io
import json
import math
import random
import re
import shutil
import signal
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import rasterio
from numpy.typing import NDArray
from rasterio.errors import RasterioError
from rasterio.transform import Affine, from_origin
from small_property import CRS, SIZE_M, SOUTH_M, WEST_M, bank, lay_small_property, lon_lat

from meshplan.cli import main

MOST_SECONDS = 60.0
"""Of processor time: a command that takes more counts as a hang; usual ones take well under a second."""

PATIENCE = 10.0
"""So many times longer it may wait on a busy machine before it is stopped."""

CELL_M = 10.0
"""Cell of the land here: every second of the usual ones, so that twenty thousand cases can be run."""

PLANNED = 0.35
"""Share of the cases that are planned where `check` calls the folder fit; the others end there."""

SETTINGS = """cover = "cover.geojson"
boundary = "boundary.gpkg"
generate_relays = 2
crs = "EPSG:32627"
radio_settings.power_dbm = 8
antenna.cable = "foam_5mm"
antenna.box_loss_db = 0.5
requirement.link_chance = 0.8
requirement.hop_limit = 3
requirement.second_route = "none"
requirement.budget = 5000
cost.currency = "EUR"
cost.relay = 45.0
cost.gateway = 120.0
cost.spare_share = 0.1
supply.sensor_board = "low-power-board"
supply.coldest_month_c = 0.0
terrain.k_factor = 1.3333
terrain.margin_m = 60
"""
TABLES = {
    "radios.toml": '[classes.mine]\nlike = "fsk-868"\ntitle = "Own"\nnoise_figure_db = 7.0\n',
    "antennas.toml": (
        '[[antenna]]\nname = "own"\ntitle = "Own"\npeak_gain_dbi = [0.0, 2.0]\nplanning_gain_dbi = [-3.0, -1.5, 0.0]\n'
        'pattern = "ball"\n'
        'spread_db = 3.0\nfrequency_mhz = [400.0, 2500.0]\nnote = ""\nsource = "measured"\nstanding = "memory"\n'
    ),
    "cables.toml": (
        '[[cable]]\nname = "thin"\ntitle = "Thin"\npoints = [[433.0, 1.45], [890.0, 2.1], [2450.0, 3.6]]\nsource = "measured"\n'
        'standing = "memory"\n'
    ),
    "boards.toml": '[boards.own]\nlike = "low-power-board"\ntitle = "Own"\n',
    "batteries.toml": '[batteries.own]\nlike = "alkaline-aa"\ntitle = "Own"\n',
    "regions.toml": '[regions.home]\nlike = "europe"\ntitle = "Home"\n',
    "changes.csv": "name,role,antenna_agl_m,lon_deg,lat_deg,note\nBed,sensor,1.5,,,moved\n",
}
READINGS = (
    "date_time,a,b,a_lon_deg,a_lat_deg,power_dbm,snr_db,sent,received,note\n"
    "2024-05-01 10:00,Bed,House,,,-70,12,100,98,near\n2024-05-01 10:05,Trough,South post,,,-85,8,100,90,\n"
    "2024-05-01 10:10,,House,{lon},{lat},-82,9,50,50,walked\n"
)
TRACK = (
    '<?xml version="1.0"?><gpx version="1.1" xmlns="http://www.topografix.com/GPX/1/1"><trk><trkseg>'
    '<trkpt lat="{lat}" lon="{lon}"><time>2024-05-01T10:00:00Z</time></trkpt>'
    '<trkpt lat="{lat}" lon="{lon}"><time>2024-05-01T10:00:30Z</time></trkpt></trkseg></trk></gpx>'
)

NUMBERS: tuple[Any, ...] = (
    0, -1, 1, 0.0, -0.0, 1e-320, 1e-9, 0.5, 90.0, -90.000001, 181.0, 1e9, 1e15, -1e15, 1e300, -1e300, 1e308, math.inf, -math.inf,
    math.nan, 2**31, 2**63, 2**64, -(2**63), 10**400, 5e-324, 3.3333333333,
)  # fmt: skip
WORDS: tuple[str, ...] = (
    "", " ", "nan", "NaN", "inf", "-inf", "null", "None", "true", "1e999", "1,5", "1.234.567", "−5", "٣", "½", "5 m", "12 ft",
    "0x10",
    "=1+1", "'=1+1", "\u202eabc", "\u200b", "é" * 300, "a" * 10_000, "../../etc/passwd", "/dev/zero", "con", "a/b", "a\\b", "a;b|c",
    "<script>alert(1)</script>", "]]>", "&amp;", '"', "''", "\x00", "\ufeffx", "\ud7ff", "9" * 5000, "yesterday", "2024-13-45",
    "24:61",
    "Bed", "House", "sensor", "gateway", "relay", "sensor;gateway", "bare", "wood", "EPSG:4326", "EPSG:999999", "css-868-sf7", "http://[",
)  # fmt: skip


def odd_value(rng: random.Random) -> Any:
    """Return a value that some reader may not expect."""
    kind = rng.randrange(8)
    if kind < 3:
        return rng.choice(NUMBERS)
    if kind < 5:
        return rng.choice(WORDS)
    return copy.deepcopy(
        rng.choice(
            (
                None,
                True,
                False,
                [],
                {},
                [[]],
                [None],
                {"": None},
                [1, "a"],
                ["a", "a"],
                {"a": {"b": []}},
                nested(rng.choice((3, 200))),
            )
        )
    )


def nested(depth: int) -> Any:
    value: Any = 1
    for _ in range(depth):
        value = [value]
    return value


@dataclass
class Case:
    """One change and what the commands answered."""

    seed: int
    target: str
    change: str
    commands: list[tuple[list[str], int, float]] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


class Holding:
    """The unspoilt property with its plan, made once; each case works on a copy."""

    def __init__(self, home: Path) -> None:
        self.home = home
        self.folder = lay_small_property(home / "holding", settings=SETTINGS)
        with rasterio.open(self.folder / "ground.tif", "w", width=60, height=60, **GROUND) as target:
            target.write(ground(), 1)
        lon, lat = lon_lat(90.0, 320.0)
        for name, text in TABLES.items():
            (self.folder / name).write_text(text.replace(",,,", f",{lon:.7f},{lat:.7f},"), encoding="utf-8")
        (self.folder / "cover.geojson").write_text(json.dumps(cover()), encoding="utf-8")
        lay_boundary(self.folder / "boundary.gpkg")
        lon, lat = lon_lat(120.0, 250.0)
        (self.folder / "readings.csv").write_text(READINGS.format(lon=lon, lat=lat), encoding="utf-8")
        (self.folder / "track.gpx").write_text(TRACK.format(lon=lon, lat=lat), encoding="utf-8")
        self.out = home / "out"
        for words in (
            ["plan", str(self.folder), "--out", str(self.out), "-q"],
            ["calibrate", str(self.folder), str(self.folder / "readings.csv"), "--out", str(self.out), "-q"],
        ):
            said = io.StringIO()
            with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(said):
                code = main(words)
            assert code == 0, said.getvalue()
        assert (self.folder / "calibration.toml").is_file()
        assert (self.out / "next_places.json").is_file()


GROUND: dict[str, Any] = {
    "driver": "GTiff", "count": 1, "dtype": "float32", "crs": CRS,
    "transform": from_origin(WEST_M, SOUTH_M + SIZE_M, CELL_M, CELL_M),
}  # fmt: skip


def ground() -> NDArray[np.float32]:
    """Return the heights of the holding in coarser cells; shape (60, 60)."""
    return bank()[::2, ::2]


def cover() -> dict[str, Any]:
    """Return woods, a hedge, a building and a pond."""

    def ring(west: float, south: float, size: float) -> list[list[float]]:
        corners = ((0, 0), (size, 0), (size, size), (0, size), (0, 0))
        return [list(lon_lat(west + x, south + y)) for x, y in corners]

    shapes = (
        ("wood", 8, {"type": "Polygon", "coordinates": [ring(100, 200, 60)]}),
        ("building", 6, {"type": "Polygon", "coordinates": [ring(40, 330, 12)]}),
        ("water", 0, {"type": "MultiPolygon", "coordinates": [[ring(300, 100, 40)], [ring(350, 100, 20)]]}),
        ("hedge", 2, {"type": "LineString", "coordinates": ring(250, 250, 80)[:3]}),
    )
    features = [
        {"type": "Feature", "properties": {"kind": kind, "height_m": height, "name": f"the {kind}"}, "geometry": geometry}
        for kind, height, geometry in shapes
    ]
    return {"type": "FeatureCollection", "features": features}


def lay_boundary(path: Path) -> None:
    import geopandas
    from shapely.geometry import Polygon

    corners = [(WEST_M + x, SOUTH_M + y) for x, y in ((20, 20), (580, 20), (580, 580), (20, 580))]
    geopandas.GeoDataFrame({"name": ["all"]}, geometry=[Polygon(corners)], crs=CRS).to_file(path, driver="GPKG")


# --- mutators: each takes the path and a generator, changes the file, and says in a few words what it did


def mutate_bytes(path: Path, rng: random.Random) -> str:
    data = bytearray(path.read_bytes())
    kind = rng.choice(("flip", "cut", "insert", "truncate", "double", "zeros", "mark", "utf-16", "random", "lines"))
    at = rng.randrange(max(len(data), 1))
    if kind == "flip":
        for _ in range(rng.choice((1, 1, 3, 20))):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif kind == "cut":
        del data[at : at + rng.choice((1, 7, 100))]
    elif kind == "insert":
        data[at:at] = rng.choice(
            (b"\0", b"\xff\xfe", b'"', b"\r", b"[" * 3000, b"{" * 3000, b"9" * 5000, b"<a>", bytes(rng.randbytes(16)))
        )
    elif kind == "truncate":
        del data[at:]
    elif kind == "double":
        data[at:at] = data[max(0, at - 200) : at]
    elif kind == "zeros":
        data[at : at + 64] = bytes(len(data[at : at + 64]))
    elif kind == "mark":
        data[:0] = rng.choice((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff", b"\0\0\0\0"))
    elif kind == "utf-16":
        data = bytearray(bytes(data).decode("latin-1").encode("utf-16"))
    elif kind == "random":
        data = bytearray(rng.randbytes(rng.choice((1, 100, 5000))))
    else:
        lines = bytes(data).split(b"\n")
        rng.shuffle(lines)
        data = bytearray(b"\n".join(lines))
    path.write_bytes(data)
    return kind


def places_in(value: Any, trail: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    yield trail
    if isinstance(value, dict):
        for key, item in value.items():
            yield from places_in(item, (*trail, key))
    elif isinstance(value, list):
        for i, item in enumerate(value):
            yield from places_in(item, (*trail, i))


def mutate_json(path: Path, rng: random.Random) -> str:
    document = json.loads(path.read_text(encoding="utf-8"))
    told = mutate_document(document, rng)
    text = json.dumps(document, ensure_ascii=rng.random() < 0.5)
    if rng.random() < 0.03:
        text = text.replace("0", "9" * 5000, 1)
    path.write_text(text, encoding="utf-8", errors="surrogatepass")
    return told


def mutate_document(document: Any, rng: random.Random) -> str:
    """Change one place of plain values; every field is equally likely, however often it stands there."""
    by_kind: dict[tuple[Any, ...], list[tuple[Any, ...]]] = {}
    for trail in places_in(document):
        if trail:
            by_kind.setdefault(tuple("#" if isinstance(part, int) else part for part in trail), []).append(trail)
    trail = rng.choice(rng.choice(list(by_kind.values())))
    holder = document
    for part in trail[:-1]:
        holder = holder[part]
    key, old = trail[-1], holder[trail[-1]]
    kind = rng.choice(("odd", "odd", "odd", "remove", "rename", "double", "scale", "swap", "empty"))
    shown = ".".join(map(str, trail))
    if kind == "remove":
        del holder[key]
    elif kind == "rename" and isinstance(holder, dict):
        holder[f"{key}x"] = holder.pop(key)
    elif kind == "double" and isinstance(holder, list):
        holder.insert(key, copy.deepcopy(old))
    elif kind == "scale" and isinstance(old, int | float) and not isinstance(old, bool):
        holder[key] = old * rng.choice((-1, 0, 1e-6, 1e6, 1e200, 0.3048, 2))
    elif kind == "swap" and isinstance(holder, list) and len(holder) > 1:
        rng.shuffle(holder)
    elif kind == "empty" and isinstance(old, list | dict | str):
        holder[key] = type(old)()
    else:
        holder[key] = odd_value(rng)
        return f"{shown} = {str(holder[key])[:40]!r}" if not isinstance(holder[key], int) else f"{shown} = number"
    return f"{kind} {shown}"


def toml_literal(value: Any) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int):
        return "9" * 400 if abs(value) > 10**300 else str(value)
    if isinstance(value, float):
        return str(value)
    if isinstance(value, str):
        return json.dumps(value)
    if isinstance(value, list):
        return "[" + ", ".join(toml_literal(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(str(key))} = {toml_literal(item)}" for key, item in value.items()) + "}"
    return "1979-05-27T07:32:00Z"


def mutate_toml(path: Path, rng: random.Random) -> str:
    lines = path.read_text(encoding="utf-8").splitlines()
    at = rng.choice([i for i, line in enumerate(lines) if "=" in line])
    key = lines[at].partition("=")[0].strip()
    kind = rng.choice(("odd", "odd", "odd", "odd", "remove", "table", "double", "more"))
    if kind == "remove":
        del lines[at]
    elif kind == "table":
        lines[at] = f"{key}.more.deeper = {toml_literal(odd_value(rng))}"
    elif kind == "double":
        lines.insert(at, lines[at])
    elif kind == "more":
        lines.append(
            rng.choice(KEYS) + f" = {toml_literal(odd_value(rng))}"
            if path.name == "property.toml"
            else f"odd = {toml_literal(odd_value(rng))}"
        )
    else:
        lines[at] = f"{key} = {toml_literal(odd_value(rng))}"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8", errors="replace")
    return f"{kind} {key}"


KEYS = (
    "country", "seasons", "radio", "sites", "elevation", "boundary", "radio_settings.frequency_mhz", "radio_settings.accepts",
    "radio_settings.bit_rate_bps", "radio_settings.spreading_factor", "radio_settings.licence", "antenna.sensor", "antenna.gateway",
    "antenna.gateway_cable_m", "requirement.route_chance", "requirement.same_place_m", "cost.mast_per_m", "cost.panel",
    "cost.sensor",
    "supply.gateway_board", "supply.panel_battery", "supply.peak_sun_hours", "terrain.cell_m", "terrain.ground",
    "land_cover.unmapped",
)  # fmt: skip


def mutate_csv(path: Path, rng: random.Random) -> str:
    rows = [line.split(",") for line in path.read_text(encoding="utf-8").splitlines()]
    kind = rng.choice(("cell", "cell", "cell", "cell", "heading", "row", "column", "double", "swap", "quote", "many", "delimiter"))
    i, j = rng.randrange(len(rows)), rng.randrange(len(rows[0]))
    told = rows[0][min(j, len(rows[0]) - 1)]
    if kind == "cell" and len(rows) > 1:
        i = rng.randrange(1, len(rows))
        value = odd_value(rng) if rng.random() < 0.7 else rng.choice(WORDS)
        try:
            rows[i][min(j, len(rows[i]) - 1)] = str(value).replace("\n", " ")
        except ValueError:
            rows[i][0] = "9" * 400
    elif kind == "heading":
        rows[0][j] = str(
            rng.choice(
                (*WORDS, "cost", "tilt_deg", "azimuth_deg", "indoors", "radio", "mast_heights_agl_m", "second_route", "place")
            )
        )
    elif kind == "row":
        del rows[i]
    elif kind == "column":
        for row in rows:
            del row[min(j, len(row) - 1)]
    elif kind == "double":
        rows.append(list(rows[i]))
    elif kind == "swap":
        for row in rows[1:]:
            k = rng.randrange(len(row))
            row[j % len(row)], row[k] = row[k], row[j % len(row)]
    elif kind == "quote":
        rows[i][min(j, len(rows[i]) - 1)] = '"' + rows[i][min(j, len(rows[i]) - 1)]
    elif kind == "many":
        rows[i] += [""] * rng.choice((1, 500))
    path.write_text(
        "\n".join((";" if kind == "delimiter" else ",").join(row) for row in rows) + "\n", encoding="utf-8", errors="replace"
    )
    return f"{kind} {told}"


def mutate_raster(path: Path, rng: random.Random) -> str:
    heights, profile = ground().astype(np.float64), dict(GROUND)
    kind = rng.choice(
        ("heights", "heights", "place", "place", "crs", "dtype", "nodata", "shape", "bands", "scale", "tags", "tiles")
    )
    told = ""
    if kind == "heights":
        value = rng.choice((math.nan, math.inf, -math.inf, 1e30, -1e30, 3.4e38, 0.0, -9999.0, 65535.0, 9000.0, -500.0))
        how = rng.choice(("all", "one", "row", "many", "steps", "noise"))
        told = f"{how} {value}"
        if how == "all":
            heights[:] = value
        elif how == "one":
            heights[rng.randrange(60), rng.randrange(60)] = value
        elif how == "row":
            heights[rng.randrange(60)] = value
        elif how == "many":
            heights[np.random.default_rng(rng.randrange(10**6)).random(heights.shape) < 0.3] = value
        elif how == "steps":
            heights = heights / 0.3048
        else:
            heights += np.random.default_rng(rng.randrange(10**6)).normal(0, rng.choice((1.0, 1e3, 1e6)), heights.shape)
    elif kind == "place":
        a = [CELL_M, 0.0, WEST_M, 0.0, -CELL_M, SOUTH_M + SIZE_M]
        k = rng.randrange(6)
        a[k] = rng.choice((0.0, -a[k], a[k] * 1e6, a[k] * 1e-6, math.nan, math.inf, 1.0, a[k] + 1000))
        profile["transform"] = Affine(*a)
        told = f"{k} {a[k]}"
    elif kind == "crs":
        profile["crs"] = told = rng.choice(
            (None, "EPSG:4326", "EPSG:3857", "EPSG:32601", "EPSG:32761", "EPSG:4978", "EPSG:5773", "EPSG:27700", "EPSG:6360")
        )
        if rng.random() < 0.5:
            lon, lat = lon_lat(0, 600)
            profile["transform"] = Affine(1.4e-4, 0, lon, 0, -9e-5, lat)
    elif kind == "dtype":
        profile["dtype"] = told = rng.choice(("uint8", "int16", "uint16", "int32", "float64", "complex64", "uint32"))
    elif kind == "nodata":
        profile["nodata"] = told = rng.choice((100.0, 0.0, math.nan, -9999.0, 1e30))
    elif kind == "shape":
        heights = heights[: rng.choice((1, 2, 3, 50)), : rng.choice((1, 2, 60))]
        told = str(heights.shape)
    elif kind == "bands":
        profile["count"] = told = rng.choice((2, 3, 4))
    elif kind == "tiles":
        profile |= {"tiled": True, "blockxsize": 16, "blockysize": 16, "compress": rng.choice(("deflate", "lzw", "zstd"))}
    path.unlink()
    with np.errstate(all="ignore"), rasterio.open(path, "w", width=heights.shape[1], height=heights.shape[0], **profile) as target:
        for band in range(1, profile["count"] + 1):
            target.write(
                np.nan_to_num(heights).astype(profile["dtype"]) if "int" in profile["dtype"] else heights.astype(profile["dtype"]),
                band,
            )
        if kind == "scale":
            target.scales, target.offsets = [rng.choice((0.0, -1.0, math.nan, 1e30, 0.01))], [rng.choice((0.0, 1e30, math.nan))]
        if kind == "tags":
            target.update_tags(AREA_OR_POINT=rng.choice(("Point", "x")), units=rng.choice(WORDS[:40]))
            target.units = [rng.choice(("ft", "dm", "furlong", "", "us-ft"))]
    return f"{kind} {told}"


def mutate_geometry(path: Path, rng: random.Random) -> str:
    document = json.loads(path.read_text(encoding="utf-8"))
    feature = rng.choice(document["features"])
    geometry = feature["geometry"]
    kind = rng.choice(
        ("number", "number", "type", "twist", "spike", "few", "empty", "deep", "far", "flat", "three", "many", "collection", "crs")
    )
    line = geometry["coordinates"]
    while isinstance(line[0][0], list):
        line = line[0]
    if kind == "number":
        rng.choice(line)[rng.randrange(2)] = rng.choice((*NUMBERS[:-3], None, "x"))
    elif kind == "type":
        geometry["type"] = rng.choice(
            ("Point", "MultiPoint", "LineString", "Polygon", "MultiPolygon", "GeometryCollection", "Circle", None)
        )
    elif kind == "twist":
        rng.shuffle(line)
    elif kind == "spike":
        line.insert(1, [line[0][0] + 1e-3, line[0][1]])
        line.insert(2, line[0])
    elif kind == "few":
        del line[rng.choice((0, 1, 2)) :]
    elif kind == "empty":
        geometry["coordinates"] = []
    elif kind == "deep":
        geometry["coordinates"] = nested(rng.choice((5, 50, 400)))
    elif kind == "far":
        for point in line:
            point[0] += rng.choice((180.0, 360.0, -20.0))
    elif kind == "flat":
        for point in line:
            point[1] = line[0][1]
    elif kind == "three":
        for point in line:
            point.append(rng.choice((0.0, math.nan, 1e30)))
    elif kind == "many":
        document["features"] = [copy.deepcopy(feature) for _ in range(500)]
    elif kind == "collection":
        feature["geometry"] = {"type": "GeometryCollection", "geometries": [geometry, {"type": "Point", "coordinates": [0, 0]}]}
    else:
        document["crs"] = {
            "type": "name",
            "properties": {"name": rng.choice(("EPSG:3857", "EPSG:32627", "EPSG:0", "urn:ogc:def:crs:EPSG::99"))},
        }
    path.write_text(json.dumps(document), encoding="utf-8")
    return kind


Mutator = Callable[[Path, random.Random], str]

TARGETS: tuple[tuple[str, int, tuple[Mutator, ...]], ...] = (
    ("property.toml", 6, (mutate_toml, mutate_toml, mutate_toml, mutate_bytes)),
    ("sites.csv", 6, (mutate_csv, mutate_csv, mutate_csv, mutate_bytes)),
    ("ground.tif", 5, (mutate_raster, mutate_raster, mutate_bytes)),
    ("cover.geojson", 5, (mutate_geometry, mutate_geometry, mutate_json, mutate_bytes)),
    ("boundary.gpkg", 1, (mutate_bytes,)),
    *((name, 1, (mutate_toml, mutate_bytes)) for name in TABLES if name.endswith(".toml")),
    ("changes.csv", 1, (mutate_csv, mutate_bytes)),
    ("readings.csv", 3, (mutate_csv, mutate_csv, mutate_bytes)),
    ("track.gpx", 1, (mutate_bytes,)),
    ("calibration.toml", 2, (mutate_toml, mutate_toml, mutate_bytes)),
    ("plan.json", 7, (mutate_json, mutate_json, mutate_json, mutate_bytes)),
    ("next_places.json", 1, (mutate_json, mutate_json, mutate_bytes)),
    ("words", 2, ()),
)


def mutate(holding: Holding, folder: Path, out: Path, seed: int) -> tuple[str, str, list[list[str]]]:
    """Change one file of a copy; return which, how, and the commands that read it."""
    rng = random.Random(seed)
    target, _, mutators = rng.choices(TARGETS, [weight for _, weight, _ in TARGETS])[0]
    if target == "words":
        commands = odd_words(folder, out, rng)
        return target, " ".join(commands[0][2:])[:80], commands
    path = (out if target in ("plan.json", "next_places.json") else folder) / target
    whole = path.read_bytes()
    try:
        told = rng.choice(mutators)(path, rng)
    except (ValueError, OverflowError, TypeError, RasterioError) as error:  # the library that writes refuses the change
        path.write_bytes(whole)
        told = f"{type(error).__name__}, then {mutate_bytes(path, rng)}"
    place, quiet = ["--out", str(out)], ["-q"]
    check, plan = ["check", str(folder)], ["plan", str(folder), *place, *quiet]
    if target in ("readings.csv", "track.gpx"):
        more = ["--track", str(folder / "track.gpx")] if target == "track.gpx" else []
        return target, told, [["calibrate", str(folder), str(folder / "readings.csv"), *more, *place, *quiet]]
    if target == "calibration.toml":
        return target, told, [[*plan, "--calibrated"]]
    if target == "plan.json":
        coverage, checked = ["coverage", str(folder), *place, *quiet], ["check", str(folder), "--plan", *place]
        other = rng.choice((coverage, checked, checked, checked, [], []))
        sheets = ["sheets", str(folder), *place, *quiet, *(["--pdf"] if rng.random() < 0.3 else [])]
        return target, told, [sheets, *([other] if other else [])]
    if target == "next_places.json":
        return target, told, [["sheets", str(folder), *place, *quiet]]
    both = rng.random() < PLANNED
    return target, told, [check, plan] if both else [check]


def odd_words(folder: Path, out: Path, rng: random.Random) -> list[list[str]]:
    """Return a command with an odd word in it."""
    value = str(rng.choice((*NUMBERS[:-3], *WORDS))).replace("\0", "0")
    options = {
        "profile": ("--height-a", "--height-b", "--radio", "--set"),
        "plan": ("--seconds", "--radio", "--set"),
        "coverage": ("--height", "--radio", "--season", "--from", "--cores", "--memory-mb"),
        "check": ("--radio", "--set"),
        "sheets": ("--next",),
        "radios": ("--property",),
    }
    command = rng.choice(list(options))
    option = rng.choice(options[command])
    if option == "--set":
        value = f"{rng.choice(KEYS)}={value}"
    if command == "radios":
        return [["radios", option, value]]
    places = [str(folder), "Bed", rng.choice(("House", value, "47.9,-15.1", "nan,nan"))] if command == "profile" else [str(folder)]
    return [[command, *places, option, value, *([] if command == "check" else ["--out", str(out)])]]


class Hung(BaseException):
    """The case took too long."""


@contextlib.contextmanager
def limited(seconds: float) -> Iterator[None]:
    def ring(_: int, __: FrameType | None) -> None:
        raise Hung

    before = signal.signal(signal.SIGALRM, ring)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def run_case(holding: Holding, scratch: Path, seed: int) -> Case:
    """Run one case in copies below `scratch`, which is emptied."""
    shutil.rmtree(scratch, ignore_errors=True)
    folder, out = scratch / "holding", scratch / "out"
    shutil.copytree(holding.folder, folder)
    out.mkdir()
    for name in ("plan.json", "next_places.json", "map.html"):
        shutil.copy(holding.out / name, out / name)
    target, told, commands = mutate(holding, folder, out, seed)
    if target != "calibration.toml":
        (folder / "calibration.toml").unlink()
    case = Case(seed, target, told)
    fit = False
    for words in commands:
        if case.commands and case.commands[-1][0][0] == "check" and case.commands[-1][1] == 2:
            break  # what is not fit to check is not fit to plan
        code, said, output, seconds = run_words(words, scratch)
        case.commands.append((words, code, seconds))
        case.faults += [f"{words[0]}: {fault}" for fault in judge(words, code, said, output, out)]
        if words[0] == "plan" and fit and code == 2 and "budget" not in said and "memory" not in said:
            case.faults.append(f"plan: refuses what check called fit: {said.splitlines()[0][:120]}")
        fit = words[0] == "check" and code == 0
    return case


def run_words(words: list[str], scratch: Path) -> tuple[int, str, str, float]:
    """Return exit code (-1 for a hang), error stream, output and seconds of a command."""
    output, said = io.StringIO(), io.StringIO()
    before, tempfile.tempdir = tempfile.tempdir, str(scratch)
    began = time.process_time()
    try:
        with limited(PATIENCE * MOST_SECONDS), contextlib.redirect_stdout(output), contextlib.redirect_stderr(said):
            code = main(words)
    except Hung:
        code = -1
    finally:
        tempfile.tempdir = before
    seconds = time.process_time() - began
    return (-1 if seconds >= MOST_SECONDS else code), said.getvalue(), output.getvalue(), seconds


def judge(words: list[str], code: int, said: str, output: str, out: Path) -> list[str]:
    """Return what is wrong with an answer."""
    if code == -1:
        return ["hangs"]
    if code == 3:
        found = re.search(r"details are in (\S+\.txt)", said)
        there = found is not None and Path(found[1]).is_file()
        details = Path(found[1]).read_text(encoding="utf-8").strip().splitlines() if found and there else ["no details"]
        ours = [line.strip() for line in details if line.strip().startswith("meshplan/")]
        kind = next((line for line in details if re.match(r"[\w.]+$", line.strip())), "?")
        return [f"fault of ours: {kind} {ours[-1] if ours else ''}"]
    faults = []
    if code not in (0, 1, 2):
        faults.append(f"exit code {code}")
    if "Traceback" in said or "Traceback" in output:
        faults.append("prints a traceback")
    if code == 2 and not said.strip() and words[0] != "check":
        faults.append("says nothing")
    if code == 2 and any(len(line) > 2500 for line in said.splitlines()):
        faults.append("floods the message")
    if code == 1 and words[0] == "plan":
        plan = json.loads((out / "plan.json").read_text(encoding="utf-8"))["plan"]
        if not (
            plan["unserved"]
            or plan["single_routes"]
            or any(not line["lawful"] for line in plan["legal"])
            or any(line["to_answer_for"] for line in plan["legal"])
        ):
            faults.append("exit code 1, and everything is served and lawful")
    if code in (0, 1) and words[0] == "plan" and any(out.glob(".*.part")):
        faults.append("leaves scratch")
    return faults
