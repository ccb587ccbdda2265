"""A stored plan is verified without the solver; a tampered one is found out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from meshplan.inputs.plan_file import read_plan_json
from meshplan.records import Plan
from meshplan.reporting.plan_files import write_plan_json
from meshplan.workflow import check_plan, plan_property

GARDEN = Path(__file__).resolve().parents[2] / "sample_sites" / "ossaby_terrace"


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> Plan:
    """Return the plan of the hillside garden as it comes back from its file."""
    path = tmp_path_factory.mktemp("stored") / "plan.json"
    return read_plan_json(write_plan_json(plan_property(GARDEN).plan, path))


def test_a_plan_from_its_file_holds(stored: Plan) -> None:
    report = check_plan(GARDEN, stored)
    assert report.good, report.text()
    assert dict(report.facts)["certified bound"].startswith(f"{stored.proof.certified_bound:.2f}")


def test_a_lower_cost_is_found_out(stored: Plan) -> None:
    cheaper = replace(stored, proof=replace(stored.proof, cost=stored.proof.cost - 20.0))
    report = check_plan(GARDEN, cheaper)
    assert not report.good
    assert any("cost" in fault for fault in report.faults)


def test_a_higher_bound_is_found_out(stored: Plan) -> None:
    certificate = stored.proof.certificate | {"bound_units": stored.proof.certificate["bound_units"] + 10_000}
    report = check_plan(GARDEN, replace(stored, proof=replace(stored.proof, certificate=certificate)))
    assert any("claimed" in fault for fault in report.faults)


def test_a_row_that_is_no_cut_is_found_out(stored: Plan) -> None:
    rows = [dict(row) for row in stored.proof.certificate["rows"]]
    rows[0] = rows[0] | {"members": rows[0]["members"][:-1]}
    report = check_plan(GARDEN, replace(stored, proof=replace(stored.proof, certificate=stored.proof.certificate | {"rows": rows})))
    assert not report.good


def test_a_route_over_a_link_that_is_not_there_is_found_out(stored: Plan) -> None:
    direct = next(route for route in stored.routes if len(route.devices) > 2)
    shortcut = replace(direct, devices=(direct.devices[0], direct.devices[-1]))
    routes = tuple(shortcut if route is direct else route for route in stored.routes)
    report = check_plan(GARDEN, replace(stored, routes=routes))
    assert any(direct.sensor in fault for fault in report.faults)


def test_a_missing_sensor_is_found_out(stored: Plan) -> None:
    report = check_plan(GARDEN, replace(stored, routes=stored.routes[1:]))
    assert not report.good
