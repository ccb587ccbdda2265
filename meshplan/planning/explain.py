"""Answers about a plan from the graph alone: what fails with what, why a device is there, what alternatives cost."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import islice
from math import inf, isfinite

import numpy as np

from meshplan.planning.capacity import left_out_by_airtime
from meshplan.planning.demand import Demand, shortfalls
from meshplan.planning.layers import BoolArray
from meshplan.planning.problem import (
    REDUNDANCY_LEVELS,
    PlacementPlan,
    PlacementProblem,
    PlacementResult,
    Redundancy,
    SolveLimits,
    nodes_of,
)
from meshplan.planning.routes import UNREACHED, failing_with, opened_graph, route_table, second_hop_limit, served_sensors
from meshplan.planning.solve import solve_placement


@dataclass(frozen=True, slots=True)
class FailureEffect:
    """What the loss of one opened device does: sensors that lose service, and sensors that must take another route."""

    node_id: str
    lost: tuple[str, ...]
    rerouted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class DeviceReason:
    """Why a device is in the plan.

    `carries`: sensors whose first route passes it. `cut_off`: served sensors that have no route within the hop limit without it.
    `lose_second`: sensors that keep a route without it but could then not stand another failure, though the rule asks for it.
    """

    node_id: str
    is_gateway: bool
    cost: float
    carries: tuple[str, ...]
    cut_off: tuple[str, ...]
    lose_second: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class GatewayChoice:
    """A set of gateways and the best plan found with exactly these open."""

    gateway_ids: tuple[str, ...]
    result: PlacementResult


@dataclass(frozen=True, slots=True)
class LevelPrice:
    """What one level of redundancy costs, and for how many sensors it can be had."""

    redundancy: Redundancy
    result: PlacementResult
    with_second_route: int
    extra_cost: float


@dataclass(frozen=True, slots=True)
class OneMoreHop:
    """What a hop limit one higher would change: cost (negative saves) and the sensors it would serve in addition."""

    hop_limit: int
    result: PlacementResult
    cost_change: float
    newly_served: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NextSensor:
    """The cheapest way to serve one sensor more, and the plan that does it.

    `extra_cost` comes on top of the budget where the budget left it out, else on top of what the plan costs.
    """

    sensor_id: str
    extra_cost: float
    result: PlacementResult
    newly_served: tuple[str, ...]
    """It and all others that the same plan serves beside those served already."""
    by_budget: bool
    """Whether a larger budget is all that it takes; else it is optional and was not worth its cost."""


@dataclass(frozen=True, slots=True)
class SecondRouteGap:
    """Why a sensor has no second route: when `critical` fails, it is heard by none of `helpers`, which still reach a gateway."""

    critical: str
    helpers: tuple[str, ...]


def second_route_gaps(problem: PlacementProblem, sensors: Sequence[str]) -> dict[str, SecondRouteGap]:
    """Return, for each of the sensors that no choice of devices gives a second route, what it hangs on."""
    asked = np.zeros(len(problem.sensors), dtype=bool)
    asked[[problem.sensor_index[name] for name in sensors]] = True
    hops = second_hop_limit(problem)
    everything = opened_graph(problem, problem.allowed)
    gaps: dict[str, SecondRouteGap] = {}
    for fall in shortfalls(problem, problem.allowed, Demand(asked, asked)):
        name = problem.sensors[fall.sensor].id
        if fall.without < 0 or name in gaps:
            continue
        failed = failing_with(problem, fall.without)
        reach = route_table(everything, hops, failed).loss[-1] < UNREACHED
        helpers = tuple(node.id for node, still in zip(problem.nodes, reach & ~failed, strict=True) if still)
        gaps[name] = SecondRouteGap(problem.nodes[fall.without].id, helpers)
    return gaps


def what_loses_service(
    problem: PlacementProblem, plan: PlacementPlan, *, only: Sequence[str] | None = None
) -> tuple[FailureEffect, ...]:
    """Return the effect of losing each opened device alone, or each of some, in the order of `plan.opened`.

    A sensor loses service when no route is left that either limit allows: nobody loses service by a limit on second routes. Where
    airtime is limited, those whose route the device carried lose service too as far as the others have no room for them beside
    what they carry already; the least important first.
    """
    opened = nodes_of(problem, plan.opened)
    limits = [problem.hop_limit, problem.hop_limit if problem.redundancy == "none" else second_hop_limit(problem)]
    hops = None if None in limits else max(limit for limit in limits if limit is not None)
    effects = []
    for node_id in plan.opened if only is None else only:
        users = [item.sensor_id for item in plan.served if node_id in item.first.node_ids]
        left = served_sensors(problem, opened_graph(problem, opened), hops, problem.node_index[node_id])
        lost = {s for s in users if not left[problem.sensor_index[s]]}
        if problem.has_capacity:
            lost |= _without_room(replace(problem, hop_limit=hops), plan, node_id, [s for s in users if s not in lost])
        lost_in_order = tuple(s for s in users if s in lost)
        effects.append(FailureEffect(node_id, lost_in_order, tuple(s for s in users if s not in lost)))
    return tuple(effects)


def _without_room(problem: PlacementProblem, plan: PlacementPlan, failed: str, rerouted: Sequence[str]) -> set[str]:
    """Return which sensors that must take another way find no room for their airtime beside those that need none."""
    opened = nodes_of(problem, [name for name in plan.opened if name != failed])
    moved = set(rerouted)
    stay = [item.sensor_id for item in plan.served if failed not in item.first.node_ids]
    firm = 1.0 + sum(sensor.importance for sensor in problem.sensors if sensor.id in moved)
    sensors = tuple(sensor if sensor.id in moved else replace(sensor, importance=firm, required=True) for sensor in problem.sensors)
    asked = sorted(problem.sensor_index[name] for name in (*stay, *rerouted))
    return {problem.sensors[i].id for i in left_out_by_airtime(replace(problem, sensors=sensors), opened, asked, seed=1)} & moved


def why_each_relay(problem: PlacementProblem, plan: PlacementPlan) -> tuple[DeviceReason, ...]:
    """Return why each opened device is there, in the order of `plan.opened`."""
    opened = nodes_of(problem, plan.opened)
    covered = {sensor.id for sensor in problem.sensors if sensor.second_route}
    covered &= {item.sensor_id for item in plan.served}
    two_routes = covered - set(plan.single_route) if problem.redundancy != "none" else set()
    reasons = []
    for effect in what_loses_service(problem, plan):
        index = problem.node_index[effect.node_id]
        fewer = opened.copy()
        fewer[index] = False
        kept = served_sensors(problem, opened_graph(problem, fewer), problem.hop_limit)
        cut_off = [item.sensor_id for item in plan.served if not kept[problem.sensor_index[item.sensor_id]]]
        others = [s for s in sorted(two_routes, key=problem.sensor_index.__getitem__) if s not in cut_off]
        lost = _without_second(problem, fewer, others) if others else ()
        carries = tuple(item.sensor_id for item in plan.served if effect.node_id in item.first.node_ids)
        node = problem.nodes[index]
        reasons.append(DeviceReason(node.id, node.is_gateway, node.cost, carries, tuple(cut_off), lost))
    return tuple(reasons)


def _without_second(problem: PlacementProblem, opened: BoolArray, sensors: list[str]) -> tuple[str, ...]:
    asked = np.zeros(len(problem.sensors), dtype=bool)
    asked[[problem.sensor_index[s] for s in sensors]] = True
    short = {fall.sensor for fall in shortfalls(problem, opened, Demand(asked, asked))}
    return tuple(s for s in sensors if problem.sensor_index[s] in short)


def compare_gateways(
    problem: PlacementProblem, *, how_many: int = 3, limits: SolveLimits | None = None
) -> tuple[GatewayChoice, ...]:
    """Return the best plan and the best plans with other sets of gateways, cheapest first.

    Notes
    -----
    Source
        Partitioning by the best solution's own decisions, as usual for ranking solutions (from memory): every other set differs
        from the best one at a first gateway, and each such case is a problem of its own.
    """
    limits = limits or SolveLimits()
    best = solve_placement(problem, limits=limits)
    found = [_choice(problem, best)]
    # Each entry: a plan, its problem, and the gateways whose state is settled in that problem.
    open_cases: list[tuple[GatewayChoice, PlacementProblem, frozenset[str]]] = [(found[0], problem, frozenset())]
    ranked: list[GatewayChoice] = []
    seen: set[tuple[str, ...]] = set()
    while open_cases and len(ranked) < how_many:
        open_cases.sort(key=lambda case: (-_importance(problem, case[0]), _cost(case[0]), case[0].gateway_ids))
        choice, case, settled = open_cases.pop(0)
        if choice.gateway_ids not in seen:
            seen.add(choice.gateway_ids)
            ranked.append(choice)
        if len(ranked) == how_many:
            break
        for other, other_settled in _other_cases(case, choice, settled):
            result = solve_placement(other, limits=limits)
            if result.plan.served:
                open_cases.append((_choice(other, result), other, other_settled))
    return tuple(ranked)


def _other_cases(
    problem: PlacementProblem, choice: GatewayChoice, settled: frozenset[str]
) -> list[tuple[PlacementProblem, frozenset[str]]]:
    """Return the problems in which the gateways are as chosen up to one that is not."""
    cases = []
    state: dict[str, bool] = {}
    for node in problem.nodes:
        if not node.is_gateway or not node.allowed or node.id in settled:
            continue
        chosen = node.id in choice.gateway_ids
        if not (node.forced_in and chosen):
            flipped = {**state, node.id: not chosen}
            changed = _with_gateways(problem, flipped)
            if changed is not None:
                cases.append((changed, settled | frozenset(flipped)))
        state[node.id] = chosen
    return cases


def _with_gateways(problem: PlacementProblem, state: dict[str, bool]) -> PlacementProblem | None:
    """Return the problem with gateways forced in or forbidden; None where two would stand at one site."""
    sites = [node.site_id for node in problem.nodes if node.forced_in or state.get(node.id, False)]
    if len(set(sites)) < len(sites) or any(node.forced_in and not state.get(node.id, True) for node in problem.nodes):
        return None
    nodes = tuple(
        replace(node, forced_in=state[node.id], forbidden=not state[node.id]) if node.id in state else node
        for node in problem.nodes
    )
    if sum(node.cost for node in nodes if node.forced_in) > problem.budget:
        return None
    return replace(problem, nodes=nodes)


def _choice(problem: PlacementProblem, result: PlacementResult) -> GatewayChoice:
    gateways = {node.id for node in problem.nodes if node.is_gateway}
    return GatewayChoice(tuple(node for node in result.plan.opened if node in gateways), result)


def _importance(problem: PlacementProblem, choice: GatewayChoice) -> float:
    served = {item.sensor_id for item in choice.result.plan.served}
    return sum(sensor.importance for sensor in problem.sensors if sensor.id in served and sensor.required)


def _cost(choice: GatewayChoice) -> float:
    return choice.result.plan.cost + choice.result.plan.forgone


def without_second_airtime(problem: PlacementProblem, plan: PlacementPlan, lost: Mapping[str, Collection[str]]) -> tuple[str, ...]:
    """Return the sensors whose second route a plan promises, though they lose service when a device fails that the rule lets fail.

    `lost` names who loses service with each device: a way is left to all of them, but not the airtime.
    """
    if problem.redundancy == "none":
        return ()
    gone = {name for node, names in lost.items() if _may_fail(problem, node) for name in names}
    promised = {sensor.id for sensor in problem.sensors if sensor.second_route} - set(plan.single_route)
    return tuple(item.sensor_id for item in plan.served if item.sensor_id in promised & gone)


def _may_fail(problem: PlacementProblem, node_id: str) -> bool:
    return problem.redundancy == "any one relay or gateway" or not problem.nodes[problem.node_index[node_id]].is_gateway


def price_of_redundancy(
    problem: PlacementProblem, *, limits: SolveLimits | None = None, at_limit: PlacementProblem | None = None
) -> tuple[LevelPrice, ...]:
    """Return what each level of redundancy costs for the same property, plain service first.

    A second route counts where the devices that are left have the airtime for it when one fails: all that the rules allow, which
    are the capacities of `at_limit`, by default those of the problem. What the new routes repeat more often is not counted.
    """
    prices: list[LevelPrice] = []
    for level in REDUNDANCY_LEVELS:
        result = solve_placement(replace(problem, redundancy=level), limits=limits)
        covered = sum(sensor.second_route for sensor in problem.sensors)
        missing = set(result.plan.single_route) | {item.sensor_id for item in result.plan.unserved}
        if problem.has_capacity:
            asked = replace(at_limit or problem, redundancy=level)
            lost = {effect.node_id: effect.lost for effect in what_loses_service(asked, result.plan)}
            missing |= set(without_second_airtime(replace(problem, redundancy=level), result.plan, lost))
        lacking = sum(sensor.second_route and sensor.id in missing for sensor in problem.sensors)
        second = 0 if level == "none" else covered - lacking
        extra = result.plan.cost - (prices[0].result.plan.cost if prices else result.plan.cost)
        prices.append(LevelPrice(level, result, second, extra))
    return tuple(prices)


def value_of_one_more_hop(
    problem: PlacementProblem, result: PlacementResult, *, limits: SolveLimits | None = None
) -> OneMoreHop | None:
    """Return what a hop limit one higher would change; None when there is no limit."""
    if problem.hop_limit is None:
        return None
    longer = replace(problem, hop_limit=problem.hop_limit + 1)
    other = solve_placement(longer, limits=limits)
    before = {item.sensor_id for item in result.plan.served}
    newly = tuple(item.sensor_id for item in other.plan.served if item.sensor_id not in before)
    return OneMoreHop(problem.hop_limit + 1, other, other.plan.cost - result.plan.cost, newly)


def next_sensor_by_cost(
    problem: PlacementProblem, result: PlacementResult, *, limits: SolveLimits | None = None, most: int = 20
) -> NextSensor | None:
    """Return which sensor that the budget or its worth left out is cheapest to add, and for how much; None if there is none.

    Parameters
    ----------
    most : int
        Sensors to look at, the most important first.
    """
    importance = {sensor.id: sensor.importance for sensor in problem.sensors}
    served = {item.sensor_id for item in result.plan.served}
    for reason in ("budget is spent", "not worth its cost"):
        by_budget = reason == "budget is spent"
        waiting = [item.sensor_id for item in result.plan.unserved if item.reason == reason]
        waiting.sort(key=lambda name: (-importance[name], name))
        best: NextSensor | None = None
        for name in islice(waiting, most):
            wanted = served | {name}
            sensors = tuple(replace(sensor, required=sensor.id in wanted, worth=0.0) for sensor in problem.sensors)
            other = solve_placement(replace(problem, sensors=sensors, budget=inf), limits=limits)
            extra = other.plan.cost - (problem.budget if by_budget and isfinite(problem.budget) else result.plan.cost)
            if name not in {item.sensor_id for item in other.plan.served} or (best is not None and extra >= best.extra_cost):
                continue
            if by_budget:
                other = solve_placement(replace(problem, budget=problem.budget + max(extra, 0.0)), limits=limits)
            newly = tuple(item.sensor_id for item in other.plan.served if item.sensor_id not in served)
            if newly and len(newly) + len(served) == len(other.plan.served):
                best = NextSensor(name if name in newly else newly[0], extra, other, newly, by_budget)
        if best is not None:
            return best
    return None
