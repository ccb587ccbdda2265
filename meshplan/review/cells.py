"""When a cell will be empty: the plan's charge count and the voltage together, with an interval."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from meshplan.operation.cells import cell_volt
from meshplan.records.review import DeviceDays, ExpectedCell
from meshplan.units import Array

CURVE_V: Final = 0.05
"""How well the curve of a kind fits the cells of one device (radio facts 2, § 4.1: handbook curves, ± 0.05 V)."""
SHAPE_V: Final = 0.02
"""What is left of that from week to week (own choice)."""
WARMTH_V: Final = 0.05
"""The same where nobody wrote down how warm it was."""
USUAL_C: Final = 12.0
"""Temperature where the log has none (own choice: a year outside in a temperate climate)."""
RATE_FACTOR: Final = 2.0
"""One standard deviation of the drain about the plan's, as a factor: mean currents alone fail often (radio facts 2, § 6)."""
SOON_DAYS: Final = 14.0
"""New cells are asked for when they may be empty so soon with one chance in ten (own choice: a needless round costs less than a
silent sensor)."""
CHANGED_V: Final = 0.12
"""A cell that gains so much from one week to the next was changed."""
SURE: Final = 0.99
WEEK: Final = 7
MOST_WEEKS: Final = 16
"""More weeks than these, evenly spread, say little more: the curve's own error is common to all."""
_USED: Final = np.linspace(0.0, 1.0, 126)
_RATES: Final = 2.0 ** np.linspace(-4.0, 7.0, 67)
"""Drain over the plan's."""


@dataclass(frozen=True)
class CellOutlook:
    """How much longer the cells of a device last."""

    used_share: float
    used_spread: float
    rate_factor: float
    """Drain over the plan's, median."""
    days_low: float
    days_left: float
    days_high: float
    """10, 50 and 90 % of what is known."""
    volt: float
    """Of one cell in the last week with a figure."""
    visible: bool
    """Whether voltage tells; on the flat part of the curve it does not."""
    soon: bool
    fast: bool
    """Whether it drains faster than planned, for sure."""
    changed_days_ago: float
    """Since the cells were changed as the log shows; NaN if they were not."""


def cell_outlook(cell: ExpectedCell, days: DeviceDays) -> CellOutlook | None:
    """Return how long a cell will last; None where the log has too little of it.

    Notes
    -----
    Source
        Bayes on a grid of share used and drain: prior of the drain log-normal about the plan's, of the share uniform; voltages by
        week with an error that all share (the curve) and one of their own; the curve of `operation.cells.cell_volt`
    Accuracy
        Radio facts 2, § 6: ± 25–30 % of the remaining life for alkaline, ± 40 % early; nothing on the flat part
    """
    volts, warmth, weeks = _weeks(cell, days)
    if len(volts) < 2:
        return None
    start = _last_change(volts)
    changed = (weeks[-1] - weeks[start]) * WEEK if start else math.nan
    kept = np.unique(np.linspace(start, len(volts) - 1, min(MOST_WEEKS, len(volts) - start)).round().astype(int))
    volts, warmth, weeks = volts[kept], warmth[kept], weeks[kept]
    planned = cell.end_share / max(cell.life_years * 365.25, 1.0) if math.isfinite(cell.life_years) else 1e-5
    used, rate = _USED[:, None], planned * _RATES[None, :]
    own = SHAPE_V if np.isfinite(days.temperature_c).any() else WARMTH_V
    squares, total = np.zeros((len(_USED), len(_RATES))), np.zeros((len(_USED), len(_RATES)))
    for volt, warm, week in zip(volts, warmth, weeks, strict=True):
        then = used - rate * (weeks[-1] - week) * WEEK
        gap = volt - cell_volt(cell.voltage, np.clip(then, 0.0, 1.0), float(warm))
        squares += gap**2
        total += gap
    n = len(volts)
    shared = total**2 / own**4 / (1.0 / CURVE_V**2 + n / own**2)
    log_chance = -0.5 * (squares / own**2 - shared) - 0.5 * (np.log2(_RATES[None, :]) / math.log2(RATE_FACTOR)) ** 2
    log_chance = np.where(used - rate * (weeks[-1] - weeks[0]) * WEEK >= -0.02, log_chance, -np.inf)
    if not np.isfinite(log_chance).any():
        return None
    chance = np.exp(log_chance - log_chance.max())
    chance /= chance.sum()
    left = np.maximum(np.maximum(cell.end_share - used, 0.0) / rate - 0.5 * WEEK, 0.0)  # the last week's median is of its middle
    low, middle, high = _quantiles(left, chance, (0.1, 0.5, 0.9))
    mean = float((chance * used).sum())
    spread = math.sqrt(max(float((chance * used**2).sum()) - mean**2, 0.0))
    factor = _quantiles(np.broadcast_to(_RATES, chance.shape), chance, (0.5,))[0]
    fast = float(chance[:, _RATES > 1.5].sum()) > SURE
    visible = spread < 0.2
    soon = visible and low < SOON_DAYS
    return CellOutlook(
        mean, spread, factor, low, middle, high, float(volts[-1]), visible, soon, fast and visible and middle < 180.0, changed
    )


def _weeks(cell: ExpectedCell, days: DeviceDays) -> tuple[Array, Array, Array]:
    """Return volts of one cell, temperatures and numbers of the weeks that have a figure, counted back from the end."""
    volts, warmth, weeks = [], [], []
    for end in range(days.days % WEEK or WEEK, days.days + 1, WEEK):
        part = slice(max(0, end - WEEK), end)
        known = days.cell_v[part]
        if np.isfinite(known).any():
            volts.append(float(np.nanmedian(known)))
            warm = days.temperature_c[part]
            warmth.append(float(np.nanmedian(warm)) if np.isfinite(warm).any() else USUAL_C)
            weeks.append(end // WEEK)
    found = np.array(volts)
    if len(found) and cell.in_series > 1 and float(np.median(found)) > 1.1 * cell.voltage.highest_v:
        found = found / cell.in_series
    return found, np.array(warmth), np.array(weeks)


def _last_change(volts: Array) -> int:
    """Return the first week after the last change of cells; 0 if they were never changed."""
    gains = np.flatnonzero(np.diff(volts) > CHANGED_V)
    return int(gains[-1]) + 1 if len(gains) and gains[-1] + 2 < len(volts) else 0


def _quantiles(values: Array, chance: Array, shares: tuple[float, ...]) -> list[float]:
    order = np.argsort(values, axis=None, kind="stable")
    grown = np.cumsum(chance.ravel()[order])
    at = np.minimum(np.searchsorted(grown, np.array(shares) * grown[-1]), len(order) - 1)
    return [float(value) for value in values.ravel()[order][at]]
