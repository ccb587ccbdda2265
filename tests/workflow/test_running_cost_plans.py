"""What a gateway costs a year: counted over the horizon that the user sets, told beside the price, checked in a stored plan."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.cli import main

Capture = pytest.CaptureFixture[str]


def two_gateways(**of_the_first: Any) -> Rows:
    """Return a bed between two houses, of which either hears it: the first is 50 cheaper to buy."""
    rows = [row for row in usual_sites() if row["name"] in ("Bed", "House")]
    rows = changed(rows, {"House": {"cost": 100} | of_the_first})
    second = {"name": "Shed", "role": "gateway", "x": 60, "y": 340, "antenna_agl_m": 4.0, "power": "mains", "cost": 150}
    return [*rows, second | {"running_cost_per_year": 0}]


def plan_of(folder: Path, sites: Rows, *words: str, settings: str = "") -> tuple[int, dict[str, Any]]:
    lay_small_property(folder / "property", sites=sites, settings=settings)
    code = main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *words])
    path = folder / "out" / "plan.json"
    return code, json.loads(path.read_text("utf-8"))["plan"] if path.is_file() else {}


def gateways(plan: dict[str, Any]) -> list[str]:
    return [device["name"] for device in plan["devices"] if device["in_plan"] and device["role"] == "gateway"]


def test_the_horizon_decides_between_a_price_and_a_running_cost(tmp_path: Path, capsys: Capture) -> None:
    """Hand-worked: House 100 + 40 a year, Shed 150 and nothing; over 1 year 140 against 150, over 2 years 180 against 150."""
    for years, chosen, cost in (("0", "House", 100.0), ("1", "House", 140.0), ("2", "Shed", 150.0)):
        words = ("--set", f"cost.horizon_years={years}")
        code, plan = plan_of(tmp_path / years, two_gateways(running_cost_per_year=40), *words)
        assert code == 0
        assert gateways(plan) == [chosen]
        assert plan["proof"]["cost"] == pytest.approx(cost)
        assert plan["proof"]["optimal"] is True
        assert plan["proof"]["certified_bound"] == pytest.approx(cost)
        assert plan["price"] == pytest.approx({"House": 100.0, "Shed": 150.0}[chosen])
        assert plan["horizon_years"] == float(years)
        told = capsys.readouterr().out
        if years == "1":
            assert "over 1 years: 140 EUR, of which 100 to buy" in told
        if chosen == "House":
            assert "House: data and power, 40.00 (stated by the user)" in told
        assert main(["check", str(tmp_path / years / "property"), "--plan", "--out", str(tmp_path / years / "out")]) == 0
        capsys.readouterr()


def test_the_check_does_not_believe_a_running_cost(tmp_path: Path, capsys: Capture) -> None:
    folder = tmp_path / "one"
    plan_of(folder, two_gateways(running_cost_per_year=40), "--set", "cost.horizon_years=1")
    path = folder / "out" / "plan.json"
    genuine = path.read_text("utf-8")
    for place, value in (("running_cost_per_year", 0.0), ("running_costs", []), ("horizon_years", 0.0), ("price", 90.0)):
        document = json.loads(genuine)
        document["plan"][place] = value
        path.write_text(json.dumps(document), "utf-8")
        capsys.readouterr()
        assert main(["check", str(folder / "property"), "--plan", "--out", str(folder / "out")]) == 2, place
        assert place in capsys.readouterr().out


def test_a_budget_counts_the_horizon(tmp_path: Path, capsys: Capture) -> None:
    sites = [row for row in two_gateways(running_cost_per_year=40) if row["name"] != "Shed"]
    words = ("--set", "requirement.budget=170", "--set", "cost.horizon_years=1")
    assert plan_of(tmp_path / "one", sites, *words)[0] == 0
    words = ("--set", "requirement.budget=170", "--set", "cost.horizon_years=2")
    code, plan = plan_of(tmp_path / "two", sites, *words)
    assert code == 1
    assert plan["unserved"][0]["reason"] == "serving it would cost more than the budget"


def test_a_way_out_has_a_price_a_yearly_cost_and_a_draw(tmp_path: Path, capsys: Capture) -> None:
    """Hand-worked: mobile data is 60 once and 60 a year of the packaged table; standard gateway 120, mast 2 m at 12, so 204.

    At 1 EUR a kWh a watt costs 8.766 EUR a year: what the modem's watt adds to the mains line of a gateway without one.
    """
    row = {"House": {"backhaul": "mobile_data"}}
    one = [row for row in usual_sites() if row["name"] in ("Bed", "House")]
    _, plain = plan_of(tmp_path / "plain", one, "--set", "cost.energy_per_kwh=1")
    code, plan = plan_of(tmp_path / "mobile", changed(one, row), "--set", "cost.energy_per_kwh=1")
    assert code == 0
    assert plain["price"] == pytest.approx(144.0)
    assert plan["price"] == pytest.approx(204.0)
    lines = {line["what"]: line["cost_per_year"] for line in plan["running_costs"]}
    before = {line["what"]: line["cost_per_year"] for line in plain["running_costs"]}
    assert lines["mobile data modem with a small data plan"] == 60.0
    assert lines["mains power"] - before["mains power"] == pytest.approx(8.766, abs=0.011)
    assert before["mains power"] > 0.5 * 8.766
    parts = {line["part"]: line["unit_cost"] for line in plan["parts"]}
    assert parts["way out: mobile data modem with a small data plan"] == 60.0
    assert not any(part.startswith("own price") for part in parts)
    told = capsys.readouterr().out
    table = (tmp_path / "mobile" / "out" / "tables" / "running_costs.csv").read_text("utf-8")
    assert "House,mobile data modem with a small data plan,60" in table
    assert any("it needs mobile reception at the gateway" in line for line in plan["assumptions"])
    assert "Running cost:" in told
    assert main(["check", str(tmp_path / "mobile" / "property"), "--plan", "--out", str(tmp_path / "mobile" / "out")]) == 0


def test_the_panel_of_a_gateway_carries_its_way_out(tmp_path: Path) -> None:
    """A modem of 1 W is 24 Wh a day: the storage grows with it."""
    one = [row for row in usual_sites() if row["name"] in ("Bed", "House")]
    plain = plan_of(tmp_path / "plain", changed(one, {"House": {"power": "panel"}}))[1]
    more = plan_of(tmp_path / "more", changed(one, {"House": {"power": "panel", "backhaul": "mobile_data"}}))[1]
    watts = [next(d for d in plan["devices"] if d["name"] == "House")["energy"]["panel_w"] for plan in (plain, more)]
    assert watts[1] > 1.1 * watts[0]
    assert [line["what"] for line in more["running_costs"]] == ["mobile data modem with a small data plan"]


def test_own_kinds_of_ways_out_and_what_is_wrong_with_them(tmp_path: Path, capsys: Capture) -> None:
    one = [row for row in usual_sites() if row["name"] in ("Bed", "House", "South post")]
    folder = tmp_path / "own"
    (folder / "property").mkdir(parents=True)
    (folder / "property" / "backhauls.toml").write_text(
        '[[backhaul]]\nname = "neighbour"\ntitle = "the neighbour\'s network"\nprice = 10\nprice_per_year = 5\nsource = "agreed"\n'
        'standing = "practice"\n',
        "utf-8",
    )
    code, plan = plan_of(folder, one, settings='cost.backhaul = "neighbour"\n')
    assert code == 0
    assert plan["price"] == pytest.approx(154.0)
    assert {"neighbour"} == {d["backhaul"] for d in plan["devices"] if d["role"] == "gateway"}
    assert any(file["name"] == "backhauls.toml" for file in plan["inputs"])
    capsys.readouterr()
    assert plan_of(tmp_path / "typo", changed(one, {"House": {"backhaul": "mobile_dat"}}))[0] == 2
    told = capsys.readouterr().err
    assert "'mobile_dat' is no way out of a gateway. Did you mean 'mobile_data'?" in told
    assert "column 'backhaul'" in told
    assert plan_of(tmp_path / "relay", changed(one, {"South post": {"backhaul": "mobile_data"}}))[0] == 2
    assert "only a gateway has a way out" in capsys.readouterr().err
