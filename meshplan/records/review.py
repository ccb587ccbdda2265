"""The nouns of looking after a network that runs: what a log holds of a device, what was expected of it, what was found."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meshplan.records.radio import CellVoltage
from meshplan.units import Array

Whole = NDArray[np.int64]

KINDS = ("silence", "cell", "loss", "step", "need", "way", "slope", "load", "hour", "clock")
"""What a review looks for, the most urgent first."""


@dataclass(frozen=True, eq=False)
class DeviceLog:
    """What a log holds of one device, in the order of time; arrays of one length."""

    device: str
    time_s: Array
    """Seconds since 1970, universal time."""
    receiver: NDArray[np.int16]
    """Who heard it, as an index into `receivers`; −1 where the log does not say."""
    receivers: tuple[str, ...]
    power_dbm: Array
    """NaN where the row has none; so with the next three."""
    snr_db: Array
    cell_v: Array
    temperature_c: Array
    counter: Whole
    """−1 where the row has none."""
    hop: NDArray[np.int8]
    """Hops that the packet took; 0 where the log does not say."""

    def __len__(self) -> int:
        return len(self.time_s)


@dataclass(frozen=True)
class ExpectedCell:
    """What the plan feeds a device with."""

    words: str
    voltage: CellVoltage
    in_series: int
    end_share: float
    """Share of the charge used when the device stops or should get new cells."""
    life_years: float
    rechargeable: bool = False


@dataclass(frozen=True)
class ExpectedDevice:
    """What the plan expects of a device that sends. Months run from January; decibels of the hop to `receiver`."""

    name: str
    interval_s: float
    receiver: str
    link: str
    level_by_month_dbm: tuple[float, ...] = ()
    """Median power at the receiver; empty where the plan has no such link."""
    leaf_by_month_db: tuple[float, ...] = ()
    """What the season takes in each month against the best month."""
    season_spread_by_month_db: tuple[float, ...] = ()
    """How uncertain that is."""
    needed_dbm: float = math.nan
    """Sensitivity of the receiver and the fade margin."""
    spread_db: float = 6.0
    """Uncertainty of the level before anything was measured."""
    required_chance: float = 0.9
    importance: float = 1.0
    alarm: bool = False
    relays: tuple[str, ...] = ()
    """Those on its route, the nearest first."""
    gateway: str = ""
    second_receiver: str = ""
    """The next device of the second route, where one is planned."""
    cell: ExpectedCell | None = None


@dataclass(frozen=True, eq=False)
class DeviceDays:
    """A device by day: arrays of one length, the first of them day `first_day` since 1970 in universal time."""

    device: str
    receiver: str
    first_day: int
    heard: Whole
    """Packets, each once however often and by whomever it was heard."""
    lost: Whole
    rows: Whole
    power_dbm: Array
    """Median of the day at `receiver`, NaN without any; so with the next four."""
    snr_db: Array
    cell_v: Array
    temperature_c: Array
    powers: Whole
    """Readings in the median."""
    heard_by_hour: Whole
    """Shape (days, 24)."""
    lost_by_hour: Whole
    longest_gap_s: Array
    """Longest time without a packet that ended on the day."""
    last_s: float
    """Last packet."""

    @property
    def days(self) -> int:
        """How many."""
        return len(self.heard)

    @property
    def loss_share(self) -> Array:
        """Share of packets lost on each day, NaN where none was sent."""
        sent = self.heard + self.lost
        return np.where(sent > 0, self.lost / np.maximum(sent, 1), np.nan)


@dataclass(frozen=True)
class CounterStory:
    """What the counters of a device say besides losses."""

    bits: int = 0
    """0 where the rows have no counter."""
    packets: int = 0
    lost: int = 0
    duplicates: int = 0
    wraps: int = 0
    reboots: int = 0
    jumps: int = 0
    """Counter elsewhere than any loss explains: another device under this name, or a counter that was set."""
    late: int = 0
    uncountable: int = 0
    """Gaps so long that the counter may have gone round: lost packets there are estimated from the time."""
    uncountable_s: float = math.inf
    """Gap from which that is so."""
    interval_s: float = math.nan
    """From one packet to the next, measured."""


@dataclass(frozen=True)
class Finding:
    """One thing that needs attention."""

    kind: str
    """One of `KINDS`."""
    device: str
    """Name of a device, or of the receiver where all that it hears is meant."""
    since_s: float
    sentence: str
    check_first: str
    weight: float
    """Order among the findings: the largest is the worst."""
    figures: dict[str, float] = field(default_factory=dict)
    others: tuple[str, ...] = ()
    """Devices that are meant too."""


@dataclass(frozen=True)
class MonthOutlook:
    """A link in a month to come: the plan's season corrected by what was measured."""

    month: int
    level_dbm: float
    needed_dbm: float
    chance: float
    holds: bool


@dataclass(frozen=True)
class LinkMonth:
    """A link in one month: a reading that a calibration takes."""

    a: str
    b: str
    year: int
    month: int
    power_dbm: float
    snr_db: float
    received: int
    sent: int


@dataclass(frozen=True, eq=False)
class DeviceReview:
    """One device: what was expected, what its log says, by day and by month."""

    expected: ExpectedDevice
    days: DeviceDays
    counters: CounterStory
    outlook: tuple[MonthOutlook, ...]
    months: tuple[LinkMonth, ...]
    cell_words: str = ""
    level_dbm: float = math.nan
    """Median of the last four weeks."""
    correction_db: float = math.nan
    """Measured less planned, the season counted."""
    loss_share: float = math.nan
    """Of the last four weeks."""


@dataclass(frozen=True, eq=False)
class Review:
    """All that a review says."""

    property_name: str
    first_s: float
    last_s: float
    """End of what is looked at: the last row of any device, or the day that the user named."""
    rows: int
    devices: tuple[DeviceReview, ...]
    findings: tuple[Finding, ...]
    """Worst first."""
    unheard: tuple[str, ...]
    """Devices of the plan of which the log has nothing."""
    blind: tuple[str, ...]
    """What this review cannot see."""
    notes: tuple[str, ...]
    files: tuple[str, ...]
