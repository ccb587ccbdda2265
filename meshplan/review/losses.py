"""Jumps of loss, silence, and loss by the hour of the day."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from meshplan.records.review import DeviceDays
from meshplan.review.budget import NETWORK_DEVICES, SHARES, YEAR_DAYS, days_between_alarms, quantile
from meshplan.review.watch import SLACK, Watched, lag_correlation, past_median, robust_spread, watch
from meshplan.units import Array

FADING_FACTOR: Final = 2.0
"""Packets missed in a row come in bunches: so many times more are asked for than if each were lost by itself (radio facts 2, § "
"6)."""
LONGEST_BEFORE: Final = 1.5
"""A silence is longer than the longest before it by this factor (own choice) …"""
LONGEST_WAIT_S: Final = 2.0 * 86_400.0
"""… up to two days, so that one failure does not hide the next."""
LEAST_WAIT_S: Final = 3_600.0
LEAST_DAY_SHARE: Final = 0.25
"""A day counts if a quarter of its packets can have been sent."""
WORTH_TELLING: Final = 0.05
"""Loss over the usual that nobody acts on (own choice): only what exceeds it adds up."""
HOUR_DAYS: Final = 28
HOUR_LOOKS_A_YEAR: Final = 24.0 * YEAR_DAYS / HOUR_DAYS * 2.0
LEAST_HOUR_SHARE: Final = 0.1
"""Loss in an hour over that of the rest of the day from which it is worth a sentence (own choice)."""


def usual_loss(days: DeviceDays) -> float:
    """Return the share of packets that a device loses on its bad days: what one day in twenty exceeds."""
    shares = days.loss_share[np.isfinite(days.loss_share)]
    return float(np.quantile(shares, 0.95)) if len(shares) else 0.0


def silence_after_s(interval_s: float, loss_share: float, longest_before_s: float) -> float:
    """Return the time without a packet from which a device counts as silent.

    Parameters
    ----------
    interval_s : float
    loss_share : float
        Share of packets lost on bad days, see `usual_loss`.
    longest_before_s : float
        Longest gap of the past; 0 without one.

    Notes
    -----
    Source
        m packets in a row are lost with loss^m; a year of the budget's network has so many places where they may: m follows from
        the share of the budget (radio facts 2, § 6, which doubles it for fading)
    """
    loss = min(max(loss_share, 0.01), 0.9)
    places = NETWORK_DEVICES * YEAR_DAYS * 86_400.0 / interval_s
    missed = FADING_FACTOR * math.log(SHARES["silence"] / places) / math.log(loss)
    before = min(LONGEST_BEFORE * longest_before_s, LONGEST_WAIT_S)
    return max((math.ceil(missed) + 1) * interval_s, before, LEAST_WAIT_S)


def read_losses(days: Mapping[str, DeviceDays], intervals_s: Mapping[str, float]) -> dict[str, Watched]:
    """Return the loss of each device by day, watched for jumps.

    Notes
    -----
    Source
        asin √share has nearly the same spread whatever the share, 1/(2·√n) for n packets (Anscombe, Biometrika 35, 1948, from
        memory); as if of half as many where losses come in bunches
    """
    angles = {name: loss_angle(each, intervals_s[name]) for name, each in days.items()}
    base = {name: past_median(values) for name, values in angles.items()}
    excess = {name: angles[name] - base[name] for name in angles}
    correlation = lag_correlation(list(excess.values()))
    spreads = [spread for spread in map(robust_spread, excess.values()) if math.isfinite(spread)]
    network = float(np.median(spreads)) if spreads else math.nan
    return {
        name: watch(
            excess[name],
            base[name],
            floor=np.maximum(0.5 * np.sqrt(FADING_FACTOR / np.maximum(each.heard + each.lost, 1)), _worth_telling(base[name])),
            network_spread=network,
            correlation=correlation,
            days_between=days_between_alarms("loss"),
        )
        for name, each in days.items()
    }


def _worth_telling(base: Array) -> Array:
    """Return the spread at which what a loss may rise by without being told is just what each day is spared."""
    share = np.sin(np.nan_to_num(base)) ** 2
    return np.asarray((np.arcsin(np.sqrt(np.minimum(share + WORTH_TELLING, 1.0))) - np.arcsin(np.sqrt(share))) / SLACK)


def loss_angle(days: DeviceDays, interval_s: float) -> Array:
    """Return asin √(share lost) by day; NaN for days with too few packets to tell."""
    sent = days.heard + days.lost
    enough = sent >= max(LEAST_DAY_SHARE * 86_400.0 / interval_s, 4)
    share = (days.lost + 0.375) / (np.maximum(sent, 1) + 0.75)
    return np.where(enough, np.arcsin(np.sqrt(share)), np.nan)


@dataclass(frozen=True)
class BadHour:
    """An hour of the day (universal time) in which more is lost than in the others."""

    hour: int
    share: float
    share_else: float
    size: float
    """In standard errors."""


def bad_hours(days: list[DeviceDays], last: int) -> list[BadHour]:
    """Return the hours of the last four weeks, up to day `last`, in which the links together lose more than else.

    Notes
    -----
    Source
        Share lost of an hour against the other hours of the same days; the standard error of the difference from day to day
        (derived), so that it holds however losses bunch; Student's t with one degree of freedom less than days
    """
    window = slice(max(0, last + 1 - HOUR_DAYS), last + 1)
    lost = np.sum([each.lost_by_hour[window] for each in days], axis=0).astype(float)
    sent = lost + np.sum([each.heard_by_hour[window] for each in days], axis=0)
    if sent.shape[0] < LEAST_HOURS_DAYS or sent.sum() < 24 * 20:
        return []
    found = []
    sure = quantile("hour", HOUR_LOOKS_A_YEAR / NETWORK_DEVICES, sent.shape[0] - 1)
    for hour in range(24):
        rest = np.arange(24) != hour
        here, there = sent[:, hour], sent[:, rest].sum(axis=1)
        known = (here > 0) & (there > 0)
        if known.sum() < LEAST_HOURS_DAYS:
            continue
        gap = lost[known, hour] / here[known] - lost[known][:, rest].sum(axis=1) / there[known]
        mean, error = float(gap.mean()), float(gap.std(ddof=1) / math.sqrt(len(gap)))
        if error > 0.0 and mean / error > sure and mean >= LEAST_HOUR_SHARE:
            share = float(lost[:, hour].sum() / max(here.sum(), 1.0))
            other = float(lost[:, rest].sum() / max(there.sum(), 1.0))
            found.append(BadHour(hour, share, other, mean / error))
    return found


LEAST_HOURS_DAYS: Final = 14
