"""The solver's answer as routes over named devices and links."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.assembly.running import Running
from meshplan.explain.describe import link_key
from meshplan.links.link_table import LinkTable
from meshplan.loss.uncertainty import route_chance
from meshplan.planning.problem import PlacementPlan
from meshplan.records import Route


@dataclass(frozen=True, eq=False)
class RouteRows:
    """Which rows of the link table carry the plan."""

    routes: tuple[Route, ...]
    rows: frozenset[int]


def row_index(table: LinkTable) -> dict[tuple[str, str], int]:
    """Return the row of each pair of stations, in both orders."""
    keys = [station.key for station in table.stations]
    rows: dict[tuple[str, str], int] = {}
    for row, (i, j) in enumerate(table.pairs):
        rows[keys[i], keys[j]] = row
        rows[keys[j], keys[i]] = row
    return rows


@dataclass(frozen=True, eq=False)
class LinkMargins:
    """Margins of links in their worst season, by their two ends."""

    table: LinkTable
    rows: Mapping[tuple[str, str], int]
    worst_season: NDArray[np.intp]
    spread_db: NDArray[np.float64]

    @classmethod
    def of(cls, table: LinkTable) -> LinkMargins:
        """Return the margins of a table's links."""
        return cls(table, row_index(table), table.worst_season, table.spread_db)

    def __call__(self, sender: str, receiver: str) -> tuple[float, float, float]:
        """Return the median margin at the receiver, that at the sender for the way back, and the spread of both."""
        row = self.rows[sender, receiver]
        table, season = self.table, int(self.worst_season[row])
        margins = float(table.margin_at_b_db[season, row]), float(table.margin_at_a_db[season, row])
        first = table.stations[table.pairs[row][0]].key
        there, back = margins if first == sender else margins[::-1]
        return there, back, float(self.spread_db[season, row])


def make_routes(
    plan: PlacementPlan,
    table: LinkTable,
    running: Running | None = None,
    floors: Mapping[str, float] | None = None,
    second_notes: Mapping[str, str] | None = None,
) -> RouteRows:
    """Return the routes of all served sensors with the chance that each whole route holds.

    Parameters
    ----------
    plan : PlacementPlan
    table : LinkTable
    running : Running, optional
        Delay, hops on the air and delivery of each sensor's route.
    floors : mapping, optional
        Least chance of a whole route that each sensor asks for.
    second_notes : mapping, optional
        Why a sensor has no second route where one is asked, by sensor.
    """
    rows = row_index(table)
    used: set[int] = set()
    routes = []
    for served in plan.served:
        first = (served.sensor_id, *served.first.node_ids)
        second = (served.sensor_id, *served.second.node_ids) if served.second else ()
        first_rows = [rows[pair] for pair in itertools.pairwise(first)]
        second_rows = [rows[pair] for pair in itertools.pairwise(second)]
        used.update(first_rows, second_rows)
        routes.append(
            Route(
                sensor=served.sensor_id,
                devices=first,
                links=tuple(_key(table, row) for row in first_rows),
                chance=_chance(first_rows, table),
                second_devices=second,
                second_links=tuple(_key(table, row) for row in second_rows),
                latency_s=running.latency_s.get(served.sensor_id) if running else None,
                second_note=(second_notes or {}).get(served.sensor_id, ""),
                hops=running.hops.get(served.sensor_id, ()) if running else (),
                delivered_chance=running.delivered.get(served.sensor_id) if running else None,
                required_chance=(floors or {}).get(served.sensor_id),
            )
        )
    return RouteRows(tuple(routes), frozenset(used))


def rows_of_plan(plan: PlacementPlan, table: LinkTable) -> tuple[int, ...]:
    """Return the rows of the table that any route uses, in order."""
    rows = row_index(table)
    used: set[int] = set()
    for served in plan.served:
        for route in (served.first, served.second):
            if route is not None:
                devices = (served.sensor_id, *route.node_ids)
                used.update(rows[pair] for pair in itertools.pairwise(devices))
    return tuple(sorted(used))


def _key(table: LinkTable, row: int) -> str:
    a, b = (table.stations[i] for i in table.pairs[row])
    return link_key(a, b)


def _chance(rows: Sequence[int], table: LinkTable) -> float:
    return chance_of_route([(table, row) for row in rows])


def chance_of_route(links: Sequence[tuple[LinkTable, int]]) -> float:
    """Return the chance that all links of a route hold; each is named by its table, over the same elevation draws, and its row."""
    if len(links) == 1:
        ((table, row),) = links
        return float(table.worst_chance[row])
    slack, spreads, around, ends, shifts, freedom = [], [], [], [], [], []
    for table, row in links:
        worst = int(table.worst_season[row])
        slack.append(float(table.margin_db[worst, row] - table.fade_margin_db[row]))
        spreads.append(
            (
                float(table.model_spread_db[row]),
                float(table.losses.vegetation_spread_db[worst, row]),
                float(table.soil_spread_db[row]),
                float(table.antenna_spread_db[row]),
            )
        )
        around.append((float(table.losses.clutter_spread_a_db[worst, row]), float(table.losses.clutter_spread_b_db[worst, row])))
        a, b = (table.stations[i].key for i in table.pairs[row])
        ends.append((a, b))
        shifts.append(table.elevation_shift_db[row].astype(float))
        freedom.append(table.freedom(worst, row))
    return route_chance(range(len(links)), np.array(slack), spreads, np.array(shifts), ends, around_db=around, freedom=freedom)
