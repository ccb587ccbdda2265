"""What a calibration makes of measured sets with places left out: errors and what the intervals hold.

Run `PYTHONPATH=tests python tests/benchmarks/learned_sets.py`; it takes some minutes. City: packets at 868 MHz over free space,
and over the engine's forecast for level ground with "urban" said, each position left out in turn. Farm: a mesh at 915 MHz over
the engine's forecast with nothing said of the land, all links of a node left out in turn. Nothing is fitted to these sets: no
figure of the package was chosen by them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from benchmarks.city_links import GATEWAY_AGL_M, POWER_DBM, USER_AGL_M
from benchmarks.farm_links import read_links, strip_table
from pyproj import Transformer

from meshplan.assembly.learned import predicted_link
from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.combine import combine_readings
from meshplan.calibration.correct import correct_links
from meshplan.inputs.measurements import read_readings
from meshplan.propagation.variability import reliability_margin_db
from meshplan.records import Spread
from meshplan.records.measurement import MeasuredLink, PredictedLink, Reading
from meshplan.terrain.mapped_land import MappedLand

MEASURED = Path(__file__).resolve().parents[3] / "shared" / "reference" / "measured"
READING_DB = 1.5
"""Least error of a loss read off a printed graph in steps of 1 to 3 dB (own choice)."""


@dataclass(frozen=True, eq=False)
class Judged:
    """Measured less forecast power of links whose place was left out, before and after learning, with the spread told."""

    before_db: np.ndarray
    before_spread_db: np.ndarray
    after_db: np.ndarray
    after_spread_db: np.ndarray
    freedom: np.ndarray

    def line(self, name: str) -> str:
        """Return errors and what the intervals hold."""
        cells = [f"{name:<28}{len(self.after_db):>7}"]
        shapes = (self.before_db, self.before_spread_db, math.inf), (self.after_db, self.after_spread_db, self.freedom)
        for error, spread, freedom in shapes:
            reach = [reliability_margin_db(0.5 + share / 2, spread, freedom) for share in (0.8, 0.9)]
            held = [float(np.mean(np.abs(error) <= far)) for far in reach]
            cells.append(f"{error.mean():8.1f}{np.sqrt(np.mean(error**2)):7.2f}{held[0]:7.0%}{held[1]:6.0%}")
        return "".join(cells)


def judge(measured: Sequence[MeasuredLink], places: Sequence[frozenset[str]]) -> Judged:
    """Return errors of each link with all readings that share its place left out; `places` holds those of each link."""
    rows = []
    for place in sorted({name for names in places for name in names}):
        rest = [m for m, names in zip(measured, places, strict=True) if place not in names]
        away = [m for m, names in zip(measured, places, strict=True) if place in names and not m.censored]
        corrected = correct_links(calibrate(rest), [m.link for m in away])
        for m, one in zip(away, corrected, strict=True):
            spread = math.hypot(one.spread.total_db, m.error_db)
            before = math.hypot(m.link.spread.total_db, m.error_db)
            rows.append((m.residual_db, before, m.residual_db - one.correction_db, spread, one.freedom))
    return Judged(*np.array(rows).T)


def city(land: MappedLand | None = None) -> tuple[tuple[MeasuredLink, ...], list[frozenset[str]]]:
    """Return the packets of a city, 14 dBm and 0 dBi assumed; a place is a position of the walker.

    The forecast is free space, or the engine's over level ground where something is said of the land.
    """
    source = read_readings([MEASURED / "city_868mhz_packets.csv"], ())
    metric = Transformer.from_crs("EPSG:4326", "EPSG:32634", always_xy=True)
    told = [free_space(reading, metric) for reading in source.readings]
    if land is not None:
        known = {link.distance_m: over_level_ground(link, land) for link in told}
        told = [replace(link, **known[link.distance_m]) for link in told]
    measured = combine_readings(source.readings, told)
    return measured, [frozenset({m.location or m.link.a}) for m in measured]


def free_space(reading: Reading, metric: Transformer) -> PredictedLink:
    """Return what an engine without terrain says (ITU-R P.525)."""
    a, b = metric.transform(reading.a.lon_deg, reading.a.lat_deg), metric.transform(reading.b.lon_deg, reading.b.lat_deg)
    distance_m = math.hypot(a[0] - b[0], a[1] - b[1])
    received = 14 - (32.4478 + 20 * math.log10(868) + 20 * math.log10(distance_m / 1000))
    spread = Spread(model_db=8.0, elevation_db=2.0, vegetation_db=0.0, soil_db=0.0, antenna_db=3.0)
    return PredictedLink(reading.where, reading.a.name, reading.b.name, *a, *b, distance_m, received, -137.0, spread, 868.0)


def over_level_ground(link: PredictedLink, land: MappedLand) -> dict[str, Any]:
    """Return what the engine says of a link over level ground; antennas as in the authors' example, 1.2 and 45 m up."""
    table = strip_table(link.distance_m, np.zeros(33), (USER_AGL_M, GATEWAY_AGL_M), 868.0, land)
    told = predicted_link(table, 0, 0, forward=True)
    same = ("spread", "environment", "diffraction_db", "clutter_db", "ground_limited", "antenna_a_agl_m", "antenna_b_agl_m")
    return {name: getattr(told, name) for name in same} | {"received_dbm": POWER_DBM - float(table.losses.total_db[0, 0])}


def farm(land: MappedLand) -> tuple[tuple[MeasuredLink, ...], list[frozenset[str]]]:
    """Return the links of a farm mesh over the engine's own forecast; a place is a node, at either end.

    The table gives losses and no positions, so that nothing tells which links run side by side.
    """
    measured = []
    for link in read_links(MEASURED / "farm_mesh_915mhz.json"):
        table = strip_table(link["distance_m"], link["ground_m"], (link["agl_m"], link["agl_m"]), link["f_mhz"], land)
        a, b = link["link"].split("-")
        told = predicted_link(table, 0, 0, forward=True, key=link["link"])
        nowhere: dict[str, Any] = {"a_x_m": math.nan, "a_y_m": math.nan, "b_x_m": math.nan, "b_y_m": math.nan}
        told = replace(told, a=f"node {a}", b=f"node {b}", received_dbm=-float(table.losses.total_db[0, 0]), **nowhere)
        told = replace(told, sensitivity_dbm=-math.inf)
        measured.append(MeasuredLink(told, -link["loss_db"], max(READING_DB, link["loss_sd_db"])))
    return tuple(measured), [frozenset({m.link.a, m.link.b}) for m in measured]


def table_text() -> str:
    """Return the table of all sets."""
    lines = [f"{'':<35}{'engine':^28}{'learned from other places':^28}"]
    lines.append(f"{'set':<28}{'links':>7}" + f"{'bias':>8}{'RMSE':>7}{'80 %':>7}{'90 %':>6}" * 2)
    lines.append(judge(*city()).line("city packets, free space"))
    lines.append(judge(*city(MappedLand((), "urban"))).line("city packets, urban said"))
    lines.append(judge(*farm(MappedLand((), "rural"))).line("farm mesh, nothing said"))
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(table_text())
