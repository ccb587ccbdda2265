"""Where to measure next: before any reading or after some, as a walk for paper, table and phone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import shapely

from meshplan.assembly.learned import corrected_table, predicted_link
from meshplan.assembly.walk import survey_walk
from meshplan.calibration.next_places import choose_next_places
from meshplan.errors import InputError, MissingFileError
from meshplan.inputs.user_files import is_there
from meshplan.links.link_table import LinkTable
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Plan, Role
from meshplan.records.measurement import Calibration, PlaceToStand, PredictedLink, Stake, SurveyWalk, Walk
from meshplan.workflow.learned import CALIBRATION_FILE, stored_calibration
from meshplan.workflow.plan import compute_all_links
from meshplan.workflow.prepare import Prepared, prepare_property
from meshplan.workflow.progress import OnProgress, silent

NEXT_PLACES = 5


def propose_next_places(
    folder: Path, plan: Plan, most: int = NEXT_PLACES, *, on_progress: OnProgress | None = None
) -> tuple[Walk, SurveyWalk]:
    """Return where to measure next for a plan made before; knows what calibration.toml in the folder holds, if it is there.

    Parameters
    ----------
    folder : Path
        The property.
    plan : Plan
        A plan of this property.
    most : int
        Most places.
    on_progress : callable, optional
    """
    tell = on_progress or silent
    if not folder.is_dir():
        raise MissingFileError(
            "this is no property folder",
            where=str(folder),
            fix="To choose places, name the folder of the property; its links have to be computed.",
        )
    tell("Reading the property", 0, 0)
    prepared = prepare_property(folder, radio=None if plan.more_radios else plan.radio.key)
    known = {station.key for station in prepared.stations}
    strangers = [device.name for device in plan.devices if device.in_plan and device.name not in known]
    if strangers:
        raise InputError(
            f"the plan has {', '.join(strangers[:3])}, which the property does not know any more",
            where=str(folder),
            fix=f"Run `meshplan plan {folder}` again.",
        )
    fields = draw_error_fields(prepared.landscape)
    table = compute_all_links(prepared, error_fields=fields, on_progress=lambda done, total: tell("Computing links", done, total))
    learned = stored_calibration(folder, prepared.landscape.grid.crs) if is_there(folder / CALIBRATION_FILE) else None
    tell("Choosing places", 0, 0)
    walk = propose_walk(prepared, plan, table, learned, most)
    return walk, walk_to_print(walk, prepared, plan, table, learned)


def propose_walk(prepared: Prepared, plan: Plan, table: LinkTable, calibration: Calibration | None, most: int) -> Walk:
    """Return where a further reading would decide most: at the sites, to the gateways and relays of the plan.

    `table` holds links as the engine predicts them; what readings taught is added here and must not be in it already.
    """
    if table.learned_db is not None:
        raise AssertionError("readings would count twice")
    hubs = _hubs(plan)
    keys = [station.key for station in table.stations]
    worst = table.worst_season
    lowest = {
        min((s.antenna_agl_m, s.key) for s in table.stations if s.site.name == name)[1]
        for name in {station.site.name for station in table.stations}
    }
    rows = [
        row
        for row, (i, j) in enumerate(table.pairs)
        if keys[j] in hubs and keys[i] in lowest | hubs and np.isfinite(table.margin_db[worst[row], row])
    ]
    links = {row: predicted_link(table, row, int(worst[row]), forward=True) for row in rows}
    stakes = [
        Stake(
            links[row],
            plan.required_chance,
            float(table.fade_margin_db[row]),
            table.stations[table.pairs[row][0]].site.importance,
            served="" if _wants_two_routes(prepared, keys[table.pairs[row][0]]) else keys[table.pairs[row][0]],
        )
        for row in rows
    ]
    places: dict[str, list[PredictedLink]] = {}
    for row in rows:
        places.setdefault(keys[table.pairs[row][0]], []).append(links[row])
    stand = [PlaceToStand(name, found[0].a_x_m, found[0].a_y_m, tuple(found)) for name, found in places.items()]
    gateway = next((s.site for s in table.stations if s.key in hubs and s.site.role is Role.GATEWAY), None)
    start = (gateway.x_m, gateway.y_m) if gateway else None
    solid = _in_the_way(prepared)
    return choose_next_places(stand, stakes, calibration, most, start=start, boundary=prepared.found.boundary, obstacles=solid)


def walk_to_print(walk: Walk, prepared: Prepared, plan: Plan, table: LinkTable, calibration: Calibration | None) -> SurveyWalk:
    """Return a walk with all that paper, table and phone need; expectations hold what readings taught."""
    expected, knows = table, "Chosen before any reading: from what maps leave open."
    if calibration is not None:
        expected = corrected_table(table, calibration)[0]
        knows = f"Chosen after {calibration.readings_words} ({', '.join(calibration.files)}): from what they leave open."
    hubs = _hubs(plan)
    gateway = next((s.site.name for s in table.stations if s.key in hubs and s.site.role is Role.GATEWAY), None)
    return survey_walk(
        walk,
        expected,
        prepared.landscape.grid,
        property_name=plan.property_name,
        knows=knows,
        start=gateway or (walk.stops[0].place.name if walk.stops else ""),
    )


def _in_the_way(prepared: Prepared) -> list[Any]:
    """Return water, and the buildings that nobody has to enter to reach a site."""
    sites = shapely.points([(site.x_m, site.y_m) for site in prepared.found.sites])
    return [
        cover.geometry
        for cover in prepared.found.covers
        if cover.kind == "water" or (cover.kind == "building" and not shapely.covers(cover.geometry, sites).any())
    ]


def _wants_two_routes(prepared: Prepared, name: str) -> bool:
    """Whether one good link is not enough for a site."""
    if prepared.found.settings.requirement.second_route != "none":
        return True
    return any(site.second_route for site in prepared.found.sites if site.name == name)


def _hubs(plan: Plan) -> frozenset[str]:
    return frozenset(device.name for device in plan.devices if device.in_plan and device.role is not Role.SENSOR)
