"""An invented orchard with a hidden truth: what its links would really show, written as the walker would write it down.

Flat land, 600 m square. An orchard crosses it from south to north; beds lie west of it in the open, others behind it. House and
Barn are gateway candidates on its west side, Post may carry a relay; one hop is all that is allowed. Everything follows
from the seed.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
from small_property import Rows, bank, lay_small_property, lon_lat

from meshplan.records import Role
from meshplan.workflow.plan import Planned

OPEN_BEDS = {"W1": (60, 120), "W2": (110, 480), "W3": (150, 60), "W4": (40, 330), "W5": (200, 540), "W6": (170, 220)}
ORCHARD_BEDS = {"E1": (430, 120), "E2": (450, 200), "E3": (470, 300), "E4": (440, 380), "E5": (480, 470), "E6": (410, 260)}
ORCHARD = ((240, 20), (330, 20), (330, 580), (240, 580), (240, 20))
BOUNDARY = ((5, 5), (595, 5), (595, 595), (5, 595), (5, 5))


def lay_orchard(folder: Path, settings: str = "") -> Path:
    """Write the holding into a folder and return the folder."""
    sites: Rows = [
        {"name": name, "role": "sensor", "x": x, "y": y, "antenna_agl_m": 1.2}
        for name, (x, y) in (OPEN_BEDS | ORCHARD_BEDS).items()
    ]
    sites += [
        {"name": "House", "role": "gateway", "x": 100, "y": 300, "antenna_agl_m": 6.0, "power": "mains", "cost": 100},
        {"name": "Barn", "role": "gateway", "x": 120, "y": 160, "antenna_agl_m": 6.0, "power": "mains", "cost": 300},
        {"name": "Post", "role": "relay", "x": 220, "y": 320, "antenna_agl_m": 3.0, "power": "panel", "cost": 80},
    ]
    more = f'cover = "cover.geojson"\nboundary = "boundary.geojson"\n{settings}\n[requirement]\nhop_limit = 1\n'
    lay_small_property(folder, sites=sites, heights=bank(0.0), settings=more)
    toml = (folder / "property.toml").read_text(encoding="utf-8")
    (folder / "property.toml").write_text(_exact_land_in_two_seasons(toml), encoding="utf-8")
    _write_polygon(folder / "cover.geojson", ORCHARD, {"kind": "orchard", "height_m": 6, "name": "old trees"})
    _write_polygon(folder / "boundary.geojson", BOUNDARY, {})
    return folder


def _exact_land_in_two_seasons(toml: str) -> str:
    """Return the settings with two seasons and the error of the land: it is level by construction."""
    two = toml.replace('seasons = "bare"', 'seasons = ["bare", "leaf"]')
    return two.replace('elevation = "ground.tif"', 'elevation = [{ file = "ground.tif", error_m = 0.2 }]')


def _write_polygon(path: Path, ring: Iterable[tuple[float, float]], properties: dict[str, object]) -> None:
    shape = {"type": "Polygon", "coordinates": [[lon_lat(*point) for point in ring]]}
    feature = {"type": "Feature", "properties": properties, "geometry": shape}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}), encoding="utf-8")


Truth = Callable[[str, str, dict[str, float]], float]
"""What a link really loses more than the engine says, dB: sensor, gateway, metres of each cover."""


def orchard_and_antenna(sensor: str, gateway: str, cover_m: dict[str, float]) -> float:
    """The hidden truth: the orchard costs 6 dB more, and somebody changed the antenna of House for one 8 dB worse."""
    return 6.0 * (cover_m.get("orchard", 0.0) > 10.0) + 8.0 * (gateway == "House")


def walk_rows(
    planned: Planned, truth: Truth, *, season: str = "leaf", seed: int = 3, noise_db: float = 1.5, hubs: bool = False
) -> list[dict[str, str]]:
    """Return one row for each sensor and gateway, as it would be heard; "not heard" below the sensitivity.

    With `hubs`, one for each sensor and each gateway or relay of the plan instead.
    """
    built = {device.name for device in planned.plan.devices if device.in_plan and device.role is not Role.SENSOR}
    table = planned.links
    number = [one.name for one in table.seasons].index(season)
    random = np.random.default_rng(seed)
    rows = []
    for row, (i, j) in enumerate(table.pairs):
        a, b = table.stations[i], table.stations[j]
        if a.site.role is not Role.SENSOR or (b.key not in built if hubs else b.site.role is not Role.GATEWAY):
            continue
        cover_m = {kind: float(depth[number, row]) for kind, depth in table.losses.cover_depth_m.items()}
        power_dbm = table.received_at_b_dbm[number, row] - truth(a.site.name, b.site.name, cover_m)
        power_dbm += noise_db * random.standard_normal()
        heard = power_dbm > b.sensitivity_dbm
        rows.append(
            {
                "a": a.site.name,
                "b": b.site.name,
                "season": season,
                "power_dbm": f"{power_dbm:.1f}" if heard else "not heard",
                "sent": "100",
                "received": "100" if heard else "0",
            }
        )
    return rows


def write_rows(path: Path, rows: list[dict[str, str]]) -> Path:
    """Write rows as CSV and return the path."""
    columns = list(dict.fromkeys(key for row in rows for key in row))
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, columns)
        writer.writeheader()
        writer.writerows(rows)
    return path
