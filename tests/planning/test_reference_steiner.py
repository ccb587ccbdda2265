"""Steiner trees of the SteinLib sets B and C against their published optima: the cut engine without a hop limit."""

from __future__ import annotations

from pathlib import Path

import pytest
from steiner import read_stp, restated_trees, steiner_problem

from meshplan.planning.certificate import check_certificate
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan

LARGE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "optimisation" / "stp" / "c11.stp"
SLOW = {"c03", "c06", "c08"}
TREES = restated_trees()


def check_tree(problem: PlacementProblem, published: float) -> None:
    result = solve_placement(problem)
    assert result.plan.cost == published
    assert result.proven
    assert result.certified_bound == result.plan.cost
    assert check_certificate(problem, result.certificate, result.plan).holds
    assert verify_plan(problem, result.plan) == ()


@pytest.mark.parametrize("name", [pytest.param(n, marks=[pytest.mark.slow] if n in SLOW else []) for n in TREES])
def test_published_steiner_optimum_is_proven_by_the_certificate_alone(name: str) -> None:
    edges, terminals, published = TREES[name]
    check_tree(steiner_problem(edges, terminals), published)


@pytest.mark.slow
def test_the_largest_tree_beside_the_checkout_is_proven_too() -> None:
    if not LARGE.is_file():
        pytest.skip("the largest instance (../shared/reference/optimisation) is not on this machine; thirteen are in every clone")
    check_tree(steiner_problem(*read_stp(LARGE)), 32.0)  # SteinLib table, C11
