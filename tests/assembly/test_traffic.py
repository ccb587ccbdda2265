"""What sensors load on relays and gateways, and how much of a duty limit a plan may fill."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bare_radio import bare_mode
from landscapes import make_landscape
from link_stations import make_site, make_stations

from meshplan.assembly.traffic import airtime_budget, forwarded_share, with_own_traffic
from meshplan.inputs.radios import read_radio_classes, read_regions
from meshplan.operation.duty_cycle import TrafficSource, device_airtimes
from meshplan.operation.law import Emission
from meshplan.records import Role
from meshplan.records.station import Station

EUROPE = read_regions()["europe"]
RADIO = bare_mode(read_radio_classes(), "fsk-868-4k8", power_dbm=13.0, frequency_mhz=868.9)
LAND = make_landscape(np.full((60, 60), 100.0))


def stations(count: int) -> tuple[Station, ...]:
    traffic = {"payload_bytes": 20, "interval_s": 1800.0, "fast_interval_s": 900.0}
    sensors = [make_site(f"S{n}", 20.0 + 5 * n, 40.0, 1.0, **traffic) for n in range(count)]
    hubs = [make_site("R", 100.0, 100.0, 3.0, Role.RELAY), make_site("G", 200.0, 200.0, 5.0, Role.GATEWAY)]
    return make_stations([*sensors, *hubs], LAND, RADIO)[0]


def test_budget_by_hand() -> None:
    # hand-worked: (31 + 15) bytes · 8 / 4800 bit/s = 76.7 ms every 900 s = 85.2 ppm; half of 0.1 % is 500 ppm (EN 300 220-2);
    # a gateway only confirms, 15 of 46 bytes, so it has room for 46/15 times as much
    budget = airtime_budget(stations(30), EUROPE)
    assert budget.load["S0"] == pytest.approx(85.2e-6, rel=1e-3)
    assert budget.capacity == pytest.approx({"R": 500e-6, "G": 500e-6 * 46 / 15})


def test_the_load_is_what_the_running_relay_and_gateway_then_send() -> None:
    made = stations(4)
    modes = {station.key: RADIO for station in made}
    sources = [TrafficSource(f"S{n}", 20, 1800.0, (f"S{n}", "R", "G"), fast_interval_s=900.0) for n in range(4)]
    airtimes = device_airtimes(sources, modes)
    # hand-worked: four sensors, each every 900 s: (31 + 15) · 8 / 4.8 = 76.67 ms through the relay, 15 · 8 / 4.8 = 25 ms from
    # the gateway
    assert airtimes["R"].fast.duty == pytest.approx(4 * 76.667e-3 / 900, rel=1e-4)
    assert airtimes["G"].fast.duty == pytest.approx(4 * 25e-3 / 900, rel=1e-4)
    sensors = [station for station in made if station.site.role is Role.SENSOR]
    assert [forwarded_share(RADIO, sensor.site) for sensor in sensors] == pytest.approx([85.185e-6] * 4, rel=1e-4)


def test_there_is_no_limit_where_one_device_could_carry_all() -> None:
    assert airtime_budget(stations(5), EUROPE).capacity == {}
    assert airtime_budget(stations(5), EUROPE).load == {}


def test_there_is_no_limit_under_rules_without_duty_or_on_a_licence() -> None:
    regions = read_regions()
    mode = replace(RADIO, frequency_mhz=915.0)
    moved = [replace(station, radio=mode) for station in stations(30)]
    assert airtime_budget(moved, regions["united-states"]).capacity == {}
    loud = [replace(station, tx_power_dbm=30.0) for station in stations(30)]
    assert airtime_budget(loud, EUROPE, licence="held").capacity == {}


def test_a_class_of_its_own_takes_no_room_from_another() -> None:
    made = stations(30)
    other = replace(made[0], radio=bare_mode(read_radio_classes(), "ble-1m"))
    budget = airtime_budget([other, *made[1:]], EUROPE)
    assert budget.capacity == pytest.approx({"R": 500e-6, "G": 500e-6 * 46 / 15})
    assert budget.load["S1"] == pytest.approx(85.2e-6, rel=1e-3)


@pytest.mark.parametrize("far", ["fsk-868-50k", "css-868-sf7", "css-868-sf9"])
@pytest.mark.parametrize("payload_bytes", [(20, 20), (4, 60)])
def test_two_classes_share_the_room_of_a_relay_that_joins_them(far: str, payload_bytes: tuple[int, int]) -> None:
    """Filled to its room by the budget, no radio of a chain over two classes sends longer than half of its limit allows."""
    other = bare_mode(read_radio_classes(), far, power_dbm=13.0, frequency_mhz=868.9)
    traffic = {"interval_s": 900.0}
    count = 400
    sensors = [make_site(f"S{n}", 20.0, 40.0, 1.0, payload_bytes=payload_bytes[n % 2], **traffic) for n in range(count)]
    hubs = [make_site("R", 100.0, 100.0, 3.0, Role.RELAY), make_site("G", 200.0, 200.0, 5.0, Role.GATEWAY)]
    made = make_stations([*sensors, *hubs], LAND, RADIO)[0]
    relay, gateway = made[count], made[count + 1]
    joined = [*made[: count + 1], replace(relay, radio=other), replace(gateway, radio=other)]
    budget = airtime_budget(joined, EUROPE)
    carried, room = [], min(budget.capacity["R"], budget.capacity["G"])
    for station in made[:count]:
        if sum(budget.load[name] for name in [*carried, station.key]) <= room:
            carried.append(station.key)
    assert 0 < len(carried) < count
    modes = {**dict.fromkeys(carried, RADIO), "R near": RADIO, "R far": other, "G": other}
    sizes = {site.name: site.payload_bytes for site in sensors}
    sources = [
        TrafficSource(key, sizes[key], 900.0, (key,), acknowledged=True, hops=((key, "R near"), ("R far", "G"))) for key in carried
    ]
    duty = {name: each.fast.duty for name, each in device_airtimes(sources, modes).items() if name in ("R near", "R far", "G")}
    assert max(duty.values()) <= 0.0005 * (1 + 1e-9)
    assert max(duty.values()) > 0.0005 / 4.0


def test_a_sensor_that_forwards_has_less_room_by_its_own_readings() -> None:
    made = stations(30)
    gauge = replace(made[30].site, name="S0 (relay)", same_as="S0", payload_bytes=20, interval_s=900.0)
    budget = airtime_budget([*made[:30], replace(made[30], site=gauge), made[31]], EUROPE)
    assert budget.capacity["R"] == pytest.approx(500e-6 - 31 * 8 / 4800 / 900.0)


def test_own_traffic_is_that_of_the_busiest_sensor() -> None:
    sites = [station.site for station in stations(2) if station.site.role is Role.SENSOR]
    slow = replace(sites[1], interval_s=7200.0, fast_interval_s=None, payload_bytes=40)
    emission = with_own_traffic(Emission(RADIO, 0.0), [sites[0], slow])
    assert emission.interval_s == 900.0
    assert emission.longest_packet_ms == pytest.approx(51 * 8 / 4.8)
    assert emission.duty == pytest.approx(31 * 8 / 4.8 / 900e3)
