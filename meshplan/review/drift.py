"""Signals by day: what the season takes, what all links of a receiver share, steps and slopes of a link's own."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import stdtrit

from meshplan.records.review import DeviceDays, ExpectedDevice
from meshplan.review.budget import NETWORK_DEVICES, SHARES, days_between_alarms
from meshplan.review.watch import SLACK, Watched, lag_correlation, past_median, robust_spread, watch
from meshplan.units import Array

LEAST_TOGETHER: Final = 5
"""Links of one receiver from which what they share is told from what is their own."""
WORTH_TELLING_DB: Final = 1.5
"""A fall that nobody acts on (own choice), and what a season may differ from the plan's within five weeks: only more adds up."""
WINDOWS_DAYS: Final = (42, 84, 168, 336)
LOOK_EVERY_DAYS: Final = 7
LOOKS_A_YEAR: Final = sum(365.0 / window * 2.0 for window in WINDOWS_DAYS)
"""Slopes over windows that overlap are alike: about two looks a window's length count as independent (estimate)."""
LEAST_FALL_DB: Final = 1.0
MEDIAN_EFFICIENCY: Final = 1.05
"""Standard error of a Theil–Sen slope over that of least squares, normal errors: √(π/3) = 1.023 (Sen, 1968, from memory), and a
little for ties."""
RESIDUAL_EFFICIENCY: Final = math.sqrt(math.pi / 2.0)


@dataclass(frozen=True, eq=False)
class Signals:
    """The links of a network by day; arrays by device."""

    own_db: Mapping[str, Array]
    """Median power less the season's part and less what all links of the receiver share, from its first weeks."""
    common_db: Mapping[str, Array]
    """By receiver; NaN where too few links tell."""
    steps: Mapping[str, Watched]
    """By device; the figure is the fall of the signal."""
    common_steps: Mapping[str, Watched]
    correlation: float
    day_spread_db: Mapping[str, float]


@dataclass(frozen=True)
class Slope:
    """A signal that fades."""

    day: int
    """Last day of the window, as an index."""
    window_days: int
    db_per_month: float
    low_db_per_month: float
    high_db_per_month: float
    """90 % interval."""


def season_db(expected: ExpectedDevice, days: DeviceDays, by_month: Sequence[float]) -> Array:
    """Return a figure by month as one by day, straight from the middle of a month to that of the next; zero without one."""
    if not by_month:
        return np.zeros(days.days)
    day = np.arange(days.first_day, days.first_day + days.days)
    date = day.astype("datetime64[D]")
    of_year = (date - date.astype("datetime64[Y]").astype("datetime64[D]")).astype(float)
    middle = (np.arange(-1, 13) + 0.5) * 365.25 / 12
    values = np.array([by_month[11], *by_month, by_month[0]])
    return np.asarray(np.interp(of_year, middle, values))


def read_signals(expected: Mapping[str, ExpectedDevice], days: Mapping[str, DeviceDays]) -> Signals:
    """Return what each link's signal does by day, and the watch for steps."""
    plain = {name: each.power_dbm + season_db(expected[name], each, expected[name].leaf_by_month_db) for name, each in days.items()}
    receivers: dict[str, list[str]] = {}
    for name, each in days.items():
        receivers.setdefault(each.receiver, []).append(name)
    common: dict[str, Array] = {}
    for receiver, names in receivers.items():
        together = np.array([values - _level(values) for values in (plain[name] for name in names)])
        common[receiver] = _median_of_many(together)
    own = {name: plain[name] - np.nan_to_num(common[days[name].receiver]) for name in plain}
    excess = {name: past_median(values) - values for name, values in own.items()}
    correlation = lag_correlation(list(excess.values()))
    spreads = [spread for spread in map(robust_spread, excess.values()) if math.isfinite(spread)]
    network = float(np.median(spreads)) if spreads else math.nan
    allowed = days_between_alarms("step")
    steps = {
        name: watch(
            excess[name],
            -past_median(own[name]),
            floor=_median_floor(each),
            network_spread=network,
            correlation=correlation,
            days_between=allowed,
        )
        for name, each in days.items()
    }
    common_steps = {}
    shared = {receiver: past_median(values) - values for receiver, values in common.items()}
    alike = lag_correlation([values for values in shared.values() if np.isfinite(values).any()])
    for receiver, values in shared.items():
        if np.isfinite(values).sum() >= LEAST_TOGETHER:
            common_steps[receiver] = watch(
                values,
                -past_median(common[receiver]),
                floor=np.full(len(values), WORTH_TELLING_DB / SLACK),
                network_spread=math.nan,
                correlation=alike,
                days_between=days_between_alarms("common step") / NETWORK_DEVICES,
            )
    day_spread = {name: robust_spread(values) for name, values in excess.items()}
    return Signals(own, common, steps, common_steps, correlation, day_spread)


def _level(values: Array) -> float:
    return float(np.nanmedian(values)) if np.isfinite(values).any() else math.nan


def _median_of_many(together: Array) -> Array:
    """Return the median over links of each day, NaN where fewer than `LEAST_TOGETHER` tell."""
    known = np.isfinite(together).sum(axis=0)
    result = np.full(together.shape[1], np.nan)
    enough = known >= LEAST_TOGETHER
    if enough.any():
        result[enough] = np.nanmedian(together[:, enough], axis=0)
    return result


def _median_floor(days: DeviceDays) -> Array:
    """Return the least spread of a daily median: what is not worth telling, and more where few packets make it.

    Standard error of a median 1.25·σ/√n with single packets of σ = 4 dB (common practice, no source).
    """
    return np.maximum(WORTH_TELLING_DB / SLACK, 1.25 * 4.0 / np.sqrt(np.maximum(days.powers, 1)))


def slope_at(
    own_db: Array, day: int, correlation: float, season_spread_db: Array, *, windows: Sequence[int] = WINDOWS_DAYS
) -> Slope | None:
    """Return the fall of a signal that ends on a day, the longest window first; None where none is sure.

    Parameters
    ----------
    own_db : ndarray, shape (days,)
        Signal without season and common part.
    season_spread_db : ndarray, shape (days,)
        How uncertain the season's part is on each day.

    Notes
    -----
    Source
        Slope of `theil_sen`; its standard error from the robust
        spread about the line, √12/n^1.5 of it for daily figures, wider by √((1 + ρ)/(1 − ρ)) for days that are alike; Student's t
        with n·(1 − ρ)/(1 + ρ) − 2 degrees of freedom; the share of the budget over about two looks a window's length
    """
    for window in sorted(windows, reverse=True):
        part = own_db[max(0, day + 1 - window) : day + 1]
        if len(part) < window or np.isfinite(part).sum() < 0.7 * window or not np.isfinite(part[-LOOK_EVERY_DAYS:]).any():
            continue
        at = np.flatnonzero(np.isfinite(part)).astype(float)
        values = part[np.isfinite(part)]
        if len(at) > 120:  # medians of pairs of days: the same slope, a tenth of the work
            at, values = _thinned(at, values)
        slope, cut = theil_sen(values, at)
        spread = robust_spread(values - cut - slope * at)
        n = len(part[np.isfinite(part)])
        alike = (1.0 + correlation) / (1.0 - correlation)
        thinned = n / len(at)
        error = MEDIAN_EFFICIENCY * spread * math.sqrt(12.0 * max(alike / thinned, 1.0)) / (window * math.sqrt(len(at)))
        season = season_spread_db[max(0, day + 1 - window) : day + 1]
        error = math.hypot(error, float(season.max() - season.min()) / window)
        freedom = max(n / alike - 2.0, 1.0)
        chance = SHARES["slope"] / (NETWORK_DEVICES * LOOKS_A_YEAR)
        sure = -float(stdtrit(freedom, chance))
        fall = -slope * window
        if error > 0.0 and -slope / error > sure and fall >= LEAST_FALL_DB and not is_step(part):
            half = -float(stdtrit(freedom, 0.05)) * error
            month = 365.25 / 12
            return Slope(day, window, slope * month, (slope - half) * month, (slope + half) * month)
    return None


def theil_sen(values: Array, at: Array) -> tuple[float, float]:
    """Return slope and cut of the line through points, both by medians.

    Notes
    -----
    Source
        Theil (1950), Sen (1968), from memory: the median of the slopes of all pairs. The same as scipy.stats.theilslopes (a test
        holds it to that), which spends ten times as long on an interval that is not wanted here
    """
    first, second = np.triu_indices(len(at), 1)
    slope = float(np.median((values[second] - values[first]) / (at[second] - at[first])))
    return slope, float(np.median(values) - slope * np.median(at))


def _thinned(at: Array, values: Array) -> tuple[Array, Array]:
    """Return means of neighbouring days, so many that about 84 remain."""
    group = math.ceil(len(at) / 84)
    cut = len(at) // group * group
    return at[:cut].reshape(-1, group).mean(axis=1), values[:cut].reshape(-1, group).mean(axis=1)


def is_step(values: Array) -> bool:
    """Whether one step explains a signal better than one line: the smaller sum of absolute distances.

    A step has five days on each side at least (radio facts 2, § 6).
    """
    at = np.flatnonzero(np.isfinite(values))
    known = values[at]
    if len(known) < 12:
        return False
    slope, cut = theil_sen(*_thinned(at.astype(float), known)[::-1]) if len(known) > 120 else theil_sen(known, at.astype(float))
    line = float(np.abs(known - cut - slope * at).sum())
    return step_in(known)[1] < line


def step_in(values: Array) -> tuple[int, float]:
    """Return the place of the best single step and the sum of absolute distances that it leaves."""
    best = (0, float("inf"))
    for place in range(5, len(values) - 4):
        left, right = values[:place], values[place:]
        left_over = float(np.abs(left - np.median(left)).sum() + np.abs(right - np.median(right)).sum())
        if left_over < best[1]:
            best = place, left_over
    return best
