"""The plan among its alternatives, in words: why each relay, other gateways, second routes, one more hop."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from meshplan.assembly.routes import make_routes
from meshplan.links.link_table import LinkTable
from meshplan.planning.capacity import route_within_capacity
from meshplan.planning.explain import (
    GatewayChoice,
    LevelPrice,
    compare_gateways,
    next_sensor_by_cost,
    price_of_redundancy,
    value_of_one_more_hop,
    why_each_relay,
)
from meshplan.planning.problem import PlacementPlan, PlacementProblem, PlacementResult, SolveLimits, nodes_of
from meshplan.records import GatewayOption

MOST_NODES = 400
"""Larger properties are not planned again for the sake of comparison; the plan says so."""

MOST_NAMED = 5
"""Sensors named in a sentence before the rest is only counted."""


@dataclass(frozen=True)
class Alternatives:
    """What else was looked at beside the plan."""

    gateway_options: tuple[GatewayOption, ...]
    redundancy_prices: tuple[dict[str, object], ...]
    what_more_buys: tuple[str, ...]


def look_at_alternatives(
    problem: PlacementProblem,
    result: PlacementResult,
    table: LinkTable,
    currency: str,
    *,
    limits: SolveLimits | None = None,
    at_limit: PlacementProblem | None = None,
) -> Alternatives:
    """Return three gateway choices, the price of each level of second routes, and what one more hop or a larger budget buys.

    `table` holds the links of the problem: the weakest route of a choice is told by the chance that a plan tells of it.
    `at_limit` is the problem with all the airtime that the rules allow, which devices may fill when one fails.
    """
    if len(problem.nodes) > MOST_NODES:
        note = f"With {len(problem.nodes)} candidates no alternatives were planned; change hops or second routes and plan again."
        return Alternatives((), (), (note,))
    built = frozenset(node.id for node in problem.nodes if node.is_gateway) & set(result.plan.opened)
    return Alternatives(
        gateway_options=tuple(
            _option(choice, result, built, table, currency) for choice in compare_gateways(problem, limits=limits)
        ),
        redundancy_prices=tuple(
            _price(price, currency, for_all=asks_for_all(problem))
            for price in price_of_redundancy(_all_asking(problem), limits=limits, at_limit=at_limit)
        )
        if not _only_unworthy(result)
        else (),
        what_more_buys=(*_hop(problem, result, currency, limits), *_budget(problem, result, currency, limits)),
    )


def _only_unworthy(result: PlacementResult) -> bool:
    """Return whether nothing is built since no optional sensor is worth its cost: second routes then have no price."""
    return not result.plan.served and any(item.reason == "not worth its cost" for item in result.plan.unserved)


def reason_by_relay(problem: PlacementProblem, plan: PlacementPlan, loses_service: Mapping[str, Sequence[str]]) -> dict[str, str]:
    """Return a sentence for each relay of the plan: who would lose service without it, for want of a way or of airtime."""
    reasons = {}
    for reason in why_each_relay(problem, plan):
        if reason.is_gateway:
            continue
        lose = [*reason.cut_off, *(name for name in loses_service.get(reason.node_id, ()) if name not in reason.cut_off)]
        if lose:
            count = f"these {len(lose)} sensors lose" if len(lose) > 1 else "this sensor loses"
            reasons[reason.node_id] = f"Without it {count} service: {_names(lose)}."
        elif reason.lose_second:
            reasons[reason.node_id] = f"It gives a second route to {_names(reason.lose_second)}."
        elif reason.carries and problem.has_capacity and not _fits_without(problem, plan, reason.node_id):
            reasons[reason.node_id] = "Without it the others would be on the air for longer than the rules allow."
        else:
            reasons[reason.node_id] = "It makes routes more certain; no sensor hangs on it alone."
    return reasons


def _fits_without(problem: PlacementProblem, plan: PlacementPlan, node_id: str) -> bool:
    """Return whether the other devices of a plan could carry its sensors within their airtime."""
    opened = nodes_of(problem, [name for name in plan.opened if name != node_id])
    sensors = sorted(problem.sensor_index[item.sensor_id] for item in plan.served)
    return route_within_capacity(problem, opened, sensors, np.zeros(len(problem.sensors), dtype=bool), seed=1) is not None


def _all_asking(problem: PlacementProblem) -> PlacementProblem:
    """Return the problem with a second route wanted for every sensor, unless the user marked some."""
    if any(sensor.second_route for sensor in problem.sensors):
        return problem
    return replace(problem, sensors=tuple(replace(sensor, second_route=True) for sensor in problem.sensors))


def _names(sensors: Sequence[str]) -> str:
    named = ", ".join(sensors[:MOST_NAMED])
    return f"{named} and {len(sensors) - MOST_NAMED} more" if len(sensors) > MOST_NAMED else named


def _option(
    choice: GatewayChoice, chosen: PlacementResult, built: frozenset[str], table: LinkTable, currency: str
) -> GatewayOption:
    """Return a choice of gateways; `built` are those of the plan itself, whose choice is the chosen one."""
    plan = choice.result.plan
    served = len(plan.served)
    weakest = min((route.chance for route in make_routes(plan, table).routes), default=0.0)
    relays = len(plan.opened) - len(choice.gateway_ids)
    return GatewayOption(
        gateways=choice.gateway_ids,
        sensors_served=served,
        cost=plan.cost,
        weakest_chance=weakest,
        sentence=option_sentence(choice.gateway_ids, served, relays, plan.cost, currency, once=len(plan.single_route)),
        chosen=set(choice.gateway_ids) == built and abs(plan.cost - chosen.plan.cost) < 1e-6,
    )


def option_sentence(gateways: Sequence[str], served: int, relays: int, cost: float, currency: str, *, once: int = 0) -> str:
    """Return what a choice of gateways gives and costs, in words; `once` sensors lack the second route that they ask for."""
    names = " and ".join(gateways) if gateways else "no gateway"
    sensors = f"{served} sensor{'s' if served != 1 else ''}"
    lack = f" ({once} of them without the second route asked for)" if once else ""
    return f"{names}: {sensors} served{lack} with {relays} relay{'s' if relays != 1 else ''} for {cost:.0f} {currency}."


def _price(price: LevelPrice, currency: str, *, for_all: bool) -> dict[str, object]:
    """Return one level of second routes with its price; without `for_all` only some sensors ask for one."""
    cost = price.result.plan.cost
    return {
        "level": price.redundancy,
        "cost": cost,
        "extra_cost": price.extra_cost,
        "sensors_with_second_route": price.with_second_route,
        "lower_bound": price.result.solver_bound,
        "sentence": price_sentence(price.redundancy, cost, price.with_second_route, currency, for_all=for_all),
    }


def price_sentence(level: str, cost: float, with_second_route: int, currency: str, *, for_all: bool) -> str:
    """Return what a level of second routes costs, in words; empty for no such level."""
    whom = "each sensor" if for_all else "each sensor that asks for it"
    words = {
        "none": "One route for each sensor",
        "any one relay": f"A route for {whom} when any one relay fails",
        "any one relay or gateway": f"A route for {whom} when any one relay or gateway fails",
    }
    if level not in words:
        return ""
    second = "" if level == "none" else f", {with_second_route or 'no'} sensor{'s' if with_second_route > 1 else ''} can have it"
    return f"{words[level]}: {cost:.0f} {currency}{second}."


def asks_for_all(problem: PlacementProblem) -> bool:
    """Return whether prices of second routes are those for every sensor: all ask for one, or none does."""
    return all(sensor.second_route for sensor in _all_asking(problem).sensors)


def _hop(problem: PlacementProblem, result: PlacementResult, currency: str, limits: SolveLimits | None) -> tuple[str, ...]:
    more = value_of_one_more_hop(problem, result, limits=limits)
    if more is None:
        return ()
    change = change_words(more.cost_change, currency)
    if more.newly_served:
        return (f"A hop limit of {more.hop_limit} would also serve {_names(more.newly_served)} ({change}).",)
    still = {*more.result.plan.single_route, *(item.sensor_id for item in more.result.plan.unserved)}
    doubled = [name for name in result.plan.single_route if name not in still]
    if doubled:
        return (f"A hop limit of {more.hop_limit} would give a second route to {_names(doubled)} ({change}).",)
    if more.cost_change < -0.005:
        return (f"A hop limit of {more.hop_limit} would save {amount_words(-more.cost_change, currency)}.",)
    return (f"A hop limit of {more.hop_limit} would change nothing.",)


def _budget(problem: PlacementProblem, result: PlacementResult, currency: str, limits: SolveLimits | None) -> tuple[str, ...]:
    more = next_sensor_by_cost(problem, result, limits=limits)
    if more is None:
        return ()
    amount, names = amount_words(more.extra_cost, currency), _names(more.newly_served)
    if more.by_budget:
        return (f"{amount} more would also serve {names}.",)
    return (f"To serve {names} would take {amount} more, which {'they are' if len(more.newly_served) > 1 else 'it is'} not worth.",)


def amount_words(amount: float, currency: str) -> str:
    """Return an amount of money; below one unit with its hundredths, so that it is never written as nothing."""
    return f"{amount:.0f} {currency}" if abs(amount) >= 1.0 else f"{amount:.2f} {currency}"


def change_words(change: float, currency: str) -> str:
    """Return a change of cost with its sign; none in words."""
    if abs(change) < 0.005:
        return "for the same cost"
    return f"{'+' if change > 0.0 else '-'}{amount_words(abs(change), currency)}"
