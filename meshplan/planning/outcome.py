"""From opened nodes to a plan that people can read: routes, second routes, and why a sensor is unserved."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.demand import Demand, shortfalls
from meshplan.planning.layers import BoolArray
from meshplan.planning.problem import (
    LOG_UNITS,
    MONEY_UNITS,
    PlacementPlan,
    PlacementProblem,
    PlacementRoute,
    ServedSensor,
    UnservedReason,
    UnservedSensor,
)
from meshplan.planning.routes import (
    UNREACHED,
    OpenedGraph,
    Walks,
    may_fail,
    opened_graph,
    route_table,
    second_hop_limit,
    sensor_losses,
    served_sensors,
    way_from,
    way_loss,
)


@dataclass(frozen=True, eq=False)
class ChosenRoutes:
    """First and second route (node indices) of each served sensor, and the log loss of the first."""

    first: dict[int, tuple[int, ...]]
    second: dict[int, tuple[int, ...]]
    loss: int


def choose_routes(
    problem: PlacementProblem, opened: BoolArray, demand: Demand, fixed: dict[int, tuple[int, ...]] | None = None
) -> ChosenRoutes:
    """Return the likeliest route of each sensor, and for those with a second route the pair that is likeliest together.

    `fixed` gives the first routes where airtime has settled them; sensors that are not in it are unserved then.
    """
    graph = opened_graph(problem, opened)
    table = route_table(graph, problem.hop_limit)
    losses, starts = sensor_losses(graph, table)
    first: dict[int, tuple[int, ...]] = {}
    second: dict[int, tuple[int, ...]] = {}
    total = 0
    walks = Walks(graph) if demand.double.any() else None
    for sensor in range(len(problem.sensors)):
        if fixed is not None:
            if sensor in fixed:
                first[sensor] = fixed[sensor]
                total += way_loss(graph, sensor, fixed[sensor])
                if walks is not None and demand.double[sensor]:
                    beside = walks.second_beside(sensor, fixed[sensor])
                    second[sensor] = () if beside == fixed[sensor] else beside
            continue
        if starts[sensor] < 0 or losses[sensor] > problem.route_loss_limits[sensor]:
            continue
        loss = int(losses[sensor])
        first[sensor] = way_from(table, int(starts[sensor]))
        if walks is not None and demand.double[sensor]:
            pair = walks.best_pair(sensor)
            if pair is not None:
                loss, first[sensor], second[sensor] = pair
                if second[sensor] == first[sensor]:
                    # Nothing that may fail lies on it: it is no second way.
                    second[sensor] = ()
            else:
                second[sensor] = _way_without_first(problem, graph, sensor, first[sensor])
        total += loss
    return ChosenRoutes(first, {s: way for s, way in second.items() if way}, total)


def _way_without_first(problem: PlacementProblem, graph: OpenedGraph, sensor: int, way: tuple[int, ...]) -> tuple[int, ...]:
    """Return the best route when the first device of `way` that may fail has failed; none where it is less sure than asked."""
    fails = may_fail(problem)
    failed = np.zeros(len(problem.nodes), dtype=bool)
    lost = [node for node in way if fails[node]]
    if not lost:
        return ()
    failed[lost[0]] = True
    table = route_table(graph, second_hop_limit(problem), failed)
    losses, starts = sensor_losses(graph, table)
    fits = starts[sensor] >= 0 and losses[sensor] <= problem.route_loss_limits[sensor]
    return way_from(table, int(starts[sensor])) if fits else ()


def make_plan(
    problem: PlacementProblem,
    opened: BoolArray,
    demand: Demand,
    routes: ChosenRoutes,
    why: dict[int, UnservedReason] | None = None,
) -> PlacementPlan:
    """Return the plan of the opened nodes; `why` gives reasons for unserved sensors that no search finds."""
    index = {int(node): problem.nodes[node].id for node in np.flatnonzero(opened)}
    chances = _link_chances(problem)
    short = {fall.sensor for fall in shortfalls(problem, opened, demand)}

    def route(sensor: int, way: tuple[int, ...]) -> PlacementRoute:
        chance = chances[0][sensor, way[0]]
        for a, b in pairwise(way):
            chance *= chances[1][a, b]
        return PlacementRoute(tuple(index[node] for node in way), chance)

    served, single = [], []
    single_reasons: list[UnservedReason] = []
    for sensor, way in sorted(routes.first.items()):
        name = problem.sensors[sensor].id
        other = routes.second.get(sensor)
        served.append(ServedSensor(name, route(sensor, way), None if other is None else route(sensor, other)))
        covered = problem.redundancy != "none" and problem.sensors[sensor].second_route
        if covered and (sensor in short or not demand.double[sensor]):
            single.append(name)
            single_reasons.append((why or {}).get(sensor) or _why_once(problem, sensor, possible=bool(demand.double[sensor])))
    missing = [i for i in range(len(problem.sensors)) if i not in routes.first]
    lost = {i for i in missing if demand.single[i]} | {sensor for sensor in short if demand.double[sensor]}
    forgone = sum(int(problem.worth_units[i]) for i in lost)
    return PlacementPlan(
        opened=tuple(problem.nodes[node].id for node in np.flatnonzero(opened)),
        served=tuple(served),
        unserved=tuple(explain_unserved(problem, missing, demand, why or {})),
        cost=int(problem.cost_units[opened].sum()) / MONEY_UNITS,
        neg_log_success=routes.loss / LOG_UNITS,
        forgone=forgone / MONEY_UNITS,
        single_route=tuple(single),
        single_reasons=tuple(single_reasons),
    )


def _why_once(problem: PlacementProblem, sensor: int, *, possible: bool) -> UnservedReason:
    """Return why a sensor has one route where two are asked and the others leave it the room."""
    if problem.sensors[sensor].one_route:
        return "airtime is full"
    return "not worth its cost" if possible and not problem.sensors[sensor].required else "no second route"


def _link_chances(problem: PlacementProblem) -> tuple[dict[tuple[int, int], float], dict[tuple[int, int], float]]:
    """Return the chance of each access and backhaul link by its two ends; of parallel links the best."""
    tables = []
    for links in (problem.usable_access, problem.usable_backhaul):
        order = np.argsort(links.chance, kind="stable")
        ends = zip(links.start[order].tolist(), links.end[order].tolist(), strict=True)
        tables.append(dict(zip(ends, links.chance[order].tolist(), strict=True)))
    return tables[0], tables[1]


def explain_unserved(
    problem: PlacementProblem, sensors: list[int], demand: Demand, why: dict[int, UnservedReason]
) -> list[UnservedSensor]:
    """Return the nearest miss of each unserved sensor, found with everything open."""
    if not sensors:
        return []
    everything = opened_graph(problem, problem.allowed)
    hops = hops_with_everything_open(problem)
    losses, _ = sensor_losses(everything, route_table(everything, problem.hop_limit))
    powered = _served_if_powered(problem)
    result = []
    for sensor in sensors:
        needed = int(hops[sensor]) if hops[sensor] >= 0 else None
        chance = math.exp(-int(losses[sensor]) / LOG_UNITS) if losses[sensor] < UNREACHED else None
        reason: UnservedReason
        if problem.sensors[sensor].left_out:
            reason = "airtime is full"
        elif powered[sensor] and losses[sensor] > min(int(problem.route_loss_limits[sensor]), UNREACHED - 1):
            reason = "no lasting power"
        elif not (problem.usable_access.start == sensor).any():
            reason = "no link at all"
        elif needed is None:
            reason = "no way to a gateway"
        elif problem.hop_limit is not None and needed > problem.hop_limit:
            reason = "more hops needed"
        elif losses[sensor] > problem.route_loss_limits[sensor]:
            reason = "route chance too low"
        elif not demand.single[sensor]:
            reason = why.get(sensor, "no second route")
        else:
            reason = why.get(sensor, "not worth its cost")
        result.append(UnservedSensor(problem.sensors[sensor].id, reason, needed, chance))
    return result


def _served_if_powered(problem: PlacementProblem) -> NDArray[np.bool_]:
    """Return which sensors would have a route if every candidate had power, shape (n_sensors,)."""
    powered = replace(problem, nodes=tuple(replace(node, power_ok=True) for node in problem.nodes))
    return served_sensors(powered, opened_graph(powered, powered.allowed), powered.hop_limit)


def hops_with_everything_open(problem: PlacementProblem) -> NDArray[np.int64]:
    """Return the links of each sensor's shortest way to a gateway with everything open, -1 if none, shape (n_sensors,)."""
    links, access = problem.usable_backhaul, problem.usable_access
    far = np.iinfo(np.int64).max // 2
    hops = np.full(len(problem.nodes), far, dtype=np.int64)
    hops[problem.is_gateway & problem.allowed] = 0
    while True:
        shorter = hops.copy()
        np.minimum.at(shorter, links.start, hops[links.end] + 1)
        if np.array_equal(shorter, hops):
            break
        hops = np.minimum(shorter, far)
    of_sensor = np.full(len(problem.sensors), far, dtype=np.int64)
    np.minimum.at(of_sensor, access.start, hops[access.end] + 1)
    return np.where(of_sensor >= far, -1, of_sensor)
