"""Duty of sensors, relays and gateways against examples worked by hand and the planning table."""

from __future__ import annotations

import pytest
from bare_radio import bare_mode

from meshplan.errors import InputError
from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.airtime import acknowledgement_ms, time_on_air_ms
from meshplan.operation.duty_cycle import TrafficSource, channel_groups, channel_loads, device_airtimes
from meshplan.records.radio import RadioMode

CLASSES = read_radio_classes()


def mode(name: str) -> RadioMode:
    return bare_mode(CLASSES, name)


def twenty_through_one_relay(name: str, *, acknowledged: bool) -> dict[str, RadioMode]:
    return {**{f"s{number}": mode(name) for number in range(20)}, "relay": mode(name), "house": mode(name)}


@pytest.mark.parametrize(
    ("name", "percent"),
    # source: radio facts, table 3.3: a relay that forwards 20 nodes every 15 minutes, 20 bytes, no acknowledgements
    [("css-868-sf7", 0.13), ("css-868-sf9", 0.41), ("css-868-sf10", 0.82), ("css-868-sf12", 2.9), ("fsk-868-4k8", 0.115)],
)
def test_relay_duty_meets_the_planning_table(name: str, percent: float) -> None:
    modes = twenty_through_one_relay(name, acknowledged=False)
    sources = [TrafficSource(f"s{number}", 20, 900.0, (f"s{number}", "relay", "house"), acknowledged=False) for number in range(20)]
    relay = device_airtimes(sources, modes)["relay"]
    assert relay.normal.duty * 100 == pytest.approx(percent, rel=0.04)
    assert relay.normal.own_ms == 0.0
    assert relay.normal.packets == pytest.approx(80.0)


def test_every_hop_forwards_and_confirms_by_hand() -> None:
    # hand-worked: one sensor, 20 bytes, every 60 s, two hops: 60 packets an hour each for sensor and relay,
    # 60 confirmations each for relay and gateway
    name = "fsk-868-4k8"
    modes = {"tank": mode(name), "relay": mode(name), "house": mode(name)}
    found = device_airtimes([TrafficSource("tank", 20, 60.0, ("tank", "relay", "house"))], modes)
    packet, confirm = time_on_air_ms(mode(name), 20), acknowledgement_ms(mode(name))
    assert packet == pytest.approx(51.667, abs=1e-3)  # 31 bytes · 8 / 4800
    assert confirm == pytest.approx(25.0)  # 15 bytes · 8 / 4800
    assert found["tank"].normal.total_ms == pytest.approx(60 * packet)
    assert found["relay"].normal.forwarded_ms == pytest.approx(60 * packet)
    assert found["relay"].normal.acknowledgement_ms == pytest.approx(60 * confirm)
    assert found["house"].normal.total_ms == pytest.approx(60 * confirm)
    assert found["relay"].normal.packets == pytest.approx(120)
    assert found["relay"].shortest_interval_s == pytest.approx(30.0)


def test_frost_night_counts_the_fast_interval() -> None:
    modes = {"frost": mode("css-868-sf9"), "house": mode("css-868-sf9")}
    source = TrafficSource("frost", 20, 900.0, ("frost", "house"), fast_interval_s=60.0)
    found = device_airtimes([source], modes)["frost"]
    assert found.fast.duty == pytest.approx(15 * found.normal.duty)
    assert found.shortest_interval_s == pytest.approx(60.0)


def test_acknowledgements_use_up_the_gateway() -> None:
    # source: radio facts, table 3.4: 1 % at SF9 with 20 bytes are 194 acknowledgements an hour
    assert 0.01 * 3_600_000 / time_on_air_ms(mode("css-868-sf9"), 20) == pytest.approx(194, abs=1)


@pytest.mark.parametrize(
    ("name", "at_one_percent_s"),
    # source: radio facts, table 2.3: least mean interval of 20 bytes at 1 %
    [("css-868-sf7", 5.7), ("css-868-sf8", 10.3), ("css-868-sf9", 18.5), ("css-868-sf10", 37), ("css-868-sf12", 132)],
)
def test_least_interval_meets_the_table(name: str, at_one_percent_s: float) -> None:
    modes = {"a": mode(name), "b": mode(name)}
    source = TrafficSource("a", 20, at_one_percent_s, ("a", "b"), acknowledged=False)
    assert device_airtimes([source], modes)["a"].normal.duty == pytest.approx(0.01, rel=0.01)


def test_retries_cost_time_on_the_air() -> None:
    modes = {"a": mode("fsk-868-4k8"), "b": mode("fsk-868-4k8")}
    once = device_airtimes([TrafficSource("a", 20, 60.0, ("a", "b"))], modes)["a"]
    often = device_airtimes([TrafficSource("a", 20, 60.0, ("a", "b"), mean_tries=1.5)], modes)["a"]
    assert often.normal.total_ms == pytest.approx(1.5 * once.normal.total_ms)


def test_one_way_senders_get_no_confirmation() -> None:
    modes = {"a": mode("ook-433-12v-wire"), "b": mode("ook-433-12v-wire")}
    found = device_airtimes([TrafficSource("a", 20, 60.0, ("a", "b"))], modes)
    assert found["b"].normal.total_ms == 0.0
    assert found["b"].shortest_interval_s == float("inf")
    assert found["a"].longest_packet_ms == pytest.approx(520.0)


def test_a_sensor_without_a_route_still_sends() -> None:
    modes = {"a": mode("fsk-868-4k8")}
    found = device_airtimes([TrafficSource("a", 20, 60.0, ("a",))], modes)["a"]
    assert found.normal.packets == pytest.approx(60.0)
    assert found.normal.acknowledgement_ms == 0.0


def test_channel_load_adds_devices_of_one_factor_only() -> None:
    modes = {"a": mode("css-868-sf7"), "b": mode("css-868-sf7"), "c": mode("css-868-sf12"), "house": mode("css-868-sf7")}
    sources = [TrafficSource(name, 20, 900.0, (name, "house"), acknowledged=False) for name in "abc"]
    airtimes = device_airtimes(sources, modes)
    loads = channel_loads(airtimes, modes)
    assert channel_groups(modes)["c"] == "868.3 MHz SF12"
    assert loads["868.3 MHz SF7"] == pytest.approx(2 * 56.576 / 900e3, rel=1e-4)
    assert loads["868.3 MHz SF12"] == pytest.approx(1318.9 / 900e3, rel=1e-4)
    assert sum(loads.values()) == pytest.approx(sum(each.normal.duty for each in airtimes.values()))


def test_a_device_without_a_radio_is_named() -> None:
    with pytest.raises(InputError, match="'ghost' has no radio mode"):
        device_airtimes([TrafficSource("a", 20, 60.0, ("a", "ghost"))], {"a": mode("fsk-868")})
