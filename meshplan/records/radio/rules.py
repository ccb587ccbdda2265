"""Licence-exempt rules: countries, their sub-bands, the limits and conditions of each row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from math import log10
from typing import Final

from meshplan.records.radio.classes import Technique
from meshplan.sources import Standing
from meshplan.units import ERP_TO_EIRP_DB


class Condition(StrEnum):
    """What a rule asks for that no table can see: the user answers for it in `radio_settings.accepts`."""

    HOPPING = "hopping"
    HYBRID = "hybrid"
    DENSITY = "density"
    DIGITAL_MODULATION = "digital-modulation"
    CARRIER_SENSE = "carrier-sense"
    POLITE_ACCESS = "polite-access"
    """Listening before sending and a change of channel when it is busy; lifts European duty limits."""
    TIMING = "timing"
    CHANNEL_LIST = "channel-list"
    POINT_TO_POINT = "point-to-point"
    DATA_NETWORK = "data-network"
    COUNTRY_OPENED = "country-opened"
    TYPE_APPROVED = "type-approved"
    REGISTERED = "registered"
    METERING = "metering"
    CONTROL = "control"
    ALARM = "alarm"


OF_USE: Final = (Condition.REGISTERED, Condition.METERING, Condition.CONTROL, Condition.ALARM)
"""Conditions that say what the whole network is for: rows reserved for that are not allowed for data."""


class LimitKind(StrEnum):
    """What a power limit is measured against."""

    EIRP = "eirp"
    ERP = "erp"
    CONDUCTED = "conducted"
    FIELD = "field"


@dataclass(frozen=True)
class SubBand:
    """One row of a country's table: where, how strong, how often."""

    key: str
    rule: str
    low_mhz: float
    high_mhz: float
    limit_kind: LimitKind
    limit: float
    """dBm for EIRP, ERP and conducted limits; microvolt per metre at 3 m for a field limit. At `low_mhz`."""
    standing: Standing
    source: str
    checked: date
    document: str = ""
    clause: str = ""
    limit_high_end: float | None = None
    """Limit at `high_mhz` where it climbs evenly with frequency."""
    free_gain_dbi: float = 0.0
    """For conducted limits: antenna gain above which the power must fall dB for dB."""
    duty_limit: float | None = None
    duty_period_s: float = 3600.0
    listen_first: str = "no"
    """'no', 'instead' (polite access replaces the duty limit) or 'required'."""
    needs_agility: bool = False
    """Whether polite access also asks to change the channel when it is busy: a sender on one fixed channel cannot claim it."""
    polite_duty_limit: float | None = None
    polite_max_airtime_ms: float | None = None
    max_bandwidth_khz: float | None = None
    max_bandwidth_share: float | None = None
    """Largest occupied bandwidth as a share of the frequency."""
    min_bandwidth_khz: float | None = None
    density_dbm: float | None = None
    density_khz: float | None = None
    density_from_khz: float = 0.0
    """Bandwidth from which the density limit applies."""
    density_exempts_hopping: bool = False
    max_airtime_ms: float | None = None
    min_silence_s: float | None = None
    silence_ratio: float | None = None
    periodic_allowed: bool = True
    techniques: tuple[Technique, ...] = ()
    """Empty: any technique."""
    uses: tuple[str, ...] = ()
    """Empty: any use; otherwise only these, such as 'alarm'."""
    min_channels: int | None = None
    """Channels that a hopping sender must use."""
    occupancy_window_s: float | None = None
    """Time in which `max_airtime_ms` counts for each channel of a hopper."""
    channels_mhz: tuple[float, ...] = ()
    """Middles of the channels that the row is for; empty: the whole band."""
    channel_width_khz: float | None = None
    condition_keys: tuple[Condition, ...] = ()
    """What the user must do or have and no table can see; without any the row is unconditional."""
    condition: str = ""
    """The conditions, or what the row is reserved for, in one sentence."""
    medium_use_limit: float | None = None
    """Power over 100 mW times duty, for senders from 10 dBm that do not adapt (EN 300 328)."""
    note: str = ""

    def holds(self, frequency_mhz: float) -> bool:
        """Return whether a frequency lies in the row: in its band, and in one of its channels where it has some."""
        if not self.low_mhz <= frequency_mhz <= self.high_mhz:
            return False
        nearest = self.nearest_channel_mhz(frequency_mhz)
        return nearest is None or abs(frequency_mhz - nearest) * 2000.0 <= (self.channel_width_khz or 0.0) + 1e-6

    def nearest_channel_mhz(self, frequency_mhz: float) -> float | None:
        """Return the middle of the nearest channel; None where the row is for the whole band."""
        return min(self.channels_mhz, key=lambda middle: abs(middle - frequency_mhz)) if self.channels_mhz else None

    def eirp_cap_dbm(self, frequency_mhz: float) -> float:
        """Return the limit at a frequency as dBm EIRP.

        Notes
        -----
        Source
            ERP: ITU-R BS.561 (2.15 dB). Field: EIRP = E²d²/30 at d = 3 m, free space.
        """
        limit: float = self.limit
        if self.limit_high_end is not None:
            share = (frequency_mhz - self.low_mhz) / (self.high_mhz - self.low_mhz)
            limit += min(1.0, max(0.0, share)) * (self.limit_high_end - self.limit)
        if self.limit_kind is LimitKind.ERP:
            return limit + ERP_TO_EIRP_DB
        if self.limit_kind is LimitKind.CONDUCTED:
            return limit + self.free_gain_dbi
        if self.limit_kind is LimitKind.FIELD:
            return field_strength_to_eirp_dbm(limit)
        return limit

    @property
    def needs_check(self) -> bool:
        """Whether the output marks the row "check"."""
        return self.standing.needs_check


def field_strength_to_eirp_dbm(field_uv_per_m: float, distance_m: float = 3.0) -> float:
    """Return the EIRP in dBm that makes a field strength at a distance in free space.

    Notes
    -----
    Source
        P = E²·d²/30, from power density P/(4πd²) = E²/(120π).
    """
    watt = (field_uv_per_m * 1e-6 * distance_m) ** 2 / 30.0
    return 10.0 * log10(watt * 1000.0)


@dataclass(frozen=True)
class Region:
    """A country's or region's licence-exempt rules, as planning defaults with a date."""

    key: str
    title: str
    checked: date
    sub_bands: tuple[SubBand, ...]
    known: bool = True
    """False for the conservative stand-in of an unknown country."""
    note: str = ""
    aliases: tuple[str, ...] = ()
    """Other names for it, and countries that follow its table."""
