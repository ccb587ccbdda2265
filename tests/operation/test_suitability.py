"""Fitness beyond range: which class may steer a motor, open a gate, wake the grower."""

from __future__ import annotations

import pytest

from meshplan.errors import InputError
from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.airtime import time_on_air_ms
from meshplan.operation.channel import Delay, HopDelay, route_delay
from meshplan.operation.suitability import DEMANDS, NOT_FOR_LIFE, Suitability, demand_for, suitability
from meshplan.records.radio import radio_mode

CLASSES = read_radio_classes()


def judge(purpose: str, name: str, *, hops: int = 1, success: float = 0.95, **more: object) -> Suitability:
    mode = radio_mode(CLASSES, name)
    demand = demand_for(purpose)
    hop = HopDelay(time_on_air_ms(mode, demand.payload_bytes), success, acknowledged=mode.acknowledged)
    spacing = (0.5, 5.0) if demand.update_s is None else (0.0, 0.01)
    delay = route_delay([hop] * hops, retry_spacing_s=spacing)
    return suitability(demand, mode, delay, hops=hops, **more)  # type: ignore[arg-type]


def test_one_way_radio_may_carry_readings_but_no_gate() -> None:
    assert judge("trend", "ook-433-12v-wire", success=0.96).fit
    gate = judge("gate", "ook-433-12v-wire", success=0.999)
    assert not gate.fit
    assert gate.sentence == (
        "433 MHz one-way OOK pair, sender on 12 V, cut quarter-wave wires does not serve for opening and closing a gate: "
        "it never learns whether a packet arrived; the far device cannot hear or cannot answer: it is one-way."
    )


def test_serial_modem_needs_its_own_confirmation() -> None:
    pump = judge("pump", "fsk-433-serial", success=0.999)
    assert pump.reasons == ("it never learns whether a packet arrived: confirmation must be written into your own program",)


@pytest.mark.parametrize("name", ["gfsk-2g4-250k-board", "fsk-868-50k", "ble-1m"])
def test_fast_two_way_radio_may_steer_a_motor(name: str) -> None:
    assert judge("brushed-motor", name).fit


def test_a_slow_chirp_steers_no_motor() -> None:
    motor = judge("brushed-motor", "css-868-sf12", duty_limit=0.01)
    assert not motor.fit
    assert any("on the air, the loop asks for one every 50 ms" in reason for reason in motor.reasons)
    assert any("1 % are allowed" in reason for reason in motor.reasons)


def test_duty_alone_can_forbid_a_loop() -> None:
    fine = judge("brushed-motor", "fsk-868-50k")
    limited = judge("brushed-motor", "fsk-868-50k", duty_limit=0.01)
    assert fine.fit
    assert len(limited.reasons) == 1
    assert "refreshing it would use" in limited.reasons[0]


def test_a_sleeping_valve_hears_only_after_its_own_report() -> None:
    awake = judge("valve", "css-868-sf7")
    asleep = judge("valve", "css-868-sf7", battery_downlink=True, reporting_interval_s=900.0)
    assert awake.fit
    assert not asleep.fit
    assert "the device sleeps and hears only after its own report" in asleep.reasons[0]
    assert judge("valve", "css-868-sf7", battery_downlink=True, reporting_interval_s=15.0).fit


def test_a_weak_route_fails_an_alarm() -> None:
    assert judge("alarm", "css-868-sf9", success=0.9).fit
    weak = judge("alarm", "css-868-sf9", success=0.6)
    assert weak.reasons == ("93.6 % arrive within the tries, 99.5 % are needed",)


def test_what_cannot_relay_serves_no_second_hop() -> None:
    assert judge("trend", "bt-classic-class2").fit
    assert judge("trend", "bt-classic-class2", hops=2).reasons == ("it cannot be relayed, and the route has more than one hop",)


@pytest.mark.parametrize("purpose", sorted(DEMANDS))
def test_every_verdict_tells_what_must_be_built_in(purpose: str) -> None:
    verdict = judge(purpose, "fsk-868-50k")
    assert verdict.must[-1] == NOT_FOR_LIFE
    if DEMANDS[purpose].needs_downlink:
        assert verdict.must[0].startswith("Fail-safe: ")


def test_control_stands_for_a_pump_and_unknown_purposes_are_told() -> None:
    assert demand_for("control").key == "pump"
    with pytest.raises(InputError, match="Did you mean 'valve'"):
        demand_for("valves")


def test_a_delay_beyond_the_limit_is_a_reason() -> None:
    mode = radio_mode(CLASSES, "fsk-868-4k8")
    late = suitability(demand_for("gate"), mode, Delay(mean_s=3.0, worst_s=8.0, delivered=1.0))
    assert late.reasons == ("the worst delay is 8 s, 5 s are acceptable",)
