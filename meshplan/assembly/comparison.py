"""Radio classes side by side: one row for a plan, and two sentences of advice for all of them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from meshplan.assembly.routes import make_routes
from meshplan.assembly.running import Running
from meshplan.links.link_table import LinkTable
from meshplan.links.mixture import BETWEEN_RADIOS
from meshplan.operation.channel import Delay
from meshplan.operation.comparison import ClassResult, Recommendation, ranked, recommend
from meshplan.operation.suitability import demand_for, suitability
from meshplan.operation.wiring import wiring
from meshplan.planning.problem import PlacementProblem, PlacementResult
from meshplan.records import ComparisonRow, Purpose, Role
from meshplan.records.radio import Board, RadioMode
from meshplan.records.station import Station

MOST_CHANNEL_LOAD: Final = 0.1
"""Offered load above which collisions eat a fifth of the packets (pure ALOHA); only retries save what is below."""

MIXTURE: Final = "mixture"
"""Class key of the row in which places carry the classes that the property names for them."""


def refused_row(mode: RadioMode, sentence: str, change: str, sensors: int, board: Board) -> ComparisonRow:
    """Return the row of a class that the rules refuse."""
    return ComparisonRow(
        radio=mode.name,
        class_key=mode.class_key,
        setting=mode.setting,
        title=mode.title,
        lawful=False,
        rule=f"{sentence} To comply: {change}." if change else sentence,
        frequency_mhz=mode.frequency_mhz,
        tx_power_dbm=mode.tx_power_dbm,
        sensors=sensors,
        served=0,
        weakest_chance=0.0,
        gateways=0,
        relays=0,
        cost=0.0,
        duty_share_of_limit=0.0,
        channel_load=0.0,
        battery_years=0.0,
        latency_s=0.0,
        wiring=wiring(mode.radio, board).sentence,
        unfit_for=(),
    )


def planned_row(
    modes: Sequence[RadioMode],
    table: LinkTable,
    problem: PlacementProblem,
    result: PlacementResult,
    running: Running,
    board: Board,
    sensor_price: float,
) -> ComparisonRow:
    """Return the row of a class, or of the mixture of classes that a property asks for, that was planned.

    Parameters
    ----------
    modes : sequence of RadioMode
        One, or all of a mixture, the property's own first.
    table : LinkTable
        Links between all stations of the property: the weakest route is told by the chance that a plan tells of it.
    problem : PlacementProblem
    result : PlacementResult
    running : Running
    board : Board
        Board of a sensor, for the wiring.
    sensor_price : float
        One sensor without regard to the radio class.
    """
    plan = result.plan
    stations = table.stations
    sensors = [station for station in stations if station.site.role is Role.SENSOR]
    gateways = sum(bool(problem.is_gateway[problem.node_index[key]]) for key in plan.opened)
    chances = [route.chance for route in make_routes(plan, table).routes]
    duties = [duty for duty in running.duty.values() if duty.duty_limit > 0.0]
    lives = [energy.life_years for energy in running.energy.values() if energy.supply == "battery"]
    broken = [line for line in running.legal if not line.lawful]
    rule = f"{broken[0].detail} To comply: {broken[0].remedy}." if broken else running.legal[0].rule
    # A second radio of a place is part of its cost already.
    first_radio = {station.key: station.radio for station in reversed(stations)}
    radios = sum(first_radio[key].radio.price.value for key in (*(station.key for station in sensors), *plan.opened))
    duty_share = max((duty.fast_duty_share / duty.duty_limit for duty in duties), default=0.0)
    channel_load = max((duty.channel_load for duty in running.duty.values()), default=0.0)
    first, several = modes[0], len(modes) > 1
    opened = {station.key: station for station in stations if station.key in plan.opened}
    return ComparisonRow(
        radio=BETWEEN_RADIOS.join(mode.name for mode in modes),
        class_key=MIXTURE if several else first.class_key,
        setting="" if several else first.setting,
        title=" with ".join(mode.title for mode in modes),
        lawful=not broken,
        rule=rule,
        frequency_mhz=first.frequency_mhz,
        tx_power_dbm=first.tx_power_dbm,
        sensors=len(sensors),
        served=len(plan.served),
        weakest_chance=min(chances, default=0.0),
        gateways=gateways,
        relays=len(plan.opened) - gateways,
        cost=round(plan.cost + len(sensors) * sensor_price + radios, 2),
        duty_share_of_limit=duty_share,
        channel_load=channel_load,
        battery_years=min(lives, default=float("inf")),
        latency_s=max(running.latency_s.values(), default=0.0),
        wiring=" / ".join(wiring(mode.radio, board).sentence for mode in modes),
        unfit_for=_unfit(sensors, running),
        condition=" ".join(dict.fromkeys(line.condition for line in running.legal if line.to_answer_for)),
        to_answer_for=tuple(dict.fromkeys(key for line in running.legal if line.lawful for key in line.to_answer_for)),
        starved=len(running.starved),
        running_cost_per_year=round(sum(cost.cost_per_year for one in opened.values() for cost in one.running_costs), 2),
        airtime_headroom=1.0 - max(duty_share, channel_load / MOST_CHANNEL_LOAD),
    )


def mark_best_settings(rows: Sequence[ComparisonRow]) -> tuple[ComparisonRow, ...]:
    """Return the rows with the best setting of each class marked."""
    best = set()
    for key in dict.fromkeys(row.class_key for row in rows):
        best.add(ranked([_as_result(row) for row in rows if row.class_key == key])[0].name)
    return tuple(replace(row, best_of_class=row.radio in best) for row in rows)


def advise(rows: Sequence[ComparisonRow], currency: str) -> Recommendation:
    """Return the class to take, at its best setting, with its reasons and the runner-up."""
    return recommend([_as_result(row) for row in rows if row.best_of_class], currency=currency)


def _as_result(row: ComparisonRow) -> ClassResult:
    return ClassResult(
        name=row.radio,
        title=row.title,
        lawful=row.lawful,
        legal_reason=row.rule,
        sensors_served=row.served,
        sensors_total=row.sensors,
        weakest_chance=row.weakest_chance if row.served else math.nan,
        relays=row.relays,
        cost=row.cost,
        airtime_headroom=row.airtime_headroom,
        shortest_battery_years=row.battery_years,
        worst_latency_s=row.latency_s,
        unfit=row.unfit_for,
        wiring=row.wiring,
        conditional=bool(row.to_answer_for),
    )


def _unfit(sensors: Sequence[Station], running: Running) -> tuple[str, ...]:
    """Return the purposes that are not served as they need to be, with the first reasons found."""
    found = []
    for purpose in sorted({station.site.purpose for station in sensors} - {Purpose.TREND}):
        own = [station for station in sensors if station.site.purpose is purpose]
        for mode in dict.fromkeys(station.radio for station in own):
            delays = [running.latency_s.get(station.key, 0.0) for station in own if station.radio == mode]
            worst_s = max(delays, default=0.0)
            verdict = suitability(demand_for(purpose.value), mode, Delay(worst_s, worst_s, 1.0))
            if not verdict.fit:
                found.append(f"{purpose.value}: {'; '.join(verdict.reasons)}")
    return tuple(dict.fromkeys(found))
