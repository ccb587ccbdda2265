"""The shopping list: complete, with spares, every line traced, sums equal to the plan's cost."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.operation.parts import parts_list, spares
from meshplan.records import Device, EnergyRecord, PartLine, Power, Purpose, Role
from meshplan.settings import CostSettings

COSTS = CostSettings()


def device(name: str, role: Role, height_m: float, **changes: object) -> Device:
    """Return a device with the standard price of its role, height and supply."""
    power = changes.get("power", Power.BATTERY if role is Role.SENSOR else Power.PANEL)
    standard = {Role.SENSOR: 25.0, Role.RELAY: 45.0, Role.GATEWAY: 120.0}[role]
    if role is not Role.SENSOR:
        standard += 12.0 * max(0.0, height_m - 2.0) + (40.0 if power != Power.MAINS else 0.0)
    plain = Device(
        name=name,
        role=role,
        lon_deg=0.0,
        lat_deg=0.0,
        x_m=0.0,
        y_m=0.0,
        ground_amsl_m=0.0,
        antenna_agl_m=height_m,
        in_plan=True,
        served=True,
        purpose=Purpose.TREND,
        importance=1.0,
        power=Power(str(power)),
        antenna="sleeve-dipole",
        cable="mini-coax-2.7mm",
        cable_m=0.0 if role is Role.SENSOR else 3.0,
        azimuth_deg=None,
        indoors=None,
        cost=standard,
        radio="css-868-sf7",
        height_assumed=False,
        interval_s=900.0,
        payload_bytes=12,
    )
    return replace(plain, **changes)  # type: ignore[arg-type]


DEVICES = (
    device("house", Role.GATEWAY, 8.0, power=Power.MAINS),
    device("ridge", Role.RELAY, 4.0, energy=EnergyRecord("panel", "lithium-iron", 0.0, 2.9, 15.0, "", "")),
    device("saddle", Role.RELAY, 4.0, cost=200.0),
    device("s1", Role.SENSOR, 0.5),
    device("s2", Role.SENSOR, 4.0),
    device("barn", Role.RELAY, 6.0, in_plan=False),
)


def find(lines: tuple[PartLine, ...], start: str) -> PartLine:
    return next(line for line in lines if line.part.startswith(start))


def test_prices_times_quantities_are_the_cost_of_the_plan() -> None:
    lines = parts_list(DEVICES, COSTS)
    total = sum(line.quantity * line.unit_cost for line in lines if line.unit_cost is not None)
    assert total == pytest.approx(sum(one.cost for one in DEVICES if one.in_plan))


def test_every_line_traces_to_devices_of_the_plan() -> None:
    used = {one.name for one in DEVICES if one.in_plan}
    for line in parts_list(DEVICES, COSTS):
        assert line.devices
        assert set(line.devices) <= used
        assert line.quantity == len(line.devices)


def test_lines_say_what_to_buy() -> None:
    lines = parts_list(DEVICES, COSTS)
    assert find(lines, "sensor: radio").devices == ("s1", "s2")
    assert find(lines, "mast or bracket, antenna at 4 m").devices == ("ridge", "saddle")
    assert find(lines, "mast or bracket, antenna at 8 m").unit_cost == pytest.approx(72.0)
    assert find(lines, "panel of 3 W, charger, battery of 15 Wh").devices == ("ridge",)
    assert find(lines, "antenna cable mini coax 2.7mm, 3 m").quantity == 3
    assert find(lines, "surge arrester").devices == ("house", "ridge", "saddle", "s2")
    assert find(lines, "own price of this site, more").unit_cost == pytest.approx(200.0 - 45.0 - 24.0 - 40.0)


def test_spares_are_a_tenth_and_at_least_one_but_no_second_mast() -> None:
    lines = parts_list(tuple(device(f"s{i}", Role.SENSOR, 0.5) for i in range(21)), COSTS)
    assert find(lines, "sensor: radio").spares == 3
    assert find(parts_list(DEVICES, COSTS), "gateway: radio").spares == 1
    assert find(parts_list(DEVICES, COSTS), "mast").spares == 0


@settings(deadline=None)
@given(st.integers(1, 500), st.floats(0, 1))
def test_spares_reach_the_share(quantity: int, share: float) -> None:
    assert spares(quantity, share) >= max(1.0, quantity * share - 1e-6)
    assert spares(quantity, share) <= quantity * share + 1 + 1e-6


def test_cable_is_bought_in_half_metres_rounded_up() -> None:
    lines = parts_list((device("g", Role.GATEWAY, 2.0, cable_m=3.2),), COSTS)
    assert find(lines, "antenna cable").part.startswith("antenna cable mini coax 2.7mm, 3.5 m")


def test_an_empty_plan_needs_nothing() -> None:
    assert parts_list((), COSTS) == ()


def test_a_sensor_without_a_price_in_the_plan_has_the_standard_one() -> None:
    lines = parts_list((device("s", Role.SENSOR, 0.5, cost=0.0),), COSTS)
    assert find(lines, "sensor: radio").unit_cost == COSTS.sensor
    assert not [line for line in lines if line.part.startswith("own price")]


def test_a_relay_without_mains_is_fed_by_a_panel() -> None:
    lines = parts_list((device("r", Role.RELAY, 2.0, power=Power.PANEL),), COSTS)
    assert find(lines, "panel, charger and battery").unit_cost == COSTS.panel
    assert not [line for line in lines if line.part.startswith("battery")]


def test_a_relay_on_a_battery_is_fed_by_cells() -> None:
    lines = parts_list((device("r", Role.RELAY, 2.0, power=Power.BATTERY),), COSTS)
    assert find(lines, "battery").unit_cost == COSTS.battery
    assert not [line for line in lines if line.part.startswith("panel")]


def test_what_has_no_route_is_not_bought() -> None:
    """A sensor without a route is on no line; one whose device relays for others is bought for that."""
    lost = device("far", Role.SENSOR, 1.0, served=False)
    relaying = device("mid", Role.SENSOR, 1.0, served=False, power=Power.MAINS)
    relay = device("mid (relay)", Role.RELAY, 1.0, same_as="mid", cost=0.0, power=Power.MAINS)
    lines = parts_list((*DEVICES, lost, relaying, relay), COSTS)
    assert not any("far" in line.devices for line in lines)
    assert any("mid" in line.devices for line in lines)
    with_it = parts_list((*DEVICES, replace(lost, served=True), relaying, relay), COSTS)
    total, more = (sum(line.quantity * (line.unit_cost or 0.0) for line in each) for each in (lines, with_it))
    assert more - total == pytest.approx(COSTS.sensor)
