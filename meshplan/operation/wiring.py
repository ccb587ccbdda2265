"""How a radio is joined to a board: wires, volts, whether a regulator, a level divider or a capacitor is needed."""

from __future__ import annotations

from dataclasses import dataclass

from meshplan.records.radio import Board, RadioClass


@dataclass(frozen=True)
class Wiring:
    """What a maker must solder."""

    wires: int
    """Interface wires, supply and ground not counted."""
    interface: str
    supply_low_v: float
    supply_high_v: float
    needs_regulator: bool
    """The board's supply can be above what the radio stands."""
    needs_step_up: bool
    """The board's supply can be below what the radio needs."""
    needs_capacitor: bool
    """At the supply pins of the radio."""
    sentence: str


def wiring(radio: RadioClass, board: Board | None = None) -> Wiring:
    """Return how a radio class is wired, to a kind of board if one is given.

    A regulator is needed where the board's nominal supply lies above the radio's range, a step-up where it lies below.
    """
    low = radio.supply_v.value if radio.supply_v.low is None else radio.supply_v.low
    high = radio.supply_v.value if radio.supply_v.high is None else radio.supply_v.high
    given = None if board is None else board.supply_v.value
    regulator = given is not None and given > high + 1e-9
    step_up = given is not None and given < low - 1e-9
    wires = int(radio.interface_wires.value)
    needs = [
        f"{wires} wires" if wires != 1 else "1 wire",
        f"{low:g}-{high:g} V" if low != high else f"{low:g} V",
        *(["a regulator"] if regulator else []),
        *(["a step-up converter"] if step_up else []),
        *(["a capacitor at the pins"] if radio.capacitor_at_pins else []),
    ]
    return Wiring(
        wires=wires,
        interface=radio.interface,
        supply_low_v=low,
        supply_high_v=high,
        needs_regulator=regulator,
        needs_step_up=step_up,
        needs_capacitor=radio.capacitor_at_pins,
        sentence=f"{', '.join(needs)}. {radio.supply_note[:1].upper()}{radio.supply_note[1:]}.".replace(". .", "."),
    )
