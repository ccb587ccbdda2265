"""What must be soldered."""

from __future__ import annotations

from meshplan.inputs.radios import read_boards, read_radio_classes
from meshplan.operation.wiring import wiring

CLASSES = read_radio_classes()
BOARDS = read_boards()


def test_a_five_volt_board_needs_a_regulator_for_a_three_volt_radio() -> None:
    found = wiring(CLASSES["gfsk-2g4-250k-amplified"], BOARDS["hobby-board"])
    assert found.needs_regulator
    assert found.needs_capacitor
    assert found.wires == 6
    assert found.sentence.startswith("6 wires, 3-3.6 V, a regulator, a capacitor at the pins. Own 3.3 V regulator")


def test_a_serial_modem_runs_from_five_volts_as_it_is() -> None:
    found = wiring(CLASSES["fsk-433-serial"], BOARDS["hobby-board"])
    assert not found.needs_regulator
    assert not found.needs_step_up
    assert (found.supply_low_v, found.supply_high_v) == (3.2, 5.5)


def test_twelve_volts_are_not_on_a_small_board() -> None:
    assert wiring(CLASSES["ook-433-12v-wire"], BOARDS["low-power-board"]).needs_step_up
    assert wiring(CLASSES["ook-433-12v-wire"], BOARDS["low-power-board"]).sentence.startswith("1 wire, 9-12 V, a step-up")


def test_without_a_board_only_the_radio_is_told() -> None:
    for radio in CLASSES.values():
        found = wiring(radio)
        assert not found.needs_regulator
        assert found.interface
        assert found.supply_low_v <= found.supply_high_v
        assert found.needs_capacitor == ("capacitor" in radio.supply_note or "100 uF" in radio.supply_note)
