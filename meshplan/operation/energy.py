"""How long a device lasts on its cells, what empties them, what would help most, and which panel a relay needs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import ceil, inf
from typing import Final

from meshplan.errors import InputError
from meshplan.operation.airtime import acknowledgement_ms, packets_needed, time_on_air_ms
from meshplan.records.radio import Battery, Board, Figure, RadioMode, SolarTable, SunBand

HOURS_PER_YEAR: Final = 8766.0
ANSWER_WINDOW_MS: Final = 20.0
"""Time a sender listens for an acknowledgement besides the acknowledgement itself (common practice, no source)."""

REFERENCE_TEMPERATURE_C: Final = 20.0
COLD_TEMPERATURE_C: Final = -20.0
CHARGE_FREEZING: Final = "Do not charge below {low:g} °C or above {high:g} °C: use a charger that locks out, or lead-acid in frost."
HEAT: Final = "A closed dark box reaches 60-70 °C in the sun: shade and vent it, above {limit:g} °C this cell is harmed."
WORTH_IT: Final = 1.15
"""A change is named only if it lengthens the life by this factor (own choice)."""

SWITCHED_OFF_UA: Final = 0.1
"""Leakage of a switched-off radio (memory, no document)."""

MAINS_INSTEAD_W: Final = 40.0
"""Panel size from which mains is the better answer (own choice)."""


@dataclass(frozen=True)
class Duty:
    """What a device does, in plain numbers."""

    mode: RadioMode
    board: Board
    payload_bytes: int
    interval_s: float
    mean_tries: float = 1.0
    waits_for_answer: bool = True
    """Whether it listens for an acknowledgement after sending (where the class can)."""
    forwarded_packets_per_hour: float = 0.0
    forwarded_bytes: int = 20
    sending_ms_per_hour: float | None = None
    """All it has on the air in an hour, where that is known: in place of the forwarded packets."""
    listening_share: float = 0.0
    """Share of the time the receiver is open: 1 for a relay or gateway that always listens."""


@dataclass(frozen=True)
class CurrentPart:
    """One consumer, averaged over time."""

    name: str
    current_ua: float


@dataclass(frozen=True)
class BatteryLife:
    """How long, why, and what would help."""

    years: float
    """Not beyond the shelf life of the cell."""
    uncapped_years: float
    limited_by: str
    """'use' or 'shelf life'."""
    average_current_ua: float
    parts: tuple[CurrentPart, ...]
    """Largest first."""
    dominant: str
    best_change: str
    """In words; empty if nothing lengthens the life by a sixth."""
    best_change_years: float
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class SolarSupply:
    """Panel and storage for the worst month."""

    energy_wh_per_day: float
    peak_sun_hours: float
    autonomy_days: float
    panel_w: float
    storage_wh: float
    sentence: str
    cautions: tuple[str, ...]
    to_check: tuple[str, ...]


def tx_current_ma(mode: RadioMode) -> float:
    """Return the transmit current at the mode's power: the class's figure at its default power, its ends at the ends.

    Notes
    -----
    Source
        Straight lines in dBm between lowest, default and highest power (estimate; real amplifiers step).
    """
    power, current = mode.radio.tx_power_dbm, mode.radio.tx_current_ma
    low_power, low = (_or(power.low, power), _or(current.low, current))
    high_power, high = (_or(power.high, power), _or(current.high, current))
    if mode.tx_power_dbm >= power.value:
        span = high_power - power.value
        share = (mode.tx_power_dbm - power.value) / span if span > 0 else 0.0
        return current.value + share * (high - current.value)
    span = power.value - low_power
    share = (power.value - mode.tx_power_dbm) / span if span > 0 else 0.0
    return current.value + share * (low - current.value)


def _or(bound: float | None, figure: Figure) -> float:
    return figure.value if bound is None else bound


def current_parts(duty: Duty) -> tuple[CurrentPart, ...]:
    """Return what draws current, averaged over time in microampere, largest first.

    Notes
    -----
    Source
        I = I_sleep + charge of a cycle / interval; a receiver that is open for a share of the time adds that share.
    """
    mode, board = duty.mode, duty.board
    sending_ma, receiving_ma = tx_current_ma(mode), mode.radio.rx_current_ma.value
    air_ms = time_on_air_ms(mode, duty.payload_bytes) * duty.mean_tries
    wake_ms = mode.radio.wake_ms.value * packets_needed(mode, duty.payload_bytes) * duty.mean_tries
    answers = duty.waits_for_answer and mode.acknowledged and not mode.tx_only
    answer_ms = (acknowledgement_ms(mode) + ANSWER_WINDOW_MS) * duty.mean_tries if answers else 0.0
    forward_ms = time_on_air_ms(mode, duty.forwarded_bytes) * duty.forwarded_packets_per_hour
    if duty.sending_ms_per_hour is not None:
        forward_ms = duty.sending_ms_per_hour
    per_second = 1.0 / duty.interval_s  # mA·ms are µC; over seconds they are µA
    parts = (
        CurrentPart("board asleep", board.sleep_current_ua.value),
        CurrentPart("radio asleep", mode.radio.sleep_current_ua.value * (1.0 - duty.listening_share)),
        CurrentPart("measuring", board.active_current_ma.value * board.active_ms.value * per_second),
        CurrentPart("sending", sending_ma * air_ms * per_second),
        CurrentPart("waking the radio", receiving_ma * wake_ms * per_second),
        CurrentPart("waiting for the answer", receiving_ma * answer_ms * per_second),
        CurrentPart("forwarding", sending_ma * forward_ms / 3600.0),
        CurrentPart("listening", receiving_ma * 1000.0 * duty.listening_share),
    )
    return tuple(sorted(parts, key=lambda part: (-part.current_ua, part.name)))


def average_current_ua(duty: Duty) -> float:
    """Return the mean current of a device in microampere."""
    return sum(part.current_ua for part in current_parts(duty))


def cold_factor(battery: Battery, temperature_c: float) -> float:
    """Return the share of capacity left at a temperature: 1 from 20 °C, the cell's figure at −20 °C, straight between.

    Notes
    -----
    Source
        Handbook figures at −20 °C; the line between is an assumption and is carried on below, never under 0.05.
    """
    share = (REFERENCE_TEMPERATURE_C - temperature_c) / (REFERENCE_TEMPERATURE_C - COLD_TEMPERATURE_C)
    return min(1.0, max(0.05, 1.0 - share * (1.0 - battery.cold_factor_minus_20c.value)))


def battery_years(battery: Battery, current_ua: float, *, temperature_c: float = 20.0, in_parallel: int = 1) -> float:
    """Return the life on a cell or a pack, not capped by its shelf life.

    Notes
    -----
    Source
        years = C·k_T·k_end / (I·8766 h + C·s): usable charge over yearly draw and self-discharge.
    """
    capacity = battery.capacity_mah.value * in_parallel
    yearly = current_ua / 1000.0 * HOURS_PER_YEAR + capacity * battery.self_discharge_per_year.value
    return capacity * cold_factor(battery, temperature_c) * battery.end_factor.value / yearly if yearly > 0 else inf


def cells_in_series(battery: Battery, supply_v: float) -> int:
    """Return how many cells in a row reach a supply voltage when they are nearly empty (four fifths of nominal)."""
    return max(1, ceil(supply_v / (battery.nominal_v.value * 0.8) - 0.05))


def battery_life(
    duty: Duty,
    battery: Battery,
    *,
    temperature_c: float = 20.0,
    in_parallel: int = 1,
    better_board: Board | None = None,
    batteries: Mapping[str, Battery] | None = None,
) -> BatteryLife:
    """Return how long a device lasts, what empties the cell and which single change helps most.

    Parameters
    ----------
    duty : Duty
    battery : Battery
    temperature_c : float
        Mean of the coldest month.
    in_parallel : int
        Cells side by side.
    better_board : Board, optional
        Board to compare with, usually "tuned-microcontroller".
    batteries : mapping, optional
        Cells to compare with; those of another kind of charge are left out.
    """
    parts = current_parts(duty)
    current = sum(part.current_ua for part in parts)
    uncapped = battery_years(battery, current, temperature_c=temperature_c, in_parallel=in_parallel)
    shelf = battery.shelf_life_years.value

    def years(changed: Duty, cell: Battery = battery, side_by_side: int = in_parallel) -> float:
        alive = battery_years(cell, average_current_ua(changed), temperature_c=temperature_c, in_parallel=side_by_side)
        return min(alive, cell.shelf_life_years.value)

    life = min(uncapped, shelf)
    mending = [(years(changed), words) for words, changed in _changes(duty, better_board)]
    mending += [(years(duty, cell), words) for words, cell in _other_cells(battery, batteries)]
    plain = [(years(replace(duty, interval_s=duty.interval_s * 2.0)), "report half as often")]
    plain.append((years(duty, side_by_side=in_parallel * 2), "twice the cells"))
    best_years, best = max(mending, key=lambda change: change[0], default=(0.0, ""))
    if best_years < WORTH_IT * life:  # nothing mends the cause: more of the same cell or less of the same work
        best_years, best = max(plain, key=lambda change: change[0])
    worth_it = best_years >= WORTH_IT * life
    return BatteryLife(
        years=life,
        uncapped_years=uncapped,
        limited_by="shelf life" if uncapped > shelf else "use",
        average_current_ua=current,
        parts=parts,
        dominant=_dominant(parts, current),
        best_change=f"{best}: {_years(life)} become {_years(best_years)}" if worth_it else "",
        best_change_years=best_years if worth_it else life,
        cautions=battery_cautions(battery, tx_current_ma(duty.mode), temperature_c, in_parallel),
    )


def _changes(duty: Duty, better_board: Board | None) -> list[tuple[str, Duty]]:
    """Return the changes that mend what empties the cell."""
    found: list[tuple[str, Duty]] = []
    if better_board is not None and better_board.sleep_current_ua.value < duty.board.sleep_current_ua.value:
        words = (
            f"a board that sleeps at {better_board.sleep_current_ua.value:g} µA instead of {duty.board.sleep_current_ua.value:g} µA"
        )
        found.append((words, replace(duty, board=better_board)))
    asleep = duty.mode.radio.sleep_current_ua
    if asleep.value > SWITCHED_OFF_UA and duty.listening_share < 0.05:
        off = replace(duty.mode.radio, sleep_current_ua=replace(asleep, value=SWITCHED_OFF_UA, low=SWITCHED_OFF_UA))
        words = "a transistor that cuts the supply of the radio between reports"
        found.append((words, replace(duty, mode=replace(duty.mode, radio=off))))
    if duty.listening_share > 0.05:
        words = "listen in short windows (2 % of the time) instead of always"
        found.append((words, replace(duty, listening_share=0.02)))
    if duty.mean_tries > 1.05:
        found.append(("a stronger link, so that no packet is repeated", replace(duty, mean_tries=1.0)))
    faster = _faster(duty.mode)
    if faster is not None:
        found.append((f"setting {faster.setting}, if the link has the margin", replace(duty, mode=faster)))
    if duty.payload_bytes > 8:
        found.append(("half the bytes in each packet", replace(duty, payload_bytes=duty.payload_bytes // 2)))
    return found


def _faster(mode: RadioMode) -> RadioMode | None:
    """Return the next faster setting of the same class."""
    faster = [each for each in mode.radio.settings if each.bit_rate_bps.value > mode.bit_rate_bps * 1.01]
    if not faster:
        return None
    setting = min(faster, key=lambda each: each.bit_rate_bps.value)
    return replace(
        mode,
        setting=setting.name,
        bit_rate_bps=setting.bit_rate_bps.value,
        bandwidth_khz=setting.noise_bandwidth_khz.value,
        spreading_factor=setting.spreading_factor,
        sensitivity_dbm=setting.design_sensitivity_dbm.value,
        max_payload_bytes=int(setting.max_payload_bytes.value),
    )


def _other_cells(battery: Battery, batteries: Mapping[str, Battery] | None) -> list[tuple[str, Battery]]:
    """Return cells of the same voltage class that could stand in for this one."""
    return [
        (f"{cell.several} instead", cell)
        for cell in (batteries or {}).values()
        if cell.key != battery.key
        and cell.rechargeable == battery.rechargeable
        and abs(cell.nominal_v.value - battery.nominal_v.value) < 0.2
    ]


def _dominant(parts: tuple[CurrentPart, ...], current: float) -> str:
    if current <= 0:
        return "nothing"
    return f"{parts[0].name} ({parts[0].current_ua / current * 100:.0f} % of {_current(current)})"


def battery_cautions(battery: Battery, pulse_ma: float, temperature_c: float = 20.0, in_parallel: int = 1) -> tuple[str, ...]:
    """Return what to mind with this cell: pulses, charging in frost, leaking, heat."""
    found = []
    if pulse_ma > battery.max_pulse_ma.value * in_parallel:
        found.append(
            f"Sending draws {pulse_ma:.0f} mA, the cell gives {battery.max_pulse_ma.value * in_parallel:g} mA: "
            "put a capacitor beside it or take another cell."
        )
    if battery.rechargeable and battery.charge_min_c is not None and battery.charge_max_c is not None:
        found.append(CHARGE_FREEZING.format(low=battery.charge_min_c, high=battery.charge_max_c))
    if temperature_c < 0:
        found.append(f"At {temperature_c:g} °C about {cold_factor(battery, temperature_c) * 100:.0f} % of its capacity is left.")
    found.extend(battery.cautions)
    found.append(HEAT.format(limit=battery.max_temperature_c.value))
    return tuple(found)


def energy_wh_per_day(current_ua: float, supply_v: float) -> float:
    """Return the energy of a day."""
    return current_ua / 1e6 * supply_v * 24.0


def sun_band(table: SolarTable, latitude_deg: float) -> SunBand:
    """Return the row of the sun table for a latitude, north or south."""
    latitude = abs(latitude_deg)
    for band in table.bands:
        if band.latitude_low_deg <= latitude < band.latitude_high_deg or latitude == band.latitude_high_deg == 90:
            return band
    raise InputError(f"{latitude_deg:g} is no latitude.", where="latitude", fix="Give degrees from -90 to 90.")


def solar_supply(
    energy_wh: float,
    battery: Battery,
    table: SolarTable,
    *,
    latitude_deg: float,
    peak_sun_hours: float | None = None,
    under_canopy: bool = False,
    snow: bool = False,
    tracking: bool = False,
    temperature_c: float = 0.0,
) -> SolarSupply:
    """Return panel and storage that carry a device through the worst month.

    Parameters
    ----------
    energy_wh : float
        Of a day, from `energy_wh_per_day`.
    peak_sun_hours : float, optional
        On the tilted panel in the worst month, where the user knows better than the table.
    under_canopy, snow, tracking : bool
        Trees above the panel; snow that lies for days; a charger that tracks the panel's best point.
    temperature_c : float
        Of the battery in the worst month.

    Notes
    -----
    Source
        P = E·k/(H·η), C = E·N/(DoD·k_T); method of IEEE 1562 and IEC 62124, defaults from the sun table.
    """
    band = sun_band(table, latitude_deg)
    hours = band.peak_sun_hours.value if peak_sun_hours is None else peak_sun_hours
    if under_canopy:
        hours *= table.canopy_factor.value
    days = band.autonomy_days.value + (table.snow_days.value if snow else 0.0)
    efficiency = (table.charger_efficiency_tracking if tracking else table.charger_efficiency_linear).value
    panel = energy_wh * table.recharge_factor.value / (hours * efficiency) if hours > 0 else inf
    storage = energy_wh * days / (battery.depth_of_discharge.value * cold_factor(battery, temperature_c))
    sentence = (
        f"{energy_wh:.2f} Wh a day: panel of {panel:.1f} W and {storage:.0f} Wh of {battery.several} "
        f"for {hours:.1f} h of full sun in the worst month and {days:.0f} days without."
    )
    if panel > MAINS_INSTEAD_W:
        sentence += " Bring mains instead, or use something that draws less."
    cautions = [
        "Size for the worst month, not for the year; look at the horizon from the panel's place in winter.",
        *battery_cautions(battery, 0.0, temperature_c),
    ]
    if under_canopy:
        cautions.append("Leaves starve a panel that was put up in winter: move it out from under the trees.")
    if snow:
        cautions.append("Tilt the panel 60 degrees or more, so that snow slides off.")
    figures = {
        "hours of full sun": band.peak_sun_hours if peak_sun_hours is None else None,
        "days without sun": band.autonomy_days,
        "charger": table.charger_efficiency_tracking if tracking else table.charger_efficiency_linear,
    }
    to_check = tuple(
        f"check {name} {figure.value:g} ({figure.standing.value}: {figure.source})"
        for name, figure in figures.items()
        if figure is not None and figure.needs_check
    )
    return SolarSupply(energy_wh, hours, days, panel, storage, sentence, tuple(cautions), to_check)


def _years(years: float) -> str:
    if years < 1.0:
        months = years * 12.0
        return f"{months:.0f} months" if months >= 2 else f"{years * 365.25:.0f} days"
    return f"{years:.1f} years"


def _current(current_ua: float) -> str:
    return f"{current_ua / 1000.0:.1f} mA" if current_ua >= 1000.0 else f"{current_ua:.1f} µA"
