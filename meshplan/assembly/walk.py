"""The next walk as it is printed: places in degrees, ways in metres, and what each reading should show."""

from __future__ import annotations

import itertools
import math
from collections.abc import Collection

import numpy as np

from meshplan.assembly.learned import predicted_link
from meshplan.grid import Grid
from meshplan.links.link_table import LinkTable
from meshplan.records.measurement import ExpectedLevel, NextPlace, ReadingToTake, SurveyWalk, Walk, WalkStop
from meshplan.terrain.geodesy import distance_and_bearing, place_in_degrees

MOST_READINGS = 4
"""Links to read at one stop: those it decides first, then the most uncertain."""


def survey_walk(walk: Walk, table: LinkTable, grid: Grid, *, property_name: str, knows: str, start: str) -> SurveyWalk:
    """Return a walk with all that paper, table and phone need.

    Parameters
    ----------
    walk : Walk
    table : LinkTable
        The links of the walk, with what readings taught if there were any.
    grid : Grid
        Projection of the positions.
    property_name, knows, start : str
        Name of the property, what was known when the places were chosen, and where the walk begins.
    """
    rows = {(table.stations[i].key, table.stations[j].key): row for row, (i, j) in enumerate(table.pairs)}
    decided = {key for stop in walk.stops for key in stop.decides}
    legs, back_m = _legs(walk)
    stops = tuple(
        _stop(stop, way, table, rows, grid, decided, walk.value_of_knowing_all) for stop, way in zip(walk.stops, legs, strict=True)
    )
    way = tuple(place_in_degrees(grid, x, y) for x, y in walk.path)
    lon_deg, lat_deg = way[0] if way else (math.nan, math.nan)
    return SurveyWalk(
        property_name=property_name,
        knows=knows,
        start=start,
        start_lon_deg=lon_deg,
        start_lat_deg=lat_deg,
        stops=stops,
        way=way,
        back_m=back_m,
        length_m=walk.length_m,
        share=_share(walk.value, walk.value_of_knowing_all),
        notes=walk.notes,
    )


def _legs(walk: Walk) -> tuple[list[list[tuple[float, float]]], float]:
    """Return the corner points of the way to each stop, the stop before included, and the length of the way back."""
    legs: list[list[tuple[float, float]]] = []
    at = 0
    for stop in walk.stops:
        place = stop.place.x_m, stop.place.y_m
        end = next(index for index in range(at, len(walk.path)) if walk.path[index] == place)
        legs.append(list(walk.path[at : end + 1]))
        at = end
    return legs, _length_m(list(walk.path[at:]))


def _length_m(points: list[tuple[float, float]]) -> float:
    return math.fsum(math.dist(a, b) for a, b in itertools.pairwise(points))


def _share(value: float, total: float) -> float:
    return value / total if total > 0.0 else 0.0


def _stop(
    stop: NextPlace,
    leg: list[tuple[float, float]],
    table: LinkTable,
    rows: dict[tuple[str, str], int],
    grid: Grid,
    decided: Collection[str],
    total: float,
) -> WalkStop:
    lon_deg, lat_deg = place_in_degrees(grid, stop.place.x_m, stop.place.y_m)
    found = [(rows[link.a, link.b], link.key) for link in stop.place.links if (link.a, link.b) in rows]
    chance = table.worst_chance
    found.sort(key=lambda item: (item[1] not in stop.decides, item[1] not in decided, abs(float(chance[item[0]]) - 0.5), item[1]))
    kept = found[:MOST_READINGS]
    ends = [(table.stations[i], table.stations[j]) for i, j in (table.pairs[row] for row, _ in kept)]
    name = next((a.site.name for a, _ in ends), stop.place.name)
    decides = tuple(" to ".join(key.split(" ~ ")) for key in stop.decides)
    return WalkStop(
        name=name,
        lon_deg=lon_deg,
        lat_deg=lat_deg,
        way_m=_length_m(leg),
        bearing_deg=_bearing_deg(leg, grid),
        sentence=stop.sentence,
        share=_share(stop.value, total),
        decides=decides,
        readings=tuple(_reading(table, row, key in stop.decides) for row, key in kept),
    )


def _bearing_deg(leg: list[tuple[float, float]], grid: Grid) -> float:
    """Return the bearing of the first piece of a way that goes anywhere; NaN if the stop is where one stands."""
    onward = next((point for point in leg[1:] if math.dist(leg[0], point) > 0.5), None)
    if onward is None:
        return math.nan
    return float(distance_and_bearing(*place_in_degrees(grid, *leg[0]), *place_in_degrees(grid, *onward))[1])


def _reading(table: LinkTable, row: int, decides: bool) -> ReadingToTake:
    a, b = (table.stations[i] for i in table.pairs[row])
    distance_m, bearing_deg = distance_and_bearing(a.site.lon_deg, a.site.lat_deg, b.site.lon_deg, b.site.lat_deg)
    expected = tuple(
        ExpectedLevel(
            season.name,
            float(table.received_at_a_dbm[number, row]),
            float(table.received_at_b_dbm[number, row]),
            float(np.asarray(table.spread_db)[number, row]),
        )
        for number, season in enumerate(table.seasons)
    )
    return ReadingToTake(
        link=predicted_link(table, row, 0, forward=True).key,
        here=a.site.name,
        there=b.site.name,
        here_antenna_agl_m=a.antenna_agl_m,
        there_antenna_agl_m=b.antenna_agl_m,
        radio=a.radio.name,
        bearing_deg=float(bearing_deg),
        distance_m=float(distance_m),
        expected=expected,
        decides=decides,
    )
