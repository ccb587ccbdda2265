"""Who stands too near to an overhead wire, by published distances; and that nothing is ever called safe."""

from __future__ import annotations

import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st

from meshplan.inputs.osm_utilities import wire_rules
from meshplan.operation.wires import NONE_READ, NOT_SAFE, WireMap, fall_height_m, wires_nearby, wires_note
from meshplan.records.utility import Utility, UtilityKind, WireNearby

RULES = wire_rules()
LINE = UtilityKind("power line", "#b3261e", "overhead", half_width_m=3.0, work_m=15.0)
PIPE = UtilityKind("pipeline", "#7a4b12", "buried", dig_m=10.0)
FEET_M = 0.3048


def wire(kind: UtilityKind = LINE, voltage_v: float | None = None, x_m: float = 0.0) -> Utility:
    return Utility("power line 7", kind, shapely.LineString([(x_m, -500.0), (x_m, 500.0)]), voltage_v)


def near(x_m: float, antenna_agl_m: float, *wires: Utility) -> tuple[WireNearby, ...]:
    return wires_nearby("Post", x_m, 0.0, antenna_agl_m, wires or (wire(),), RULES)


@pytest.mark.parametrize(
    ("voltage_v", "feet"),
    [(50e3, 10), (50_001, 15), (200e3, 15), (350e3, 20), (500e3, 25), (750e3, 35), (1e6, 45), (2e6, 45), (None, 20)],
)
def test_distances_in_the_air_are_those_of_the_table(voltage_v: float | None, feet: float) -> None:
    """OSHA 29 CFR 1926.1408 Table A (10 to 45 ft); voltage unknown: 20 ft, as for up to 350 kV."""
    assert RULES.clear_m(voltage_v) == pytest.approx(feet * FEET_M, abs=0.01)


def test_twice_the_height_and_the_fall_are_told_apart() -> None:
    """A mast of 8 m: top at 10 m. It could fall on a wire of 20 kV within 10 + 3.05 + 5 m, and is near within 2 · 10 + 5 m."""
    twenty = wire(voltage_v=20_000.0)
    for away_m, fall, said in ((18.0, True, True), (18.1, False, True), (24.9, False, True), (25.1, False, False)):
        found = near(away_m + LINE.half_width_m, 8.0, twenty)
        assert [one.could_fall for one in found] == ([fall] if said else []), away_m


def test_low_devices_keep_the_distance_for_work() -> None:
    """UK HSE GS6: 15 m from lines on towers, whoever works there."""
    assert near(LINE.half_width_m + 14.9, 0.5)
    assert not near(LINE.half_width_m + 15.1, 0.5)


@given(st.floats(0.0, 40.0), st.floats(0.0, 30.0), st.floats(0.0, 10.0))
def test_a_taller_mast_or_a_nearer_wire_is_never_judged_milder(x_m: float, height_m: float, more_m: float) -> None:
    def rank(x: float, height: float) -> int:
        found = near(x, height)
        return 0 if not found else 2 if found[0].could_fall else 1

    assert rank(x_m, height_m + more_m) >= rank(x_m, height_m)
    assert rank(max(x_m - more_m, 0.0), height_m) >= rank(x_m, height_m)


@given(st.floats(-80.0, 80.0), st.floats(-80.0, 80.0), st.floats(0.0, 60.0))
def test_the_map_of_wires_finds_what_looking_at_all_of_them_finds(x_m: float, y_m: float, height_m: float) -> None:
    wires = [wire(voltage_v=1e6), wire(PIPE, x_m=30.0), wire(x_m=-70.0)]
    assert WireMap(wires, RULES).nearby("Post", x_m, y_m, height_m) == wires_nearby("Post", x_m, y_m, height_m, wires, RULES)
    assert WireMap((), RULES).nearby("Post", x_m, y_m, height_m) == ()


def test_the_span_counts_and_not_its_poles() -> None:
    """Poles 200 m off to either side: the wire between them hangs beside the mast."""
    span = Utility("power line 8", LINE, shapely.LineString([(5.0, -200.0), (5.0, 200.0)]), None)
    assert near(0.0, 6.0, span)[0].distance_m == pytest.approx(2.0)


def test_a_pipe_is_a_matter_of_digging_alone() -> None:
    pipe = wire(PIPE)
    assert near(8.0, 20.0, pipe)[0].hazard == "buried"
    assert not wires_nearby("Post", 8.0, 0.0, 20.0, [pipe], RULES, digs=False)
    assert not near(11.0, 20.0, pipe)


def test_what_is_said_names_wire_distance_and_height() -> None:
    said = near(10.0, 8.0, wire(voltage_v=110_000.0))[0].sentence
    for words in ("power line 7, 110 kV", "7 m from here", "10.0 m", "4.57 m", "No metal ladder", "owner"):
        assert words in said
    assert "voltage not told" in near(10.0, 8.0)[0].sentence


def test_nothing_is_ever_called_safe() -> None:
    """Absence of a line in the data is no sign that there is none."""
    assert wires_note((), 0) == ""
    assert "not absent" in NOT_SAFE
    assert "No map of power lines was read" in NONE_READ
    note = wires_note(near(10.0, 8.0), 4)
    assert "Post" in note
    assert NOT_SAFE in note
    for text in (note, NOT_SAFE, NONE_READ):
        assert " safe" not in text


def test_the_height_that_falls_is_more_than_the_antenna() -> None:
    assert fall_height_m(8.0, RULES) == 10.0
