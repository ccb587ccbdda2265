"""Where sensors are so many that their packets collide, a plan says who is not heard, and counts only who is built."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_property import Rows, lay_small_property, usual_sites

from meshplan.cli import main
from meshplan.records import Role
from meshplan.workflow import plan_property

FLAT = "generate_relays = 0\ngenerate_gateways = 0\n"


def crowd(interval_s: int, count: int = 20) -> Rows:
    """Return sensors in a row beside the house, all with one interval, and the house."""
    sensors: Rows = [
        {"name": f"S{n:02d}", "role": "sensor", "x": 30 + 4 * n, "y": 330, "antenna_agl_m": 2.0, "interval_s": interval_s}
        for n in range(count)
    ]
    return [*sensors, next(row for row in usual_sites() if row["name"] == "House")]


def test_a_route_on_which_nothing_arrives_is_no_success(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """20 packets of 0.9 s every 10 s: e^(-2·20·0.89/10) of them would meet nobody even without a repeat, 3 in 100."""
    lay_small_property(tmp_path / "property", sites=crowd(10), settings=FLAT)
    words = ["plan", str(tmp_path / "property"), "--out", str(tmp_path / "out"), "-q", "--radio", "css-2g4-sf12-203k"]
    assert main(words) == 1
    shown = capsys.readouterr().out
    assert "served, but on a channel so full that too few readings of 20 of them arrive" in shown.splitlines()[0]
    assert "TOO FULL: readings collide" in shown
    assert "S00: under 1 % of its readings arrive" in shown
    assert "Fewer readings arrive than was asked of 20 sensors." in shown


def test_a_quiet_channel_is_no_complaint(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lay_small_property(tmp_path / "property", sites=crowd(900, 3), settings=FLAT)
    assert main(["plan", str(tmp_path / "property"), "--out", str(tmp_path / "out"), "-q", "--radio", "css-2g4-sf12-203k"]) == 0
    shown = capsys.readouterr().out
    assert "TOO FULL" not in shown
    assert "Fewer readings arrive" not in shown


def test_who_is_left_out_is_not_on_the_air(tmp_path: Path) -> None:
    """The gateway may confirm for a few of 20 sensors only; the rest is not built, so it neither sends nor fills the channel."""
    folder = lay_small_property(tmp_path, sites=crowd(1), settings=FLAT)
    plan = plan_property(folder, radio="css-868-sf7").plan
    built = [device for device in plan.devices if device.in_plan]
    assert 0 < len(plan.routes) < 20
    (channel,) = plan.channels
    assert channel.senders == len(plan.routes) + sum(device.role is not Role.SENSOR for device in built)
    sent = sum(device.duty.duty_share for device in built if device.duty and (device.role is not Role.SENSOR or device.served))
    assert channel.load == pytest.approx(sent)
    assert "e+" not in channel.sentence


def test_the_comparison_does_not_call_a_full_channel_a_success(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = lay_small_property(tmp_path / "property", sites=crowd(10), settings=FLAT)
    words = ["compare", str(folder), "--out", str(tmp_path / "out"), "-q", "--radio", "css-2g4-sf12-203k"]
    assert main(words) == 1
    assert "20 of 20, 20 too rarely" in capsys.readouterr().out


def test_a_way_around_that_would_be_too_long_on_the_air_keeps_no_service(tmp_path: Path) -> None:
    """Sixteen sensors send every second over two posts. Either post alone may carry twelve of them, as planning without the other
    shows: repeats and all, at most a tenth of the hour.
    """
    sensors: Rows = [
        {"name": f"S{n:02d}", "role": "sensor", "x": 300 + 6 * n, "y": 260 + 12 * n, "antenna_agl_m": 1.5, "interval_s": 1}
        for n in range(16)
    ]
    others = [row for row in usual_sites() if row["role"] != "sensor"]
    plan = plan_property(lay_small_property(tmp_path / "both", sites=[*sensors, *others], settings=FLAT)).plan
    assert len(plan.routes) == 16
    for post in ("North post", "South post"):
        without = [row | {"use": "forbidden"} if row["name"] == post else row for row in others]
        alone = plan_property(lay_small_property(tmp_path / post, sites=[*sensors, *without], settings=FLAT)).plan
        (relay,) = [device for device in alone.devices if device.in_plan and device.role is Role.RELAY]
        assert relay.duty is not None
        assert 0.5 < relay.duty.fast_duty_share / relay.duty.duty_limit <= 1.0
        assert len(plan.loses_service[post]) == len(alone.unserved) > 0
