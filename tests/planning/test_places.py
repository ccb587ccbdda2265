"""One physical place is one node: random small problems in which gateways and relays share places, against exhaustive search."""

from __future__ import annotations

import itertools

import pytest
from brute_force import BruteForce, random_problem
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.planning.certificate import check_certificate
from meshplan.planning.explain import what_loses_service
from meshplan.planning.problem import PlacementPlan, PlacementProblem
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

BOTH = "any one relay or gateway"


def _places_on(problem: PlacementProblem, nodes: tuple[str, ...]) -> set[str]:
    return {problem.nodes[problem.node_index[name]].site_id for name in nodes}


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    hop_limit=st.integers(1, 3),
    redundancy=st.sampled_from(["none", "any one relay", BOTH]),
    budget=st.sampled_from([float("inf"), 90.0, 160.0]),
)
def test_the_best_plan_uses_each_place_once(seed: int, hop_limit: int, redundancy: str, budget: float) -> None:
    """Against trying every set of nodes: importance served, then second routes, then cost; two routes never meet at a place."""
    rules = {"places": True, "hop_limit": hop_limit, "redundancy": redundancy, "budget": budget}
    problem = random_problem(seed, n_sensors=4, n_relays=5, n_gateways=3, **rules)
    missing, missing_second, cost = BruteForce(problem).best()
    result = solve_placement(problem)
    plan = result.plan
    assert plan.cost + plan.forgone == pytest.approx(cost)
    assert result.proven
    assert result.certified_bound <= cost + 1e-9
    assert verify_plan(problem, plan) == ()
    assert check_certificate(problem, result.certificate, plan).holds
    importance = {sensor.id: sensor.importance for sensor in problem.sensors}
    assert sum(importance[name] for name in plan.single_route) == pytest.approx(missing_second)
    assert len(_places_on(problem, plan.opened)) == len(plan.opened)
    fails = {n.id for n in problem.nodes if redundancy == BOTH or not n.is_gateway} if redundancy != "none" else set()
    for served in plan.served:
        if served.second is not None:
            ways = [tuple(name for name in route.node_ids if name in fails) for route in (served.first, served.second)]
            assert not _places_on(problem, ways[0]) & _places_on(problem, ways[1])
    lost = {item.sensor_id for item in plan.unserved}
    assert missing <= sum(importance[name] for name in lost) + 1e-9


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_no_single_place_silences_a_sensor_with_two_routes(seed: int) -> None:
    problem = random_problem(seed, places=True, hop_limit=3, redundancy=BOTH)
    plan = solve_placement(problem).plan
    doubled = {item.sensor_id for item in plan.served} - set(plan.single_route)
    assert not doubled & set(itertools.chain.from_iterable(effect.lost for effect in what_loses_service(problem, plan)))


def test_a_plan_with_two_devices_at_one_place_is_refused() -> None:
    problem = random_problem(1, places=True, hop_limit=3)
    pair = next(
        (a.id, b.id) for a, b in itertools.combinations(problem.nodes, 2) if a.site_id == b.site_id and a.is_gateway != b.is_gateway
    )
    cost = sum(node.cost for node in problem.nodes if node.id in pair)
    plan = PlacementPlan(opened=pair, served=(), unserved=(), cost=cost, neg_log_success=0.0)
    assert any("carries 2 masts" in fault for fault in verify_plan(problem, plan))
