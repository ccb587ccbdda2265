"""What each sensor asks for, whether a set of opened nodes gives it, and the covering problem that follows."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gcd, isfinite

import numpy as np

from meshplan.planning.blocking import Shortfall, blocking_rows
from meshplan.planning.cover import CoverModel, Family, Row
from meshplan.planning.floors import may_fall_short, useful_copies
from meshplan.planning.layers import BoolArray, CopyGraph, build_copies
from meshplan.planning.mincut import Cut, find_cuts
from meshplan.planning.problem import MONEY_UNITS, Links, PlacementProblem
from meshplan.planning.routes import (
    may_fail,
    opened_graph,
    route_table,
    second_hop_limit,
    sensor_losses,
    served_sensors,
    way_from,
)


@dataclass(frozen=True, eq=False)
class Demand:
    """Which sensors the plan must serve (`single`) and which of them after any failure too (`double`); shape (n_sensors,)."""

    single: BoolArray
    double: BoolArray


def demand_of(problem: PlacementProblem) -> Demand:
    """Return what can be asked: sensors that have a route, and a second one where the rule wants it, with everything open."""
    everything = opened_graph(problem, problem.allowed)
    single = served_sensors(problem, everything, problem.hop_limit)
    if problem.redundancy == "none":
        return Demand(single, np.zeros_like(single))
    covered = np.array([sensor.second_route for sensor in problem.sensors], dtype=bool)
    double = single & covered & np.array([not sensor.one_route for sensor in problem.sensors], dtype=bool)
    for sensor, _ in _failing(problem, problem.allowed, double):
        double[sensor] = False
    if problem.without_second_route == "leave out":
        single = double | (single & ~covered)
    return Demand(single, double)


@dataclass(frozen=True, eq=False)
class PricedProblem:
    """A problem in which every sensor may be left out at a price, so that importance goes before all cost.

    `twin_of[i]` is the sensor whose second route the sensor `n_sensors + i` stands for: a required sensor that may be served once
    counts twice, for its service and, after all service, for its second route.
    """

    problem: PlacementProblem
    demand: Demand
    twin_of: tuple[int, ...]

    def chosen(self, asked: Demand) -> Demand:
        """Return what is asked of the priced problem as a demand of the problem it was made from."""
        n = len(self.problem.sensors) - len(self.twin_of)
        single, double = asked.single[:n].copy(), asked.double[:n].copy()
        for twin, sensor in enumerate(self.twin_of):
            double[sensor] = single[sensor] and asked.single[n + twin]
        return Demand(single, double)


def with_priced_sensors(problem: PlacementProblem, demand: Demand) -> PricedProblem:
    """Return the problem with every required sensor made optional, worth so much that importance goes before all cost."""
    most = int(problem.cost_units.sum() + problem.worth_units.sum())
    if isfinite(problem.budget):
        most = min(most, int(problem.budget * MONEY_UNITS) + int(problem.worth_units.sum()))
    unit = (most // problem.cost_step + 1) * problem.cost_step
    shares = [round(sensor.importance * 100) or 1 for sensor in problem.sensors]
    common = gcd(*shares) or 1
    shares = [share // common for share in shares]
    # With limited airtime first and second routes are chosen together, so a sensor is served as asked or not at all.
    apart = problem.without_second_route == "serve once" and not problem.has_capacity
    twin_of = tuple(i for i, s in enumerate(problem.sensors) if apart and s.required and demand.double[i])
    higher = 1 + sum(shares[i] for i in twin_of)
    sensors = [
        replace(sensor, required=False, worth=unit * higher * share / MONEY_UNITS) if sensor.required else sensor
        for sensor, share in zip(problem.sensors, shares, strict=True)
    ]
    twins = [
        replace(problem.sensors[i], id=f"{problem.sensors[i].id}\0second", required=False, worth=unit * shares[i] / MONEY_UNITS)
        for i in twin_of
    ]
    access = problem.access
    starts, rows = [access.start], [np.arange(len(access))]
    for twin, sensor in enumerate(twin_of):
        own = np.flatnonzero(access.start == sensor)
        rows.append(own)
        starts.append(np.full(own.size, len(sensors) + twin, dtype=np.int32))
    every = np.concatenate(rows)
    double = demand.double.copy()
    double[list(twin_of)] = False
    more = np.ones(len(twin_of), dtype=bool)
    return PricedProblem(
        replace(
            problem,
            sensors=(*sensors, *twins),
            access=Links.of(np.concatenate(starts), access.end[every], access.chance[every]),
        ),
        Demand(np.concatenate([demand.single, more]), np.concatenate([double, more])),
        twin_of,
    )


def shortfalls(problem: PlacementProblem, opened: BoolArray, demand: Demand) -> list[Shortfall]:
    """Return every demand that the opened nodes, shape (n_nodes,), do not meet."""
    graph = opened_graph(problem, opened)
    served = served_sensors(problem, graph, problem.hop_limit)
    missing = [Shortfall(int(sensor), -1) for sensor in np.flatnonzero(demand.single & ~served)]
    asked = demand.double & served
    return missing + [Shortfall(sensor, without) for sensor, without in _failing(problem, opened, asked)]


def _failing(problem: PlacementProblem, opened: BoolArray, asked: BoolArray) -> list[tuple[int, int]]:
    """Return (sensor, node) pairs where the loss of the node, and of what else may fail at its site, cuts off a sensor of `asked`.

    Whatever fails, a route within the hop limit after a failure must be left. Only the nodes of one such route need to be tried:
    while another node fails, that route stands. A sensor that has routes, but none so short, is cut off by any failure: those of
    the nodes of its first route stand for all.
    """
    graph = opened_graph(problem, opened)
    hops = second_hop_limit(problem)
    fails = may_fail(problem)
    table = route_table(graph, hops)
    losses, first = sensor_losses(graph, table)
    late = (first >= 0) & (losses <= problem.route_loss_limits)
    longer = table if late[asked].all() else route_table(graph, problem.hop_limit)
    _, start = sensor_losses(graph, longer)
    users: dict[int, list[int]] = {}
    for sensor in np.flatnonzero(asked):
        way_table, at = (table, int(first[sensor])) if late[sensor] else (longer, int(start[sensor]))
        if at < 0:
            continue
        for node in way_from(way_table, at):
            if fails[node]:
                users.setdefault(node, []).append(int(sensor))
    pairs = []
    for node, sensors in sorted(users.items()):
        served = served_sensors(problem, graph, hops, node, whole_site=True)
        pairs += [(sensor, node) for sensor in sensors if not served[sensor]]
    return pairs


def build_model(problem: PlacementProblem, demand: Demand) -> CoverModel:
    """Return the covering problem of the demand."""
    step = problem.cost_step
    price = np.where(problem.forced, 0, problem.cost_units) // step
    forced_cost = int(problem.cost_units[problem.forced].sum() // step)
    optional = [i for i, s in enumerate(problem.sensors) if not s.required and demand.single[i]]
    skip_sensor = np.array(optional, dtype=np.int32)
    by_copy = problem.one_level_each or problem.has_levels
    graph = build_copies(problem, problem.hop_limit)
    if by_copy:
        item_node, item_level = graph.node, graph.level
        if not graph.layered:
            item_level = np.full(graph.size, -1, dtype=np.int32)
    else:
        item_node = np.arange(len(problem.nodes), dtype=np.int32)
        item_level = np.full(item_node.size, -1, dtype=np.int32)
    families = []
    hops_after = second_hop_limit(problem)
    plain = demand.single.copy()
    if demand.double.any():
        same = hops_after == problem.hop_limit
        families.append(_family(problem, graph if same else build_copies(problem, hops_after), demand.double, 2, by_copy))
        if same:
            plain &= ~demand.double
    if plain.any() or not families:
        families.insert(0, _family(problem, graph, plain, 1, by_copy))
    if problem.has_levels and problem.limits_routes:
        families.append(_floor_family(problem, graph, plain))
    cost = np.concatenate([price[item_node], problem.worth_units[skip_sensor] // step]).astype(np.int64)
    return CoverModel(problem, tuple(families), item_node, item_level, cost, forced_cost, skip_sensor)


def _family(problem: PlacementProblem, graph: CopyGraph, asked: BoolArray, need: int, by_copy: bool) -> Family:
    item = np.arange(graph.size, dtype=np.int32) if by_copy else graph.node
    coefficient = np.ones(graph.size, dtype=np.int64)
    if need == 2:
        coefficient[~may_fail(problem)[graph.node]] = 2
    sensors = np.flatnonzero(asked).astype(np.int32)
    if problem.has_levels or not problem.limits_routes:
        return Family(graph, sensors, need, item, coefficient)
    return Family(graph, sensors, need, item, coefficient, useful_copies(problem, graph, sensors))


def _floor_family(problem: PlacementProblem, graph: CopyGraph, asked: BoolArray) -> Family:
    """Return the cuts that hold because some ways of a sensor are not good enough; sensors whose ways all are need none."""
    sensors = np.flatnonzero(asked & may_fall_short(problem, graph)).astype(np.int32)
    every = np.arange(graph.size, dtype=np.int32)
    useful = useful_copies(problem, graph, sensors)
    return Family(graph, sensors, 1, every, np.ones(graph.size, dtype=np.int64), useful, down_from=True)


def rows_for(model: CoverModel, opened: BoolArray, missing: list[Shortfall]) -> list[Row]:
    """Return rows that the opened nodes break, one or more per shortfall: cuts where they exist, blocking sets otherwise."""
    rows: list[Row] = []
    for fall in missing:
        found = _failure_cuts(model, opened, fall) if fall.without >= 0 else []
        rows += found or blocking_rows(model, opened, fall)
    return rows


def _failure_cuts(model: CoverModel, opened: BoolArray, fall: Shortfall) -> list[Row]:
    number = next(i for i, family in enumerate(model.families) if family.need == 2)
    family = model.families[number]
    place = np.flatnonzero(family.sensors == fall.sensor)
    cuts = find_cuts(
        family.graph,
        opened[family.graph.node].astype(np.float64),
        family.sensors[place],
        np.ones(1, dtype=np.int64),
        allowed=None if family.allowed is None else family.allowed[place],
        without=fall.without,
    )
    return [model.row(Cut(cut.sensor, 1, cut.copies, fall.without), number) for cut in cuts]
