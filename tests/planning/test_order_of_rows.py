"""Where plans are equal, names decide and never the order of rows: who is left out, what is built, who has no second route."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.assembly.airtime_headroom import who_does_not_fit
from meshplan.planning.order import ByName
from meshplan.planning.problem import Links, NodeChoice, PlacementPlan, PlacementProblem, SensorDemand
from meshplan.planning.rebuild import rebuild_plan
from meshplan.planning.solve import solve_placement

SENSORS = [f"s{i}" for i in range(5)]
POSTS = ["alder", "birch", "cedar"]


def _problem(**changes: Any) -> PlacementProblem:
    """Return five equal sensors that hear three equal posts, all of which reach the gate."""
    sensors = tuple(SensorDemand(name, load=1.0) for name in SENSORS)
    nodes = (NodeChoice("gate", 100.0, is_gateway=True), *(NodeChoice(name, 80.0) for name in POSTS))
    access = [(s, n) for s in range(len(sensors)) for n in (1, 2, 3)]
    links = Links.of([s for s, _ in access], [n for _, n in access], [0.9] * len(access))
    return replace(PlacementProblem(sensors, nodes, links, Links.of([1, 2, 3], [0, 0, 0], [0.9] * 3)), **changes)


def _in_order(problem: PlacementProblem, sensors: list[int], nodes: list[int]) -> PlacementProblem:
    """Return the same problem with its rows in another order."""
    new_sensor, new_node = np.argsort(sensors), np.argsort(nodes)
    return replace(
        problem,
        sensors=tuple(problem.sensors[i] for i in sensors),
        nodes=tuple(problem.nodes[i] for i in nodes),
        access=Links.of(new_sensor[problem.access.start], new_node[problem.access.end], problem.access.chance),
        backhaul=Links.of(new_node[problem.backhaul.start], new_node[problem.backhaul.end], problem.backhaul.chance),
    )


def _content(plan: PlacementPlan) -> tuple[object, ...]:
    return (
        sorted(plan.opened),
        sorted((item.sensor_id, item.first.node_ids) for item in plan.served),
        sorted((item.sensor_id, item.reason) for item in plan.unserved),
        sorted(plan.single_route),
        plan.cost,
    )


def _crowded() -> PlacementProblem:
    problem = _problem()
    return replace(problem, nodes=tuple(replace(node, capacity=1.0) if node.id in POSTS else node for node in problem.nodes))


CASES = {
    "equal posts": _problem(),
    "no room for all": _crowded(),
    "no money for all": _problem(
        nodes=(*_problem().nodes[:1], *(NodeChoice(name, 80.0) for name in POSTS)),
        access=Links.of([0, 1, 2, 3, 4], [1, 1, 2, 2, 3], [0.9] * 5),
        budget=270.0,
    ),
    "two routes": _problem(redundancy="any one relay"),
}


@pytest.mark.parametrize("case", CASES)
@settings(max_examples=6, deadline=None, derandomize=True)
@given(st.permutations(range(5)), st.permutations(range(4)))
def test_the_order_of_rows_decides_nothing(case: str, sensors: list[int], nodes: list[int]) -> None:
    problem = CASES[case]
    first, other = solve_placement(problem).plan, solve_placement(_in_order(problem, sensors, nodes)).plan
    assert _content(other) == _content(first)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.permutations(range(5)), st.permutations(range(4)))
def test_those_left_out_for_want_of_airtime_are_the_last_by_name(sensors: list[int], nodes: list[int]) -> None:
    out = who_does_not_fit(_in_order(_crowded(), sensors, nodes))
    assert set(out) == {"s3", "s4"}


def test_a_plan_lists_devices_and_sensors_in_the_order_that_they_were_given() -> None:
    problem = _in_order(_problem(redundancy="any one relay"), [4, 2, 0, 1, 3], [3, 0, 2, 1])
    plan = solve_placement(problem).plan
    assert [item.sensor_id for item in plan.served] == ["s4", "s2", "s0", "s1", "s3"]
    assert list(plan.opened) == [node.id for node in problem.nodes if node.id in plan.opened]
    again = rebuild_plan(problem, plan.opened, {item.sensor_id for item in plan.served}, set(plan.single_route))
    assert again == plan


def test_a_sorted_problem_is_solved_as_it_is() -> None:
    problem = _problem(
        nodes=tuple(sorted(_problem().nodes, key=lambda node: node.id)), access=Links.of([], []), backhaul=Links.of([], [])
    )
    assert ByName.of(problem).problem is problem
