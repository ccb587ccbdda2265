"""Which cells feed a device: in series and parallel, over discharge and frost, with a regulator and a capacitor where needed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.operation.channel import MAX_TRIES, RETRY_SPACING_S
from meshplan.records.radio import Battery, Board, CellVoltage, Figure, RadioClass, Regulator
from meshplan.units import Array

MOST_IN_SERIES: Final = 8
MOST_IN_PARALLEL: Final = 4
REFERENCE_C, COLD_C = 20.0, -20.0

SAG_V: Final = 0.3
"""Voltage that a capacitor may lose in one sending (common practice, no source)."""
LARGEST_CAPACITOR_MF: Final = 470.0
"""Capacitors beyond this cost more than further cells (own choice)."""
_SHARES: Final = np.linspace(0.0, 1.0, 101)


@dataclass(frozen=True)
class CellSupply:
    """Cells and what stands between them and the radio."""

    in_series: int
    in_parallel: int
    usable_share: float
    """Share of the charge until the voltage under load is too low in the coldest month."""
    regulator: Regulator | None
    """A part of its own; None where the cells feed the device, or its board regulates."""
    by_board: bool
    """Whether the board's own regulator feeds the radio."""
    capacitor_mf: float
    """Beside the cells, for the pulses of sending; 0 where none is needed."""
    highest_v: float
    lowest_v: float
    feasible: bool
    """Whether every voltage lies in range."""
    sentence: str


def cell_volt(voltage: CellVoltage, used_share: ArrayLike, temperature_c: float = 20.0, load_ma: float = 0.0) -> Array:
    """Return the voltage of one cell.

    Parameters
    ----------
    used_share : array_like, any shape
        0 fresh to 1 empty.
    load_ma : float
        Current of this cell.

    Notes
    -----
    Source
        Curve of the cell at 20 °C and low drain; the shift at −20 °C straight between and carried on, the resistance from fresh to
        empty straight, with temperature in equal ratios (an estimate: cell makers print both ends only).
    """
    share = np.asarray(used_share, dtype=float)
    volt = np.interp(share, np.asarray(voltage.used_percent) / 100.0, voltage.volt)
    volt = volt + voltage.shift_at_minus_20c_v * _coldness(temperature_c)
    return np.asarray(volt - load_ma / 1000.0 * cell_ohm(voltage, share, temperature_c))


def cell_ohm(voltage: CellVoltage, used_share: ArrayLike, temperature_c: float = 20.0) -> Array:
    """Return the resistance of one cell; see `cell_volt`."""
    share = np.asarray(used_share, dtype=float)
    ohm = voltage.ohm_fresh + share * (voltage.ohm_empty - voltage.ohm_fresh)
    return np.asarray(ohm * voltage.ohm_factor_at_minus_20c ** _coldness(temperature_c))


def _coldness(temperature_c: float) -> float:
    return max((REFERENCE_C - temperature_c) / (REFERENCE_C - COLD_C), 0.0)


def recharge_s(ohm: float, capacitor_mf: float) -> float:
    """Return how long a capacitor takes to fill again through a resistance, to within 1 %: 5·R·C.

    Notes
    -----
    Source
        Charging of a capacitor through a resistance, 1 − e⁻⁵ = 99.3 %; the rule of radio facts 2, 4.1.
    """
    return 5.0 * ohm * capacitor_mf / 1000.0


def usable_share(voltage: CellVoltage, in_series: int, lowest_v: float, temperature_c: float, load_ma: float) -> float:
    """Return how much of the charge can be used until cells in series fall below a voltage under load; 0 if never above it."""
    holds = in_series * cell_volt(voltage, _SHARES, temperature_c, load_ma) >= lowest_v
    return float(_SHARES[np.flatnonzero(holds)[-1]]) if holds[0] else 0.0


def capacitor_mf(pulse_ma: float, pulse_ms: float, sag_v: float = SAG_V) -> float:
    """Return the capacitor that gives a pulse by itself: C = I·t/ΔV, in millifarad."""
    return pulse_ma * pulse_ms / sag_v / 1000.0


def on_one_rail(radios: Sequence[RadioClass]) -> RadioClass:
    """Return the first radio with the voltages that all radios of a board stand; the range is empty where they share none."""
    ends = [_ends(radio.supply_v) for radio in radios]
    low, high = max(low for low, _ in ends), min(high for _, high in ends)
    first = radios[0]
    rail_v = min(max(first.supply_v.value, low), high)
    return first if len(radios) == 1 else replace(first, supply_v=replace(first.supply_v, value=rail_v, low=low, high=high))


@dataclass(frozen=True)
class _Way:
    """One way to feed: the voltages that the pack must keep to."""

    lowest_v: float
    highest_v: float
    regulator: Regulator | None = None
    by_board: bool = False


def choose_supply(
    radio: RadioClass,
    board: Board,
    battery: Battery,
    regulators: Mapping[str, Regulator],
    *,
    pulse_ma: float,
    pulse_ms: float,
    temperature_c: float = 20.0,
    in_series: int | None = None,
    between_s: float = inf,
    tries: int = MAX_TRIES,
) -> CellSupply | None:
    """Return the smallest sound pack of a cell for a board and a radio; None where nobody says the cell's voltage.

    Parameters
    ----------
    pulse_ma, pulse_ms : float
        Current and length of one sending.
    temperature_c : float
        Mean of the coldest month.
    in_series : int, optional
        Where the user has settled it.
    between_s : float
        Time from one reading or forwarded packet to the next: a capacitor must be full again by then.
    tries : int
        Most sendings of one packet; a capacitor that does not fill again before the next try holds enough for all of them.

    Notes
    -----
    Rules
        A fresh pack must stay under what board and radio stand, and a nearly empty one in frost above what they need while
        sending. Ways in order: cells alone, the board's own regulator, a linear regulator, a step-down, a step-up converter; the
        first with which the charge can be used down to the usual reserve, else the one that uses most.
    """
    pulse = _Pulse(pulse_ma, pulse_ms, between_s, tries)
    voltage = battery.voltage
    if voltage is None:
        return None
    counts = range(1, MOST_IN_SERIES + 1) if in_series is None else (in_series,)
    found: list[tuple[_Way, int, float]] = []
    for way in _ways(radio, board, regulators, pulse_ma):
        for count in counts:
            if count * voltage.highest_v > way.highest_v + 1e-9:
                continue
            share = usable_share(voltage, count, way.lowest_v, temperature_c, 0.0)
            if share >= battery.end_factor.value:
                return _finished(way, count, share, battery, voltage, pulse, temperature_c)
            found.append((way, count, share))
    if not found or max(share for _, _, share in found) <= 0.0:
        count = in_series or 1
        words = (
            f"no number of {battery.several} suits" if in_series is None else f"{_counted(count, battery)} in series do not suit"
        )
        low, high = _ends(radio.supply_v)
        needs = f"{_span(radio.supply_v)} for the radio and {_span(board.supply_v)} for the board"
        if low > high:
            needs = f"{low:g} V or more for one of its radios and {high:g} V or less for another"
        sentence = f"{words}: fresh {count * voltage.highest_v:.1f} V, needed {needs}. Take other cells or another board."
        return CellSupply(count, 1, 0.0, None, False, 0.0, count * voltage.highest_v, 0.0, False, sentence)
    way, count, share = max(found, key=lambda each: each[2])
    return _finished(way, count, share, battery, voltage, pulse, temperature_c)


def _ways(radio: RadioClass, board: Board, regulators: Mapping[str, Regulator], pulse_ma: float) -> list[_Way]:
    radio_low, radio_high = _ends(radio.supply_v)
    board_low, board_high = _ends(board.supply_v)
    low, high = max(radio_low, board_low), min(radio_high, board_high)
    ways = [_Way(low, high)] if low <= high else []
    if board.regulated_v is not None and radio_low <= board.regulated_v <= radio_high and pulse_ma <= board.regulated_ma:
        ways.append(_Way(board_low, board_high, by_board=True))
    if low > high:
        return ways
    for kind in ("linear", "step-down", "step-up"):
        for regulator in regulators.values():
            too_high = kind == "step-up" and low > regulator.highest_v.value
            if regulator.kind != kind or pulse_ma > regulator.most_ma.value or too_high:
                continue
            least_v = low + regulator.drop_v.value if kind != "step-up" else 0.0
            most_v = high if kind == "step-up" else regulator.highest_v.value
            ways.append(_Way(max(least_v, regulator.lowest_v.value), min(most_v, regulator.highest_v.value), regulator))
    return ways


@dataclass(frozen=True)
class _Pulse:
    """What sending asks of the cells."""

    ma: float
    ms: float
    between_s: float
    tries: int


def _finished(
    way: _Way, count: int, share: float, battery: Battery, voltage: CellVoltage, pulse: _Pulse, temperature_c: float
) -> CellSupply:
    """Return the supply with cells side by side or a capacitor for what sending asks of them."""
    side_by_side, capacitor, loaded, held, late = 1, 0.0, share, "", ""
    for side_by_side in range(1, MOST_IN_PARALLEL + 1):
        loaded = usable_share(voltage, count, way.lowest_v, temperature_c, pulse.ma / side_by_side)
        if pulse.ma <= battery.max_pulse_ma.value * side_by_side and loaded >= min(share, battery.end_factor.value):
            break
        ohm = count / side_by_side * float(cell_ohm(voltage, share, temperature_c))
        wanted, held = _capacitor(pulse, ohm)
        if wanted <= LARGEST_CAPACITOR_MF:
            capacitor, loaded = wanted, share
            break
    else:
        if pulse.ma > battery.max_pulse_ma.value * side_by_side:
            late = (
                f"sending draws {pulse.ma:.0f} mA, more than these cells give, and no usual capacitor beside them is full again in "
                "time: take other cells"
            )
    usable = min(loaded, share)
    highest, lowest = count * voltage.highest_v, count * float(cell_volt(voltage, usable, temperature_c))
    words = [
        f"{_counted(count * side_by_side, battery)}: {count} in series" + (f", {side_by_side} side by side" * (side_by_side > 1))
    ]
    words.append(f"{highest:.1f} V fresh, {lowest:.1f} V at the end ({usable * 100:.0f} % used at {temperature_c:g} °C)")
    if way.by_board:
        words.append("the board's own regulator feeds the radio")
    elif way.regulator is not None:
        words.append(f"through a {way.regulator.title}: never without, the radio stands less")
    if way.regulator is not None and way.regulator.kind == "step-up":
        words[-1] = f"through a {way.regulator.title}"
    if capacitor:
        words.append(f"a capacitor of {capacitor:.1f} mF beside them for {pulse.ma:.0f} mA of sending{held}")
    if late:
        words.append(late)
    return CellSupply(
        count, side_by_side, usable, way.regulator, way.by_board, capacitor, highest, lowest, usable > 0.0, "; ".join(words) + "."
    )


def _capacitor(pulse: _Pulse, ohm: float) -> tuple[float, str]:
    """Return the capacitor for a pulse in millifarad, endless where none is full in time, and in words what its refilling asks."""
    once = capacitor_mf(pulse.ma, pulse.ms)
    full_s = recharge_s(ohm, once)
    if pulse.tries == 1 or full_s <= RETRY_SPACING_S[0]:
        return (once, "") if full_s <= pulse.between_s else (inf, "")
    of_all = once * pulse.tries
    all_s = recharge_s(ohm, of_all)
    words = (
        f", enough for {pulse.tries} tries: near the end of the cells it fills again in about {all_s:.0f} s only, and the next try "
        f"may follow after {RETRY_SPACING_S[0]:g} s"
    )
    return (of_all, words) if all_s <= pulse.between_s else (inf, "")


def fed_through(supply: CellSupply, battery: Battery, board: Board, rail_v: float) -> tuple[Battery, Board]:
    """Return battery and board as the energy count sees them: what the regulator draws and wastes, and what cannot be used.

    Notes
    -----
    Source
        A linear regulator passes the current on, a converter the power times its efficiency: I_cells = I·V_out/(V_in·η).
    """
    share = min(battery.end_factor.value, supply.usable_share) / battery.end_factor.value
    factor = max(share, 1e-6)
    regulator = supply.regulator
    if regulator is not None:
        asleep = board.sleep_current_ua
        drawn = replace(asleep, value=asleep.value + regulator.quiescent_ua.value, low=None, high=None)
        board = replace(board, sleep_current_ua=drawn)
        if regulator.kind != "linear":
            pack_v = supply.in_series * battery.nominal_v.value
            factor *= pack_v * regulator.efficiency.value / rail_v
    capacity = battery.capacity_mah
    return replace(battery, capacity_mah=replace(capacity, value=capacity.value * factor, low=None, high=None)), board


def _counted(count: int, battery: Battery) -> str:
    return f"{count} {battery.one if count == 1 else battery.several}"


def _ends(figure: Figure) -> tuple[float, float]:
    return (
        figure.value if figure.low is None else figure.low,
        figure.value if figure.high is None else figure.high,
    )


def _span(figure: Figure) -> str:
    low, high = _ends(figure)
    return f"{low:g}-{high:g} V" if low != high else f"{low:g} V"
