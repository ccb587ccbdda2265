"""No certificate proves more than the best of all plans costs, whoever wrote it."""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from brute_force import random_problem
from forgeries import Forger, Truth
from synthetic_property import make_property

from meshplan.planning import certificate as certificate_module
from meshplan.planning.certificate import check_certificate
from meshplan.planning.problem import (
    Certificate,
    CertificateBranch,
    CutRow,
    Links,
    NodeChoice,
    PlacementProblem,
    SensorDemand,
)
from meshplan.planning.solve import solve_placement

ONE, BOTH = "any one relay", "any one relay or gateway"
RULES: list[dict[str, Any]] = [
    {"hop_limit": 1},
    {"hop_limit": 2},
    {"hop_limit": 3},
    {"hop_limit": 4},
    {"hop_limit": None},
    {"hop_limit": 3, "masts": True},
    {"hop_limit": 3, "pinned": True},
    {"hop_limit": 3, "pinned": True, "masts": True, "optional": True},
    {"hop_limit": 3, "optional": True},
    {"hop_limit": None, "optional": True, "masts": True},
    {"hop_limit": 2, "redundancy": ONE},
    {"hop_limit": 3, "redundancy": BOTH},
    {"hop_limit": 2, "second_hop_limit": 3, "redundancy": ONE},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": ONE},
    {"hop_limit": 3, "second_hop_limit": 1, "redundancy": BOTH, "optional": True},
    {"hop_limit": 3, "second_hop_limit": 2, "redundancy": BOTH, "min_route_chance": 0.6},
    {"hop_limit": 3, "masts": True, "redundancy": ONE},
    {"hop_limit": 3, "masts": True, "redundancy": BOTH, "optional": True},
    {"hop_limit": None, "redundancy": BOTH},
    {"hop_limit": 3, "min_route_chance": 0.6},
    {"hop_limit": 3, "min_route_chance": 0.6, "redundancy": ONE, "optional": True},
    {"hop_limit": 3, "floors": True},
    {"hop_limit": 3, "floors": True, "redundancy": ONE, "optional": True},
    {"hop_limit": 3, "capacity": True},
    {"hop_limit": 3, "budget": 120.0, "optional": True},
]


def name_of(rules: dict[str, Any]) -> str:
    return " ".join(f"{key}={value}" for key, value in rules.items())


class Court:
    """Tries certificates of one problem against the truth."""

    def __init__(self, rules: dict[str, Any], seed: int) -> None:
        self.problem: PlacementProblem = random_problem(seed, n_relays=7, n_sensors=5, **dict(rules))
        self.truth = Truth(self.problem)
        self.genuine = solve_placement(self.problem).certificate
        assert self.genuine is not None
        self.forger = Forger(self.problem, self.genuine, seed)
        self.tried = self.accepted = 0

    def proven(self, certificate: Certificate) -> int | None:
        """Return the bound of an accepted certificate, having compared it with the best of all plans; None if it is refused."""
        check = check_certificate(self.problem, certificate)
        self.tried += 1
        assert check.holds == (not check.faults)
        if not check.holds:
            assert all(isinstance(fault, str) and fault for fault in check.faults)
            return None
        self.accepted += 1
        optimum = self.truth.optimum(certificate)
        assert optimum is None or check.bound_units <= optimum, (certificate, optimum)
        return check.bound_units

    def best_claim(self, certificate: Certificate) -> int | None:
        """Return what a certificate proves if it claims as little, or as much, as is believed."""
        bounds = [self.proven(replace(certificate, bound_units=0))]
        optimum = None if bounds[0] is None else self.truth.optimum(certificate)
        if optimum is not None:
            step = self.problem.cost_step
            bounds += [
                self.proven(replace(certificate, bound_units=claim)) for claim in (optimum, optimum + step, 10 * optimum + step)
            ]
        return max((bound for bound in bounds if bound is not None), default=None)


def try_mutations(court: Court, count: int) -> None:
    for _ in range(count):
        start = court.genuine if court.forger.rng.random() < 0.6 else court.forger.from_scratch(12)
        court.proven(court.forger.forge(start))


def try_from_scratch(court: Court, count: int) -> None:
    for _ in range(count):
        court.best_claim(court.forger.from_scratch())


def climb(court: Court, steps: int) -> int:
    """Search for the certificate that proves most: keep each forgery that is believed and proves no less. Return what it proves."""
    forger = court.forger
    best, reached = court.genuine, court.best_claim(court.genuine)
    for _ in range(steps):
        draw = forger.rng.random()
        if draw < 0.3:
            other = forger.from_scratch(30)
        elif draw < 0.5:
            other = forger.strengthened(best)
        elif draw < 0.7:
            rows = [replace(row, weight=int(row.weight * forger.rng.uniform(0.5, 2.0))) for row in best.rows]
            other = replace(best, rows=tuple(rows))
        else:
            other = forger.forge(best)
        bound = court.best_claim(other)
        if bound is not None and (reached is None or bound >= reached):
            best, reached = other, bound
    return reached or 0


@pytest.mark.parametrize("rules", RULES, ids=name_of)
def test_no_forgery_is_believed(rules: dict[str, Any]) -> None:
    court = Court(rules, 31)
    assert court.proven(court.genuine) is not None
    try_mutations(court, 25)
    try_from_scratch(court, 6)
    assert court.tried > 30


@pytest.mark.slow
def test_no_forgery_out_of_ten_thousand_is_believed() -> None:
    """Changed and invented certificates, and a climber that keeps whatever is believed and proves more."""
    tried = accepted = 0
    shares: list[float] = []
    for rules in RULES:
        for seed in range(400, 405):
            court = Court(rules, seed)
            assert court.proven(court.genuine) is not None
            try_mutations(court, 100)
            try_from_scratch(court, 10)
            reached = climb(court, 15)
            optimum = court.truth.optimum(court.genuine)
            if optimum:
                shares.append(reached / optimum)
            tried, accepted = tried + court.tried, accepted + court.accepted
    # The forgers are no fools: much is believed because it is true, and comes near what can be proven at all.
    assert tried >= 10_000
    assert accepted >= 2_000
    assert np.median(shares) > 0.9


def _two_sensors() -> PlacementProblem:
    """Two sensors that hear one relay of 10, and each one of its own; beyond them a gateway that is there already."""
    nodes = (
        NodeChoice("R", 10.0),
        NodeChoice("A", 10.0),
        NodeChoice("B", 10.0),
        NodeChoice("G", 0.0, is_gateway=True, forced_in=True),
    )
    access = Links.of([0, 0, 1, 1], [0, 1, 0, 2])
    return PlacementProblem((SensorDemand("S"), SensorDemand("T")), nodes, access, Links.of([0, 1, 2], [3, 3, 3]), hop_limit=3)


def test_loads_are_not_told_apart_by_levels_that_do_not_exist() -> None:
    """The best plan costs 10. Levels below -1 stopped every way while their loads were never added: two rows proved 20."""
    problem = _two_sensors()
    rows = (CutRow("S", 10_000, 1, (("R", -2), ("A", -2))), CutRow("T", 10_000, 1, (("R", -3), ("B", -3))))
    check = check_certificate(problem, Certificate(20_000, 1, ("S", "T"), rows))
    assert not check.holds
    assert check.bound_units == 0
    assert any("'R' cannot stand at level -2" in fault for fault in check.faults)
    honest = tuple(replace(row, members=tuple((name, 1) for name, _ in row.members)) for row in rows)
    check = check_certificate(problem, Certificate(20_000, 1, ("S", "T"), honest))
    assert check.bound_units == 10_000
    assert check.faults == ("the rows prove 10000, not the 20000 that is claimed",)
    longer = tuple(replace(row, members=tuple((name, 2) for name, _ in row.members)) for row in rows)
    refused = check_certificate(problem, Certificate(0, 1, ("S", "T"), longer))
    assert any("a route avoids every member" in fault for fault in refused.faults)


def test_a_node_decided_at_every_level_keeps_its_loads() -> None:
    """Where there are levels nothing can be decided about a node at all of them: such a decision made loads disappear."""
    problem = _two_sensors()
    rows = tuple(
        CutRow(sensor, 0, 1, tuple((name, at) for name in ("R", own) for at in (1, 2))) for sensor, own in (("S", "A"), ("T", "B"))
    )
    weights = ((0, 10_000), (1, 10_000))
    branches = tuple(CertificateBranch((("R", -1, is_one),), weights) for is_one in (False, True))
    check = check_certificate(problem, Certificate(20_000, 1, ("S", "T"), rows, branches=branches))
    assert not check.holds
    assert any("nothing can be decided about 'R'" in fault for fault in check.faults)
    branches = tuple(CertificateBranch((("R", 1, is_one),), weights) for is_one in (False, True))
    assert check_certificate(problem, Certificate(10_000, 1, ("S", "T"), rows, branches=branches)).bound_units == 10_000


def test_sensors_that_nothing_can_serve_prove_nothing() -> None:
    """A sensor without any route is met by every set of nodes, so its rows would prove any bound."""
    problem = _two_sensors()
    lonely = replace(problem, sensors=(*problem.sensors, SensorDemand("alone")))
    row = CutRow("alone", 10**9, 1, (("R", 1),))
    check = check_certificate(lonely, Certificate(0, 1, ("S", "alone"), (row,)))
    assert check.faults == ("'alone' has no route even with everything opened: no bound speaks of it",)
    twice = replace(problem, redundancy=ONE, access=Links.of([0, 1, 1], [0, 0, 2]))
    for row in (CutRow("S", 10**9, 2, (("R", -1),)), CutRow("S", 10**9, 1, (("A", -1),), "R")):
        check = check_certificate(twice, Certificate(0, 1, ("S", "T"), (row,)))
        assert check.faults == ("'S' has no second route even with everything opened: no bound speaks of it",)


def test_two_masts_of_one_place_are_no_second_route() -> None:
    """What stands at one place is lost together, so no bound speaks of a sensor that hears nothing else."""
    nodes = (
        NodeChoice("low", 10.0, site="post"),
        NodeChoice("high", 20.0, site="post"),
        NodeChoice("other", 50.0),
        NodeChoice("G", 0.0, is_gateway=True, forced_in=True),
    )
    backhaul = Links.of([0, 1, 2], [3, 3, 3])
    here = PlacementProblem((SensorDemand("S"),), nodes, Links.of([0, 0], [0, 1]), backhaul, redundancy=ONE)
    row = CutRow("S", 10_000, 2, (("low", -1), ("high", -1)))
    assert not check_certificate(here, Certificate(0, 1, ("S",), (row,))).holds
    there = replace(here, access=Links.of([0, 0, 0], [0, 1, 2]))
    rows = (CutRow("S", 50_000, 1, (("other", -1),), "low"), CutRow("S", 10_000, 1, (("low", -1), ("high", -1)), "other"))
    check = check_certificate(there, Certificate(60_000, 1, ("S",), rows))
    assert check.holds, check.faults
    assert check.bound_units == 60_000


def test_the_proven_bound_is_compared_with_the_cost_whatever_is_claimed() -> None:
    """A certificate that claims nothing still proves what it proves; a plan below that is no plan."""
    problem = make_property(30, 200, 5, hop_limit=3)
    result = solve_placement(problem)
    assert result.certificate is not None
    modest = replace(result.certificate, bound_units=0)
    assert check_certificate(problem, modest, result.plan).holds
    cheaper = replace(result.plan, opened=result.plan.opened[:2])
    assert any("that is proven" in fault for fault in check_certificate(problem, modest, cheaper).faults)


def test_the_checker_shares_nothing_with_the_code_that_makes_certificates() -> None:
    """Of the package it imports the problem, and its own two parts; no solver."""
    allowed = {"certificate", "certificate_form", "cut_search", "problem"}
    folder = Path(certificate_module.__file__).parent
    for name in sorted(allowed - {"problem"}):
        for node in ast.walk(ast.parse((folder / f"{name}.py").read_text(encoding="utf-8"))):
            modules = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            modules += [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            for module in modules:
                assert not module.startswith("meshplan") or module.removeprefix("meshplan.planning.") in allowed, (name, module)
                assert module.split(".")[0] not in ("highspy", "scipy", "networkx", "numba"), (name, module)


def test_with_floors_a_row_names_a_node_down_from_where_a_good_route_meets_it() -> None:
    """A stands one bad link from the gateway and its good route is longer: its level is 1, and the route passes it with 2 left."""
    nodes = (NodeChoice("A", 10.0), NodeChoice("B", 10.0), NodeChoice("G", 0.0, is_gateway=True, forced_in=True))
    backhaul = Links.of([0, 0, 1], [2, 1, 2], [0.5, 0.99, 0.99])
    problem = PlacementProblem((SensorDemand("S", min_route_chance=0.9),), nodes, Links.of([0], [0]), backhaul, hop_limit=3)

    def check(*members: tuple[str, int]) -> tuple[str, ...]:
        return check_certificate(problem, Certificate(0, 1, ("S",), (CutRow("S", 10_000, 1, members),))).faults

    for members in ((("A", 2),), (("A", 1),)):
        assert any("a route avoids every member" in fault for fault in check(*members))
    assert check(("A", 1), ("A", 2)) == ()
    assert check(("B", 1)) == ()
    assert solve_placement(problem).certified_bound == 20.0
