"""What is said beside a plan is true of it: one more hop, the price of second routes, why a relay stands, what must be spent."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.assembly.alternatives import reason_by_relay
from meshplan.assembly.proof import proof_sentence
from meshplan.cli import main
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement
from meshplan.records import Plan
from meshplan.workflow import plan_property


def _plan(folder: Path, sites: Rows, settings: str = "") -> Plan:
    return plan_property(lay_small_property(folder, sites=sites, settings=settings)).plan


def test_one_more_hop_that_gives_second_routes_is_not_called_nothing(tmp_path: Path) -> None:
    barn = {"name": "Barn", "role": "gateway", "x": 340, "y": 330, "antenna_agl_m": 4.0, "power": "mains"}
    both = 'requirement.second_route = "any one relay or gateway"\n'
    plan = _plan(tmp_path / "one", [*usual_sites(), barn], f"requirement.hop_limit = 1\n{both}")
    assert [gap.sensor for gap in plan.single_routes] == ["Bed", "Trough"]
    longer = _plan(tmp_path / "two", [*usual_sites(), barn], f"requirement.hop_limit = 2\n{both}")
    assert longer.single_routes == ()
    more = longer.proof.cost - plan.proof.cost
    assert more > 0
    assert plan.what_more_buys[0] == f"A hop limit of 2 would give a second route to Bed, Trough ({more:+.0f} EUR)."


def test_a_price_of_second_routes_says_whose(tmp_path: Path) -> None:
    some = _plan(tmp_path / "some", changed(usual_sites(), {"Trough": {"second_route": "yes"}}))
    told = [price["sentence"] for price in some.redundancy_prices]
    assert told[0].startswith("One route for each sensor: ")
    assert told[1].startswith("A route for each sensor that asks for it when any one relay fails: ")
    assert told[1].endswith("1 sensor can have it.")
    every = _plan(tmp_path / "every", usual_sites())
    assert every.redundancy_prices[1]["sentence"].startswith("A route for each sensor when any one relay fails: ")


def test_a_relay_that_airtime_asks_for_is_explained_by_it() -> None:
    """Either relay reaches both sensors, neither may carry both."""
    problem = PlacementProblem(
        (SensorDemand("a", load=1.0), SensorDemand("b", load=1.0)),
        (
            NodeChoice("left", 10.0, capacity=1.0),
            NodeChoice("right", 10.0, capacity=1.0),
            NodeChoice("gate", 50.0, is_gateway=True),
        ),
        Links.of([0, 0, 1, 1], [0, 1, 0, 1], [0.9] * 4),
        Links.of([0, 1], [2, 2], [0.9] * 2),
    )
    plan = solve_placement(problem).plan
    assert set(plan.opened) == {"left", "right", "gate"}
    words = "Without it the others would be on the air for longer than the rules allow."
    assert reason_by_relay(problem, plan, {}) == {"left": words, "right": words}
    roomy = replace(problem, nodes=tuple(replace(node, capacity=3.0, forced_in=True) for node in problem.nodes))
    assert words not in reason_by_relay(roomy, solve_placement(roomy).plan, {}).values()


@pytest.mark.parametrize(("worth", "least"), [(0.0, "80.00"), (40.0, "40.00")])
def test_what_must_be_spent_is_not_what_was_given_up(worth: float, least: str) -> None:
    """The bound holds the worth of the sensors left out; nobody spends that."""
    problem = PlacementProblem(
        (SensorDemand("a"), SensorDemand("b", required=False, worth=worth)),
        (NodeChoice("gate", 100.0, is_gateway=True), NodeChoice("far", 400.0, is_gateway=True)),
        Links.of([0, 1], [0, 1], [0.9, 0.9]),
        Links.of([], []),
    )
    solved = solve_placement(problem)
    assert (solved.plan.cost, solved.plan.forgone) == (100.0, worth)
    open_end = replace(solved, proven=False, solver_bound=80.0, certified_bound=80.0, gap=1 - 80.0 / (100.0 + worth))
    assert f"at least {least} must be spent" in proof_sentence(open_end)
    assert f"{1 - float(least) / 100.0:.1%} cheaper" in proof_sentence(open_end)


def test_a_bound_above_the_cost_says_what_it_counts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The trough is worth 30 and its post costs 80: nothing has less than 144 + 30, and 144 is paid."""
    folder = lay_small_property(tmp_path / "holding", sites=changed(usual_sites(), {"Trough": {"optional": "yes", "worth": 30}}))
    assert main(["plan", str(folder), "-q", "--out", str(tmp_path / "out")]) == 1
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "which counts what the optional sensors left out are worth" in report
    capsys.readouterr()
    assert main(["check", str(folder), "--plan", "--out", str(tmp_path / "out")]) == 0
    (line,) = (line for line in capsys.readouterr().out.splitlines() if "certified bound" in line)
    assert "174.00 EUR" in line
    assert "what the optional sensors left out are worth counted" in line


def test_where_no_optional_sensor_is_worth_its_cost_nobody_says_that_none_can_be_served(tmp_path: Path) -> None:
    """The house serves the bed, and over a post the trough; both are optional, together worth less than the house."""
    unworthy = {"optional": "yes", "worth": 20}
    plan = _plan(tmp_path / "all", changed(usual_sites(), {"Bed": unworthy, "Trough": unworthy}))
    assert plan.routes == ()
    assert "no sensor can be served" not in plan.proof.sentence
    assert "no optional sensor is worth its cost." in plan.proof.sentence
    assert not any("can have it" in str(price["sentence"]) for price in plan.redundancy_prices)
    assert plan.what_more_buys[-1] == "To serve Bed would take 144 EUR more, which it is not worth."
    near = changed(usual_sites(), {"Bed": unworthy, "Trough": {**unworthy, "x": 90, "y": 280}})
    both = _plan(tmp_path / "both", near)
    assert both.what_more_buys[-1] == "To serve Bed, Trough would take 144 EUR more, which they are not worth."


def test_the_rest_that_cannot_be_served_is_told_apart_from_what_is_not_worth_its_cost() -> None:
    """No gateway hears a; b is worth 10 and its gateway costs 40."""
    problem = PlacementProblem(
        (SensorDemand("a"), SensorDemand("b", required=False, worth=10.0)),
        (NodeChoice("far", 40.0, is_gateway=True),),
        Links.of([1], [0], [0.9]),
        Links.of([], []),
    )
    words = proof_sentence(solve_placement(problem))
    assert "no optional sensor is worth its cost, and no other can be served." in words


def test_a_larger_budget_names_all_that_it_serves_and_no_optional_sensor_that_it_does_not(tmp_path: Path) -> None:
    """South post brings both troughs; a bed behind a gateway of its own is worth less than that."""
    sites = [*usual_sites(), {"name": "Pond", "role": "sensor", "x": 340, "y": 290, "antenna_agl_m": 1.0, "purpose": "trend"}]
    plan = _plan(tmp_path / "tight", sites, "requirement.budget = 200\n")
    (words,) = (line for line in plan.what_more_buys if "would also serve" in line and "EUR more" in line)
    assert words == "24 EUR more would also serve Trough, Pond."
    more = _plan(tmp_path / "more", sites, "requirement.budget = 224\n")
    assert {route.sensor for route in more.routes} == {"Bed", "Trough", "Pond"}
    unworthy = changed(usual_sites(), {"Trough": {"optional": "yes", "worth": 30}})
    small = _plan(tmp_path / "small", unworthy, "requirement.budget = 200\n")
    assert not any("EUR more would also serve" in line for line in small.what_more_buys)


def test_a_sensor_on_a_panel_is_on_the_shopping_list_with_it(tmp_path: Path) -> None:
    plan = _plan(tmp_path, changed(usual_sites(), {"Bed": {"power": "panel"}}), "generate_relays = 0\n")
    (bed,) = (device for device in plan.devices if device.name == "Bed")
    assert bed.served
    lines = [line for line in plan.parts if "panel" in line.part and "Bed" in line.devices]
    assert len(lines) == 1
    assert lines[0].quantity == len(lines[0].devices)
