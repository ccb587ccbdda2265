"""A daily figure watched for a jump: against its own recent past, with a threshold that follows from the false-alarm budget."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from meshplan.review.budget import sum_threshold
from meshplan.units import Array

BASE_DAYS, GAP_DAYS = 28, 7
"""The past that a day is held against: four weeks, ended a week before, so that a jump does not become its own past at once."""
LEAST_DAYS: Final = 14
"""Days of the past without which nothing is said."""
SPREAD_DAYS: Final = 91
SLACK: Final = 1.5
"""Standard deviations taken off each day: what is looked for are jumps of five and more (radio facts 2, § 6)."""
MOST: Final = 0.9
"""What a day adds at most, as a share of the threshold, so that no single day gives an alarm (own choice)."""
PRIOR_DAYS: Final = 30
"""The spread of a young device is taken from the others, as if they had been seen on so many days of its own (own choice)."""


@dataclass(frozen=True, eq=False)
class Watched:
    """One figure of one device by day."""

    base: Array
    """Median of the past that each day is held against; NaN where too little is known."""
    excess: Array
    """Day less base, NaN where either is not known."""
    spread: Array
    total: Array
    """The cumulative sum, in standard deviations."""
    alarm: NDArray[np.bool_]
    """Whether it stands over its threshold."""

    def starts(self) -> NDArray[np.intp]:
        """Return the days on which an alarm begins; one that comes again within the past it is held against is the same."""
        days = np.flatnonzero(self.alarm)
        if not len(days):
            return days
        return np.asarray(days[np.concatenate([[True], np.diff(days) > BASE_DAYS + GAP_DAYS])])


def past_median(values: Array) -> Array:
    """Return for each day the median of its past, NaN where that has too few days; shape as `values`."""
    before = BASE_DAYS + GAP_DAYS
    padded = np.concatenate([np.full(before, np.nan), values])
    windows = sliding_window_view(padded, BASE_DAYS)[: len(values)]
    known = np.isfinite(windows).sum(axis=1)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # windows without any figure give NaN, as they should
        median = np.nanmedian(windows, axis=1) if len(values) else np.zeros(0)
    return np.where(known >= LEAST_DAYS, median, np.nan)


def robust_spread(excess: Array) -> float:
    """Return the standard deviation that the median distance from zero shows, NaN without five figures."""
    known = excess[np.isfinite(excess)]
    return float(1.4826 * np.median(np.abs(known))) if len(known) >= 5 else float("nan")


def lag_correlation(excesses: list[Array]) -> float:
    """Return how alike one day and the next are, median over devices, 0 to 0.9; robust against single days.

    Notes
    -----
    Source
        For jointly normal values the correlation of signs is (2/π)·asin(ρ) (Sheppard's theorem): ρ = sin(π/2 · mean sign product)
    """
    found = []
    for excess in excesses:
        centred = excess - np.nanmedian(excess) if np.isfinite(excess).any() else excess
        pairs = np.sign(centred[1:]) * np.sign(centred[:-1])
        pairs = pairs[np.isfinite(pairs)]
        if len(pairs) >= 20:
            found.append(np.sin(0.5 * np.pi * pairs.mean()))
    return float(np.clip(np.median(found), 0.0, 0.9)) if found else 0.5


def watch(excess: Array, base: Array, *, floor: Array, network_spread: float, correlation: float, days_between: float) -> Watched:
    """Return a figure watched for jumps upwards.

    Parameters
    ----------
    excess, base : ndarray, shape (days,)
        Day less its past, and that past.
    floor : ndarray, shape (days,)
        Least standard deviation of each day, such as that of a count.
    network_spread : float
        Standard deviation of the same figure in the other devices; NaN without any.
    correlation : float
        Of a day with the next.
    days_between : float
        Days from one false alarm to the next that are allowed.
    """
    threshold = sum_threshold(SLACK, days_between, correlation)
    spread = np.full(len(excess), np.nan)
    total = np.zeros(len(excess))
    running = 0.0
    for day in range(len(excess)):
        past = excess[max(0, day - SPREAD_DAYS) : max(0, day - GAP_DAYS)]
        past = past[np.isfinite(past)]
        own = robust_spread(past)
        parts = [(own, len(past)), (network_spread, PRIOR_DAYS)]
        weighed = [(value, weight) for value, weight in parts if np.isfinite(value)]
        if weighed:
            spread[day] = np.sqrt(sum(value**2 * weight for value, weight in weighed) / sum(weight for _, weight in weighed))
        if np.isfinite(excess[day]) and np.isfinite(spread[day]):
            size = max(spread[day], float(floor[day]))
            running = max(0.0, running + min(excess[day] / size - SLACK, MOST * threshold))
        total[day] = running
    return Watched(base, excess, spread, total, total > threshold)
