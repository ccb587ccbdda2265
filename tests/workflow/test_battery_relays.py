"""Relays on a battery: used where they last as long as the user asks, whatever they forward."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.cli import main
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes
from meshplan.operation.running_cost import least_relay_life_years
from meshplan.records.radio import radio_mode

Capture = pytest.CaptureFixture[str]
ASKED = ("--set", "supply.relay_life_years=1")
IN_WINDOWS = (*ASKED, "--set", "supply.relay_listening_share=0.01")


def one_post(**of_the_post: Any) -> Rows:
    """Return the holding with one post on the bank, without a price of its own, on a battery."""
    rows = [row for row in usual_sites() if row["name"] != "North post"]
    return changed(rows, {"South post": {"power": "battery", "cost": ""} | of_the_post})


def plan_of(folder: Path, sites: Rows, *words: str) -> tuple[int, dict[str, Any]]:
    lay_small_property(folder / "property", sites=sites, settings="generate_relays = 0\n")
    code = main(["plan", str(folder / "property"), "--out", str(folder / "out"), "-q", *words])
    return code, json.loads((folder / "out" / "plan.json").read_text("utf-8"))["plan"]


def test_a_receiver_that_is_always_open_empties_the_cells_and_the_post_stays_unused(tmp_path: Path, capsys: Capture) -> None:
    code, plan = plan_of(tmp_path, one_post(), *ASKED)
    assert code == 1
    assert [miss["sensor"] for miss in plan["unserved"]] == ["Trough"]
    shown = capsys.readouterr().out
    assert re.search(r"On its cells South post lasts at least 0\.\d+ years, whatever it forwards: less than the 1 asked", shown)
    assert "a candidate that could carry it has no lasting power" in shown


def test_a_post_that_listens_in_windows_lasts_and_is_used(tmp_path: Path, capsys: Capture) -> None:
    """Hand-worked price: gateway 120 + 2 m of mast at 12, relay 45 + 1 m at 12 + cells 10."""
    code, plan = plan_of(tmp_path, one_post(), *IN_WINDOWS)
    assert code == 0
    post = next(device for device in plan["devices"] if device["name"] == "South post")
    assert post["in_plan"] is True
    assert plan["price"] == pytest.approx(144.0 + 67.0)
    told = next(line for line in plan["assumptions"] if line.startswith("On its cells South post lasts at least "))
    least = float(re.findall(r"at least ([\d.]+) years", told)[0])
    assert post["energy"]["life_years"] >= least >= 1.0
    (cells,) = [line for line in plan["parts"] if line["part"] == "battery: AA alkaline cells, for a relay"]
    assert (cells["devices"], cells["unit_cost"]) == (["South post"], 10.0)
    assert not any("panel" in line["part"] or line["part"].startswith("own price") for line in plan["parts"])
    (yearly,) = [line for line in plan["running_costs"] if line["what"] == "cells"]
    assert yearly["cost_per_year"] == pytest.approx(10.0 / least, rel=0.05)
    assert any("must know the windows" in line for line in plan["assumptions"])
    assert not any("no lasting power" in line for line in plan["unknowns"])
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 0
    path = tmp_path / "out" / "plan.json"
    document = json.loads(path.read_text("utf-8"))
    document["plan"]["made_with"]["settings"]["supply.relay_listening_share"] = 1.0
    path.write_text(json.dumps(document), "utf-8")
    assert main(["check", str(tmp_path / "property"), "--plan", "--out", str(tmp_path / "out")]) == 2
    assert "'South post' has no power but is opened" in capsys.readouterr().out


def test_a_gauge_on_cells_forwards_where_it_is_declared_and_lasts(tmp_path: Path) -> None:
    gauge = {
        "name": "Ridge gauge",
        "role": "sensor",
        "x": 200,
        "y": 300,
        "antenna_agl_m": 3.0,
        "power": "battery",
        "forwards": "yes",
    }
    rows = [row for row in usual_sites() if row["role"] != "relay"]
    code, plan = plan_of(tmp_path, [*rows, gauge], *IN_WINDOWS)
    assert code == 0
    trough = next(route for route in plan["routes"] if route["sensor"] == "Trough")
    assert trough["devices"] == ["Trough", "Ridge gauge (relay)", "House"]
    assert plan["price"] == pytest.approx(144.0 + 10.0)
    cells = [line["devices"] for line in plan["parts"] if line["part"].startswith(("battery", "cells:"))]
    assert sorted(name for names in cells for name in names) == ["Bed", "Ridge gauge (relay)", "Trough"]
    energy = {device["name"]: device["energy"] for device in plan["devices"]}
    assert energy["Ridge gauge"] == energy["Ridge gauge (relay)"]


@pytest.mark.parametrize("share", [1.0, 0.05, 0.002])
def test_the_least_life_falls_with_every_packet_and_follows_the_charge(share: float) -> None:
    """An alkaline cell of C mAh that is drawn at I for a year gives C · k / (I · 8766 h + C · s), here with the receiver alone."""
    mode, cell = radio_mode(read_radio_classes(), "fsk-868-50k"), read_batteries()["alkaline-aa"]
    facts = {"cells": 2, "payload_bytes": 12, "interval_s": 3600.0, "packet_bytes": 12, "temperature_c": 20.0}
    lives = [
        least_relay_life_years(
            [mode], read_boards()["low-power-board"], cell, packets_per_hour=packets, listening_share=share, **facts
        )
        for packets in (0.0, 100.0, 5000.0)
    ]
    assert lives[0] >= lives[1] > lives[2] or share == 1.0
    drawn_ma = mode.radio.rx_current_ma.value * share
    capacity = 2 * cell.capacity_mah.value
    bound = capacity * cell.end_factor.value / (drawn_ma * 8766.0 + capacity * cell.self_discharge_per_year.value)
    assert lives[0] <= min(bound, cell.shelf_life_years.value)
    assert lives[0] > 0.5 * min(bound, cell.shelf_life_years.value) or share < 0.01
