"""How often devices send: their clocks against the plan and each other, and what relays carry."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from meshplan.records.review import DeviceDays, ExpectedDevice
from meshplan.review.budget import YEAR_DAYS, quantile
from meshplan.units import Array

RECENT_DAYS: Final = 28
CLOCK_SHARE: Final = 0.0025
"""Ten times what a calibrated resistor clock is off (radio facts 2, § 5.1: 250–1000 ppm; own choice)."""
SETTING_SHARE: Final = 0.1
"""Beyond this it is no clock but another setting (own choice)."""
MORE_THAN_PLANNED: Final = 1.25
"""A relay that carries so much more than planned is told (own choice)."""
CLOCK_LOOKS_A_YEAR: Final = YEAR_DAYS / RECENT_DAYS * 2.0


@dataclass(frozen=True)
class ClockReading:
    """How far a device's interval is off."""

    interval_s: float
    off_share: float
    """Over the plan's, less what most devices of the network are off."""
    error_share: float
    setting: bool
    """Whether the interval itself was set otherwise."""


def daily_intervals_s(sent_s: Array, first_day: int, days: int) -> Array:
    """Return the mean time from packet to packet within each day, NaN for days with fewer than eight.

    Parameters
    ----------
    sent_s : ndarray
        When packets were heard, and when those that the counter shows as lost were sent; ascending.
    """
    day = (sent_s // 86_400.0).astype(np.int64) - first_day
    count = np.bincount(day, minlength=days)[:days]
    first, last = np.full(days, np.inf), np.full(days, -np.inf)
    np.minimum.at(first, day, sent_s)
    np.maximum.at(last, day, sent_s)
    return np.where(count >= 8, (last - first) / np.maximum(count - 1, 1), np.nan)


def read_clocks(intervals_s: Mapping[str, Array], expected: Mapping[str, ExpectedDevice]) -> dict[str, ClockReading]:
    """Return the devices whose interval is off, over the last four weeks."""
    ratios: dict[str, tuple[float, float]] = {}
    for name, daily in intervals_s.items():
        known = daily[-RECENT_DAYS:]
        known = known[np.isfinite(known)]
        if len(known) >= 10:
            ratio = known / expected[name].interval_s - 1.0
            middle = float(np.median(ratio))
            error = 1.25 * 1.4826 * float(np.median(np.abs(ratio - middle))) / math.sqrt(len(ratio))
            ratios[name] = middle, max(error, 1e-6)
    if not ratios:
        return {}
    usual = [middle for middle, _ in ratios.values() if abs(middle) < SETTING_SHARE]
    common = float(np.median(usual)) if len(usual) >= 4 else 0.0
    found = {}
    for name, (middle, error) in ratios.items():
        setting = abs(middle) >= SETTING_SHARE
        off = middle if setting else middle - common
        if abs(off) > CLOCK_SHARE and abs(off) / error > quantile("clock", CLOCK_LOOKS_A_YEAR, 12.0):
            found[name] = ClockReading(expected[name].interval_s * (1.0 + middle), off, error, setting)
    return found


@dataclass(frozen=True)
class RelayLoad:
    """What a relay carries an hour."""

    relay: str
    packets_per_hour: float
    planned_per_hour: float
    causes: tuple[str, ...]
    """Devices that send more through it than planned, the most first."""


def relay_loads(
    expected: Mapping[str, ExpectedDevice], days: Mapping[str, DeviceDays], heard_shares: Mapping[str, Mapping[str, float]]
) -> list[RelayLoad]:
    """Return the relays that carry more than planned, over the last four weeks.

    Parameters
    ----------
    heard_shares : mapping
        Device → who heard it → share of its rows; empty where the log names no receiver, and the planned route is taken then.
    """
    relays = sorted({relay for each in expected.values() for relay in each.relays})
    found = []
    for relay in relays:
        planned, carried, excess = 0.0, 0.0, []
        hours = 0.0
        for name, each in expected.items():
            here = days.get(name)
            on_plan = 3600.0 / each.interval_s if relay in each.relays else 0.0
            planned += on_plan
            if here is None:
                continue
            recent = here.heard[-RECENT_DAYS:] if here.days > RECENT_DAYS else here.heard
            hours = max(hours, 24.0 * len(recent))
            through = _share_through(relay, each, heard_shares.get(name, {}))
            rate = through * float(recent.sum()) / max(24.0 * len(recent), 1.0)
            carried += rate
            if rate > on_plan * MORE_THAN_PLANNED:
                excess.append((rate - on_plan, name))
        if planned > 0.0 and _surely_more(carried, planned, hours):
            found.append(RelayLoad(relay, carried, planned, tuple(name for _, name in sorted(excess, reverse=True))))
    return found


def _share_through(relay: str, expected: ExpectedDevice, heard: Mapping[str, float]) -> float:
    if not heard or (not expected.relays and relay not in heard):
        return 1.0 if relay in expected.relays else 0.0
    if relay in heard:
        return heard[relay]
    return 1.0 if relay in expected.relays[1:] or (relay in expected.relays and expected.receiver not in heard) else 0.0


def _surely_more(carried: float, planned: float, hours: float) -> bool:
    """Whether a relay carries more than planned beyond the scatter of counts (Poisson, five standard errors)."""
    return carried > MORE_THAN_PLANNED * planned and (carried - planned) * hours > 5.0 * math.sqrt(max(planned * hours, 1.0))
