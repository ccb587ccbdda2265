"""Slots of a plan as devices.json gives them: nobody meets anybody, clocks are allowed for; without any it says why."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.operation.airtime import acknowledgement_ms, time_on_air_ms
from meshplan.operation.energy import ANSWER_WINDOW_MS
from meshplan.workflow.airtime import running_of
from meshplan.workflow.devices import slots_of
from meshplan.workflow.plan import Planned, plan_property, write_plan
from meshplan.workflow.simulate import simulate_planned

SITES: Rows = [
    *(row | {"interval_s": 600} if row["role"] == "sensor" else row for row in usual_sites()),
    {
        "name": "Frost",
        "role": "sensor",
        "x": 400,
        "y": 320,
        "antenna_agl_m": 1.0,
        "purpose": "alarm",
        "interval_s": 300,
        "fast_interval_s": 60,
    },
    {"name": "Far bed", "role": "sensor", "x": 420, "y": 280, "antenna_agl_m": 1.0, "purpose": "trend", "interval_s": 900},
]


def planned_with(folder: Path, sites: Rows = SITES, settings: str = "", **overrides: Any) -> tuple[Planned, dict[str, Any]]:
    planned = plan_property(lay_small_property(folder / "land", sites=sites, settings=settings), overrides=overrides)
    write_plan(planned, folder / "out")
    return planned, json.loads((folder / "out" / "exports" / "devices.json").read_text(encoding="utf-8"))


@pytest.fixture(scope="module")
def holding(tmp_path_factory: pytest.TempPathFactory) -> tuple[Planned, dict[str, Any]]:
    return planned_with(tmp_path_factory.mktemp("slots"), settings='requirement.second_route = "any one relay"\n')


def test_no_two_windows_overlap_and_every_send_is_listened_to(holding: tuple[Planned, dict[str, Any]]) -> None:
    planned, document = holding
    frame, devices = document["slots"], {device["number"]: device for device in document["devices"]}
    sends = {(each["sensor"], number): each for number, device in devices.items() for each in device["slots"]["sends"]}
    windows: dict[tuple[int, int], tuple[int, int]] = {}
    for number, device in devices.items():
        for each in device["slots"]["listens"]:
            send = sends[each["sensor"], each["sender"]]
            assert number in (send["to"], send["second_to"])
            assert each["from_ms"] < send["offset_ms"] < each["to_ms"]
            assert windows.setdefault((each["sensor"], each["sender"]), (each["from_ms"], each["to_ms"])) == (
                each["from_ms"],
                each["to_ms"],
            )
    assert set(windows) == set(sends)
    assert all(end <= begin for (_, end), (begin, _) in pairwise(sorted(windows.values()))), "all share devices or the air here"
    assert max(end for _, end in windows.values()) == frame["used_ms"] == frame["least_ms"]
    assert frame["used_ms"] + frame["open_ms"] <= frame["frame_ms"]
    assert any(each["second_to"] or each["sensor"] for each in sends.values())
    for route in planned.plan.routes:
        for names in (route.devices, route.second_devices):
            numbers = [next(n for n, each in devices.items() if each["plan_name"] == name) for name in names]
            ways = [windows[numbers[0], sender] for sender in numbers[:-1]]
            assert all(before[1] <= after[0] for before, after in pairwise(ways)), "a reading is there before it is sent on"


def test_every_interval_is_a_multiple_of_the_frame_also_on_an_alarm_night(holding: tuple[Planned, dict[str, Any]]) -> None:
    _, document = holding
    frame_s = document["slots"]["frame_ms"] / 1000.0
    seen = 0
    for device in document["devices"]:
        slots = device["slots"]
        if device["interval_s"]:
            assert slots["every_frames"] * frame_s == device["interval_s"]
            assert 0 <= slots["first_frame"] < slots["every_frames"]
            if device["fast_interval_s"]:
                assert slots["fast_every_frames"] * frame_s == device["fast_interval_s"]
                seen += 1
    assert seen == 1


def test_guard_times_follow_from_the_clocks_that_are_stated(tmp_path: Path) -> None:
    planned, document = planned_with(
        tmp_path, **{"slots.clock_error_ppm": 20.0, "slots.readings_between_settings": 1, "slots.jitter_ms": 2.0}
    )
    mode = planned.prepared.radio
    device = next(each for each in document["devices"] if each["name"] == "Bed")
    gateway = next(each for each in document["devices"] if each["number"] == device["parent"]["number"])
    (listen,) = (each for each in gateway["slots"]["listens"] if each["sender"] == device["number"])
    guard = 2 * 20.0 * 1e-3 * 600 + 2.0
    length = time_on_air_ms(mode, 12) + acknowledgement_ms(mode) + ANSWER_WINDOW_MS + 2 * guard
    assert listen["to_ms"] - listen["from_ms"] == pytest.approx(length, abs=1.0)
    assert device["slots"]["sends"][0]["offset_ms"] - listen["from_ms"] == pytest.approx(guard, abs=1.0)


@pytest.mark.slow
@pytest.mark.parametrize("fast", [False, True])
def test_slots_leave_collisions_to_the_open_part_and_the_plan_holds(tmp_path: Path, fast: bool) -> None:
    crowd: Rows = [
        {"name": f"Bed {n}", "role": "sensor", "x": 300 + 9 * n, "y": 240 + 8 * n, "antenna_agl_m": 0.8, "purpose": "trend"}
        | {"interval_s": 120, "fast_interval_s": 60}
        for n in range(12)
    ]
    sites = [*usual_sites()[2:], *crowd]
    planned, document = planned_with(tmp_path, sites, radio="css-868-sf9", **{"slots.clock_error_ppm": 20.0})
    assert document["slots"], document["slots_note"]
    random, slots = simulate_planned(planned, days=2, fast=fast).runs
    assert (random.way, slots.way) == ("random offsets", "slots")
    assert random.frames_collided > 500
    assert slots.frames_collided < 0.02 * random.frames_collided
    assert slots.arrived / slots.readings >= random.arrived / random.readings


def test_intervals_without_a_common_step_are_told_with_what_would_do(tmp_path: Path) -> None:
    sites = changed(SITES, {"Bed": {"interval_s": 601}})
    _, document = planned_with(tmp_path, sites)
    assert document["slots"] is None
    assert all(device["slots"] is None for device in document["devices"])
    assert "multiples of no more than 1 s" in document["slots_note"]
    assert "Make all of them multiples of" in document["slots_note"]


def test_senders_that_hear_nothing_keep_no_slots(tmp_path: Path) -> None:
    sites = [row for row in changed(SITES, {"House": {"x": 405, "y": 300}}) if row["role"] != "relay"]
    planned, document = planned_with(tmp_path, sites, radio="ook-433-superhet", **{"requirement.link_chance": 0.5})
    assert planned.plan.routes, "else nothing is on the air"
    assert document["slots"] is None
    assert "nothing sets the clock" in document["slots_note"]


def test_where_a_rule_asks_for_hopping_nothing_is_coordinated(tmp_path: Path) -> None:
    settings = 'country = "united-states"\nradio = "css-915-sf7"\nradio_settings.accepts = ["hopping"]\n'
    folder = lay_small_property(tmp_path / "land", sites=SITES)
    text = (folder / "property.toml").read_text(encoding="utf-8")
    kept = "".join(line for line in text.splitlines(keepends=True) if not line.startswith(("country", "radio")))
    (folder / "property.toml").write_text(settings + kept, encoding="utf-8")
    planned = plan_property(folder)
    found = slots_of(
        planned.plan, planned.prepared, planned.links, running_of(planned.prepared, planned.links, planned.result.plan)
    )
    assert found.for_simulation() is None
    assert "hops over channels, which devices must not do by a common plan" in found.sentence
    assert len(simulate_planned(planned, days=1).runs) == 1
