"""A relay with two radios: both are told, each with its own frames, and its slots keep both from meeting."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from small_property import changed, lay_small_property, usual_sites

from meshplan.operation.airtime import time_on_air_ms
from meshplan.workflow.plan import plan_property, write_plan
from meshplan.workflow.simulate import simulate_planned

FAR, SHORT = "fsk-868-50k", "oqpsk-2g4-802154"


def test_both_radios_are_told_and_simulated(tmp_path: Path) -> None:
    sites = changed(usual_sites(), {"South post": {"radio": f"{SHORT}+{FAR}"}, "North post": {"use": "forbidden"}})
    vine = {"name": "Vine", "role": "sensor", "x": 212, "y": 272, "antenna_agl_m": 2.0, "radio": SHORT}
    planned = plan_property(lay_small_property(tmp_path / "land", sites=[*sites, vine]))
    assert {route.sensor for route in planned.plan.routes} >= {"Vine"}
    write_plan(planned, tmp_path / "out", headers=True)
    document = json.loads((tmp_path / "out" / "exports" / "devices.json").read_text(encoding="utf-8"))
    devices = {device["name"]: device for device in document["devices"]}
    radios = {setup["radio"]: setup for setup in devices["South post"]["radios"]}
    assert set(radios) == {FAR, SHORT}
    modes = {part.radio.name: part.radio for part in planned.prepared.parts}
    assert radios[FAR]["longest_frame_ms"] == pytest.approx(time_on_air_ms(modes[FAR], 12), rel=1e-8)
    assert radios[SHORT]["longest_frame_ms"] == 0.0, "it takes readings in by that radio and sends none"
    assert [setup["radio"] for setup in devices["Vine"]["radios"]] == [SHORT]
    assert devices["Vine"]["parent"]["name"] == "South post"
    assert {each["radio"] for each in devices["South post"]["expected"]} == {FAR, SHORT}
    (header,) = (tmp_path / "out" / "exports" / "headers").glob("*_south_post.h")
    text = header.read_text(encoding="ascii")
    assert "#define MESHPLAN_RADIO_COUNT 2" in text
    windows = sorted((each["from_ms"], each["to_ms"]) for each in devices["South post"]["slots"]["listens"])
    assert windows, document["slots_note"]
    for run in simulate_planned(planned, days=2).runs:
        assert run.arrived == run.readings > 0
