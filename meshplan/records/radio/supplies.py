"""What feeds a radio: cells, regulators, boards, sunlight."""

from __future__ import annotations

from dataclasses import dataclass

from meshplan.records.radio.figure import Figure
from meshplan.sources import Standing
from meshplan.units import plural


@dataclass(frozen=True)
class CellVoltage:
    """Voltage of one cell as it empties, and what load and frost take from it."""

    used_percent: tuple[float, ...]
    volt: tuple[float, ...]
    highest_v: float
    """Of a fresh cell without load, or at the end of charging."""
    shift_at_minus_20c_v: float
    ohm_fresh: float
    ohm_empty: float
    ohm_factor_at_minus_20c: float
    standing: Standing
    source: str


@dataclass(frozen=True)
class Regulator:
    """A kind of voltage regulator."""

    key: str
    title: str
    kind: str
    """'linear', 'step-down' or 'step-up'."""
    quiescent_ua: Figure
    efficiency: Figure
    drop_v: Figure
    lowest_v: Figure
    highest_v: Figure
    most_ma: Figure


@dataclass(frozen=True)
class Battery:
    """A cell kind."""

    key: str
    title: str
    capacity_mah: Figure
    nominal_v: Figure
    self_discharge_per_year: Figure
    cold_factor_minus_20c: Figure
    shelf_life_years: Figure
    end_factor: Figure
    depth_of_discharge: Figure
    max_pulse_ma: Figure
    max_temperature_c: Figure
    rechargeable: bool
    charge_min_c: float | None = None
    charge_max_c: float | None = None
    cautions: tuple[str, ...] = ()
    voltage: CellVoltage | None = None
    """None where nobody says: its supply cannot be judged then."""
    words: str = ""
    """One of them, as a sentence has it; empty: its title."""

    @property
    def one(self) -> str:
        """One of them in words."""
        return self.words or self.title

    @property
    def several(self) -> str:
        """Several of them in words."""
        return plural(self.one)


@dataclass(frozen=True)
class Board:
    """A kind of board around the radio."""

    key: str
    title: str
    sleep_current_ua: Figure
    active_current_ma: Figure
    active_ms: Figure
    supply_v: Figure
    note: str = ""
    regulated_v: float | None = None
    """Voltage that its own regulator gives the radio; None without one."""
    regulated_ma: float = 0.0
    """Most current of that regulator."""


@dataclass(frozen=True)
class SunBand:
    """Sun in the worst month for a range of latitudes."""

    latitude_low_deg: float
    latitude_high_deg: float
    peak_sun_hours: Figure
    autonomy_days: Figure


@dataclass(frozen=True)
class SolarTable:
    """Defaults of solar sizing."""

    bands: tuple[SunBand, ...]
    charger_efficiency_linear: Figure
    charger_efficiency_tracking: Figure
    recharge_factor: Figure
    canopy_factor: Figure
    snow_days: Figure
