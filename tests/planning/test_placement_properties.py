"""What must hold between plans: more choice never costs more, more safety never costs less, names do not matter."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from brute_force import BruteForce, random_problem
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_property import make_property

from meshplan.planning.certificate import check_certificate
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

SEEDS = st.integers(0, 10**6)
QUICK = settings(max_examples=25, deadline=None)


def _only(problem: PlacementProblem, served: set[str]) -> PlacementProblem:
    """Return the problem for a fixed set of sensors, so that optima can be compared."""
    keep = [i for i, sensor in enumerate(problem.sensors) if sensor.id in served]
    place = np.full(len(problem.sensors), -1)
    place[keep] = np.arange(len(keep))
    links = problem.access.only(place[problem.access.start] >= 0)
    access = Links.of(place[links.start], links.end, links.chance)
    return replace(problem, sensors=tuple(problem.sensors[i] for i in keep), access=access)


def _served(problem: PlacementProblem) -> set[str]:
    return {item.sensor_id for item in solve_placement(problem).plan.served}


@QUICK
@given(seed=SEEDS)
def test_one_more_hop_never_costs_more(seed: int) -> None:
    problem = random_problem(seed, hop_limit=2)
    problem = _only(problem, _served(problem))
    costs = [solve_placement(replace(problem, hop_limit=hops)).plan.cost for hops in (2, 3, 4, None)]
    assert costs == sorted(costs, reverse=True)


@QUICK
@given(seed=SEEDS, cost=st.integers(0, 60))
def test_one_more_candidate_never_costs_more(seed: int, cost: int) -> None:
    problem = random_problem(seed, hop_limit=3)
    problem = _only(problem, _served(problem))
    before = solve_placement(problem).plan.cost
    new = len(problem.nodes)
    rng = np.random.default_rng(seed)
    hears = np.flatnonzero(rng.random(len(problem.sensors)) < 0.5)
    reaches = np.flatnonzero(rng.random(new) < 0.5)
    access = Links.of(
        np.concatenate([problem.access.start, hears]),
        np.concatenate([problem.access.end, np.full(hears.size, new)]),
        np.concatenate([problem.access.chance, np.full(hears.size, 0.9)]),
    )
    backhaul = Links.of(
        np.concatenate([problem.backhaul.start, np.full(reaches.size, new)]),
        np.concatenate([problem.backhaul.end, reaches]),
        np.concatenate([problem.backhaul.chance, np.full(reaches.size, 0.9)]),
    )
    more = replace(problem, nodes=(*problem.nodes, NodeChoice("new", float(cost))), access=access, backhaul=backhaul)
    assert solve_placement(more).plan.cost <= before


@QUICK
@given(seed=SEEDS)
def test_a_redundancy_rule_never_costs_less(seed: int) -> None:
    strict = replace(random_problem(seed, hop_limit=3, redundancy="any one relay or gateway"), without_second_route="leave out")
    result = solve_placement(strict)
    safe = {item.sensor_id for item in result.plan.served} - set(result.plan.single_route)
    strict = _only(strict, safe)
    levels = ("none", "any one relay", "any one relay or gateway")
    costs = [solve_placement(replace(strict, redundancy=level)).plan.cost for level in levels]
    assert costs == sorted(costs)


@QUICK
@given(
    seed=SEEDS,
    hops=st.integers(1, 4),
    second=st.integers(1, 4),
    rule=st.sampled_from(["any one relay", "any one relay or gateway"]),
    least=st.sampled_from([0.0, 0.6]),
)
def test_a_route_left_after_a_failure_keeps_its_own_limit(seed: int, hops: int, second: int, rule: str, least: float) -> None:
    """Solver, exhaustive search, verifier and certificate read the second limit alike, on either side of the first."""
    rules = {"hop_limit": hops, "second_hop_limit": second, "redundancy": rule, "min_route_chance": least}
    problem = random_problem(seed, n_relays=5, **rules)
    _, lacking, cost = BruteForce(problem).best()
    result = solve_placement(problem)
    weight = {sensor.id: sensor.importance for sensor in problem.sensors}
    assert result.proven
    assert result.plan.cost == cost
    assert sum(weight[name] for name in result.plan.single_route) == lacking
    assert verify_plan(problem, result.plan) == ()
    check = check_certificate(problem, result.certificate, result.plan)
    assert check.holds, check.faults
    assert all(item.second is None or item.second.hops <= second for item in result.plan.served)


@QUICK
@given(seed=SEEDS)
def test_renaming_and_reordering_changes_no_cost(seed: int) -> None:
    problem = random_problem(seed, hop_limit=3)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(problem.nodes))
    place = np.argsort(order)
    nodes = tuple(replace(problem.nodes[i], id=f"n{rank}", site="") for rank, i in enumerate(order))
    shuffled = replace(
        problem,
        nodes=nodes,
        access=Links.of(problem.access.start, place[problem.access.end], problem.access.chance),
        backhaul=Links.of(place[problem.backhaul.start], place[problem.backhaul.end], problem.backhaul.chance),
    )
    first, second = solve_placement(problem), solve_placement(shuffled)
    assert first.plan.cost == second.plan.cost
    assert [item.sensor_id for item in first.plan.served] == [item.sensor_id for item in second.plan.served]


@QUICK
@given(seed=SEEDS, budget=st.integers(0, 400))
def test_more_budget_never_serves_less(seed: int, budget: int) -> None:
    problem = random_problem(seed, hop_limit=3)
    weight = {sensor.id: sensor.importance for sensor in problem.sensors}
    tight = solve_placement(replace(problem, budget=float(budget))).plan
    loose = solve_placement(replace(problem, budget=float(budget + 50))).plan
    assert tight.cost <= budget
    assert sum(weight[i.sensor_id] for i in tight.served) <= sum(weight[i.sensor_id] for i in loose.served)


@pytest.mark.parametrize("redundancy", ["none", "any one relay"])
def test_same_input_gives_the_same_answer(redundancy: str) -> None:
    problem = make_property(30, 200, 5, hop_limit=3, redundancy=redundancy, seed=3)  # type: ignore[arg-type]
    first, second = solve_placement(problem), solve_placement(problem)
    assert first == second


@pytest.mark.slow
def test_an_iteration_limit_and_a_seed_settle_a_plan_that_is_not_proven() -> None:
    problem = make_property(100, 1000, 12, hop_limit=3, seed=2)
    limits = SolveLimits(iterations=4, seed=7)
    first, second = solve_placement(problem, limits=limits), solve_placement(problem, limits=limits)
    assert first == second
    assert first.certified_bound <= first.solver_bound <= first.plan.cost
    assert verify_plan(problem, first.plan) == ()


def test_ctrl_c_returns_the_best_plan_with_its_gap() -> None:
    problem = make_property(30, 200, 5, hop_limit=3, seed=2)
    seen = []

    def stop(event: object) -> None:
        seen.append(event)
        if len(seen) == 2:
            raise KeyboardInterrupt

    result = solve_placement(problem, on_progress=stop)
    assert result.stopped == "interrupted"
    assert verify_plan(problem, result.plan) == ()
    assert result.plan.served
    assert 0 <= result.gap <= 1


def test_ctrl_c_before_the_first_plan_still_returns_one() -> None:
    problem = make_property(10, 50, 3, hop_limit=3)

    def stop(_: object) -> None:
        raise KeyboardInterrupt

    result = solve_placement(problem, on_progress=stop)
    assert verify_plan(problem, result.plan) == ()


def test_progress_tells_of_better_plans_and_rising_bounds() -> None:
    events = []
    result = solve_placement(make_property(30, 200, 5, hop_limit=3), on_progress=events.append)
    bounds, costs = [e.bound for e in events], [e.best_cost for e in events]
    assert bounds == sorted(bounds)
    assert costs == sorted(costs, reverse=True)
    assert events[-1].best_cost == result.plan.cost


def test_standard_output_stays_clean(capfd: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    solve_placement(make_property(10, 50, 3, hop_limit=2))
    assert capfd.readouterr().out == ""
