"""From opened nodes to a plan that people can read: routes, second routes, and why a sensor is unserved."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.demand import Demand
from meshplan.planning.layers import BoolArray
from meshplan.planning.problem import (
    LOG_UNITS,
    MONEY_UNITS,
    PlacementPlan,
    PlacementProblem,
    Route,
    ServedSensor,
    UnservedReason,
    UnservedSensor,
)
from meshplan.planning.routes import (
    UNREACHED,
    OpenedGraph,
    may_fail,
    opened_graph,
    route_table,
    second_hop_limit,
    sensor_losses,
    way_from,
)

MOST_ROUTES = 4000
"""Routes of one sensor that are compared for the best pair; an opened set rarely has more."""


@dataclass(frozen=True, eq=False)
class ChosenRoutes:
    """First and second route (node indices) of each served sensor, and the log loss of the first."""

    first: dict[int, tuple[int, ...]]
    second: dict[int, tuple[int, ...]]
    loss: int


def choose_routes(problem: PlacementProblem, opened: BoolArray, demand: Demand) -> ChosenRoutes:
    """Return the likeliest route of each sensor, and for those with a second route the pair that is likeliest together."""
    graph = opened_graph(problem, opened)
    table = route_table(graph, problem.hop_limit)
    losses, starts = sensor_losses(graph, table)
    first: dict[int, tuple[int, ...]] = {}
    second: dict[int, tuple[int, ...]] = {}
    total = 0
    walks = _Walks(graph) if demand.double.any() else None
    for sensor in range(len(problem.sensors)):
        if starts[sensor] < 0 or losses[sensor] > problem.route_loss_limit:
            continue
        loss = int(losses[sensor])
        first[sensor] = way_from(table, int(starts[sensor]))
        if walks is not None and demand.double[sensor]:
            pair = walks.best_pair(sensor)
            if pair is not None:
                loss, first[sensor], second[sensor] = pair
            else:
                second[sensor] = _way_without_first(problem, graph, sensor, first[sensor])
        total += loss
    return ChosenRoutes(first, {s: way for s, way in second.items() if way}, total)


def _way_without_first(problem: PlacementProblem, graph: OpenedGraph, sensor: int, way: tuple[int, ...]) -> tuple[int, ...]:
    """Return the best route when the first device of `way` that may fail has failed."""
    fails = may_fail(problem)
    failed = np.zeros(len(problem.nodes), dtype=bool)
    lost = [node for node in way if fails[node]]
    if not lost:
        return ()
    failed[lost[0]] = True
    table = route_table(graph, second_hop_limit(problem), failed)
    _, starts = sensor_losses(graph, table)
    return way_from(table, int(starts[sensor])) if starts[sensor] >= 0 else ()


class _Walks:
    """All simple routes of a sensor in an opened graph."""

    def __init__(self, graph: OpenedGraph) -> None:
        self.problem = graph.problem
        self.fails = may_fail(self.problem)
        self.following: dict[int, list[tuple[int, int]]] = {}
        for start, end, loss in zip(graph.backhaul.start, graph.backhaul.end, graph.backhaul_loss, strict=True):
            self.following.setdefault(int(start), []).append((int(loss), int(end)))
        self.heard: dict[int, list[tuple[int, int]]] = {}
        for start, end, loss in zip(graph.access.start, graph.access.end, graph.access_loss, strict=True):
            self.heard.setdefault(int(start), []).append((int(loss), int(end)))
        for neighbours in (*self.following.values(), *self.heard.values()):
            neighbours.sort()

    def best_pair(self, sensor: int) -> tuple[int, tuple[int, ...], tuple[int, ...]] | None:
        """Return the first route's loss and two routes that share nothing that may fail, the likeliest together."""
        after = second_hop_limit(self.problem)
        ways = self._routes(sensor, after if after is not None else len(self.problem.nodes))
        hops, limit = self.problem.hop_limit, self.problem.route_loss_limit
        best: tuple[int, int, tuple[int, ...], tuple[int, ...]] | None = None
        for loss, way in ways:
            if best is not None and 2 * loss > best[0] and loss > best[1]:
                break
            if (hops is not None and len(way) > hops) or loss > limit:
                continue
            mine = {node for node in way if self.fails[node]}
            for other_loss, other in ways:
                if best is not None and loss + other_loss >= best[0]:
                    break
                if other_loss <= limit and other != way and mine.isdisjoint(other):
                    best = (loss + other_loss, loss, way, other)
                    break
            # A route without anything that may fail is its own second route.
            if not mine and (best is None or 2 * loss < best[0]):
                best = (2 * loss, loss, way, way)
        if best is None:
            return None
        total, loss, way, other = best
        other_fits = hops is None or len(other) <= hops
        if other_fits and total - loss < loss:
            loss, way, other = total - loss, other, way
        return loss, way, other

    def _routes(self, sensor: int, hops: int) -> list[tuple[int, tuple[int, ...]]]:
        found: list[tuple[int, tuple[int, ...]]] = []
        stack = [(loss, (node,)) for loss, node in reversed(self.heard.get(sensor, []))]
        while stack and len(found) < MOST_ROUTES:
            loss, way = stack.pop()
            if self.problem.is_gateway[way[-1]]:
                found.append((loss, way))
            elif len(way) < hops:
                for step, node in reversed(self.following.get(way[-1], [])):
                    if node not in way:
                        stack.append((loss + step, (*way, node)))
        return sorted(found)


def make_plan(
    problem: PlacementProblem,
    opened: BoolArray,
    demand: Demand,
    routes: ChosenRoutes,
    why: dict[int, UnservedReason] | None = None,
) -> PlacementPlan:
    """Return the plan of the opened nodes; `why` gives reasons for unserved sensors that no search finds."""
    index = {node: problem.nodes[node].id for node in np.flatnonzero(opened)}
    chances = _link_chances(problem)

    def route(sensor: int, way: tuple[int, ...]) -> Route:
        chance = chances[0][sensor, way[0]]
        for a, b in zip(way[:-1], way[1:], strict=True):
            chance *= chances[1][a, b]
        return Route(tuple(index[node] for node in way), chance)

    served, single = [], []
    for sensor, way in sorted(routes.first.items()):
        name = problem.sensors[sensor].id
        other = routes.second.get(sensor)
        served.append(ServedSensor(name, route(sensor, way), None if other is None else route(sensor, other)))
        if problem.redundancy != "none" and problem.sensors[sensor].second_route and not demand.double[sensor]:
            single.append(name)
    missing = [i for i in range(len(problem.sensors)) if i not in routes.first]
    forgone = sum(int(problem.worth_units[i]) for i in missing if demand.single[i])
    return PlacementPlan(
        opened=tuple(problem.nodes[node].id for node in np.flatnonzero(opened)),
        served=tuple(served),
        unserved=tuple(explain_unserved(problem, missing, demand, why or {})),
        cost=int(problem.cost_units[opened].sum()) / MONEY_UNITS,
        neg_log_success=routes.loss / LOG_UNITS,
        forgone=forgone / MONEY_UNITS,
        single_route=tuple(single),
    )


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
    result = []
    for sensor in sensors:
        needed = int(hops[sensor]) if hops[sensor] >= 0 else None
        chance = math.exp(-int(losses[sensor]) / LOG_UNITS) if losses[sensor] < UNREACHED else None
        reason: UnservedReason
        if not (problem.usable_access.start == sensor).any():
            reason = "no link at all"
        elif needed is None:
            reason = "no way to a gateway"
        elif problem.hop_limit is not None and needed > problem.hop_limit:
            reason = "more hops needed"
        elif losses[sensor] > problem.route_loss_limit:
            reason = "route chance too low"
        elif not demand.single[sensor]:
            reason = why.get(sensor, "no second route")
        else:
            reason = why.get(sensor, "not worth its cost")
        result.append(UnservedSensor(problem.sensors[sensor].id, reason, needed, chance))
    return result


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
