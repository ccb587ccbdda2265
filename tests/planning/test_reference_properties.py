"""The property instances of the reference set: optima computed by two formulations and two solvers each (its README says how)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from stored_properties import read_property

from meshplan.planning.certificate import check_certificate
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "reference" / "optimisation" / "planning"
CASES: list[dict[str, Any]] = []
if (FOLDER / "expected.json").is_file():
    CASES = json.loads((FOLDER / "expected.json").read_text(encoding="utf-8"))


def test_the_reference_set_is_read() -> None:
    if not FOLDER.is_dir():
        pytest.skip("the optimisation reference set (../shared/reference/optimisation) is not on this machine")
    assert len(CASES) >= 27


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c['instance'][:-5]}-{c['hop_limit']}-{c['redundancy']}")
def test_published_optimum_is_found_proven_and_certified(case: dict[str, Any]) -> None:
    problem = read_property(FOLDER / case["instance"], case["hop_limit"], case["redundancy"])
    result = solve_placement(problem)
    assert result.plan.cost == case["optimum_cost"]
    assert result.proven
    left_out = {item.sensor_id for item in result.plan.unserved} | set(result.plan.single_route)
    assert left_out == set(case["unreachable"])
    assert verify_plan(problem, result.plan) == ()
    check = check_certificate(problem, result.certificate, result.plan)
    assert check.holds, check.faults
    assert check.bound_units <= 1000 * case["optimum_cost"]


@pytest.mark.parametrize(
    "case",
    [c for c in CASES if c.get("best_sum_neg_log_success_at_optimum_cost") is not None],
    ids=lambda c: f"{c['instance'][:-5]}-{c['hop_limit']}",
)
def test_likeliest_plan_of_the_optimum_cost_is_found(case: dict[str, Any]) -> None:
    problem = read_property(FOLDER / case["instance"], case["hop_limit"], case["redundancy"])
    result = solve_placement(problem)
    assert result.plan.neg_log_success == pytest.approx(case["best_sum_neg_log_success_at_optimum_cost"], abs=6e-5)
