"""Placement against trying every plan, on small random graphs, under every rule that a plan may have to keep."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from brute_force import BruteForce, random_problem

from meshplan.planning.blocking import Shortfall, blocking_rows
from meshplan.planning.certificate import check_certificate
from meshplan.planning.demand import build_model, demand_of, shortfalls
from meshplan.planning.greedy import Heuristic
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.routes import opened_graph, served_sensors
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

ONE, BOTH = "any one relay", "any one relay or gateway"
RULES: list[dict[str, Any]] = [
    {"hop_limit": 1},
    {"hop_limit": 2},
    {"hop_limit": 3},
    {"hop_limit": 4},
    {"hop_limit": None},
    {"hop_limit": 2, "redundancy": ONE},
    {"hop_limit": 3, "redundancy": ONE},
    {"hop_limit": 4, "redundancy": ONE},
    {"hop_limit": 3, "redundancy": ONE, "without_second_route": "leave out"},
    {"hop_limit": 2, "redundancy": BOTH},
    {"hop_limit": 3, "redundancy": BOTH},
    {"hop_limit": 4, "redundancy": BOTH, "without_second_route": "leave out"},
    {"hop_limit": 2, "second_hop_limit": 3, "redundancy": ONE},
    {"hop_limit": 3, "second_hop_limit": 1, "redundancy": ONE},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": ONE},
    {"hop_limit": 4, "second_hop_limit": 2, "redundancy": BOTH},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": BOTH, "without_second_route": "leave out"},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": ONE, "min_route_chance": 0.7},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": BOTH, "places": True},
    {"hop_limit": 3, "second_hop_limit": 1, "redundancy": BOTH, "optional": True},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": ONE, "capacity": True},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": ONE, "budget": 120.0},
    {"hop_limit": None, "second_hop_limit": 2, "redundancy": BOTH},
    {"hop_limit": None, "redundancy": BOTH},
    {"hop_limit": 3, "min_link_chance": 0.8},
    {"hop_limit": 3, "min_route_chance": 0.6},
    {"hop_limit": 3, "min_route_chance": 0.7, "redundancy": ONE},
    {"hop_limit": 3, "floors": True},
    {"hop_limit": None, "floors": True, "optional": True, "masts": True},
    {"hop_limit": 3, "floors": True, "min_route_chance": 0.65},
    {"hop_limit": 3, "floors": True, "redundancy": ONE},
    {"hop_limit": 3, "floors": True, "redundancy": BOTH, "places": True},
    {"hop_limit": 3, "floors": True, "capacity": True},
    {"hop_limit": 3, "pinned": True},
    {"hop_limit": 3, "masts": True},
    {"hop_limit": 3, "masts": True, "redundancy": ONE},
    {"hop_limit": 2, "places": True},
    {"hop_limit": 2, "places": True, "redundancy": ONE},
    {"hop_limit": 2, "places": True, "redundancy": BOTH},
    {"hop_limit": 3, "places": True, "redundancy": BOTH},
    {"hop_limit": 3, "places": True, "redundancy": BOTH, "without_second_route": "leave out"},
    {"hop_limit": 3, "optional": True},
    {"hop_limit": 3, "optional": True, "redundancy": ONE},
    {"hop_limit": 3, "budget": 100.0},
    {"hop_limit": 2, "budget": 130.0, "redundancy": ONE},
    {"hop_limit": 3, "capacity": True},
    {"hop_limit": 2, "capacity": True, "optional": True},
    {"hop_limit": 3, "capacity": True, "redundancy": ONE},
    {"hop_limit": 3, "capacity": True, "budget": 120.0},
    {"hop_limit": 3, "capacity": True, "masts": True, "min_route_chance": 0.5},
]
SETTLED = ("no second route", "airtime is full", "budget is spent", "one mast per site")


def check_against_brute_force(seed: int, rules: dict[str, Any]) -> None:
    problem = random_problem(seed, **rules)
    missing, missing_second, cost = BruteForce(problem).best()
    result = solve_placement(problem)
    plan = result.plan
    assert plan.cost + plan.forgone == pytest.approx(cost)
    assert result.proven
    assert verify_plan(problem, plan) == ()
    check = check_certificate(problem, result.certificate, plan)
    assert check.holds, check.faults
    assert result.certified_bound <= cost + 1e-9
    required = {sensor.id: sensor.importance for sensor in problem.sensors if sensor.required}
    assert len(plan.single_route) == len(plan.single_reasons)
    if problem.redundancy != "none" and problem.without_second_route == "serve once" and not problem.has_capacity:
        assert sum(required.get(name, 0.0) for name in plan.single_route) == pytest.approx(missing_second)
    if problem.redundancy == "none":
        lost = sum(required.get(item.sensor_id, 0.0) for item in plan.unserved if item.reason in SETTLED)
        assert lost == pytest.approx(missing)


@pytest.mark.parametrize("rules", RULES, ids=lambda r: " ".join(f"{k}={v}" for k, v in r.items()))
@pytest.mark.parametrize("seed", [1, 2])
def test_plan_is_the_best_of_all_plans(seed: int, rules: dict[str, Any]) -> None:
    check_against_brute_force(seed, rules)


@pytest.mark.slow
@pytest.mark.parametrize("rules", RULES, ids=lambda r: " ".join(f"{k}={v}" for k, v in r.items()))
@pytest.mark.parametrize("seed", range(3, 15))
def test_plan_is_the_best_of_all_plans_on_many_graphs(seed: int, rules: dict[str, Any]) -> None:
    check_against_brute_force(seed, rules)


@pytest.mark.parametrize(
    "rules", [{"floors": True}, {"floors": True, "redundancy": BOTH, "hop_limit": None}, {"redundancy": ONE}], ids=str
)
def test_a_row_names_what_is_needed_and_no_more(rules: dict[str, Any]) -> None:
    # all other nodes opened together leave the sensor unserved; any one of the row more serves it
    random = np.random.default_rng(7)
    rows = 0
    for seed in range(12):
        problem = random_problem(seed, **{"hop_limit": 3} | rules)
        demand = demand_of(problem)
        model = build_model(problem, demand)
        for sensor in np.flatnonzero(demand.single).tolist():
            for without in (-1, -1, *random.integers(len(problem.nodes), size=2).tolist()):
                if without >= 0 and problem.redundancy == "none":
                    continue
                opened = problem.allowed & (random.random(len(problem.nodes)) < 0.5)
                if _is_served(problem, opened, sensor, without) or not _is_served(problem, problem.allowed, sensor, without):
                    continue
                for row in blocking_rows(model, opened, Shortfall(sensor, without)):
                    named = np.unique(model.item_node[row.columns[row.columns < model.n_items]])
                    others = problem.allowed.copy()
                    others[named] = False
                    assert (others | opened == others).all()
                    assert not _is_served(problem, others, sensor, without)
                    for node in named:
                        one_more = others.copy()
                        one_more[node] = True
                        assert _is_served(problem, one_more, sensor, without)
                    rows += 1
    assert rows > 50


def _is_served(problem: PlacementProblem, opened: np.ndarray, sensor: int, without: int) -> bool:
    return bool(served_sensors(problem, opened_graph(problem, opened), problem.hop_limit, without)[sensor])


@pytest.mark.parametrize("rules", [{"hop_limit": hops} for hops in (3, 4, None)] + [{"hop_limit": 3, "redundancy": BOTH}], ids=str)
def test_the_quick_look_at_floors_sees_what_the_sweeps_see(rules: dict[str, Any]) -> None:
    random = np.random.default_rng(5)
    seen = {True: 0, False: 0}
    for seed in range(15):
        problem = random_problem(seed, floors=True, **rules)
        demand, heuristic = demand_of(problem), Heuristic(problem, problem.hop_limit)
        for _ in range(20):
            opened = problem.allowed & (random.random(len(problem.nodes)) < 0.8)
            expected = not shortfalls(problem, opened, demand)
            assert heuristic.meets(opened, demand) == expected
            seen[expected] += 1
    assert min(seen.values()) > 20
