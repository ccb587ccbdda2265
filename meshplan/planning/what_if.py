"""Whether a sensor could have the routes it asks for if some links or devices were otherwise: a search, or planning again."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from meshplan.planning.explain import second_route_gaps
from meshplan.planning.problem import Links, PlacementProblem, PlacementResult
from meshplan.planning.routes import opened_graph, served_sensors
from meshplan.planning.solve import solve_placement


def can_be_served(problem: PlacementProblem, sensor: str, chances: Mapping[tuple[str, str], float]) -> bool:
    """Return whether a sensor has the routes it asks for with everything allowed in use.

    Airtime, budget and one mast on each place speak of all sensors together and are not looked at.

    Parameters
    ----------
    problem : PlacementProblem
    sensor : str
    chances : mapping
        Links with another chance than in the problem, from start to end; those that it does not have are added.
    """
    index, nodes = problem.sensor_index[sensor], problem.node_index
    ways = [(start, end, chance) for (start, end), chance in chances.items() if end in nodes]
    own = problem.access.only(problem.access.start == index)
    access = Links(np.zeros_like(own.start), own.end, own.chance)
    alone = replace(
        problem,
        sensors=(problem.sensors[index],),
        access=_with(access, [(0, nodes[end], chance) for start, end, chance in ways if start == sensor]),
        backhaul=_with(problem.backhaul, [(nodes[start], nodes[end], chance) for start, end, chance in ways if start in nodes]),
    )
    everything = opened_graph(alone, alone.allowed)
    if not served_sensors(alone, everything, alone.hop_limit)[0]:
        return False
    return alone.redundancy == "none" or not alone.sensors[0].second_route or not second_route_gaps(alone, [sensor])


def plan_again(
    problem: PlacementProblem, chances: Mapping[tuple[str, str], float], more_cost: Mapping[str, float] | None = None
) -> PlacementResult:
    """Return the plan of a problem in which some links have another chance, and some nodes cost more or less.

    `chances` are as for `can_be_served`; `more_cost` is what a node costs more than in the problem.
    """
    more = more_cost or {}
    if any(more.values()):
        dearer = (replace(node, cost=max(round(node.cost + more.get(node.id, 0.0), 2), 0.0)) for node in problem.nodes)
        problem = replace(problem, nodes=tuple(dearer))
    sensors, nodes = problem.sensor_index, problem.node_index
    ways = [(start, end, chance) for (start, end), chance in chances.items() if end in nodes]
    access = [(sensors[start], nodes[end], chance) for start, end, chance in ways if start in sensors]
    backhaul = [(nodes[start], nodes[end], chance) for start, end, chance in ways if start in nodes]
    return solve_placement(replace(problem, access=_with(problem.access, access), backhaul=_with(problem.backhaul, backhaul)))


def with_power(problem: PlacementProblem, nodes: Collection[str]) -> PlacementProblem:
    """Return the problem with lasting power at some of its nodes."""
    return replace(problem, nodes=tuple(replace(node, power_ok=True) if node.id in nodes else node for node in problem.nodes))


def _with(links: Links, others: list[tuple[int, int, float]]) -> Links:
    """Return links with some of them in place of their like."""
    if not others:
        return links
    known = {(start, end) for start, end, _ in others}
    stays = [pair not in known for pair in zip(links.start.tolist(), links.end.tolist(), strict=True)]
    kept = links.only(np.array(stays, dtype=bool))
    start, end, chance = zip(*others, strict=True)
    return Links.of([*kept.start.tolist(), *start], [*kept.end.tolist(), *end], [*kept.chance.tolist(), *chance])
