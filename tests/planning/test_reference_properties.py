"""The invented properties of tests/published: optima computed by two formulations apart from this code (the table says how)."""

from __future__ import annotations

import pytest
from stored_properties import StoredOptimum, read_property, stored_optima

from meshplan.planning.certificate import check_certificate
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

CASES = stored_optima()


def name_of(case: StoredOptimum) -> str:
    return f"{case.instance}-{case.hop_limit}-{case.redundancy}"


def test_all_four_properties_are_here() -> None:
    assert len(CASES) >= 27
    assert {case.instance for case in CASES} == {"s8_r40_g3", "s15_r80_g4", "s25_r150_g5", "s40_r300_g6"}
    assert {case.redundancy for case in CASES} == {"none", "any one relay", "any one relay or gateway"}


@pytest.mark.parametrize("case", CASES, ids=name_of)
def test_published_optimum_is_found_proven_and_certified(case: StoredOptimum) -> None:
    problem = read_property(case.instance, case.hop_limit, case.redundancy)
    result = solve_placement(problem)
    assert result.plan.cost == case.cost
    assert result.proven
    left_out = {item.sensor_id for item in result.plan.unserved} | set(result.plan.single_route)
    assert left_out == case.unreachable
    assert verify_plan(problem, result.plan) == ()
    check = check_certificate(problem, result.certificate, result.plan)
    assert check.holds, check.faults
    assert check.bound_units <= 1000 * case.cost


@pytest.mark.parametrize("case", [case for case in CASES if case.neg_log_success is not None], ids=name_of)
def test_likeliest_plan_of_the_optimum_cost_is_found(case: StoredOptimum) -> None:
    problem = read_property(case.instance, case.hop_limit, case.redundancy)
    result = solve_placement(problem)
    assert result.plan.neg_log_success == pytest.approx(case.neg_log_success, abs=6e-5)
