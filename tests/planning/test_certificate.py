"""The certificate checker accepts what is stored and rejects what was changed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from brute_force import BruteForce, random_problem
from synthetic_property import make_property

from meshplan.planning import branching, solve
from meshplan.planning.certificate import check_certificate, proven_bound_units
from meshplan.planning.demand import demand_of, shortfalls
from meshplan.planning.problem import LEFT_OUT, Certificate, CertificateBranch, PlacementProblem, PlacementResult
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan


@pytest.fixture(scope="module")
def solved() -> tuple[PlacementProblem, PlacementResult]:
    problem = make_property(30, 200, 5, hop_limit=3)
    return problem, solve_placement(problem)


@pytest.fixture(scope="module")
def solved_twice() -> tuple[PlacementProblem, PlacementResult]:
    problem = make_property(10, 50, 3, hop_limit=3, redundancy="any one relay")
    return problem, solve_placement(problem)


def _changed(certificate: Certificate, row: int = 0, **changes: object) -> Certificate:
    rows = list(certificate.rows)
    rows[row] = replace(rows[row], **changes)  # type: ignore[arg-type]
    return replace(certificate, rows=tuple(rows))


def test_stored_certificates_hold(
    solved: tuple[PlacementProblem, PlacementResult], solved_twice: tuple[PlacementProblem, PlacementResult]
) -> None:
    for problem, result in (solved, solved_twice):
        check = check_certificate(problem, result.certificate, result.plan)
        assert check.holds, check.faults
        assert len(result.certificate.rows) > 3
        assert 0.85 * result.plan.cost <= check.bound_units / 1000 <= result.plan.cost


def test_a_raised_bound_is_rejected(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    claim = replace(result.certificate, bound_units=result.certificate.bound_units + problem.cost_step)
    check = check_certificate(problem, claim)
    assert not check.holds
    assert "not the" in check.faults[0]


def test_raising_a_weight_never_proves_more_than_the_optimum(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    for row in range(len(result.certificate.rows)):
        heavier = _changed(result.certificate, row, weight=10 * result.certificate.rows[row].weight + 10**6)
        assert check_certificate(problem, heavier).bound_units <= 1000 * result.plan.cost


def test_dropping_any_member_of_a_tight_cut_is_rejected(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    members = result.certificate.rows[0].members
    for index in range(len(members)):
        fewer = _changed(result.certificate, members=members[:index] + members[index + 1 :])
        check = check_certificate(problem, fewer)
        assert not check.holds
        assert "a route avoids every member" in check.faults[0]


def test_a_cut_of_another_sensor_is_rejected(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    tried = 0
    for number, row in enumerate(result.certificate.rows):
        for item in result.plan.served:
            levels = range(item.first.hops - 1, -1, -1)
            if set(zip(item.first.node_ids, levels, strict=True)).isdisjoint(row.members):
                tried += 1
                assert not check_certificate(problem, _changed(result.certificate, number, sensor_id=item.sensor_id)).holds
    assert tried > 50


def test_negative_weights_and_prices_are_rejected(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    assert not check_certificate(problem, _changed(result.certificate, weight=-1)).holds
    assert not check_certificate(problem, replace(result.certificate, site_prices=(("x", -5),))).holds
    assert not check_certificate(problem, replace(result.certificate, scale=0)).holds


def test_a_need_of_two_is_rejected_without_a_redundancy_rule(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    check = check_certificate(problem, _changed(result.certificate, need=2))
    assert not check.holds
    assert "no redundancy rule" in check.faults[0]


def test_a_plan_cheaper_than_the_bound_is_rejected(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    check = check_certificate(problem, result.certificate, replace(result.plan, opened=result.plan.opened[1:]))
    assert not check.holds
    assert "less than the bound" in check.faults[0]


def test_a_plan_that_serves_fewer_sensors_is_rejected(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    check = check_certificate(problem, result.certificate, replace(result.plan, served=result.plan.served[1:]))
    assert not check.holds


@pytest.mark.parametrize("redundancy", ["none", "any one relay", "any one relay or gateway"])
@pytest.mark.parametrize("seed", range(5))
def test_a_certificate_never_exceeds_the_optimum(seed: int, redundancy: str) -> None:
    problem = random_problem(seed, hop_limit=3, redundancy=redundancy, masts=bool(seed % 2))
    missing, _, optimum = BruteForce(problem).best()
    assert not missing, "the certificate is compared on properties whose sensors can all be served"
    result = solve_placement(problem)
    bound = check_certificate(problem, result.certificate).bound_units
    assert 0.8 * 1000 * optimum <= bound <= 1000 * optimum + 1e-6


def test_a_tampered_plan_is_found_out(solved: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = solved
    plan = result.plan
    assert verify_plan(problem, plan) == ()
    item = next(item for item in plan.served if item.first.hops > 1)
    place = plan.served.index(item)

    def with_route(nodes: tuple[str, ...], chance: float) -> tuple[str, ...]:
        changed = replace(item, first=replace(item.first, node_ids=nodes, chance=chance))
        return verify_plan(problem, replace(plan, served=(*plan.served[:place], changed, *plan.served[place + 1 :])))

    assert any("the plan says" in fault for fault in verify_plan(problem, replace(plan, cost=plan.cost - 5)))
    closed = next(node.id for node in problem.nodes if node.id not in plan.opened)
    assert any("not opened" in f for f in with_route((closed, *item.first.node_ids), item.first.chance))
    heard = {problem.nodes[i].id for i in problem.access.end[problem.access.start == problem.sensor_index[item.sensor_id]]}
    unheard = next(name for name in plan.opened if name not in heard)
    assert any("is not there" in f for f in with_route((unheard, item.first.gateway_id), item.first.chance))
    assert any("does not end at a gateway" in fault for fault in with_route(item.first.node_ids[:-1], item.first.chance))
    assert any("works with chance" in fault for fault in with_route(item.first.node_ids, item.first.chance * 0.99))
    assert any("is not opened" in fault for fault in verify_plan(problem, replace(plan, opened=plan.opened[1:])))
    assert any("neither served nor reported" in f for f in verify_plan(problem, replace(plan, served=plan.served[1:])))
    shorter = replace(problem, hop_limit=1)
    assert any("more than 1" in fault for fault in verify_plan(shorter, plan))


def test_a_second_route_through_the_same_relay_is_found_out(
    solved_twice: tuple[PlacementProblem, PlacementResult],
) -> None:
    problem, result = solved_twice
    plan = result.plan
    item = next(item for item in plan.served if item.first.hops > 1)
    place = plan.served.index(item)
    same = replace(item, second=item.first)
    faults = verify_plan(problem, replace(plan, served=(*plan.served[:place], same, *plan.served[place + 1 :])))
    assert any("both routes of" in fault for fault in faults)


@pytest.fixture(scope="module")
def branched() -> tuple[PlacementProblem, PlacementResult]:
    """A property whose linear programme alone proves less than its plan costs."""
    problem = make_property(60, 500, 8, hop_limit=3)
    result = solve_placement(problem)
    assert len(result.certificate.branches) > 3
    return problem, result


def _with_branches(certificate: Certificate, *branches: CertificateBranch) -> Certificate:
    return replace(certificate, branches=branches)


def test_branches_prove_the_plan_without_the_solver(branched: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = branched
    check = check_certificate(problem, result.certificate, result.plan)
    assert check.holds, check.faults
    assert check.bound_units == 1000 * result.plan.cost
    assert check_certificate(problem, _with_branches(result.certificate)).bound_units < 1000 * result.plan.cost


def test_a_missing_branch_is_found_out(branched: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = branched
    branches = result.certificate.branches
    for index in range(len(branches)):
        check = check_certificate(problem, _with_branches(result.certificate, *branches[:index], *branches[index + 1 :]))
        assert "the branches leave out plans" in check.faults


def test_a_branch_that_decides_otherwise_is_found_out(branched: tuple[PlacementProblem, PlacementResult]) -> None:
    problem, result = branched
    for index, branch in enumerate(result.certificate.branches):
        others = result.certificate.branches[:index] + result.certificate.branches[index + 1 :]
        name, level, opened = branch.decisions[-1]
        turned = replace(branch, decisions=(*branch.decisions[:-1], (name, level, not opened)))
        assert (
            "the branches leave out plans" in check_certificate(problem, _with_branches(result.certificate, turned, *others)).faults
        )
    first, *rest = result.certificate.branches
    for decisions, said in (
        ((("nowhere", 1, True),), "nothing can be decided about 'nowhere'"),
        ((("S0", LEFT_OUT, True),), "nothing can be decided about 'S0'"),
        ((*first.decisions, first.decisions[0]), "decides twice about the same"),
    ):
        changed = replace(first, decisions=decisions)
        assert any(said in fault for fault in check_certificate(problem, _with_branches(result.certificate, changed, *rest)).faults)


def test_weights_of_a_branch_prove_no_more_than_they_may(branched: tuple[PlacementProblem, PlacementResult]) -> None:
    """Whatever weights a branch is given, all branches together never pass the cost of the plan; wrong ones are named."""
    problem, result = branched
    first, *rest = result.certificate.branches
    for factor in (0, 2, 1000):
        heavier = replace(first, weights=tuple((row, factor * weight) for row, weight in first.weights))
        assert check_certificate(problem, _with_branches(result.certificate, heavier, *rest)).bound_units <= 1000 * result.plan.cost
    for weights in (((0, -5),), ((len(result.certificate.rows), 5),)):
        check = check_certificate(problem, _with_branches(result.certificate, replace(first, weights=weights), *rest))
        assert "branch 0: a weight is negative, too large, or of no row" in check.faults


RULES: list[dict[str, object]] = [
    {"hop_limit": 3},
    {"hop_limit": 4},
    {"hop_limit": None},
    {"hop_limit": 3, "masts": True},
    {"hop_limit": 3, "redundancy": "any one relay"},
    {"hop_limit": 3, "optional": True},
]


@pytest.mark.parametrize("rules", RULES, ids=str)
def test_each_branch_bounds_every_plan_in_it(rules: dict[str, object]) -> None:
    """Random sets of nodes that serve everybody, each laid into the branch whose decisions it agrees with."""
    looked_at = 0
    for seed in range(30):
        problem = random_problem(2000 + seed, n_relays=9, n_sensors=8, **dict(rules))
        certificate = solve_placement(problem).certificate
        rng = np.random.default_rng(seed)
        for _ in range(200 if certificate.branches else 0):
            wanted = rng.permutation(np.flatnonzero(problem.allowed & (rng.random(len(problem.nodes)) < rng.uniform(0.3, 1.0))))
            opened = problem.forced.copy()
            opened[wanted[np.unique(problem.site_number[wanted], return_index=True)[1]]] = True
            units = _units_of_a_plan(problem, opened, set(certificate.served))
            if units is None:
                continue
            cost, left_out = units
            level = _levels(problem, opened)
            inside = [branch for branch in certificate.branches if _agrees(problem, branch, level, left_out)]
            assert len(inside) >= 1
            for branch in inside:
                alone = replace(certificate, rows=tuple(replace(row, weight=0) for row in certificate.rows), site_prices=())
                assert proven_bound_units(problem, _with_branches(alone, branch)) <= cost
            looked_at += 1
    assert looked_at > 20


def _units_of_a_plan(problem: PlacementProblem, opened: np.ndarray, served: set[str]) -> tuple[int, set[str]] | None:
    """Return what the opened nodes cost, worth of the left-out included, and who is left out; None if they are no plan."""
    if np.unique(problem.site_number[opened]).size < opened.sum():
        return None
    units, left_out = int(problem.cost_units[opened].sum()), set()
    for fall in shortfalls(problem, opened, demand_of(problem)):
        sensor = problem.sensors[fall.sensor]
        if sensor.id in served and sensor.required:
            return None
        left_out.add(sensor.id)
    units += sum(int(problem.worth_units[problem.sensor_index[name]]) for name in left_out)
    return units, left_out


def _levels(problem: PlacementProblem, opened: np.ndarray) -> dict[str, int]:
    """Return the level of each opened node: its links to the nearest opened gateway; without levels, or without a way, -1."""
    if not problem.has_levels:
        return {node.id: -1 for node, is_open in zip(problem.nodes, opened, strict=True) if is_open}
    links = problem.usable_backhaul
    hops = dict.fromkeys(np.flatnonzero(opened & problem.is_gateway), 0)
    for level in range(1, len(problem.nodes)):
        near = {i for i, at in hops.items() if at == level - 1}
        for start, end in zip(links.start.tolist(), links.end.tolist(), strict=True):
            if end in near and opened[start] and start not in hops:
                hops[start] = level
    return {problem.nodes[i].id: hops.get(i, -1) for i in np.flatnonzero(opened)}


def _agrees(problem: PlacementProblem, branch: CertificateBranch, level: dict[str, int], left_out: set[str]) -> bool:
    return all((name in left_out if at == LEFT_OUT else level.get(name, -9) == at) is opens for name, at, opens in branch.decisions)


def test_a_plan_proven_by_the_closing_programme_is_certified_afterwards(monkeypatch: pytest.MonkeyPatch) -> None:
    """The solver's word alone is not enough where branches can show it."""
    monkeypatch.setattr(solve, "SMALL_BRANCHES", 0)
    for seed, rules in ((1, {}), (4, {}), (1, {"redundancy": "any one relay"})):
        problem = make_property(30, 200, 5, seed=seed, hop_limit=4 if not rules else 3, **rules)
        result = solve_placement(problem)
        assert result.proven
        assert check_certificate(problem, result.certificate, result.plan).holds
        assert result.certified_bound == result.plan.cost


@pytest.mark.parametrize("seed", [1, 4])
def test_columns_that_are_too_dear_are_shut_with_a_proof(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Above the columns that are handed over at once branches shut what a better plan cannot use, and show why."""
    monkeypatch.setattr(branching, "ALL_AT_ONCE", 100)
    problem = make_property(60, 500, 8, hop_limit=3, seed=seed)
    result = solve_placement(problem)
    certificate = result.certificate
    assert certificate is not None
    assert certificate.branches
    check = check_certificate(problem, certificate, result.plan)
    assert check.holds, check.faults
    assert result.proven
    assert check.bound_units == 1000 * result.plan.cost
    assert certificate.sieves
    # What is claimed is part of the proof: a higher claim shuts fewer columns and proves no more.
    higher = replace(certificate, bound_units=certificate.bound_units + 10 * problem.cost_step)
    assert check_certificate(problem, higher).bound_units <= 1000 * result.plan.cost
    assert not check_certificate(problem, higher).holds


def test_places_that_cannot_all_be_used_are_shown_by_prices() -> None:
    """A branch that one mast per site leaves empty has prices that prove it, or the certificate proves less; it never fails."""
    certified = 0
    for seed in range(20):
        problem = random_problem(seed, n_relays=10, n_sensors=8, hop_limit=3, masts=True)
        result = solve_placement(problem)
        check = check_certificate(problem, result.certificate, result.plan)
        assert check.holds, check.faults
        certified += check.bound_units == round(1000 * (result.plan.cost + result.plan.forgone))
    assert certified >= 18
