"""Measure, calibrate, plan again: readings in, what they teach and what that changes out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from meshplan.assembly.learned import corrected_table, predicted_link
from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.combine import combine_readings
from meshplan.calibration.compare import compare_predictions
from meshplan.calibration.next_places import choose_next_places
from meshplan.errors import InputError, MeshplanError, MissingFileError, raise_faults
from meshplan.inputs.measurements import read_readings
from meshplan.links.engine import compute_links
from meshplan.links.seasons import MONTH_NAMES, seasons_named
from meshplan.links.stations import Station
from meshplan.links.uncertainty import draw_error_fields
from meshplan.measurement_records import Calibration, End, PlaceToStand, PredictedLink, Reading, Stake, VerdictChange, Walk
from meshplan.records import Plan, Role, Site
from meshplan.reporting.calibration_charts import write_calibration_charts
from meshplan.reporting.calibration_file import write_calibration
from meshplan.reporting.files import all_or_nothing
from meshplan.workflow.plan import CALIBRATION_FILE, Planned, plan_property, plan_with_links
from meshplan.workflow.prepare import Prepared
from meshplan.workflow.profile import station_at
from meshplan.workflow.progress import OnProgress, silent

NEXT_PLACES = 5
HELD_AGL_M = 1.5
"""Antenna height of somebody who stands and measures."""


@dataclass(frozen=True, eq=False)
class Calibrated:
    """What the readings taught, and what it changed."""

    calibration: Calibration
    before: Planned
    after: Planned
    changes: tuple[VerdictChange, ...]
    walk: Walk | None


def calibrate_property(
    folder: Path,
    readings: Sequence[Path],
    *,
    track: Path | None = None,
    columns: dict[str, str] | None = None,
    date: str = "",
    next_places: int = NEXT_PLACES,
    overrides: dict[str, Any] | None = None,
    on_progress: OnProgress | None = None,
) -> Calibrated:
    """Learn from readings, plan again, and say where to measure next.

    Parameters
    ----------
    folder : Path
        The property.
    readings : sequence of Path
        Tables of readings.
    track : Path, optional
        GPX track that gives positions to rows without one, by time.
    columns : dict, optional
        Heading in the tables → our column name.
    date : str
        Kept with the calibration; by default the date of the last reading.
    next_places : int
        Most places to propose; 0 for none.
    overrides : dict, optional
        Settings in place of those of the property.
    """
    tell = on_progress or silent
    for path in [*readings, *([track] if track else [])]:
        if not path.is_file():
            raise MissingFileError("there is no such file", where=str(path), fix="Name the file with the readings.")
    tell("Planning before the readings", 0, 0)
    before = plan_property(folder, overrides=overrides)
    prepared = before.prepared
    tell("Predicting the readings", 0, 0)
    found = read_readings(
        readings, _named_ends(prepared), folder=folder, radios=prepared.base.classes, columns=columns, track=track
    )
    predictions = predict_readings(prepared, before.plan, found.readings)
    measured = combine_readings(found.readings, predictions)
    tell("Learning", 0, 0)
    calibration = calibrate(
        measured,
        property_name=prepared.found.settings.name,
        source=found,
        created=date,
        crs=prepared.landscape.grid.crs,
    )
    tell("Planning with what was learned", 0, 0)
    links, corrections = corrected_table(before.links, calibration)
    notes = (f"Calibrated with {calibration.readings} readings ({', '.join(calibration.files)}).",)
    after = plan_with_links(prepared, links, notes=notes)
    changes = compare_predictions(before.plan.links, after.plan.links, corrections)
    walk = propose_walk(after, calibration, next_places) if next_places else None
    return Calibrated(calibration, before, after, changes, walk)


def write_calibrated(result: Calibrated, folder: Path, results: Path) -> tuple[Path, ...]:
    """Write calibration.toml into the property folder and the charts into the results; return their paths."""
    with all_or_nothing(results) as scratch:
        charts = [path.relative_to(scratch) for path in write_calibration_charts(result.calibration, scratch / "calibration")]
    return write_calibration(result.calibration, folder / CALIBRATION_FILE), *(results / chart for chart in charts)


def predict_readings(prepared: Prepared, plan: Plan, readings: Sequence[Reading]) -> tuple[PredictedLink, ...]:
    """Return what the engine predicts for each reading: same ends, heights, radio, season and direction.

    A site is taken at the height that the plan gives it, unless the reading says otherwise; a place at chest height.
    """
    faults: list[MeshplanError] = []
    stations: list[Station] = []
    pairs: list[tuple[int, int]] = []
    rows: list[int] = []
    season_words: list[str] = []
    seen: dict[tuple[object, ...], int] = {}
    for reading in readings:
        ends = [_station(prepared, plan, end, reading, faults) for end in (reading.a, reading.b)]
        if any(end is None for end in ends):
            continue
        key = tuple((end.key, end.antenna_agl_m, end.tx_power_dbm, end.site.x_m, end.site.y_m) for end in ends if end)
        if key not in seen:
            seen[key] = len(pairs)
            stations.extend(end for end in ends if end)
            pairs.append((len(stations) - 2, len(stations) - 1))
        rows.append(seen[key])
        season_words.append(_season_word(reading, prepared))
    raise_faults(faults)
    if not readings:
        return ()
    seasons = seasons_named(tuple(dict.fromkeys(season_words)), prepared.base.hemisphere)
    number_of = {word: number for number, word in enumerate(dict.fromkeys(season_words))}
    fields = draw_error_fields(prepared.landscape)
    table = compute_links(stations, np.array(pairs), prepared.landscape, seasons, prepared.path, error_fields=fields)
    return tuple(
        predicted_link(table, row, number_of[word], forward=True, key=f"{reading.a.name} > {reading.b.name}")
        for reading, row, word in zip(readings, rows, season_words, strict=True)
    )


def propose_walk(planned: Planned, calibration: Calibration, most: int) -> Walk:
    """Return where a further reading would decide most: at the sites, to the gateways and relays of the plan."""
    prepared, table = planned.prepared, planned.links
    required = planned.plan.required_chance
    hubs = {device.name for device in planned.plan.devices if device.in_plan and device.role is not Role.SENSOR}
    keys = [station.key for station in table.stations]
    worst = table.worst_season
    lowest = {min((s.antenna_agl_m, s.key) for s in table.stations if s.site.name == site.name)[1] for site in prepared.found.sites}
    rows = [
        row
        for row, (i, j) in enumerate(table.pairs)
        if keys[j] in hubs and keys[i] in lowest | hubs and np.isfinite(table.margin_db[worst[row], row])
    ]
    links = {row: predicted_link(table, row, int(worst[row]), forward=True) for row in rows}
    stakes = [Stake(links[row], required, float(table.fade_margin_db[row])) for row in rows]
    places: dict[str, list[PredictedLink]] = {}
    for row in rows:
        places.setdefault(keys[table.pairs[row][0]], []).append(links[row])
    stand = [PlaceToStand(name, found[0].a_x_m, found[0].a_y_m, tuple(found)) for name, found in places.items()]
    gateway = next((s for s in prepared.stations if s.key in hubs and s.site.role is Role.GATEWAY), None)
    start = (gateway.site.x_m, gateway.site.y_m) if gateway else None
    water = [cover.geometry for cover in prepared.found.covers if cover.kind in ("water", "building")]
    return choose_next_places(stand, stakes, calibration, most, start=start, boundary=prepared.found.boundary, obstacles=water)


def _named_ends(prepared: Prepared) -> tuple[Site, ...]:
    """Return the sites under their own names and under the names that plans give them at each height."""
    at_height = (
        replace(station.site, name=station.key, antenna_agl_m=station.antenna_agl_m)
        for station in prepared.stations
        if station.key != station.site.name
    )
    return (*prepared.found.sites, *at_height)


def _station(prepared: Prepared, plan: Plan, end: End, reading: Reading, faults: list[MeshplanError]) -> Station | None:
    if end.site:
        of_site = [station for station in prepared.stations if end.name in (station.site.name, station.key)]
        built = {device.name for device in plan.devices if device.in_plan}
        exact = [s for s in of_site if s.key == end.name]
        station = next(iter([*exact, *(s for s in of_site if s.key in built), *of_site]), None)
        if station is None:
            faults.append(InputError(f"'{end.name}' is no site of the property", where=reading.where, fix="Name a site."))
            return None
    else:
        notes: list[str] = []
        try:
            station = station_at(prepared, end.lat_deg, end.lon_deg, end.name, end.antenna_agl_m or HELD_AGL_M, notes)
        except InputError as error:
            faults.append(InputError(error.problem, where=reading.where, fix=error.fix))
            return None
    changes: dict[str, Any] = {"can_speak": True, "can_hear": True}
    if end.antenna_agl_m is not None:
        changes["antenna_agl_m"] = end.antenna_agl_m
    if reading.tx_power_dbm is not None:
        changes["tx_power_dbm"] = reading.tx_power_dbm
    return replace(station, **changes)


def _season_word(reading: Reading, prepared: Prepared) -> str:
    if reading.season:
        return reading.season
    month = reading.month or (reading.time.month if reading.time else None)
    return MONTH_NAMES[month - 1] if month else prepared.seasons[0].name
