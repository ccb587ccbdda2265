"""A pilot for a plan made before: few links to try, in each radio class in question, before anything is bought."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np

from meshplan.assembly.learned import corrected_table, predicted_link
from meshplan.calibration.pilot import PilotCandidate, choose_pilot_links, decision_levels
from meshplan.errors import InputError, MissingFileError
from meshplan.inputs.user_files import is_there
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Plan, Role
from meshplan.records.pilot import Pilot, PilotLevel, PilotLink
from meshplan.terrain.geodesy import distance_and_bearing
from meshplan.workflow.learned import CALIBRATION_FILE, stored_calibration
from meshplan.workflow.prepare import Prepared, equip, prepare_property
from meshplan.workflow.progress import OnProgress, silent

PILOT_LINKS = 4
MOST_CLASSES = 4


def choose_pilot(
    folder: Path, plan: Plan, most: int = PILOT_LINKS, *, classes: Sequence[str] = (), on_progress: OnProgress | None = None
) -> Pilot:
    """Return the links to try for a plan, with what to expect of each class and when to stop.

    Parameters
    ----------
    folder : Path
        The property.
    plan : Plan
    most : int
        Most links.
    classes : sequence of str, optional
        Radio classes in question beside that of the plan; by default the others that property.toml lists.
    """
    tell = on_progress or silent
    if not folder.is_dir():
        fix = "Name the folder of the property; its links have to be computed."
        raise MissingFileError("this is no property folder", where=str(folder), fix=fix)
    tell("Reading the property", 0, 0)
    made = plan.made_with
    prepared = prepare_property(folder, radio=None if plan.more_radios else plan.radio.key, overrides=made.settings or None)
    known = {station.key for station in prepared.stations}
    strangers = [device.name for device in plan.devices if device.in_plan and device.name not in known]
    if strangers:
        fix = f"Run `meshplan plan {folder}` again."
        raise InputError(
            f"the plan has {', '.join(strangers[:3])}, which the property does not know any more", where=str(folder), fix=fix
        )
    asked = _classes(prepared, plan, classes)
    tell("Computing links", 0, 0)
    pairs = _pairs(plan)
    own = _table(prepared, pairs)
    learned = stored_calibration(folder, prepared.landscape.grid.crs) if is_there(folder / CALIBRATION_FILE) else None
    shown = corrected_table(own, learned)[0] if learned is not None else own
    chosen, share = choose_pilot_links(_candidates(plan, own, shown), plan.required_chance, learned, most)
    tables = {plan.radio.key: shown}
    notes = []
    for name in asked:
        tell(f"Looking at {name}", 0, 0)
        other = equip(prepared.base, name, mixed=False)
        if not other.lawfulness.lawful:
            notes.append(f"{name} is not within the radio rules here, and is left out.")
            continue
        tables[other.radio.name] = _table(other, [pair for pair in pairs if f"{pair[0]} ~ {pair[1]}" in _keys(chosen)])
    if not asked:
        notes.append("Only the class of the plan is in question. Name others with --radio CLASS to see what to expect of them.")
    links = tuple(_pilot_link(candidate, why, shown, tables, plan) for candidate, why in chosen)
    return Pilot(plan.property_name, tuple(tables), links, stop_rule(links), tuple(notes), share)


def stop_rule(links: Sequence[PilotLink]) -> tuple[str, ...]:
    """Return when to stop trying, in sentences."""
    if not links:
        return ()
    many = max((len(link.carries) for link in links), default=0)
    return (
        "Try the links in this order, with the class of the plan first: antennas upright at the heights given, 50 packets each "
        "way, "
        "at three spots a step apart; the middle one counts.",
        "Stop and buy when every link tried lies at its good level or above.",
        f"Stop, and do not buy this class for this plan, when a link on which {max(2, many)} or more sensors hang lies below its "
        "failing level, or any two links do: try the next class on the same links, or let `meshplan calibrate` and `meshplan plan "
        "--calibrated` look for other gateways and relays.",
        "Between the two levels nothing is decided: go on to the next link. Is one still open after the last, enter the readings "
        "in "
        "pilot_readings.csv, run `meshplan calibrate` and plan again before buying.",
        "A link tried without leaves is judged for the worst season of the plan: the levels hold that already. A trial of an hour "
        "proves no alarm: what must warn needs a warning on the spot as well.",
    )


def _classes(prepared: Prepared, plan: Plan, classes: Sequence[str]) -> list[str]:
    """Return the classes in question beside that of the plan."""
    listed = list(classes) or [name for name in prepared.found.settings.radio if name not in ("compare",)]
    own = {plan.radio.key, prepared.radio.name, prepared.radio.class_key}
    return [name for name in dict.fromkeys(listed) if name not in own][: MOST_CLASSES - 1]


def _pairs(plan: Plan) -> list[tuple[str, str]]:
    """Return the links of the plan, from the sensor's side on, and those of sensors to gateways that were weighed and not taken."""
    onward: dict[tuple[str, str], None] = {}
    for route in plan.routes:
        for devices in (route.devices, route.second_devices):
            onward.update(dict.fromkeys(pairwise(devices)))
    others = _other_gateways(plan)
    for route in plan.routes:
        onward.update(dict.fromkeys((route.sensor, gateway) for gateway in others if gateway != route.sensor))
    return list(onward)


def _other_gateways(plan: Plan) -> tuple[str, ...]:
    built = {device.name for device in plan.devices if device.in_plan and device.role is Role.GATEWAY}
    named = dict.fromkeys(name for option in plan.gateway_options if not option.chosen for name in option.gateways)
    here = {device.name for device in plan.devices}
    return tuple(name for name in named if name not in built and name in here)[:3]


def _table(prepared: Prepared, pairs: Sequence[tuple[str, str]]) -> LinkTable:
    """Return these links alone, in the class of the property."""
    numbers = {station.key: number for number, station in enumerate(prepared.stations)}
    rows = [(numbers[a], numbers[b]) for a, b in pairs if a in numbers and b in numbers]
    return compute_links(
        prepared.stations,
        np.array(rows, dtype=np.intp).reshape(-1, 2),
        prepared.landscape,
        prepared.seasons,
        prepared.path,
        error_fields=draw_error_fields(prepared.landscape),
    )


def _candidates(plan: Plan, own: LinkTable, shown: LinkTable) -> list[PilotCandidate]:
    """Return what could be tried; `own` holds links as the engine predicts them, `shown` with what readings taught."""
    importance = {device.name: device.importance for device in plan.devices}
    carried: dict[tuple[str, str], list[str]] = {}
    for route in plan.routes:
        for pair in pairwise(route.devices):
            carried.setdefault(pair, []).append(route.sensor)
    used = {pair for route in plan.routes for line in (route.devices, route.second_devices) for pair in pairwise(line)}
    found = []
    for row, (i, j) in enumerate(own.pairs):
        a, b = own.stations[i].key, own.stations[j].key
        season = int(own.worst_season[row])
        if not np.isfinite(own.margin_db[season, row]):
            continue
        carries = tuple(carried.get((a, b), ()))
        found.append(
            PilotCandidate(
                link=predicted_link(own, row, season, forward=True, key=f"{a} ~ {b}"),
                fade_margin_db=float(own.fade_margin_db[row]),
                chance=float(shown.worst_chance[row]),
                carries=carries,
                weight=sum(importance[name] for name in carries) or 0.25 * importance.get(a, 1.0),
                in_plan=(a, b) in used,
                gateway="" if (a, b) in used else b,
            )
        )
    return found


def _keys(chosen: Sequence[tuple[PilotCandidate, str]]) -> set[str]:
    return {candidate.link.key for candidate, _ in chosen}


def _pilot_link(candidate: PilotCandidate, why: str, own: LinkTable, tables: dict[str, LinkTable], plan: Plan) -> PilotLink:
    a, b = candidate.link.key.split(" ~ ")
    ends = {station.key: station for station in own.stations}
    one, other = ends[a].site, ends[b].site
    distance_m, bearing_deg = distance_and_bearing(one.lon_deg, one.lat_deg, other.lon_deg, other.lat_deg)
    levels = [level for name, table in tables.items() for level in _levels(name, table, a, b, plan.required_chance)]
    return PilotLink(
        link=candidate.link.key, a=one.name, b=other.name, a_lon_deg=one.lon_deg, a_lat_deg=one.lat_deg, b_lon_deg=other.lon_deg,
        b_lat_deg=other.lat_deg, a_antenna_agl_m=ends[a].antenna_agl_m, b_antenna_agl_m=ends[b].antenna_agl_m,
        distance_m=float(distance_m), bearing_deg=float(bearing_deg), in_plan=candidate.in_plan, why=why, carries=candidate.carries,
        levels=tuple(levels),
    )  # fmt: skip


def _levels(name: str, table: LinkTable, a: str, b: str, required_chance: float) -> list[PilotLevel]:
    """Return what a link should show in each season, at b, and the two levels that decide."""
    rows = [row for row, (i, j) in enumerate(table.pairs) if (table.stations[i].key, table.stations[j].key) == (a, b)]
    found = []
    for row in rows:
        worst = int(table.worst_season[row])
        needed = float(table.received_at_b_dbm[worst, row] - table.margin_db[worst, row] + table.fade_margin_db[row])
        for number, season in enumerate(table.seasons):
            level = float(table.received_at_b_dbm[number, row])
            if not np.isfinite(level):
                continue
            less = max(level - float(table.received_at_b_dbm[worst, row]), 0.0)
            good, fails = decision_levels(needed, less, required_chance)
            spread = float(table.spread_db[number, row])
            found.append(PilotLevel(name, season.name, level, spread, good, fails, float(table.worst_chance[row])))
    return found
