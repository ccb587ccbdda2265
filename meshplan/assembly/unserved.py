"""Sensors without a route: what is missing, and the smallest change that would mend it."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from meshplan.assembly.mixed import Contexts, context_of
from meshplan.assembly.running import command_need
from meshplan.inputs.antennas import AntennaClass, CableClass
from meshplan.links.build_stations import PowerFor
from meshplan.links.describe import Context
from meshplan.links.engine import LinkTable
from meshplan.links.remedies import find_remedies
from meshplan.planning.problem import PlacementPlan, UnservedSensor
from meshplan.propagation.variability import reliability_margin_db
from meshplan.records import Unserved

REASONS = {
    "no link at all": "no gateway or relay candidate hears it well enough",
    "more hops needed": "it would need more hops than the plan may use",
    "no way to a gateway": "it reaches relays, but none of them reaches a gateway",
    "route chance too low": "its whole route would work too rarely",
    "no second route": "it has one route, but no second one that survives a failure",
    "airtime is full": "the devices that hear it would need more than half of the time on the air that the rules allow",
    "budget is spent": "serving it would cost more than the budget",
    "not worth its cost": "it is optional and serving it would cost more than it is worth",
    "one mast per site": "the sites it needs can carry only one of the heights it asks for",
}


DEAF = "its radio is one-way and can never hear a command: take a two-way class, or write downlink_bytes = 0 if it needs none"


def explain_unserved(
    plan: PlacementPlan,
    table: LinkTable,
    context: Context,
    antennas: Mapping[str, AntennaClass],
    contexts: Contexts | None = None,
    *,
    cables: Mapping[str, CableClass] | None = None,
    power_for: PowerFor | None = None,
    floors: Mapping[str, float] | None = None,
) -> tuple[tuple[Unserved, ...], tuple[int, ...]]:
    """Return what is missing for each unserved sensor, and the rows of the links that come nearest to serving it.

    `cables` and `power_for` let remedies try other cables, and other antennas at the power the law then allows. Each link of a
    route of n links needs the n-th root of the sensor's floor, but never less than any link does.
    """
    found, rows = [], []
    opened = set(plan.opened)
    deaf = {station.key for station in table.stations if command_need(station.site) is not None and station.radio.tx_only}
    for sensor in plan.unserved:
        if sensor.sensor_id in deaf:
            found.append(Unserved(sensor.sensor_id, "", float("inf"), DEAF, ()))
            continue
        floor = (floors or {}).get(sensor.sensor_id, 0.0)
        needed_chance = max(context.required_chance, floor ** (1.0 / (sensor.hops_needed or 1)))
        row = nearest_row(sensor, table, opened)
        if row is None:
            found.append(Unserved(sensor.sensor_id, "", float("inf"), _reason(sensor, floor), ()))
            continue
        rows.append(row)
        worst = int(table.worst_season[row])
        needed_db = float(table.fade_margin_db[row]) + float(
            reliability_margin_db(needed_chance, float(table.spread_db[worst, row]))
        )
        missing_db = max(needed_db - float(table.margin_db[worst, row]), 0.0)
        a, b = (table.stations[i] for i in table.pairs[row])
        other = b.key if a.key == sensor.sensor_id else a.key
        own = context_of(table, row, context, contexts or {})
        remedies = find_remedies(
            table,
            row,
            own.landscape,
            own.settings,
            antennas,
            required_chance=max(own.required_chance, needed_chance),
            cables=cables,
            power_for=power_for,
        )
        found.append(Unserved(sensor.sensor_id, other, round(missing_db, 1), _reason(sensor, floor), remedies))
    return tuple(found), tuple(rows)


def _reason(sensor: UnservedSensor, floor: float) -> str:
    """Return why a sensor is unserved; where its best route is too uncertain, how certain it is and must be."""
    if sensor.reason != "route chance too low" or sensor.best_chance is None:
        return REASONS[sensor.reason]
    return (
        f"its best route would work with a chance of {sensor.best_chance:.1%}, {floor:.0%} are asked for what it is for "
        "(requirement.route_chance); a stronger link, a candidate nearer by or a slower setting mends it"
    )


def nearest_row(sensor: UnservedSensor, table: LinkTable, opened: set[str]) -> int | None:
    """Return the link of a sensor with the best chance, devices of the plan first; None if it was paired with nothing."""
    keys: list[str] = [station.key for station in table.stations]
    mine = [row for row, (i, j) in enumerate(table.pairs) if sensor.sensor_id in (keys[i], keys[j])]
    if not mine:
        return None
    margins = np.nan_to_num(table.margin_db.min(axis=0), nan=-1e9)

    def other(row: int) -> str:
        i, j = (int(number) for number in table.pairs[row])
        return keys[j] if keys[i] == sensor.sensor_id else keys[i]

    in_plan = [row for row in mine if other(row) in opened]
    pool = in_plan or mine
    return max(pool, key=lambda row: (float(margins[row]), -row))
