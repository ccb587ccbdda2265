"""Where sensors are so many that their packets collide, a plan says who is not heard, and counts only who is built."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from small_property import Rows, bank, lay_small_property, usual_sites

from meshplan.assembly.proof import LEFT_OUT_UNPROVEN, ONE_ROUTE_UNPROVEN, proof_sentence
from meshplan.cli import main
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement
from meshplan.records import Role
from meshplan.workflow import check_plan, find_plan, plan_property

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


def behind_the_bank(folder: Path, marked: int, count: int, settings: str = "") -> Path:
    """Sensors behind a high bank with two posts upon it. Readings of 20 bytes every 20 s at SF7 are on the air 62 ms at a post and
    again behind it: of the 1 % of the hour that EN 300 220-2 annex B allows at 868.3 MHz one post has room for two sensors.
    """
    sensors: Rows = [
        {"name": name, "role": "sensor", "x": 300 + 12 * n, "y": 290 + 12 * n, "antenna_agl_m": 2.0, "interval_s": 20}
        | {"payload_bytes": 20, "second_route": "yes" if n < marked else ""}
        for n, name in enumerate("ABCD"[:count])
    ]
    others = [row for row in usual_sites() if row["role"] != "sensor"]
    words = f"{FLAT}radio_settings.frequency_mhz = 868.3\n{settings}"
    lay_small_property(folder, sites=[*sensors, *others], settings=words, heights=bank(110.0))
    return folder


@pytest.mark.parametrize(
    ("marked", "count", "settings"),
    [(1, 4, ""), (0, 3, 'requirement.second_route = "any one relay"\n')],
    ids=["one asks", "all ask"],
)
def test_a_second_route_without_airtime_is_none(
    marked: int, count: int, settings: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = behind_the_bank(tmp_path / "property", marked, count, settings)
    out = tmp_path / "out"
    assert main(["plan", str(folder), "--out", str(out), "-q", "--radio", "css-868-sf7"]) == 1
    shown = capsys.readouterr().out
    plan = find_plan(folder, out)[0]
    lost = {name for node in ("North post", "South post") for name in plan.loses_service[node]}
    single = {miss.sensor for miss in plan.single_routes}
    assert len(plan.routes) == count
    assert single
    asking = {route.sensor for route in plan.routes} if settings else {"A"}
    assert single == asking & (single | lost)  # nobody who loses service with a post is said to have a second way
    assert not [route.sensor for route in plan.routes if route.sensor in single and route.second_devices]
    assert f"{count} of {count} sensors served, {len(single)} of them without the second route" in shown.splitlines()[0]
    assert "a second route would need more time on the air than the rules allow" in shown
    assert plan.proof.sentence.endswith(ONE_ROUTE_UNPROVEN)
    for device in plan.devices:
        if plan.loses_service.get(device.name) and device.role is Role.RELAY:
            assert device.reason.startswith("Without it ")
            assert "service" in device.reason
    for price in plan.redundancy_prices[1:2]:
        assert price["sensors_with_second_route"] == len(asking) - len(single)
    report = check_plan(folder, plan)
    assert report.good, report.faults
    assert not check_plan(folder, replace(plan, single_routes=())).good
    nobody = tuple(replace(plan.single_routes[0], sensor=name) for name in sorted(asking))
    assert nobody == plan.single_routes or not check_plan(folder, replace(plan, single_routes=nobody)).good


def test_who_is_left_out_for_airtime_is_not_said_to_be_proven_the_fewest() -> None:
    problem = PlacementProblem(
        (SensorDemand("a", load=1.0), SensorDemand("b", load=1.0, left_out=True)),
        (NodeChoice("gate", 100.0, is_gateway=True, capacity=1.0),),
        Links.of([0, 1], [0, 0], [0.9, 0.9]),
        Links.of([], []),
    )
    result = solve_placement(problem)
    assert result.proven
    assert LEFT_OUT_UNPROVEN in proof_sentence(result)
    all_fit = replace(problem, sensors=problem.sensors[:1], access=Links.of([0], [0], [0.9]))
    assert "airtime" not in proof_sentence(solve_placement(all_fit))


def test_a_second_route_with_airtime_is_kept(tmp_path: Path) -> None:
    plan = plan_property(behind_the_bank(tmp_path, 1, 2), radio="css-868-sf7").plan
    assert not plan.single_routes
    assert next(route for route in plan.routes if route.sensor == "A").second_devices
