"""The months to come: the plan's seasons corrected by what was measured."""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from meshplan.loss.uncertainty import chance_of
from meshplan.records.review import ExpectedDevice, MonthOutlook
from meshplan.units import Array

RECENT_DAYS: Final = 28
AGEING_DB: Final = 1.5
"""What a link changes within a year for reasons no season knows: growth, water, connectors (common practice, no source)."""
PROBABLY_FAILS: Final = 0.25
"""A month in which a link keeps its need with less than this chance is told: three to one that it fails (own choice)."""
DAY_SPREAD_DB: Final = 1.5
"""Of daily medians where too few are there to tell (radio facts 2, § 6: 1–1.5 dB)."""


def recent(values: Array) -> float:
    """Return the median of the last four weeks, NaN without seven figures."""
    part = values[-RECENT_DAYS:]
    known = part[np.isfinite(part)]
    return float(np.median(known)) if len(known) >= 7 else math.nan


def best_level_dbm(expected: ExpectedDevice) -> float:
    """Return the planned power in the month in which the season takes least."""
    if not expected.level_by_month_dbm:
        return math.nan
    return float(np.median(np.array(expected.level_by_month_dbm) + np.array(expected.leaf_by_month_db)))


def months_ahead(
    expected: ExpectedDevice, level_without_season_dbm: float, day_spread_db: float, correlation: float, month_now: int
) -> tuple[MonthOutlook, ...]:
    """Return the next twelve months of a link, the one that runs first; empty where the plan or the log lacks the level.

    Parameters
    ----------
    level_without_season_dbm : float
        Median of the last weeks with the season's part added back.

    Notes
    -----
    Source
        Derived: what is not known is the median of the weeks measured, ageing, and how much the season's part differs from that of
        the month in which it was measured; the chance is that of every link, `loss.uncertainty.chance_of`
    """
    if not expected.level_by_month_dbm or not math.isfinite(level_without_season_dbm):
        return ()
    spread = day_spread_db if math.isfinite(day_spread_db) else DAY_SPREAD_DB
    measured = 1.25 * spread * math.sqrt((1.0 + correlation) / (1.0 - correlation) / RECENT_DAYS)
    found = []
    for ahead in range(12):
        month = (month_now - 1 + ahead) % 12
        level = level_without_season_dbm - expected.leaf_by_month_db[month]
        season = abs(expected.season_spread_by_month_db[month] - expected.season_spread_by_month_db[month_now - 1])
        size = math.sqrt(measured**2 + season**2 + (AGEING_DB**2 if ahead else 0.0))
        chance = float(chance_of(np.array(level), np.array(expected.needed_dbm), np.array(max(size, 0.1))))
        found.append(MonthOutlook(month + 1, level, expected.needed_dbm, chance, chance >= expected.required_chance))
    return tuple(found)
