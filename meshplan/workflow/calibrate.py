"""Measure, calibrate, plan again: readings in, what they teach and what that changes out."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from meshplan.assembly.learned import corrected_table, predicted_link
from meshplan.assembly.page_records import MeasuredPoint
from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.combine import at_cap, combine_readings
from meshplan.calibration.compare import compare_predictions
from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.inputs.measurements import read_readings
from meshplan.inputs.user_files import present_file
from meshplan.links.link_table import compute_links
from meshplan.links.seasons import MONTH_NAMES, season_word, seasons_named
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.records import Plan, Role, Site
from meshplan.records.measurement import (
    Calibration,
    End,
    FittedLink,
    PredictedLink,
    Reading,
    SurveyWalk,
    VerdictChange,
    Walk,
)
from meshplan.records.station import Station
from meshplan.reporting.calibration_charts import write_calibration_charts
from meshplan.reporting.calibration_file import write_calibration
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.map import write_map
from meshplan.reporting.walk_files import write_walk
from meshplan.terrain.geodesy import place_in_degrees
from meshplan.workflow.learned import CALIBRATION_FILE
from meshplan.workflow.next_places import NEXT_PLACES, propose_walk, walk_to_print
from meshplan.workflow.plan import Planned, map_land, plan_property, plan_with_links
from meshplan.workflow.prepare import Prepared, equip_for_readings, part_with
from meshplan.workflow.profile import station_at, station_at_height
from meshplan.workflow.progress import OnProgress, silent

HELD_AGL_M = 1.5
"""Antenna height of somebody who stands and measures."""

SAME_CHANNEL = 0.01
"""Channels this near to each other, as a share, are predicted as one: 0.1 dB of free space."""

OF_HEIGHT = ("antenna_agl_m", "noise_rise_db", "inside", "entry_loss_db", "entry_spread_db", "entry_source", "lid_loss_db")
"""What changes where an antenna is held at another height: it may stand in a building or above it."""

MOST_AT_A_POINT = 4
"""Readings told at one place of the map."""


@dataclass(frozen=True, eq=False)
class Calibrated:
    """What the readings taught, and what it changed."""

    calibration: Calibration
    before: Planned
    after: Planned
    changes: tuple[VerdictChange, ...]
    walk: Walk | None
    survey: SurveyWalk | None
    """The walk with all that is printed."""


def calibrate_property(
    folder: Path,
    readings: Sequence[Path],
    *,
    track: Path | None = None,
    heard_by: str | None = None,
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
    heard_by : str, optional
        Site that heard what rows without a receiver report.
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
        fault = present_file(path, str(path), "measurements", empty_allowed=True)
        if fault is not None:
            raise type(fault)(fault.problem, where=fault.where, fix="Name the file with the readings.")
    tell("Planning before the readings", 0, 0)
    before = plan_property(folder, overrides=overrides)
    prepared = before.prepared
    tell("Predicting the readings", 0, 0)
    found = read_readings(readings, _named_ends(prepared), folder=folder, columns=columns, track=track, heard_by=heard_by)
    predictions, noticed = predict_readings(prepared, before.plan, found.readings)
    found = replace(found, notes=(*found.notes, *noticed))
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
    notes = (f"Calibrated with {calibration.readings_words} ({', '.join(calibration.files)}).",)
    after = plan_with_links(prepared, links, notes=notes, correct=lambda other: corrected_table(other, calibration)[0])
    changes = compare_predictions(before.plan.links, after.plan.links, corrections)
    if not next_places:
        return Calibrated(calibration, before, after, changes, None, None)
    tell("Choosing where to measure next", 0, 0)
    walk = propose_walk(prepared, after.plan, before.links, calibration, next_places)
    printed = walk_to_print(walk, prepared, after.plan, before.links, calibration)
    return Calibrated(calibration, before, after, changes, walk, printed)


def write_calibrated(result: Calibrated, folder: Path, results: Path) -> tuple[Path, ...]:
    """Write calibration.toml into the property folder, and charts, map and the next walk into the results; return their paths.

    Results come all or none; calibration.toml follows once they are there.
    """
    with all_or_nothing(results) as scratch:
        points = measured_points(result.calibration, result.after)
        files = [
            *write_calibration_charts(result.calibration, scratch / "calibration"),
            write_map(result.after.plan, map_land(result.after, measured=points), scratch / "calibration" / "map.html"),
            *(write_walk(result.survey, scratch) if result.survey is not None else ()),
        ]
        names = [path.relative_to(scratch) for path in files]
    return write_calibration(result.calibration, folder / CALIBRATION_FILE), *(results / name for name in names)


def measured_points(calibration: Calibration, planned: Planned) -> tuple[MeasuredPoint, ...]:
    """Return the places where somebody measured, each with the reading that differs most from the calibrated forecast.

    A point stands where the walker stood: at the end that is no gateway or relay of the plan.
    """
    grid = planned.prepared.landscape.grid
    hubs = {device.name for device in planned.plan.devices if device.in_plan and device.role is not Role.SENSOR}
    places: dict[tuple[float, float], list[tuple[FittedLink, str]]] = {}
    for fit in calibration.fitted:
        link = fit.measured.link
        there = link.a in hubs and link.b not in hubs
        place = (link.b_x_m, link.b_y_m) if there else (link.a_x_m, link.a_y_m)
        name = fit.measured.location or (link.b if there else link.a)
        places.setdefault((round(place[0], 1), round(place[1], 1)), []).append((fit, name))
    points = []
    for (x_m, y_m), fits in places.items():
        fits.sort(key=lambda item: (-abs(_shown_dbm(item[0]) - item[0].after_dbm), item[0].measured.link.key))
        worst, name = fits[0]
        lon_deg, lat_deg = place_in_degrees(grid, x_m, y_m)
        words = "; ".join(_reading_words(fit) for fit, _ in fits[:MOST_AT_A_POINT])
        more = f"; and {len(fits) - MOST_AT_A_POINT} more" if len(fits) > MOST_AT_A_POINT else ""
        points.append(MeasuredPoint(name, lon_deg, lat_deg, _shown_dbm(worst), round(worst.after_dbm, 1), f"{words}{more}."))
    return tuple(points)


def _shown_dbm(fit: FittedLink) -> float:
    """Return what was measured; where only a bound is known, that bound."""
    measured = fit.measured
    if not measured.censored:
        return round(measured.power_dbm, 1)
    bound = measured.high_dbm if math.isfinite(measured.high_dbm) else measured.low_dbm
    return round(bound if math.isfinite(bound) else fit.after_dbm, 1)


def _reading_words(fit: FittedLink) -> str:
    measured, link = fit.measured, fit.measured.link
    level = f"{measured.power_dbm:.0f} dBm"
    if measured.censored:
        level = f"below {measured.high_dbm:.0f} dBm" if math.isfinite(measured.high_dbm) else f"above {measured.low_dbm:.0f} dBm"
    doubt = ", does not go with the others" if fit.suspect else ""
    return (
        f"{link.a} to {link.b}: {level}; forecast {link.received_dbm:.0f} before the readings, {fit.after_dbm:.0f} with them{doubt}"
    )


def predict_readings(
    prepared: Prepared, plan: Plan, readings: Sequence[Reading]
) -> tuple[tuple[PredictedLink, ...], tuple[str, ...]]:
    """Return what the engine predicts for each reading (same ends, heights, radio, season, direction), and what was noticed.

    A site is taken at the height that the plan gives it, unless the reading says otherwise; a place at chest height. A word in the
    column radio that is no class is the name of a pair of radios: it is predicted in the class of the property, and learned apart.
    """
    faults: list[MeshplanError] = []
    notes: dict[str, None] = {}
    classes = _Classes(prepared)
    asked: dict[int, _Asked] = {}
    of_reading: list[tuple[int, int]] = []
    for reading in readings:
        part, label = classes.of(reading, faults)
        if label:
            own = prepared.radio.name
            notes[f"Radio '{label}' is no radio class: predicted as {own}, and its own offset is learned apart."] = None
        if part is None:
            continue
        group = asked.setdefault(id(part), _Asked(part))
        ends = [_station(part, plan, end, reading, faults) for end in (reading.a, reading.b)]
        season = _season_word(reading, prepared, faults)
        if ends[0] is not None and ends[1] is not None and season:
            of_reading.append((id(part), group.add(ends[0], ends[1], season, reading, label)))
    raise_faults(faults)
    fields = draw_error_fields(prepared.landscape)
    predicted = {key: group.predict(fields) for key, group in asked.items()}
    links = tuple(predicted[key][place] for key, place in of_reading)
    capped = sum(at_cap(reading, link) for reading, link in zip(readings, links, strict=True))
    if capped:
        rows = "1 reading shows" if capped == 1 else f"{capped} readings show"
        notes[f"{rows} an SNR as large as the receiver can report: it is taken as that or more, and tells no noise."] = None
    return links, tuple(notes)


class _Classes:
    """The property in each class that the readings name, each equipped once."""

    def __init__(self, prepared: Prepared) -> None:
        self.prepared = prepared
        self.own = prepared.parts or (prepared,)
        self.known = class_words(prepared)
        self.made: dict[tuple[str, float | None], Prepared] = {}

    def of(self, reading: Reading, faults: list[MeshplanError]) -> tuple[Prepared | None, str]:
        """Return the property as a reading saw it, and the name of the pair of radios if one is given in place of a class."""
        where = f"{reading.where}, column 'radio'"
        name = self.known.get(reading.radio.casefold(), "")
        label = "" if name else reading.radio
        hint = nearest_name(label, list(self.known.values())) if label else ""
        if hint:
            fix = "Write the class, or a name for your pair of radios that looks like none."
            faults.append(InputError(f"'{label}' is not known.{hint}", where=where, fix=fix))
            return None, ""
        try:
            part = self._own(name, reading)
            if reading.frequency_mhz is None or _same_channel(reading.frequency_mhz, part.radio.frequency_mhz):
                return part, label
            return self._made(name or part.radio.class_key, reading.frequency_mhz), label
        except InputError as error:
            fix = error.fix if name else f"Name the class that was used in the column radio. {error.fix}"
            faults.append(InputError(error.problem, where=reading.where, fix=fix))
            return None, ""

    def _own(self, name: str, reading: Reading) -> Prepared:
        if not name:
            return part_with(self.prepared, [end.name for end in (reading.a, reading.b) if end.site])
        same = [part for part in self.own if name in (part.radio.name, part.radio.class_key)]
        if same and (not self.prepared.parts or all(_carries(same[0], end) for end in (reading.a, reading.b))):
            return same[0]
        return self._made(name, None)

    def _made(self, name: str, frequency_mhz: float | None) -> Prepared:
        key = name, frequency_mhz
        if key not in self.made:
            self.made[key] = equip_for_readings(self.prepared.base, name, frequency_mhz)
        return self.made[key]


class _Asked:
    """The predictions asked for in one class: each pair of stations once, in the seasons of all its readings."""

    def __init__(self, prepared: Prepared) -> None:
        self.prepared = prepared
        self.stations: list[Station] = []
        self.pairs: list[tuple[int, int]] = []
        self.seen: dict[tuple[object, ...], int] = {}
        self.seasons: dict[str, int] = {}
        self.rows: list[tuple[int, int, str, str]] = []

    def add(self, a: Station, b: Station, season: str, reading: Reading, label: str) -> int:
        """Ask for one direction of a link; return its place among the predictions."""
        key = tuple((end.key, end.antenna_agl_m, end.tx_power_dbm, end.site.x_m, end.site.y_m) for end in (a, b))
        if key not in self.seen:
            self.seen[key] = len(self.pairs)
            self.stations += [a, b]
            self.pairs.append((len(self.stations) - 2, len(self.stations) - 1))
        number = self.seasons.setdefault(season, len(self.seasons))
        self.rows.append((self.seen[key], number, f"{reading.a.name} > {reading.b.name}", label))
        return len(self.rows) - 1

    def predict(self, fields: ErrorFields) -> list[PredictedLink]:
        """Return the predictions in the order asked for."""
        if not self.pairs:
            return []
        seasons = seasons_named(tuple(self.seasons), self.prepared.base.hemisphere)
        prepared = self.prepared
        table = compute_links(self.stations, np.array(self.pairs), prepared.landscape, seasons, prepared.path, error_fields=fields)
        links = [predicted_link(table, row, season, forward=True, key=key) for row, season, key, _ in self.rows]
        return [replace(link, radio=label) if label else link for link, (*_, label) in zip(links, self.rows, strict=True)]


def class_words(prepared: Prepared) -> dict[str, str]:
    """Return the radio classes, plain and with each of their settings, by the word in small letters that names them."""
    words = dict.fromkeys(prepared.base.classes)
    for key, radio in prepared.base.classes.items():
        words |= dict.fromkeys(f"{key}-{setting.name.lower()}" for setting in radio.settings)
    return {word.casefold(): word for word in words}


def _carries(part: Prepared, end: End) -> bool:
    return not end.site or any(end.name in (station.key, station.site.name) for station in part.stations)


def _same_channel(one_mhz: float, other_mhz: float) -> bool:
    return abs(one_mhz - other_mhz) <= SAME_CHANNEL * other_mhz


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
    if end.antenna_agl_m is not None and end.antenna_agl_m != station.antenna_agl_m:
        raised = station_at_height(prepared, station, end.antenna_agl_m, [])
        walls = {name: getattr(raised, name) for name in OF_HEIGHT}
        station = replace(station, **walls)
    if reading.tx_power_dbm is not None:
        changes["tx_power_dbm"] = reading.tx_power_dbm
    return replace(station, **changes)


def _season_word(reading: Reading, prepared: Prepared, faults: list[MeshplanError]) -> str:
    """Return the one word for the season of a reading, empty where it is not known."""
    if reading.season:
        try:
            seasons_named((reading.season,), prepared.base.hemisphere, where=f"{reading.where}, column 'season'")
        except MeshplanError as error:
            faults.append(error)
            return ""
        return season_word(reading.season)
    month = reading.month or (reading.time.month if reading.time else None)
    return MONTH_NAMES[month - 1] if month else season_word(prepared.seasons[0].name)
