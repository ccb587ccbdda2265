"""Faults of a placement problem are all named at once, with the way to mend them; graphs are read as they are meant."""

from __future__ import annotations

from dataclasses import replace

import networkx as nx
import numpy as np
import pytest

from meshplan.errors import FaultList, InputError
from meshplan.planning.from_graph import problem_from_graph
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement


def _problem(**changes: object) -> PlacementProblem:
    fields: dict[str, object] = {
        "sensors": (SensorDemand("s"),),
        "nodes": (NodeChoice("r", 40.0), NodeChoice("g", 150.0, is_gateway=True)),
        "access": Links.of([0], [0], [0.9]),
        "backhaul": Links.of([0], [1], [0.95]),
    }
    return PlacementProblem(**{**fields, **changes})  # type: ignore[arg-type]


def test_all_faults_are_named_at_once() -> None:
    nodes = (NodeChoice("s", -1.0), NodeChoice("g", 1.23456, is_gateway=True, forced_in=True, forbidden=True))
    with pytest.raises(FaultList) as caught:
        _problem(nodes=nodes, hop_limit=0)
    text = str(caught.value)
    assert "the id 's' is used 2 times" in text
    assert "the cost of 's' is -1.0\n  Give a cost of zero or more." in text
    assert "the cost of 'g' is 1.23456\n  Round costs to 0.001." in text
    assert "'g' is forced in but is also forbidden\n  Change one of the two." in text
    assert "the hop limit is 0\n  Give a hop limit of 1 or more." in text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sensors": (SensorDemand("s", importance=0.0),)}, "the importance of 's' is 0.0"),
        ({"sensors": (SensorDemand("s", load=-1.0),)}, "the load of 's' is -1.0"),
        ({"sensors": (SensorDemand("s", required=False, worth=float("nan")),)}, "the worth of 's' is nan"),
        ({"redundancy": "two"}, "'two' is no redundancy rule"),
        ({"access": Links.of([0], [7], [0.9])}, "an access link names a device that is not there"),
        ({"backhaul": Links.of([0], [1], [1.9])}, "a backhaul link has a chance outside 0 to 1"),
        (
            {"nodes": (NodeChoice("a", 1.0, site="x", forced_in=True), NodeChoice("b", 1.0, True, "x", forced_in=True))},
            "'a' and 'b' are both forced in at site 'x'",
        ),
        (
            {"nodes": (NodeChoice("r", 40.0, forced_in=True, power_ok=False), NodeChoice("g", 1.0, True))},
            "'r' is forced in but cannot be powered",
        ),
        (
            {"nodes": (NodeChoice("r", 40.0, forced_in=True), NodeChoice("g", 1.0, True)), "budget": 30.0},
            "the devices that are forced in cost 40, more than the budget of 30",
        ),
    ],
)
def test_a_fault_says_what_is_wrong(changes: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        _problem(**changes)


def test_a_graph_is_read_with_directions_and_roles() -> None:
    graph = nx.DiGraph()
    graph.add_node("s", role="sensor", importance=2.0)
    graph.add_node("r", role="relay", cost=40.0, site="post")
    graph.add_node("g", role="gateway", cost=150.0)
    graph.add_edge("s", "r", chance=0.9)
    graph.add_edge("r", "g", chance=0.8)
    graph.add_edge("g", "r", chance=0.8)
    graph.add_edge("r", "s", chance=0.9)
    problem = problem_from_graph(graph, hop_limit=2)
    assert [node.site_id for node in problem.nodes] == ["post", "g"]
    assert (len(problem.access), len(problem.backhaul)) == (1, 1)
    plan = solve_placement(problem).plan
    assert plan.opened == ("r", "g")
    assert plan.served[0].first.node_ids == ("r", "g")
    assert plan.served[0].first.chance == pytest.approx(0.72)
    graph.remove_edge("r", "g")
    assert solve_placement(problem_from_graph(graph)).plan.unserved[0].reason == "no way to a gateway"


def test_an_undirected_graph_counts_both_ways() -> None:
    graph = nx.Graph()
    graph.add_node("g", role="gateway", cost=100.0)
    graph.add_node("s", role="sensor")
    graph.add_edge("g", "s", chance=0.9)
    assert solve_placement(problem_from_graph(graph, hop_limit=1)).plan.cost == 100.0


def test_a_graph_with_gaps_is_refused_word_for_word() -> None:
    graph = nx.DiGraph()
    graph.add_node("x", role="repeater")
    graph.add_node("r", role="relay")
    graph.add_node("s", role="sensor")
    graph.add_node("g", role="gateway", cost=1.0)
    graph.add_edge("s", "g")
    with pytest.raises(FaultList) as caught:
        problem_from_graph(graph)
    assert str(caught.value) == (
        "device 'x': 'x' has the role 'repeater'\n  Use one of: sensor, relay, gateway.\n"
        "device 'r': 'r' has no cost\n  Give every relay and gateway a cost.\n"
        "link 's' to 'g': the link 's' to 'g' has no chance\n  Give every link a chance."
    )


def test_unserved_sensors_carry_their_nearest_miss() -> None:
    sensors = tuple(SensorDemand(name) for name in ("near", "deaf", "far", "lost", "faint"))
    nodes = (NodeChoice("r1", 10.0), NodeChoice("r2", 10.0), NodeChoice("alone", 10.0), NodeChoice("g", 50.0, is_gateway=True))
    problem = PlacementProblem(
        sensors,
        nodes,
        Links.of([0, 2, 3, 4], [3, 1, 2, 0], [0.99, 0.9, 0.9, 0.6]),
        Links.of([0, 1], [3, 0], [0.95, 0.95]),
        hop_limit=2,
        min_route_chance=0.7,
    )
    unserved = {item.sensor_id: item for item in solve_placement(problem).plan.unserved}
    assert {name: item.reason for name, item in unserved.items()} == {
        "deaf": "no link at all",
        "far": "more hops needed",
        "lost": "no way to a gateway",
        "faint": "route chance too low",
    }
    assert unserved["far"].hops_needed == 3
    assert unserved["faint"].best_chance == pytest.approx(0.57)


@pytest.mark.parametrize("floor", [-0.1, 1.5, float("nan")])
def test_a_floor_that_is_no_chance_is_refused(floor: float) -> None:
    with pytest.raises(InputError, match="the least route chance of 's' is"):
        PlacementProblem((SensorDemand("s", min_route_chance=floor),), (), Links.of([], []), Links.of([], []))


def test_nothing_to_serve_costs_nothing() -> None:
    plan = solve_placement(replace(_problem(), access=Links.of([], []))).plan
    assert (plan.cost, plan.opened) == (0.0, ())
    assert np.isclose(plan.neg_log_success, 0.0)


def test_a_property_without_sensors_or_nodes_is_solved_too() -> None:
    none = Links.of([], [])
    assert solve_placement(PlacementProblem((), (), none, none)).proven
    lonely = solve_placement(PlacementProblem((SensorDemand("s"),), (), none, none))
    assert lonely.plan.unserved[0].reason == "no link at all"


def test_forced_devices_are_paid_even_when_useless() -> None:
    nodes = (NodeChoice("r", 40.0), NodeChoice("g", 150.0, is_gateway=True), NodeChoice("show", 70.0, forced_in=True))
    result = solve_placement(_problem(nodes=nodes))
    assert result.plan.cost == 260.0
    assert result.proven
