"""Cells in series and parallel: never above what board and radio stand, never below what they need, in frost and while sending."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.errors import MeshplanError
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes, read_regulators
from meshplan.operation.cells import CellSupply, capacitor_mf, cell_ohm, cell_volt, choose_supply, fed_through, usable_share
from meshplan.operation.energy import Duty, battery_life
from meshplan.operation.parts import parts_list
from meshplan.records import Device, EnergyRecord, Power, Purpose, Role
from meshplan.records.radio import CellVoltage, Figure, radio_mode
from meshplan.settings import CostSettings

CLASSES, BOARDS, CELLS, REGULATORS = read_radio_classes(), read_boards(), read_batteries(), read_regulators()


def curve(cell: str) -> CellVoltage:
    voltage = CELLS[cell].voltage
    assert voltage is not None
    return voltage


def supply(radio: str, board: str, cell: str, **more: float | int | None) -> CellSupply:
    wanted = {"pulse_ma": 45.0, "pulse_ms": 60.0, "temperature_c": 0.0} | more
    found = choose_supply(CLASSES[radio], BOARDS[board], CELLS[cell], REGULATORS, **wanted)  # type: ignore[arg-type]
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("cell", "used", "volt"),
    # source: radio facts, second sheet, table 4.1 (20 °C, low drain)
    [
        ("alkaline-aa", 0.5, 1.25), ("alkaline-aa", 0.9, 1.04), ("lithium-fes2-aa", 0.1, 1.72), ("lithium-socl2-aa", 0.97, 3.2),
        ("coin-2032", 0.9, 2.7), ("nimh-aa", 0.75, 1.22), ("li-ion-18650", 0.25, 3.92), ("lifepo4-18650", 0.5, 3.29),
    ],
)  # fmt: skip
def test_cells_meet_the_discharge_table(cell: str, used: float, volt: float) -> None:
    assert float(cell_volt(curve(cell), used)) == pytest.approx(volt, abs=0.005)


def test_frost_and_load_pull_a_cell_down_by_hand() -> None:
    # half way to -20 °C: 1.25 - 0.10 V; resistance half used 0.5 Ω · 4^(1/2) = 1 Ω at 100 mA takes 0.1 V
    assert float(cell_volt(curve("alkaline-aa"), 0.5, 0.0, 100.0)) == pytest.approx(1.05, abs=1e-9)


@pytest.mark.parametrize(
    ("cell", "count", "highest_v"),
    # source: radio facts, second sheet, 4.1: alkaline 4.8, iron disulphide 3.6-3.7 and 5.4-5.5, lithium-ion 4.2 V
    [("alkaline-aa", 3, 4.8), ("lithium-fes2-aa", 2, 3.66), ("lithium-fes2-aa", 3, 5.49), ("li-ion-18650", 1, 4.2)],
)
def test_fresh_packs_stand_higher_than_their_label(cell: str, count: int, highest_v: float) -> None:
    assert count * curve(cell).highest_v == pytest.approx(highest_v, abs=0.01)


def test_three_fresh_alkaline_cells_never_feed_a_class_that_ends_at_3v7_without_a_regulator() -> None:
    found = supply("css-868", "tuned-microcontroller", "alkaline-aa", in_series=3)
    assert found.highest_v == pytest.approx(4.8)
    assert found.regulator is not None
    assert (found.regulator.quiescent_ua.value, found.regulator.efficiency.value) == (1.0, 1.0)
    assert "through a low-drop linear regulator" in found.sentence
    # two cells need none: 3.2 V fresh
    plain = supply("css-868", "tuned-microcontroller", "alkaline-aa")
    assert (plain.in_series, plain.regulator, plain.by_board) == (2, None, False)


def test_a_board_with_a_regulator_feeds_the_radio_unless_sending_is_too_much_for_it() -> None:
    found = supply("css-868", "low-power-board", "alkaline-aa")
    assert (found.in_series, found.by_board, found.regulator) == (3, True, None)
    strong = supply("wlan-2g4-1m", "hobby-board", "alkaline-aa", pulse_ma=210.0, pulse_ms=5.0)
    assert not strong.by_board
    assert strong.regulator is not None


def test_small_cells_get_a_capacitor_for_the_pulse() -> None:
    # source: radio facts, second sheet, 4.1: 100 mA · 50 ms with 0.3 V → 17 mF; 25 mA · 1.5 s → 125 mF
    assert capacitor_mf(100.0, 50.0) == pytest.approx(17, abs=0.5)
    assert capacitor_mf(25.0, 1500.0) == pytest.approx(125)
    coin = supply("fsk-868", "tuned-microcontroller", "coin-2032", pulse_ma=35.0, pulse_ms=50.0, tries=1)
    assert coin.capacitor_mf == pytest.approx(35.0 * 50.0 / 0.3 / 1000.0)
    assert supply("fsk-868", "tuned-microcontroller", "coin-2032", pulse_ma=1.0, pulse_ms=50.0).capacitor_mf == 0.0
    # too large a capacitor: cells side by side instead, as far as that goes
    long = supply("fsk-868", "tuned-microcontroller", "lithium-mno2-123", pulse_ma=2500.0, pulse_ms=1000.0)
    assert long.in_parallel > 1


def test_a_capacitor_that_is_not_full_before_the_next_try_holds_all_tries() -> None:
    """A coin cell in frost: 35 mA for 50 ms take 5.83 mF; through some 330 Ω (83 Ω at 80 % used, times 4 at -20 °C) they are full
    again in 5·R·C = 10 s, and the next try may follow after 0.5 s: three times as much is wanted, full again in 29 s."""
    found = supply("fsk-868", "tuned-microcontroller", "coin-2032", pulse_ma=35.0, pulse_ms=50.0, temperature_c=-20.0)
    once = 35.0 * 50.0 / 0.3 / 1000.0
    assert found.capacitor_mf == pytest.approx(3.0 * once)
    ohm = float(cell_ohm(curve("coin-2032"), found.usable_share, -20.0)) / found.in_parallel
    full_s = 5.0 * ohm * 3.0 * once / 1000.0
    assert f"enough for 3 tries: near the end of the cells it fills again in about {full_s:.0f} s" in found.sentence
    # a cell of little resistance fills it before the next try
    ready = supply("fsk-868", "tuned-microcontroller", "lithium-mno2-123", pulse_ma=2500.0, pulse_ms=1.0)
    assert ready.capacitor_mf == pytest.approx(2500.0 / 300.0)
    assert "tries" not in ready.sentence


@pytest.mark.parametrize("between_s", [1e9, 60.0, 12.0, 3.0])
def test_a_capacitor_is_full_before_the_next_packet_or_other_cells_are_asked_for(between_s: float) -> None:
    asked: dict[str, float | int | None] = {"pulse_ma": 35.0, "pulse_ms": 50.0, "temperature_c": -20.0, "between_s": between_s}
    found = supply("fsk-868", "tuned-microcontroller", "coin-2032", **asked)
    if found.capacitor_mf:
        ohm = float(cell_ohm(curve("coin-2032"), found.usable_share, -20.0)) * found.in_series / found.in_parallel
        assert 5.0 * ohm * found.capacitor_mf / 1000.0 <= between_s
    else:
        assert found.in_parallel * 15.0 >= 35.0 or "take other cells" in found.sentence


def test_voltages_that_nothing_meets_are_told() -> None:
    found = supply("ook-433-12v-wire", "tuned-microcontroller", "alkaline-aa")
    assert not found.feasible
    assert found.sentence.startswith("no number of AA alkaline cells suits")
    assert "9-12 V for the radio and 1.8-5.5 V for the board" in found.sentence
    assert (
        choose_supply(
            CLASSES["css-868"],
            BOARDS["hobby-board"],
            replace(CELLS["coin-2032"], voltage=None),
            REGULATORS,
            pulse_ma=1.0,
            pulse_ms=1.0,
        )
        is None
    )


@settings(deadline=None)
@given(
    st.sampled_from(sorted(CLASSES)), st.sampled_from(sorted(BOARDS)), st.sampled_from(sorted(CELLS)),
    st.floats(-20, 30), st.one_of(st.none(), st.integers(1, 6)),
)  # fmt: skip
def test_no_pack_ever_harms_or_starves(radio: str, board: str, cell: str, temperature_c: float, count: int | None) -> None:
    pulse_ma = CLASSES[radio].tx_current_ma.value
    found = supply(radio, board, cell, pulse_ma=pulse_ma, temperature_c=temperature_c, in_series=count)
    if not found.feasible:
        return
    radio_v, board_v = CLASSES[radio].supply_v, BOARDS[board].supply_v
    ends = [(figure.low or figure.value, figure.high or figure.value) for figure in (radio_v, board_v)]
    if found.regulator is None and not found.by_board:
        assert found.highest_v <= min(high for _, high in ends) + 1e-6
        assert found.lowest_v >= max(low for low, _ in ends) - 1e-6
    elif found.by_board:
        assert ends[1][0] - 1e-6 <= found.lowest_v
        assert found.highest_v <= ends[1][1] + 1e-6
        assert ends[0][0] <= (BOARDS[board].regulated_v or 0.0) <= ends[0][1]
    else:
        assert found.regulator is not None
        assert found.highest_v <= found.regulator.highest_v.value + 1e-6
        assert found.lowest_v >= found.regulator.lowest_v.value - 1e-6
    assert count is None or found.in_series == count


@given(st.floats(1.8, 4.0), st.floats(0.0, 300.0), st.floats(-20.0, 20.0))
def test_more_load_or_frost_never_lets_more_be_used(lowest_v: float, load_ma: float, temperature_c: float) -> None:
    share = usable_share(curve("alkaline-aa"), 3, lowest_v, temperature_c, load_ma)
    assert usable_share(curve("alkaline-aa"), 3, lowest_v, temperature_c, load_ma + 50.0) <= share
    assert usable_share(curve("alkaline-aa"), 3, lowest_v, temperature_c - 10.0, load_ma) <= share
    assert np.isclose(share * 100, round(share * 100))


def life_years(found: CellSupply, rail_v: float = 3.3) -> float:
    cell, board = fed_through(found, CELLS["alkaline-aa"], BOARDS["tuned-microcontroller"], rail_v)
    mode = radio_mode(CLASSES, "css-868-sf7")
    return battery_life(Duty(mode, board, 12, 900.0), cell).uncapped_years


def test_a_regulator_costs_what_it_draws() -> None:
    plain = supply("css-868", "tuned-microcontroller", "alkaline-aa")
    linear = supply("css-868", "tuned-microcontroller", "alkaline-aa", in_series=3)
    assert linear.regulator is not None
    hungry = replace(
        linear, regulator=replace(linear.regulator, quiescent_ua=Figure(100.0, linear.regulator.drop_v.standing, "test"))
    )
    assert life_years(linear) < life_years(plain)  # 1 µA more
    assert life_years(hungry) < 0.5 * life_years(linear)
    # hand-worked: a converter of 85 % from 3 · 1.5 V to 3.3 V draws 3.3/(4.5·0.85) of the current
    down = replace(linear, regulator=replace(REGULATORS["step-down"], quiescent_ua=linear.regulator.quiescent_ua))
    cell, _ = fed_through(down, CELLS["alkaline-aa"], BOARDS["tuned-microcontroller"], 3.3)
    assert cell.capacity_mah.value == pytest.approx(2400 * 4.5 * 0.85 / 3.3)


def battery_device(name: str, energy: EnergyRecord) -> Device:
    return Device(
        name=name, role=Role.SENSOR, lon_deg=0.0, lat_deg=0.0, x_m=0.0, y_m=0.0, ground_amsl_m=0.0, antenna_agl_m=1.0, in_plan=True,
        served=True, purpose=Purpose.TREND, importance=1.0, power=Power.BATTERY, antenna="whip", cable="", cable_m=0.0,
        azimuth_deg=None, indoors=None, cost=25.0, radio="css-868-sf7", height_assumed=False, interval_s=900.0, payload_bytes=12,
        energy=energy,
    )  # fmt: skip


def test_the_parts_list_counts_cells_holders_regulators_and_capacitors() -> None:
    fed = EnergyRecord("battery", "alkaline-aa", 5.0, 0.0, 0.0, "", "", 3, 2, "low-drop linear regulator, 1 µA", 12.0, "")
    fed = replace(fed, battery_words=CELLS["alkaline-aa"].words)
    lines = {line.part: line for line in parts_list([battery_device("a", fed), battery_device("b", fed)], CostSettings())}
    assert lines["cells: AA alkaline cells"].quantity == 12
    assert lines["cells: AA alkaline cells"].devices == ("a", "b")
    assert lines["holder for AA alkaline cells: 3 in series, 2 side by side"].quantity == 2
    assert lines["regulator: low-drop linear regulator, 1 µA"].quantity == 2
    assert lines["capacitor beside the cells, 22 mF or more"].quantity == 2
    assert not any(part.startswith("battery") for part in lines)


def test_nothing_is_bought_of_cells_that_do_not_suit() -> None:
    """A sender of 12 V on AA cells: no number of them suits, so no cell and no holder is bought."""
    own = EnergyRecord("battery", "alkaline-aa", 0.0, 0.0, 0.0, "", "", supply_words="no number of AA alkaline cells suits: …")
    own = replace(own, battery_words=CELLS["alkaline-aa"].words)
    parts = [line.part for line in parts_list([battery_device("a", own)], CostSettings())]
    assert "supply still to be chosen: no AA alkaline cells suit" in parts
    assert not any(part.startswith(("cell", "holder", "battery", "regulator", "capacitor")) for part in parts)


def test_every_packaged_cell_has_words_that_are_no_key() -> None:
    for key, cell in CELLS.items():
        assert cell.words.endswith(("cell", "battery")), key
        assert cell.words.casefold() != key.replace("-", " ")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("used_percent = [0, 100], volt = [1.5]", "used_percent and volt make no curve."),
        ("used_percent = [0, 100], volt = [1.0, 1.5]", "a cell gains voltage as it empties."),
    ],
)
def test_curves_that_cannot_be_are_told(tmp_path: Path, text: str, message: str) -> None:
    rest = "highest_v = 1.6, shift_at_minus_20c_v = -0.2, ohm_fresh = 0.2, ohm_empty = 0.8, ohm_factor_at_minus_20c = 4"
    (tmp_path / "batteries.toml").write_text(f"[batteries.alkaline-aa]\nvoltage = {{ {text}, {rest} }}\n", encoding="utf-8")
    with pytest.raises(MeshplanError, match=message):
        read_batteries(tmp_path)
