"""Sensors that may forward: relay candidates that stand there anyway, one device for price, parts, airtime, energy and failure."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, changed, lay_small_property, lon_lat, usual_sites

from meshplan.cli import main
from meshplan.operation.energy import Duty, average_current_ua, energy_wh_per_day
from meshplan.workflow import plan_property

Capture = pytest.CaptureFixture[str]
NO_OTHERS = "generate_relays = 0\n"
GAUGE = {"name": "Ridge gauge", "role": "sensor", "x": 200, "y": 300, "antenna_agl_m": 3.0, "purpose": "trend"}


def ridge(*, posts: bool = False, **of_the_gauge: Any) -> Rows:
    """Return the holding with a gauge on the bank; without `posts` only the gauge can carry what the trough behind it sends."""
    rows = [row for row in usual_sites() if posts or row["role"] != "relay"]
    return [*rows, GAUGE | of_the_gauge]


def plan_of(folder: Path, sites: Rows, *words: str) -> tuple[int, dict[str, Any]]:
    lay_small_property(folder / "property", sites=sites, settings=NO_OTHERS)
    code = main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *words])
    return code, json.loads((folder / "out" / "plan.json").read_text("utf-8"))["plan"]


def device(plan: dict[str, Any], name: str) -> dict[str, Any]:
    return next(each for each in plan["devices"] if each["name"] == name)  # type: ignore[no-any-return]


def route(plan: dict[str, Any], sensor: str) -> list[str]:
    return next((each["devices"] for each in plan["routes"] if each["sensor"] == sensor), [])  # type: ignore[no-any-return]


def test_a_gauge_on_mains_carries_the_trough_and_costs_nothing_more(tmp_path: Path, capsys: Capture) -> None:
    code, plan = plan_of(tmp_path, ridge(power="mains"))
    assert code == 0
    assert route(plan, "Trough") == ["Trough", "Ridge gauge (relay)", "House"]
    assert route(plan, "Ridge gauge") == ["Ridge gauge", "House"]
    relay = device(plan, "Ridge gauge (relay)")
    assert (relay["role"], relay["cost"], relay["same_as"]) == ("relay", 0.0, "Ridge gauge")
    assert relay["reason"].startswith("It is the sensor Ridge gauge itself, which forwards: no second device. Without it ")
    assert plan["price"] == pytest.approx(144.0)
    assert sum(line["quantity"] for line in plan["parts"] if ": radio, board and box" in line["part"]) == 4  # House, three sensors
    assert not any("Ridge gauge (relay)" in line["devices"] for line in plan["parts"])
    assert any(line["device"] == "Ridge gauge (relay)" and line["what"] == "mains power" for line in plan["running_costs"])
    assert any(line.startswith("May forward for others: Ridge gauge.") for line in plan["assumptions"])
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 0
    assert main(["sheets", str(tmp_path / "property"), "-q", "--out", str(tmp_path / "out")]) == 0
    assert "no second device" in (tmp_path / "out" / "sheets.html").read_text("utf-8")


@pytest.mark.parametrize(("power", "forwards", "may"), [("mains", "no", False), ("battery", "", False), ("panel", "", True)])
def test_who_may_forward(power: str, forwards: str, may: bool, tmp_path: Path) -> None:
    code, plan = plan_of(tmp_path, ridge(power=power, forwards=forwards))
    assert bool(route(plan, "Trough")) is may
    assert code == (0 if may else 1)


def test_a_gauge_that_is_only_declared_still_needs_lasting_power(tmp_path: Path, capsys: Capture) -> None:
    code, plan = plan_of(tmp_path, ridge(power="battery", forwards="yes"))
    assert code == 1
    assert route(plan, "Trough") == []
    assert "Trough: a candidate that could carry it has no lasting power" in capsys.readouterr().out


def test_a_panel_is_sized_for_the_open_receiver_and_the_own_readings(tmp_path: Path) -> None:
    """The panel counts once in the price, 40; its energy is board asleep, measuring, own readings, forwarding and listening."""
    code, plan = plan_of(tmp_path, ridge(power="panel"))
    assert code == 0
    assert plan["price"] == pytest.approx(184.0)
    panels = [line for line in plan["parts"] if line["part"].startswith("panel of ")]
    assert [(line["devices"], line["unit_cost"]) for line in panels] == [(["Ridge gauge (relay)"], 40.0)]
    gauge, relay = device(plan, "Ridge gauge"), device(plan, "Ridge gauge (relay)")
    assert gauge["energy"] == relay["energy"]
    planned = plan_property(tmp_path / "property")
    board = planned.prepared.base.catalogue.boards["low-power-board"]
    station = next(station for station in planned.links.stations if station.key == "Ridge gauge")
    alone = average_current_ua(Duty(station.radio, board, 12, 900.0, listening_share=1.0))
    idle = plan_of(tmp_path / "idle", ridge(power="panel", forwards="no"))[1]
    assert relay["energy"]["storage_wh"] > 5.0 * device(idle, "Ridge gauge")["energy"]["storage_wh"]
    # Storage is energy of a day, times days, over what may be drawn: more than one day of listening, less than two weeks.
    per_day = energy_wh_per_day(alone, board.supply_v.value)
    assert per_day < relay["energy"]["storage_wh"] < 14.0 * per_day


def test_the_duty_of_a_gauge_counts_its_own_readings_and_what_it_forwards(tmp_path: Path) -> None:
    """Both send 12 bytes every 900 s: the gauge sends two such packets and one confirmation, the trough sends one."""
    sites = changed(ridge(power="mains"), {"Trough": {"purpose": "trend"}})
    plan = plan_of(tmp_path, sites)[1]
    gauge, relay, trough = (device(plan, name)["duty"] for name in ("Ridge gauge", "Ridge gauge (relay)", "Trough"))
    repeats = ("mean_tries", "fast_mean_tries")  # counted hop by hop, so they differ between own and forwarded readings
    assert {key: value for key, value in gauge.items() if key not in repeats} == {
        key: value for key, value in relay.items() if key not in repeats
    }
    assert gauge["duty_share"] > 2.0 * trough["duty_share"]
    assert gauge["duty_share"] < 3.0 * trough["duty_share"]
    assert gauge["packets_per_hour"] == pytest.approx(3 * 4.0, rel=0.01)


def test_a_gauge_that_forwards_is_one_failure_for_two_routes(tmp_path: Path) -> None:
    """A post a metre away shares its fate: the trough gets one route, or two over places apart."""
    post = {"name": "Gauge post", "role": "relay", "x": 201, "y": 300, "antenna_agl_m": 4.0, "power": "panel", "cost": 10}
    asked = ("--set", 'requirement.second_route="any one relay"')
    code, plan = plan_of(tmp_path / "near", [*ridge(power="mains"), post], *asked)
    assert code == 1
    assert [miss["sensor"] for miss in plan["single_routes"]] == ["Trough"]
    apart = post | {"name": "Far post", "y": 360}
    code, plan = plan_of(tmp_path / "apart", [*ridge(power="mains"), apart], *asked)
    assert code == 0
    both = next(each for each in plan["routes"] if each["sensor"] == "Trough")
    assert {both["devices"][1], both["second_devices"][1]} == {"Ridge gauge (relay)", "Far post"}


def test_no_sensor_goes_through_itself(tmp_path: Path) -> None:
    plan = plan_property(
        lay_small_property(tmp_path, sites=ridge(posts=True, power="mains")),
        overrides={"requirement.second_route": "any one relay"},
    )
    stations = plan.links.stations
    pairs = {(stations[i].key, stations[j].key) for i, j in plan.links.pairs}
    assert ("Ridge gauge", "Ridge gauge (relay)") not in pairs
    assert ("Trough", "Ridge gauge (relay)") in pairs
    for each in plan.plan.routes:
        for way in (each.devices, each.second_devices):
            assert f"{each.sensor} (relay)" not in way
    by_key = {station.key: station for station in stations}
    assert by_key["Ridge gauge (relay)"].tx_power_dbm <= by_key["Ridge gauge"].tx_power_dbm
    assert by_key["Ridge gauge (relay)"].antenna == by_key["Ridge gauge"].antenna


def test_a_trial_that_moves_the_relay_moves_the_sensor(tmp_path: Path) -> None:
    """The map saves what is dragged by the name of its marker; marker of relay and of sensor are one device."""
    folder = lay_small_property(tmp_path, sites=ridge(power="mains"), settings=NO_OTHERS)
    lon_deg, lat_deg = lon_lat(205.0, 310.0)
    (folder / "changes.csv").write_text(
        f"name,role,lon_deg,lat_deg,antenna_agl_m\nRidge gauge (relay),relay,{lon_deg:.7f},{lat_deg:.7f},4\n", "utf-8"
    )
    sites = {site.name: site for site in plan_property(folder).prepared.found.sites}
    gauge, relay = sites["Ridge gauge"], sites["Ridge gauge (relay)"]
    assert (gauge.x_m, gauge.y_m, gauge.antenna_agl_m) == (relay.x_m, relay.y_m, relay.antenna_agl_m)
    assert gauge.antenna_agl_m == 4.0
    assert gauge.role == "sensor"
