"""Numbers and identifiers of devices stay with their devices, whatever comes and goes."""

from __future__ import annotations

import re

from hypothesis import given
from hypothesis import strategies as st

from meshplan.assembly.device_numbers import MOST_LETTERS, RESERVED, number_devices, physical_names, safe_identifier
from meshplan.records import Device, Plan, Power, Purpose, Role
from meshplan.records.device_settings import DeviceNumber

C_IDENTIFIER = re.compile(r"[a-z_][a-z0-9_]*")


def device(name: str, role: Role = Role.SENSOR, *, site: str = "", same_as: str = "") -> Device:
    return Device(
        name=name,
        role=role,
        lon_deg=0.0,
        lat_deg=0.0,
        x_m=0.0,
        y_m=0.0,
        ground_amsl_m=0.0,
        antenna_agl_m=1.0,
        in_plan=True,
        served=True,
        purpose=Purpose.TREND,
        importance=1.0,
        power=Power.MAINS,
        antenna="",
        cable="",
        cable_m=0.0,
        azimuth_deg=None,
        indoors=None,
        cost=0.0,
        radio="",
        height_assumed=False,
        interval_s=900.0,
        payload_bytes=12,
        site=site or name,
        same_as=same_as,
    )


class Some(Plan):
    """A plan of which the numbers look at the devices alone."""

    def __init__(self, *devices: Device) -> None:
        object.__setattr__(self, "devices", devices)


NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), min_size=1, max_size=40).filter(
    lambda name: name.strip()
)


@given(st.lists(NAMES, min_size=1, max_size=12, unique=True), st.lists(NAMES, max_size=12, unique=True), st.integers(0, 11))
def test_devices_keep_what_they_have_and_nothing_is_given_twice(first: list[str], second: list[str], leaving: int) -> None:
    before = number_devices(Some(*(device(name) for name in first)))
    stay = [name for place, name in enumerate(first) if place != leaving]
    names = list(dict.fromkeys([*second, *stay])) or first
    after = number_devices(Some(*(device(name) for name in names)), before)
    assert {each.name: each for each in before}.items() <= {each.name: each for each in after}.items()
    assert {each.name for each in after} == {*first, *names}
    assert len({each.number for each in after}) == len({each.identifier for each in after}) == len(after)
    for each in after:
        assert C_IDENTIFIER.fullmatch(each.identifier)
        assert each.identifier not in RESERVED
    new = [each.number for each in after if each.name not in first]
    assert min(new, default=10**6) > max(each.number for each in before), "a number came back for another device"


def test_the_file_of_a_plan_gives_the_same_numbers_again() -> None:
    plan = Some(device("Bed"), device("Büd"), device("House", Role.GATEWAY))
    once = number_devices(plan)
    assert number_devices(plan, once) == once


def test_names_that_differ_by_signs_alone_get_identifiers_of_their_own() -> None:
    found = number_devices(Some(*(device(name) for name in ("tank 1", "tank-1", "Tank_1", "tänk 1", "???", "!!!", "int", "7"))))
    assert [each.identifier for each in found] == [
        *("tank_1", "tank_1_2", "tank_1_3", "tank_1_4", "device", "device_6", "int_7", "n_7"),
    ]


def test_long_names_stay_within_what_compilers_tell_apart() -> None:
    long = "the old hazel coppice behind the second cattle grid, post"
    found = number_devices(Some(device(f"{long} 1"), device(f"{long} 2")))
    assert all(len(each.identifier) <= MOST_LETTERS for each in found)
    assert found[0].identifier != found[1].identifier
    assert safe_identifier(long) == "the_old_hazel_coppice_behind_th"


def test_another_antenna_height_is_the_same_device_and_so_is_a_sensor_that_forwards() -> None:
    low = Some(device("Bed"), device("Knoll at 3 m", Role.RELAY, site="Knoll"))
    high = Some(device("Bed"), device("Knoll at 8 m", Role.RELAY, site="Knoll"))
    assert number_devices(high, number_devices(low)) == number_devices(low)
    forwarding = Some(device("Bed"), device("Bed as relay", Role.RELAY, site="Bed", same_as="Bed"))
    assert [each.name for each in number_devices(forwarding)] == ["Bed"]
    assert physical_names(forwarding) == {"Bed": "Bed", "Bed as relay": "Bed"}


def test_gaps_fill_only_when_the_last_number_is_used_up() -> None:
    kept = (DeviceNumber(1, "Old", "old"), DeviceNumber(65_534, "Last", "last"))
    found = number_devices(Some(device("Trough")), kept)
    assert [each.number for each in found] == [1, 2, 65_534]
    assert found[1] == DeviceNumber(2, "Trough", "trough")
