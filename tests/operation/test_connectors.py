"""Every joint of an antenna line mates: same series, opposite genders, one impedance."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from small_property import lay_small_property

from meshplan.errors import MeshplanError
from meshplan.inputs.antennas import read_antennas, read_cables
from meshplan.operation.connectors import ARRESTER_SOCKET, RADIO_SOCKET, fittings
from meshplan.workflow import plan_property


def cable(series: str, gender: str) -> str:
    return f"connector for the cable: {series} {gender}, 50 Ω"


@pytest.mark.parametrize(
    ("antenna", "series", "has_cable", "has_arrester", "expected"),
    [
        ("", ("SMA",), False, False, ()),
        ("", ("SMA",), True, False, (cable("SMA", "male"),)),  # a wire soldered to the end of the cable
        ("", ("SMA", "N"), True, True, (cable("SMA", "male"), cable("N", "male"), cable("N", "male"))),
        ("SMA male", (), False, False, ()),  # a whip screws onto the radio
        ("N female", (), False, False, ("adapter: N male to SMA male, 50 Ω",)),
        ("SMA male", ("SMA",), True, False, (cable("SMA", "male"), cable("SMA", "female"))),
        ("N female", ("SMA", "N"), True, False, (cable("SMA", "male"), cable("N", "male"))),
        ("N female", ("N",), True, False, (cable("N", "male"), "adapter: N female to SMA male, 50 Ω", cable("N", "male"))),
        ("N female", ("SMA", "N"), True, True, (cable("SMA", "male"), cable("N", "male"), cable("N", "male"), cable("N", "male"))),
        ("N female", ("SMA",), True, False, (cable("SMA", "male"), cable("SMA", "male"), "adapter: N male to SMA female, 50 Ω")),
    ],
)  # fmt: skip
def test_lines_by_hand(
    antenna: str, series: tuple[str, ...], has_cable: bool, has_arrester: bool, expected: tuple[str, ...]
) -> None:
    assert fittings(antenna, series, has_cable=has_cable, has_arrester=has_arrester) == expected


@pytest.mark.parametrize("has_arrester", [False, True])
def test_every_class_of_antenna_and_cable_can_be_joined(has_arrester: bool) -> None:
    for antenna in read_antennas().values():
        for line in read_cables().values():
            assert line.connectors
            found = fittings(antenna.connector, line.connectors, has_cable=True, has_arrester=has_arrester)
            mates = _free_ends(found)
            last = [antenna.connector] if antenna.connector else []  # a wire is soldered to the cable's end
            sockets = [RADIO_SOCKET, *last, *([ARRESTER_SOCKET] * 2 if has_arrester else [])]
            assert sorted(mates) == sorted(_opposite(socket) for socket in sockets), (antenna.name, line.name)


def _free_ends(parts: tuple[str, ...]) -> list[str]:
    """Return what faces the sockets after each adapter has gone onto the cable's connector before it."""
    ends: list[str] = []
    for part in parts:
        series = re.findall(r"(?:SMA|N) (?:fe)?male", part)
        if part.startswith("adapter"):
            onto = _opposite(ends.pop())
            assert onto in series
            series.remove(onto)
        ends.append(series[0])
        assert part.endswith("50 Ω")
    return ends


def _opposite(end: str) -> str:
    series, gender = end.split()
    return f"{series} {'female' if gender == 'male' else 'male'}"


def test_a_plan_counts_plugs_and_cells(tmp_path: Path) -> None:
    plan = plan_property(lay_small_property(tmp_path), overrides={"antenna.gateway": "collinear_5dbi"}).plan
    parts = {line.part: line for line in plan.parts}
    house = plan.device("House")
    assert house.cable_m > 0.0
    assert house.fittings
    for part in set(house.fittings):
        assert parts[part].quantity >= house.fittings.count(part)
        assert "House" in parts[part].devices
    sensors = [device for device in plan.devices if device.energy is not None and device.energy.cells_in_series]
    assert {device.name for device in sensors} == {"Bed", "Trough"}
    assert parts["cells: AA alkaline cells"].quantity == sum(
        d.energy.cells_in_series * d.energy.cells_in_parallel for d in sensors if d.energy
    )


def test_connectors_that_are_none_are_told(tmp_path: Path) -> None:
    (tmp_path / "antennas.toml").write_text(
        '[[antenna]]\nname = "mine"\nplanning_gain_dbi = [0, 1, 2]\nconnector = "F male"\n', encoding="utf-8"
    )
    with pytest.raises(MeshplanError, match="'F male' is no connector"):
        read_antennas(tmp_path)
