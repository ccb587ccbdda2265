"""Steiner trees of the SteinLib sets B and C against their published optima: the cut engine without a hop limit."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest
from steiner import read_stp, steiner_problem

from meshplan.planning.certificate import check_certificate
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

FOLDER = Path(__file__).resolve().parents[3] / "shared" / "reference" / "optimisation"
SLOW = {"c03", "c06", "c08", "c11"}
CASES: list[dict[str, str]] = []
if (FOLDER / "published_optima.csv").is_file():
    with (FOLDER / "published_optima.csv").open(encoding="utf-8", newline="") as stream:
        CASES = [row for row in csv.DictReader(stream) if row["set"] == "stp"]


def test_the_steiner_set_is_read() -> None:
    if not FOLDER.is_dir():
        pytest.skip("the optimisation reference set (../shared/reference/optimisation) is not on this machine")
    assert len(CASES) >= 14


@pytest.mark.parametrize(
    "case",
    [pytest.param(c, id=c["instance"], marks=[pytest.mark.slow] if c["instance"] in SLOW else []) for c in CASES],
)
def test_published_steiner_optimum_is_proven_by_the_certificate_alone(case: dict[str, str]) -> None:
    problem = steiner_problem(*read_stp(FOLDER / case["file"]))
    result = solve_placement(problem)
    assert result.plan.cost == float(case["published_optimum"])
    assert result.proven
    assert result.certified_bound == result.plan.cost
    assert check_certificate(problem, result.certificate, result.plan).holds
    assert verify_plan(problem, result.plan) == ()
