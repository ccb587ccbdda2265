"""The certificate checker accepts what is stored and rejects what was changed."""

from __future__ import annotations

from dataclasses import replace

import pytest
from brute_force import BruteForce, random_problem
from synthetic_property import make_property

from meshplan.planning.certificate import check_certificate
from meshplan.planning.problem import Certificate, PlacementProblem, PlacementResult
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
    missing, optimum = BruteForce(problem).best()
    result = solve_placement(problem)
    if not missing:
        assert check_certificate(problem, result.certificate).bound_units <= 1000 * optimum + 1e-6


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
