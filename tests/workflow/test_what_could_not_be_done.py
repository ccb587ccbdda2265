"""The plan tells what it could not do: counted, named, with the remedy, and exit code 1."""

from __future__ import annotations

import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from small_property import bank, changed, lay_small_property, usual_sites

from meshplan.cli import main
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan
from meshplan.workflow import plan_property

ONE = 'requirement.second_route="any one relay"'
Capture = pytest.CaptureFixture[str]


def _plan(folder: Path, sites: list[dict[str, Any]], capsys: Capture, *words: str) -> tuple[int, str, dict[str, Any]]:
    lay_small_property(folder / "property", sites=sites)
    capsys.readouterr()
    code = main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *words])
    shown = capsys.readouterr()
    path = folder / "out" / "plan.json"
    plan = json.loads(path.read_text(encoding="utf-8"))["plan"] if path.is_file() else {}
    return code, shown.out + shown.err, plan


def _without(name: str) -> list[dict[str, Any]]:
    return [row for row in usual_sites() if row["name"] != name]


def test_a_second_route_that_cannot_be_had_is_counted_named_and_mended(tmp_path: Path, capsys: Capture) -> None:
    code, shown, plan = _plan(tmp_path, _without("North post"), capsys, "--set", ONE)
    assert code == 1
    assert "2 of 2 sensors served, 1 of them without the second route that was asked for" in shown
    assert "One route only, where two were asked for:" in shown
    assert "no second route would be left if South post failed" in shown
    assert [miss["sensor"] for miss in plan["single_routes"]] == ["Trough"]
    assert plan["single_routes"][0]["remedies"]
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "One route only" in report


def test_a_budget_that_pays_one_route_is_named(tmp_path: Path, capsys: Capture) -> None:
    """House and South post cost 224, North post 150 more."""
    code, shown, plan = _plan(tmp_path, usual_sites(), capsys, "--set", ONE, "--set", "requirement.budget=250")
    assert code == 1
    assert "Trough: a second route would cost more than the budget" in shown
    assert plan["unserved"] == []


def test_a_direct_link_is_no_second_way(tmp_path: Path, capsys: Capture) -> None:
    code, _, plan = _plan(tmp_path, usual_sites(), capsys, "--set", ONE)
    assert code == 0
    bed = next(route for route in plan["routes"] if route["sensor"] == "Bed")
    assert bed["second_devices"] == []
    assert bed["second_note"] == "none needed: no relay lies on its way"
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert report.count("and a second way") == 1


def test_a_candidate_on_a_battery_is_said_to_lack_lasting_power(tmp_path: Path, capsys: Capture) -> None:
    sites = changed(_without("North post"), {"South post": {"power": "battery"}})
    code, shown, plan = _plan(tmp_path, sites, capsys)
    assert code == 1
    assert "Trough: a candidate that could carry it has no lasting power" in shown
    assert "give South post mains or a panel" in shown
    assert "0.0 dB short" not in shown
    assert any(line.startswith("South post has no lasting power (battery)") for line in plan["unknowns"])


def test_an_optional_sensor_not_worth_its_cost_gets_no_antenna(tmp_path: Path, capsys: Capture) -> None:
    sites = changed(usual_sites(), {"Trough": {"optional": "yes", "worth": 50}})
    code, shown, plan = _plan(tmp_path, sites, capsys)
    assert code == 1
    assert "Trough: it is optional and serving it would cost all that it is worth, or more" in shown
    assert plan["unserved"][0]["remedies"] == []
    rich = changed(usual_sites(), {"Trough": {"optional": "yes", "worth": 90}})
    code, _, plan = _plan(tmp_path / "rich", rich, capsys)
    assert (code, plan["unserved"]) == (0, [])


def test_the_worth_of_an_optional_sensor_does_not_hide_in_its_cost(tmp_path: Path, capsys: Capture) -> None:
    sites = changed(usual_sites(), {"Trough": {"optional": "yes", "cost": 90}})
    code, shown, _ = _plan(tmp_path, sites, capsys)
    assert code == 2
    assert "column 'worth'" in shown


@pytest.mark.parametrize(("link", "route", "hops"), [(0.9, 0.81, 2), (0.8, 0.512, 3), (0.99, 0.99**4, 4), (0.7, 0.7, 1)])
def test_a_route_of_exactly_the_chance_asked_counts(link: float, route: float, hops: int) -> None:
    nodes = [NodeChoice(f"R{i}", 5.0) for i in range(hops - 1)] + [NodeChoice("G", 10.0, is_gateway=True)]
    problem = PlacementProblem(
        (SensorDemand("S"),),
        tuple(nodes),
        Links.of([0], [0], [link]),
        Links.of(list(range(hops - 1)), list(range(1, hops)), [link] * (hops - 1)),
        hop_limit=hops,
        min_route_chance=route,
    )
    plan = solve_placement(problem).plan
    assert [item.sensor_id for item in plan.served] == ["S"]
    assert verify_plan(problem, plan) == ()
    stricter = PlacementProblem(
        problem.sensors, problem.nodes, problem.access, problem.backhaul, hop_limit=hops, min_route_chance=route + 1e-6
    )
    assert solve_placement(stricter).plan.served == ()


def test_a_remedy_is_about_the_link_that_is_missing_and_keeps_its_promise(tmp_path: Path, capsys: Capture) -> None:
    """The trough hears its post perfectly; the post does not reach the house over the bank: no antenna at the trough mends that."""
    sites = changed(
        [row for row in usual_sites() if row["name"] not in {"Bed", "North post"}],
        {"Trough": {"antenna_agl_m": 0.4}, "South post": {"x": 340, "y": 290, "antenna_agl_m": 1.0}},
    )

    def planned(folder: Path, rows: list[dict[str, Any]]) -> tuple[int, str, dict[str, Any]]:
        lay_small_property(folder / "property", sites=rows, heights=bank(6.5), settings="requirement.route_chance = 0.8\n")
        capsys.readouterr()
        code = main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q"])
        plan = json.loads((folder / "out" / "plan.json").read_text(encoding="utf-8"))["plan"]
        return code, capsys.readouterr().out, plan

    code, shown, plan = planned(tmp_path / "before", sites)
    assert code == 1
    (miss,) = plan["unserved"]
    assert "none of them reaches a gateway; the link from South post to House comes nearest to mending it" in shown
    assert (miss["sensor"], miss["nearest"]) == ("Trough", "House")
    assert miss["missing_db"] > 0
    assert miss["remedies"]
    assert {remedy["device"] for remedy in miss["remedies"]} <= {"South post", "House"}
    first = miss["remedies"][0]
    assert first["suffices"]
    assert first["change"].startswith("Give South post another antenna: collinear rod, 8 dBi; its way is then South post → House, ")
    assert first["change"].endswith(", +224 EUR")
    assert first["gain_db"] >= miss["missing_db"]
    code, shown, plan = planned(tmp_path / "after", changed(sites, {"South post": {"antenna": "collinear_8dbi"}}))
    assert code == 0, shown
    assert plan["unserved"] == []
    (way,) = (route for route in plan["routes"] if route["sensor"] == "Trough")
    assert (way["devices"], way["chance"]) == (first["route"], pytest.approx(first["chance_after"], abs=1e-6))


def test_the_shopping_list_says_what_is_not_bought_yet(tmp_path: Path, capsys: Capture) -> None:
    """Without posts the trough has no route: nothing is listed for it, and report, sheets and map say so beside the sum."""
    sites = [row for row in usual_sites() if row["role"] != "relay"]
    code, _, plan = _plan(tmp_path, sites, capsys, "--set", "generate_relays=0")
    assert code == 1
    assert plan["parts"]
    assert not any("Trough" in line["devices"] for line in plan["parts"])
    sentence = "Neither listed nor in the sum: Trough, which has no route; buy nothing for it yet."
    assert sentence in (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert sentence in (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert main(["sheets", str(tmp_path / "out" / "plan.json")]) == 0
    assert sentence in (tmp_path / "out" / "sheets.html").read_text(encoding="utf-8")


def test_worth_exactly_its_cost_is_not_said_to_cost_more(tmp_path: Path, capsys: Capture) -> None:
    """South post costs 80: for a trough worth just that both plans are as good; the words hold for the one that is taken."""
    sites = changed(usual_sites(), {"Trough": {"optional": "yes", "worth": 80}})
    code, shown, plan = _plan(tmp_path, sites, capsys)
    assert plan["proof"]["cost"] in (144.0, 224.0)
    assert (code == 0) is (plan["proof"]["cost"] == 224.0)
    assert "more than it is worth" not in shown


def test_what_shares_a_post_is_named_by_what_stands_there(tmp_path: Path, capsys: Capture) -> None:
    """Both posts stand 1.5 m apart and share fate: the device of the plan is named, not the one beside it that nobody builds."""
    sites = changed(usual_sites(), {"North post": {"x": 200, "y": 271.5}})
    code, _, plan = _plan(tmp_path, sites, capsys, "--set", ONE)
    assert code == 1
    (built,) = [device["name"] for device in plan["devices"] if device["in_plan"] and device["role"] == "relay"]
    (miss,) = plan["single_routes"]
    assert f"no second route would be left if {built} failed" in miss["reason"]


def test_a_route_that_just_fails_is_not_given_the_chance_that_is_asked(tmp_path: Path, capsys: Capture) -> None:
    """The product of the chances of both links, to the last digit, is enough; a ten-millionth more is not, and is not written as 51
    of 51 %. Planning and checking the plan agree on both.
    """
    sites = changed(
        usual_sites(),
        {"Trough": {"antenna_agl_m": 0.3, "x": 420}, "South post": {"antenna_agl_m": 1.0}, "North post": {"use": "forbidden"}},
    )
    easy = "requirement.link_chance = 0.5\nradio_settings.power_dbm = 0\nrequirement.route_chance = 0\n"
    folder = lay_small_property(tmp_path / "property", sites=sites, settings=easy)
    planned = plan_property(folder)
    keys = [station.key for station in planned.links.stations]
    chance = {
        frozenset((keys[i], keys[j])): float(planned.links.worst_chance[row]) for row, (i, j) in enumerate(planned.links.pairs)
    }
    route = next(route for route in planned.plan.routes if route.sensor == "Trough")
    assert len(route.devices) == 3
    product = math.prod(chance[frozenset(pair)] for pair in pairwise(route.devices))
    assert 0.3 < product < 0.9
    for floor, enough in ((product, True), (product + 1e-7, False)):
        out = tmp_path / str(enough)
        capsys.readouterr()
        code = main(["plan", str(folder), "--out", str(out), "-q", "--set", f"requirement.route_chance={floor!r}"])
        shown = capsys.readouterr().out
        assert (code == 0) is enough
        assert main(["check", str(folder), "--plan", "--out", str(out)]) == 0
        if not enough:
            assert f"its best route would work in just under {100 * floor:.0f} % of cases, {100 * floor:.0f} % are asked" in shown
