"""Golden vectors: single links with everything that a link needs, and what the definition makes of them.

Run as a program, it invents the links anew (fixed seed), lets the definition (`loss/` and `links.link_table`) compute them and
writes `vectors.json`. Nothing else writes that file; a derived form never does.
"""

from __future__ import annotations

import json
import sys
from dataclasses import asdict, dataclass, fields, replace
from functools import cache
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))  # run as a program: the helpers of the tests

from link_stations import RADIO

from meshplan.grid import Elevation, Grid, RasterNote
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.end_clutter import assumed_clutter, named_clutter
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.loss.walls import enclosure_loss_db, enclosure_spread_db
from meshplan.propagation.ground import Ground
from meshplan.propagation.seasons import Season
from meshplan.records import Cover, Purpose, Role, Site
from meshplan.records.antenna import AntennaClass
from meshplan.records.clutter import EndClutter
from meshplan.records.station import Station
from meshplan.sources import Standing
from meshplan.terrain.landscape import Landscape

FILE: Final = Path(__file__).with_name("vectors.json")
SEED: Final = 1_515
LOSS_DB: Final = 0.1
CHANCE: Final = 0.01
"""How far a derived form may depart: losses, budget and spread in decibels, and the chance."""
DEFINITION_DB: Final = 0.002
"""The definition itself; the file holds four decimals."""

Vector = dict[str, Any]
Results = dict[str, Any]

SEASONS: Final = (
    Season("bare", 1, 0.0, wet=False, snow=False),
    Season("leaf", 5, 1.0, wet=False, snow=False),
    Season("tall_crop", 8, 1.0, wet=False, snow=False),
    Season("wet", 10, 1.0, wet=True, snow=False),
    Season("snow", 2, 0.0, wet=False, snow=True),
)

_NOWHERE: Final = shapely.box(0.0, 0.0, 1.0, 1.0)
ROWS: Final = 3
"""Rows of the land around a link, all alike: it runs along the middle one, from the first cell to the last."""


# ---- from a vector to records ----


def landscape_of(vector: Vector) -> Landscape:
    """Return a strip of land in which the samples of the link are the middles of cells."""
    count, cell_m = len(vector["ground_amsl_m"]), vector["cell_m"]
    grid = Grid("EPSG:32632", 500_000.0, 5_000_000.0, cell_m, count, ROWS)
    note = RasterNote("land.tif", "ground", vector["raster_cell_m"], vector["error_m"], vector["error_length_m"], 1.0, "")
    ground = np.tile(np.asarray(vector["ground_amsl_m"], dtype=np.float32), (ROWS, 1))
    numbers = np.tile(np.asarray(vector["cover"], dtype=np.uint16), (ROWS, 1))
    elevation = Elevation(
        grid, ground, None, np.zeros(grid.shape, dtype=np.uint8), (note,), False, (), sampled_as_m=vector["raster_cell_m"]
    )
    covers = tuple(
        Cover(geometry=_NOWHERE, **{**one, "heights_by_month_m": tuple(one["heights_by_month_m"])}) for one in vector["covers"]
    )
    return Landscape(elevation, covers, numbers, None, ())


def settings_of(vector: Vector) -> PathSettings:
    """Return radio, air and soil of a link."""
    soil = Ground(vector["relative_permittivity"], vector["conductivity_s_per_m"])
    return PathSettings(vector["frequency_mhz"], vector["earth_radius_km"], vector["polarisation"], soil)


def stations_of(vector: Vector, landscape: Landscape) -> tuple[Station, Station]:
    """Return the two ends as stations."""
    first, last = (_station(vector, key, landscape) for key in "ab")
    return first, last


def _station(vector: Vector, key: str, landscape: Landscape) -> Station:
    end = vector[key]
    column = 0 if key == "a" else landscape.grid.columns - 1
    x, y = landscape.grid.x_y(column, 1)
    around = end["around"]
    gain = end["gain_dbi"]
    antenna = AntennaClass(
        "test", "test", (gain, gain, gain), (gain, gain), end["pattern"], end["antenna_spread_db"], (100.0, 6000.0), "test",
        Standing.DERIVED, end["horizontal_beamwidth_deg"],
    )  # fmt: skip
    site = Site(
        key, Role(end["role"]), 0.0, 0.0, float(x), float(y), end["antenna_agl_m"], purpose=Purpose(end["purpose"]),
        azimuth_deg=end["azimuth_deg"], tilt_deg=end["tilt_deg"],
    )  # fmt: skip
    return Station(
        key=key,
        site=site,
        antenna_agl_m=end["antenna_agl_m"],
        radio=replace(RADIO, frequency_mhz=vector["frequency_mhz"], sensitivity_dbm=end["sensitivity_dbm"]),
        antenna=antenna,
        cable_key="",
        cable_m=0.0,
        feed_loss_db=end["local_loss_db"],
        box_loss_db=0.0,
        other_loss_db=0.0,
        noise_rise_db=0.0,
        tx_power_dbm=end["tx_power_dbm"],
        cost=0.0,
        inside=end["inside"],
        entry_loss_db=end["entry_loss_db"],
        entry_spread_db=end["entry_spread_db"],
        clutter=None if around is None else _clutter(around),
        polarisation=end["polarisation"],
        ground_amsl_m=float(landscape.ground_amsl_m[1, column]),
    )


def _clutter(around: dict[str, Any]) -> EndClutter:
    rest = {name: value for name, value in around.items() if name not in ("named", "tops_m")}
    return EndClutter(named=around["named"], tops_m=tuple(around["tops_m"]), **rest)


def error_fields_of(vector: Vector, landscape: Landscape) -> ErrorFields | None:
    """Return the height errors of the land, none where it counts as exact."""
    return draw_error_fields(landscape) if vector["error_m"] > 0.0 else None


# ---- what a form gives, and how far it departs ----


def results_of(table: LinkTable) -> Results:
    """Return the figures of the one link of a table, by part."""
    losses = table.losses
    one = {name: float(getattr(losses, name)[0]) for name in ("free_space_db", "terrain_db", "behind_hill_db", "building_db")}
    all_seasons = {
        "vegetation_db": losses.vegetation_db,
        "vegetation_spread_db": losses.vegetation_spread_db,
        "clutter_db": losses.clutter_db,
        "loss_db": losses.total_db + table.hidden_relief_db + 2.0 * np.array([[season.antenna_loss_db] for season in SEASONS]),
        "margin_db": table.margin_db,
        "spread_db": table.spread_db,
        "chance": table.chance,
    }
    found: Results = {**one, "hidden_relief_db": float(table.hidden_relief_db[0])}
    found["elevation_spread_db"] = float(table.elevation_spread_db[0])
    return found | {name: [float(value) for value in values[:, 0]] for name, values in all_seasons.items()}


def by_the_definition(vector: Vector) -> Results:
    """Return what the definition makes of a link."""
    land = landscape_of(vector)
    stations = stations_of(vector, land)
    table = compute_links(
        stations, np.array([[0, 1]]), land, SEASONS, settings_of(vector), error_fields=error_fields_of(vector, land)
    )
    assert table.samples[0] == land.grid.columns, "the samples are the cells"
    return results_of(table)


def departures(vector: Vector, found: Results, loss_db: float = LOSS_DB, chance: float = CHANCE) -> list[str]:
    """Return in words where figures depart from those of the file; only those that `found` holds are looked at."""
    wrong = []
    for name, got in found.items():
        wanted = np.atleast_1d(vector["expected"][name])
        off = np.abs(np.atleast_1d(np.asarray(got, dtype=float)) - wanted)
        most = chance if name == "chance" else loss_db
        if off.shape != wanted.shape or not (off <= most).all():
            wrong.append(f"link {vector['number']} {name}: {np.round(got, 3).tolist()} for {np.round(wanted, 3).tolist()}")
    return wrong


@cache
def read_vectors() -> tuple[Vector, ...]:
    """Return all links of the file."""
    return tuple(json.loads(FILE.read_text(encoding="utf-8"))["vectors"])


# ---- inventing links ----


@dataclass(frozen=True)
class _Kind:
    """How a group of links is invented."""

    count: int
    samples: tuple[int, ...]
    cell_m: tuple[float, ...]
    raster_cell_m: float | None = None
    error_m: float = 0.0
    covered: bool = False
    around: bool = False
    flat_with_masts: bool = False
    """Nearly level land, a mast of 25 to 60 m at the far end."""


_KINDS: Final = (
    _Kind(8, (24, 128, 256), (1.0, 2.0, 2.5)),
    _Kind(4, (1024,), (8.0, 15.0), raster_cell_m=90.0),
    _Kind(20, (24, 64, 128, 256), (1.0, 2.0, 2.5), covered=True),
    _Kind(8, (64, 128, 256), (2.0, 2.5), error_m=0.6, covered=True),
    _Kind(8, (64, 128), (2.0, 2.5), covered=True, around=True),
    _Kind(4, (64, 128), (2.5,), error_m=0.6, around=True),
    _Kind(2, (576,), (5.0,), raster_cell_m=30.0, error_m=4.0),
    _Kind(4, (1024,), (12.0, 15.0), raster_cell_m=90.0, flat_with_masts=True),
)

_COVERS: Final = (
    {"name": "belt", "kind": "wood_evergreen", "height_m": 14.0},
    {"name": "hanger", "kind": "wood_deciduous", "height_m": 11.0},
    {"name": "hedge", "kind": "hedge_deciduous", "height_m": 4.0},
    {"name": "trees", "kind": "orchard", "height_m": 3.5, "row_azimuth_deg": 20.0},
    {"name": "field", "kind": "maize", "height_m": 2.5, "heights_by_month_m": (0, 0, 0, 0, 0.2, 0.9, 2.0, 2.5, 2.5, 0, 0, 0)},
    {"name": "shed", "kind": "building", "height_m": 7.0, "wall": "steel_cladding"},
    {"name": "house", "kind": "building", "height_m": 9.0, "wall": "timber_dry"},
)


def _ground(random: np.random.Generator, count: int, length_m: float) -> list[float]:
    along = np.linspace(0.0, 1.0, count)
    waves = sum(random.normal() / n * np.sin(2.0 * np.pi * (n * along + random.random())) for n in range(1, 7))
    height_m = min(0.02 * length_m, 60.0) * random.uniform(0.2, 1.5)
    ridge = random.choice([0.0, 1.0]) * np.exp(-(((along - random.uniform(0.3, 0.7)) / 0.1) ** 2))
    return [round(float(value), 2) for value in 120.0 + height_m * (waves + ridge)]


def _cover(random: np.random.Generator, count: int) -> list[int]:
    number = np.zeros(count, dtype=int)
    for _ in range(int(random.integers(1, 4))):
        start, width = int(random.integers(0, count - 3)), int(random.integers(2, max(count // 4, 4)))
        number[start : start + width] = int(random.integers(1, len(_COVERS) + 1))
    return [int(value) for value in number]


def _end(random: np.random.Generator, number: int, frequency_mhz: float, *, gateway: bool, around: bool) -> dict[str, Any]:
    named = [named_clutter("urban"), named_clutter("suburban", unmapped_share=1.0), assumed_clutter("rural", 1.0)]
    clutter = [*named, assumed_clutter("urban", 0.4, clearing_m=60.0), None][int(random.integers(0, 5))] if around else None
    cover = _COVERS[number - 1] if number else None
    wall = str(cover.get("wall", "")) if cover is not None else ""
    height_m = float(np.exp(random.uniform(np.log(0.3), np.log(3.0 if not gateway else 15.0))))
    inside = bool(wall) and cover is not None and height_m < float(str(cover["height_m"]))
    sector = gateway and random.random() < 0.4
    return {
        "role": "gateway" if gateway else "sensor",
        "purpose": str(random.choice(["trend", "alarm"])),
        "antenna_agl_m": round(height_m, 2),
        "tx_power_dbm": round(float(random.uniform(0.0, 20.0)), 1),
        "sensitivity_dbm": -110.0,
        "gain_dbi": round(float(random.uniform(7.0, 14.0) if sector else random.uniform(0.0, 6.0)), 1),
        "pattern": "sector" if sector else str(random.choice(["round", "ball"])),
        "horizontal_beamwidth_deg": 65.0 if sector else None,
        "azimuth_deg": round(float(random.uniform(230.0, 310.0)), 0) if sector else None,
        "tilt_deg": round(float(random.uniform(0.0, 5.0)), 1),
        "local_loss_db": round(float(random.uniform(0.0, 3.0)), 1),
        "entry_loss_db": round(enclosure_loss_db(wall, frequency_mhz), 2) if inside else 0.0,
        "entry_spread_db": round(enclosure_spread_db(wall, frequency_mhz), 2) if inside else 0.0,
        "antenna_spread_db": 2.0,
        "polarisation": str(random.choice(["vertical", "vertical", "slant", "horizontal"])),
        "inside": number if inside else 0,
        "around": None if clutter is None else asdict(clutter),
    }


def _invent(random: np.random.Generator, kind: _Kind, number: int) -> Vector:
    count, cell_m = int(random.choice(kind.samples)), float(random.choice(kind.cell_m))
    raster_cell_m = kind.raster_cell_m or cell_m
    if kind.raster_cell_m == 90.0:
        raster_cell_m = 6.0 * cell_m  # sampled by a sixth of its cell
    frequency_mhz = float(random.choice([433.0, 868.0, 2440.0]))
    cover = _cover(random, count) if kind.covered else [0] * count
    soil = [(22.0, 0.003), (15.0, 0.01), (30.0, 0.03)][int(random.integers(0, 3))]
    blank: dict[str, Any] = {item.name: item.default for item in fields(Cover) if item.name not in ("geometry", "where")}
    vector: Vector = {
        "number": number,
        "frequency_mhz": frequency_mhz,
        "earth_radius_km": float(random.choice([8494.7, 7400.0])),
        "polarisation": str(random.choice(["vertical", "vertical", "horizontal"])),
        "relative_permittivity": soil[0],
        "conductivity_s_per_m": soil[1],
        "cell_m": cell_m,
        "raster_cell_m": raster_cell_m,
        "error_m": kind.error_m,
        "error_length_m": 30.0,
        "ground_amsl_m": _ground(random, count, count * cell_m),
        "cover": cover,
        "covers": [{**blank, **one} for one in _COVERS] if kind.covered else [],
        "a": _end(random, cover[0], frequency_mhz, gateway=False, around=kind.around),
        "b": _end(random, cover[-1], frequency_mhz, gateway=True, around=kind.around),
    }
    if kind.flat_with_masts:
        vector["ground_amsl_m"] = [round(120.0 + 0.03 * (height - 120.0), 2) for height in vector["ground_amsl_m"]]
        vector["b"]["antenna_agl_m"] = round(float(random.uniform(25.0, 60.0)), 1)
    while vector["a"]["inside"] and vector["a"]["inside"] == vector["b"]["inside"]:
        # Links inside one building follow another rule, which the page leaves to the plan.
        vector["cover"] = cover = [0] * 3 + cover[3:]
        vector["a"] = _end(random, 0, frequency_mhz, gateway=False, around=kind.around)
    # A margin near the fade margin tells most of the chance.
    weakest = min(by_the_definition(vector)["margin_db"])
    for key in "ab":
        vector[key]["sensitivity_dbm"] = round(-110.0 + weakest - float(random.uniform(0.0, 25.0)), 1)
    return vector


def make_vectors() -> list[Vector]:
    """Invent all links and let the definition compute them."""
    random = np.random.default_rng(SEED)
    vectors: list[Vector] = []
    for kind in _KINDS:
        for _ in range(kind.count):
            vector = _invent(random, kind, len(vectors))
            results = by_the_definition(vector)
            expected = {
                name: [round(one, 4) for one in value] if isinstance(value, list) else round(value, 4)
                for name, value in results.items()
            }
            vectors.append({**vector, "expected": expected})
    return vectors


if __name__ == "__main__":
    rows = ",\n".join(json.dumps(vector, separators=(",", ":")) for vector in make_vectors())
    about = "Made by tests/loss/golden/golden_vectors.py from the definition in meshplan.loss; invented land, our own figures."
    FILE.write_text(f'{{"about": {json.dumps(about)},\n"vectors": [\n{rows}\n]}}\n', encoding="utf-8")
    print(f"{FILE.name}: {len(read_vectors())} links, {FILE.stat().st_size // 1000} kB")
