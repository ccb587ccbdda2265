"""One link in full, between sites or between any two places."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from meshplan.assembly.unserved import with_wires
from meshplan.errors import InputError, nearest_name
from meshplan.explain.describe import describe_links
from meshplan.explain.remedies import find_remedies
from meshplan.inputs.cautions import read_caution_rules
from meshplan.inputs.osm_utilities import wire_rules
from meshplan.links.build_stations import at_height, build_stations, inside_sentence
from meshplan.links.link_table import compute_links
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.operation.cautions import advised_cautions
from meshplan.operation.wires import WireMap
from meshplan.records import Link, Role, Site
from meshplan.records.station import Station
from meshplan.terrain.geodesy import place_on_grid
from meshplan.terrain.profile import ground_at
from meshplan.workflow.changed_places import workshop_of
from meshplan.workflow.learned import correction_as_asked
from meshplan.workflow.prepare import Prepared, part_with, power_at, prepare_property

PLACE_HEIGHT_AGL_M = 1.5
"""Antenna height at a place that is no site: held at the chest."""


ROLE_NOTES = {
    Role.SENSOR: "At {place} a sensor that reports trends is taken, with the property's usual antenna of a sensor.",
    Role.RELAY: "At {place} a relay is taken, with the property's usual antenna of a relay.",
}
"""What stands at a place that is no site."""


def profile_between(
    folder: Path,
    a: str,
    b: str,
    *,
    antenna_a_agl_m: float | None = None,
    antenna_b_agl_m: float | None = None,
    radio: str | None = None,
    overrides: dict[str, Any] | None = None,
    calibrated: bool = False,
) -> tuple[Link, Prepared, tuple[str, ...]]:
    """Return the link between two sites or places, what it was computed with, and what was assumed.

    Parameters
    ----------
    folder, radio, overrides
        As for `prepare_property`.
    a, b : str
        Names of sites (or of stations, such as "Ridge post at 4 m"), or places as "latitude,longitude" in degrees.
    antenna_a_agl_m, antenna_b_agl_m : float, optional
        Antenna heights in place of those of the sites; places without a name stand at `PLACE_HEIGHT_AGL_M` by default.
    calibrated : bool
        Whether to use what readings taught, as kept in the property folder.
    """
    prepared = part_with(prepare_property(folder, radio=radio, overrides=overrides), (a, b))
    notes: list[str] = []
    ends = _two_stations(prepared, (a, b), (antenna_a_agl_m, antenna_b_agl_m), notes)
    if ends[0].site.x_m == ends[1].site.x_m and ends[0].site.y_m == ends[1].site.y_m:
        raise InputError(f"'{a}' and '{b}' are the same place", where="meshplan profile", fix="Name two different places.")
    pair = np.array([[0, 1]])
    fields = draw_error_fields(prepared.landscape)
    prepared = _without_former_walls(prepared, ends)
    table = compute_links(ends, pair, prepared.landscape, prepared.seasons, prepared.path, error_fields=fields)
    grid = prepared.landscape.grid
    correct, reported = correction_as_asked(prepared.found.folder, grid.crs, calibrated=calibrated, command="profile")
    table = correct(table)
    notes.extend(reported)
    link = describe_links(table, [0], prepared.context)[0]
    if link.verdict != "ample" and np.isfinite(link.margin_db):
        context = prepared.context
        remedies = find_remedies(
            table,
            0,
            context.landscape,
            context.settings,
            workshop_of(prepared, table, correct, error_fields=fields),
            required_chance=context.required_chance,
        )
        sites = {station.key: station.site for station in ends}
        wires = WireMap(prepared.found.utilities, wire_rules())

        def wires_at(key: str, raised_to_m: float) -> tuple[str, ...]:
            site = sites.get(key)
            return () if site is None else tuple(near.sentence for near in wires.nearby(key, site.x_m, site.y_m, raised_to_m))

        advised = advised_cautions(remedies, read_caution_rules())
        link = replace(link, remedies=tuple(with_wires(remedy, wires_at) for remedy in advised))
    return link, prepared, (*prepared.assumptions, *notes)


def _two_stations(
    prepared: Prepared, names: tuple[str, str], heights_m: tuple[float | None, float | None], notes: list[str]
) -> tuple[Station, ...]:
    """Return the stations at both ends. A place that is no site is a future sensor towards a gateway or relay, as in a coverage."""
    known: dict[int, Station] = {}
    for number, (text, height_m) in enumerate(zip(names, heights_m, strict=True)):
        if _as_place(text) is None:
            known[number] = find_station(prepared, text, height_m, notes)
    towards_collector = any(station.site.role is not Role.SENSOR for station in known.values())
    role = Role.SENSOR if towards_collector else Role.RELAY
    for number, (text, height_m) in enumerate(zip(names, heights_m, strict=True)):
        place = _as_place(text)
        if place is not None:
            known[number] = station_at(prepared, *place, text, height_m, notes, role=role)
    return known[0], known[1]


def find_station(prepared: Prepared, text: str, height_m: float | None, notes: list[str]) -> Station:
    """Return the station that the name of a site or station means, at a height if one is given."""
    wanted = text.strip().casefold()
    stations = [
        *(station for station in prepared.stations if station.key.casefold() == wanted),
        *(station for station in prepared.stations if station.site.name.casefold() == wanted),
    ]
    if not stations:
        known = [*(station.key for station in prepared.stations), *(site.name for site in prepared.found.sites)]
        raise InputError(
            f"there is no site '{text}'.{nearest_name(text, known)}",
            where=str(prepared.found.folder),
            fix='Give the name of a site, or a place as "latitude,longitude".',
        )
    station = stations[0]
    if height_m is None:
        return station
    return station_at_height(prepared, station, height_m, notes)


def station_at_height(prepared: Prepared, station: Station, height_m: float, notes: list[str]) -> Station:
    """Return a station with its antenna at another height: in a building or above it, as a plan with that height has it."""
    moved, more = station_for(prepared, replace(station.site, antenna_agl_m=height_m, mast_heights_agl_m=()))
    _, walls = at_height(station, height_m, prepared.landscape)
    notes.extend(dict.fromkeys((*more, *walls)))
    return replace(moved, key=f"{station.site.name} at {height_m:g} m")


def _without_former_walls(prepared: Prepared, ends: tuple[Station, ...]) -> Prepared:
    """Return what was prepared without what it assumed of a wall that an end has left by its height."""
    open_air = {station.site.name for station in ends if not station.inside}
    former = {
        inside_sentence(station, prepared.landscape)
        for station in prepared.stations
        if station.inside and station.site.name in open_air
    }
    return replace(prepared, assumptions=tuple(line for line in prepared.assumptions if line not in former))


def _as_place(text: str) -> tuple[float, float] | None:
    parts = text.replace(";", ",").split(",")
    try:
        lat_deg, lon_deg = (float(part) for part in parts)
    except ValueError:
        return None
    return lat_deg, lon_deg


def station_at(
    prepared: Prepared,
    lat_deg: float,
    lon_deg: float,
    text: str,
    height_m: float | None,
    notes: list[str],
    *,
    role: Role = Role.RELAY,
) -> Station:
    """Return a station of a role, with the property's usual radio and antenna of it, at a place in degrees.

    What was assumed is added to `notes`.
    """
    grid = prepared.landscape.grid
    x_m, y_m = place_on_grid(grid, lon_deg, lat_deg)
    if np.isnan(ground_at(prepared.landscape, x_m, y_m)):
        swapped = place_on_grid(grid, lat_deg, lon_deg) if abs(lon_deg) <= 90.0 else (np.nan, np.nan)
        hint = " Latitude comes first; the two look swapped." if np.isfinite(ground_at(prepared.landscape, *swapped)) else ""
        raise InputError(
            f"the place {text} lies outside the elevation data or on unknown ground.{hint}",
            where="meshplan profile",
            fix='Give a place inside the property as "latitude,longitude".',
        )
    if height_m is None:
        height_m = PLACE_HEIGHT_AGL_M
        notes.append(f"The antenna at {text} is taken to stand {height_m:g} m above the ground.")
    notes.append(ROLE_NOTES[role].format(place=text))
    site = Site(f"place {text}", role, lon_deg, lat_deg, x_m, y_m, height_m)
    station, more = station_for(prepared, site)
    notes.extend(more)
    return station


def station_for(prepared: Prepared, site: Site) -> tuple[Station, tuple[str, ...]]:
    """Return the station of a place that is no site of the property, and what was assumed of it."""
    stations, notes = build_stations(
        (site,),
        prepared.landscape,
        prepared.radio,
        prepared.base.antennas,
        prepared.base.cables,
        prepared.found.settings,
        power_at(prepared.base),
    )
    return stations[0], notes
