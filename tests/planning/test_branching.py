"""Branch and cut against trying every plan, and side by side with the regions."""

from __future__ import annotations

import math
import threading
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from brute_force import BruteForce, random_problem
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from synthetic_property import make_property

from meshplan.planning import solve
from meshplan.planning.branching import BranchSearch
from meshplan.planning.certificate import check_certificate
from meshplan.planning.cut_lp import CutLp
from meshplan.planning.demand import build_model, demand_of
from meshplan.planning.greedy import Heuristic
from meshplan.planning.problem import (
    Links,
    NodeChoice,
    PlacementProblem,
    ProgressEvent,
    SensorDemand,
    SolveLimits,
)
from meshplan.planning.search import Search
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

ONE = "any one relay"
RULES: list[dict[str, Any]] = [
    {"hop_limit": 2},
    {"hop_limit": 3},
    {"hop_limit": 4},
    {"hop_limit": None},
    {"hop_limit": 3, "redundancy": ONE},
    {"hop_limit": 3, "redundancy": "any one relay or gateway"},
    {"hop_limit": 3, "min_route_chance": 0.6},
    {"hop_limit": 3, "floors": True},
    {"hop_limit": 3, "pinned": True},
    {"hop_limit": 3, "masts": True},
    {"hop_limit": 3, "optional": True},
    {"hop_limit": 3, "optional": True, "redundancy": ONE},
]


def everything_open(problem: PlacementProblem) -> tuple[Search, CutLp] | None:
    """Return a search that starts from every node opened, and a linear programme without any cut; None if that is no plan."""
    demand = demand_of(problem)
    model = build_model(problem, demand)
    search = Search(problem, demand, model, Heuristic(problem, problem.hop_limit), SolveLimits())
    opened = search.heuristic.complete(problem.forced.copy(), demand, search.node_prices(), search.skip_prices())
    search.offer(opened, "first plan")
    return None if search.best is None else (search, CutLp(model, 1))


def brute_cost(problem: PlacementProblem) -> float:
    """Return the least cost of plans that serve all that can be served, what is left out of optional sensors included."""
    return BruteForce(problem).best()[-1]


@pytest.mark.parametrize("rules", RULES, ids=str)
@pytest.mark.parametrize("seed", range(6))
def test_the_cheapest_plan_is_found_and_the_bound_never_passes_it(seed: int, rules: dict[str, Any]) -> None:
    problem = random_problem(100 + seed, n_relays=7, **rules)
    started = everything_open(problem)
    if started is None:
        pytest.skip("one mast per site leaves a sensor out: settled before any branching")
    search, lp = started
    least = brute_cost(problem)
    branching = BranchSearch(search, lp)
    for most in range(1, 400, 2):
        ended = branching.run(most)
        assert search.money(search.bound) <= least + 1e-9
        assert search.money(search.best_value) >= least - 1e-9
        if ended == "proven":
            break
    assert search.proven
    assert search.money(search.best_value) == pytest.approx(least)


def test_branches_are_needed_and_counted() -> None:
    """A ring of three sensors, each pair sharing a relay: the linear programme opens half of each relay, a plan needs two."""
    sensors = tuple(SensorDemand(f"S{i}") for i in range(3))
    nodes = (*(NodeChoice(f"R{i}", 10.0) for i in range(3)), NodeChoice("G", 101.0, is_gateway=True))
    access = Links.of([0, 0, 1, 1, 2, 2], [0, 1, 1, 2, 2, 0], np.full(6, 0.9))
    backhaul = Links.of([0, 1, 2], [3, 3, 3], np.full(3, 0.9))
    started = everything_open(PlacementProblem(sensors, nodes, access, backhaul, hop_limit=2))
    assert started is not None
    search, lp = started
    branching = BranchSearch(search, lp)
    assert branching.run(1) == "stopped by its limit"
    assert search.money(lp.value) == pytest.approx(116.0)
    assert branching.run(50) == "proven"
    assert search.money(search.best_value) == 121.0
    assert 2 < branching.done <= 9


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10**6), node=st.integers(0, 7), hops=st.sampled_from([2, 3, None]))
def test_the_bound_with_a_node_closed_holds_for_the_property_without_it(seed: int, node: int, hops: int | None) -> None:
    problem = random_problem(seed, hop_limit=hops)
    nodes = list(problem.nodes)
    nodes[node] = replace(nodes[node], forbidden=True)
    without = replace(problem, nodes=tuple(nodes))
    started = everything_open(problem)
    assert started is not None
    search, lp = started
    # Without enough properties that pass, hypothesis fails the test.
    assume(np.array_equal(demand_of(problem).single, demand_of(without).single))
    least = brute_cost(without)
    columns = np.flatnonzero(search.model.item_node == node)
    for _ in range(30):
        assert lp.settle(columns, np.zeros(0, dtype=np.int64)) is None, "every sensor still has a route, so every cut can be met"
        assert lp.solve()
        assert search.money(lp.settled_value) <= least + 1e-6
        assert np.all(lp.x[columns] == 0.0)
        if lp.add(lp.separate()) == 0:
            break
    assert math.isfinite(lp.settled_value)


@pytest.mark.slow
def test_against_a_clock_branches_and_regions_run_side_by_side(monkeypatch: pytest.MonkeyPatch) -> None:
    """Both steps gain, in two threads, and what they report never goes back."""
    monkeypatch.setattr(solve, "SMALL", 0)
    problem = make_property(60, 500, 8, hop_limit=3, seed=4)
    events: list[tuple[ProgressEvent, int]] = []
    result = solve_placement(
        problem,
        limits=SolveLimits(time_s=60.0, iterations=10**6),
        on_progress=lambda event: events.append((event, threading.get_ident())),
    )
    steps = {event.step: thread for event, thread in events}
    assert steps["branching"] != threading.get_ident()
    bounds, costs = [event.bound for event, _ in events], [event.best_cost for event, _ in events]
    assert bounds == sorted(bounds)
    assert costs == sorted(costs, reverse=True)
    assert verify_plan(problem, result.plan) == ()
    alone = solve_placement(problem)
    if result.proven and alone.proven:
        assert result.plan.cost == alone.plan.cost


@pytest.mark.parametrize("nth", range(1, 8))
def test_a_stop_in_the_middle_forgets_no_plan(nth: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C at any news of the branches, without a clock: plan, bounds and certificate still hold."""
    problem = make_property(60, 500, 8, hop_limit=3)
    heard = 0

    def stop(event: ProgressEvent) -> None:
        nonlocal heard
        heard += event.step == "branching"
        if heard == nth:
            raise KeyboardInterrupt

    asked = 0
    evaluate = BranchSearch._evaluate

    def interrupted(self: BranchSearch, *words: Any) -> float | None:
        nonlocal asked
        asked += 1
        if asked == nth + 1:
            raise KeyboardInterrupt
        return evaluate(self, *words)

    least = solve_placement(problem).plan.cost
    by_news = solve_placement(problem, on_progress=stop)
    monkeypatch.setattr(BranchSearch, "_evaluate", interrupted)
    in_a_branch = solve_placement(problem)
    assert in_a_branch.stopped == "interrupted"
    for result in (by_news, in_a_branch):
        check = check_certificate(problem, result.certificate, result.plan)
        assert check.holds, check.faults
        assert result.certified_bound <= result.solver_bound <= least <= result.plan.cost
        assert verify_plan(problem, result.plan) == ()


@pytest.mark.parametrize("after_infeasible", [False, True])
def test_a_branch_without_time_is_never_taken_for_an_empty_one(after_infeasible: bool) -> None:
    """Also where the branch looked into before was empty."""
    started = everything_open(random_problem(103, n_relays=7, hop_limit=3, redundancy=ONE))
    assert started is not None
    search, lp = started
    lp.settled_value = math.inf if after_infeasible else 0.0
    search.stopped = True
    branching = BranchSearch(search, lp)
    assert branching.run(100) == "stopped by its limit"
    assert not search.proven


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError])
def test_what_happens_beside_is_not_lost(error: type[BaseException], monkeypatch: pytest.MonkeyPatch) -> None:
    """Ctrl-C gives the best plan even if it meets the other thread; an error there is an error of the whole."""
    monkeypatch.setattr(solve, "SMALL", 0)
    monkeypatch.setattr(solve, "_is_shallow", lambda _: False)
    problem = make_property(60, 500, 8, hop_limit=3, seed=4)

    def stop(event: ProgressEvent) -> None:
        if event.step == "branching":
            raise error("now")

    limits = SolveLimits(time_s=60.0)
    if error is RuntimeError:
        with pytest.raises(RuntimeError, match="now"):
            solve_placement(problem, limits=limits, on_progress=stop)
        return
    result = solve_placement(problem, limits=limits, on_progress=stop)
    assert result.stopped == "interrupted"
    assert verify_plan(problem, result.plan) == ()


def test_a_half_that_begins_where_its_branch_ended_reaches_the_same_bound_in_fewer_steps() -> None:
    problem = make_property(30, 200, 5, hop_limit=3)
    started = everything_open(problem)
    assert started is not None
    _, lp = started
    while lp.solve() and lp.add(lp.separate()):
        pass
    lp.solve()
    stood, rows = lp.basis(), lp.tight_rows()
    half = int(np.argmin(np.abs(lp.x - 0.5)))
    others = np.flatnonzero((lp.x > 0.1) & (np.arange(lp.x.size) != half))

    def steps_to_bound(*, from_basis: bool) -> tuple[int, float]:
        # Somewhere else first, so that the method stands far from the branch.
        lp.settle(others, np.zeros(0, dtype=np.int64))
        lp.solve()
        lp.add(rows)
        assert lp.settle(np.array([half]), np.zeros(0, dtype=np.int64)) is None
        if from_basis:
            lp.start_from(stood)
        assert lp.solve(passes=1)
        return lp._solver.getInfo().simplex_iteration_count, lp.settled_value

    far, bound_from_far = steps_to_bound(from_basis=False)
    near, bound_from_near = steps_to_bound(from_basis=True)
    assert bound_from_near == pytest.approx(bound_from_far)
    assert near < far


def test_trying_a_column_tells_its_rises_and_leaves_the_programme_as_it_was() -> None:
    problem = make_property(30, 200, 5, hop_limit=3)
    started = everything_open(problem)
    assert started is not None
    _, lp = started
    while lp.solve() and lp.add(lp.separate()):
        pass
    lp.solve()
    value, column = lp.settled_value, int(np.argmin(np.abs(lp.x - 0.5)))
    rises = lp.rises(column, lp.basis(), 10**6)
    for opens, rise in enumerate(rises):
        settled = [np.array([column]) if opens == side else np.zeros(0, dtype=np.int64) for side in (0, 1)]
        lp.settle(*settled)
        lp.solve()
        assert lp.settled_value == pytest.approx(value + rise)
    lp.settle(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))
    lp.solve()
    assert lp.settled_value == pytest.approx(value)
