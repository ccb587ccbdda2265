"""From the rows of a device to its days: ten million rows become some ten thousand figures."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from meshplan.records.review import DeviceDays, DeviceLog, ExpectedDevice, LinkMonth, Whole
from meshplan.review.counters import Sequence
from meshplan.units import Array

DAY_S = 86_400.0


def days_of(log: DeviceLog, expected: ExpectedDevice, packets: Sequence, first_day: int, last_s: float) -> DeviceDays:
    """Return a device by day, from a common first day to the end of what is looked at.

    What is silent at the end is not counted as lost: a silence is told as one.
    """
    count = int(last_s // DAY_S) - first_day + 1
    receiver, here = at_receiver(log, expected)
    day = (log.time_s // DAY_S).astype(np.int64) - first_day
    first_s = log.time_s[packets.first]
    arrived = np.sort(first_s)
    gaps = np.zeros(count)
    if len(arrived) > 1:
        np.maximum.at(gaps, (arrived[1:] // DAY_S).astype(np.int64) - first_day, np.diff(arrived))
    measured = here & np.isfinite(log.power_dbm)
    return DeviceDays(
        device=log.device,
        receiver=receiver,
        first_day=first_day,
        heard=_counted(first_s, first_day, count),
        lost=_counted(packets.lost_s, first_day, count),
        rows=np.bincount(day, minlength=count).astype(np.int64),
        power_dbm=daily_median(day, np.where(here, log.power_dbm, np.nan), count),
        snr_db=daily_median(day, np.where(here, log.snr_db, np.nan), count),
        cell_v=daily_median(day, log.cell_v, count),
        temperature_c=daily_median(day, log.temperature_c, count),
        powers=np.bincount(day[measured], minlength=count).astype(np.int64),
        heard_by_hour=_by_hour(first_s, first_day, count),
        lost_by_hour=_by_hour(packets.lost_s, first_day, count),
        longest_gap_s=gaps,
        last_s=float(arrived[-1]) if len(arrived) else math.nan,
    )


def at_receiver(log: DeviceLog, expected: ExpectedDevice) -> tuple[str, NDArray[np.bool_]]:
    """Return whose hearing counts, and which rows are his: the planned receiver's, else that of most rows.

    Rows that name no receiver are taken as the planned one's.
    """
    if not len(log):
        return expected.receiver, np.zeros(0, dtype=bool)
    numbers, rows = np.unique(log.receiver, return_counts=True)
    names = ["" if k < 0 else log.receivers[k] for k in numbers]
    planned = [number for number, name in zip(numbers, names, strict=True) if name in ("", expected.receiver)]
    if planned:
        return expected.receiver, np.isin(log.receiver, planned)
    most = int(np.argmax(rows))
    return names[most], np.asarray(log.receiver == numbers[most])


def daily_median(day: Whole, values: Array, count: int) -> Array:
    """Return the median of each day, NaN for days without a figure."""
    known = np.isfinite(values)
    result = np.full(count, np.nan)
    if not known.any():
        return result
    order = np.lexsort((values[known], day[known]))
    days, sorted_values = day[known][order], values[known][order].astype(float)
    found, start, many = np.unique(days, return_index=True, return_counts=True)
    result[found] = 0.5 * (sorted_values[start + (many - 1) // 2] + sorted_values[start + many // 2])
    return result


def months_of(log: DeviceLog, expected: ExpectedDevice, packets: Sequence) -> tuple[LinkMonth, ...]:
    """Return what was heard on the link of a device, one reading a month."""
    receiver, here = at_receiver(log, expected)
    if not receiver or not len(log):
        return ()
    month = log.time_s.astype("datetime64[s]").astype("datetime64[M]").astype(int)
    first, lost = month[packets.first], packets.lost_s.astype("datetime64[s]").astype("datetime64[M]").astype(int)
    found = []
    for each in np.unique(month[here]):
        rows = here & (month == each)
        powers, ratios = log.power_dbm[rows], log.snr_db[rows]
        powers, ratios = powers[np.isfinite(powers)], ratios[np.isfinite(ratios)]
        if not len(powers) and not len(ratios):
            continue
        received = int(np.sum(first == each))
        found.append(
            LinkMonth(
                expected.name,
                receiver,
                1970 + int(each) // 12,
                int(each) % 12 + 1,
                float(np.median(powers)) if len(powers) else math.nan,
                float(np.median(ratios)) if len(ratios) else math.nan,
                received,
                received + int(np.sum(lost == each)),
            )
        )
    return tuple(found)


def _counted(times_s: Array, first_day: int, count: int) -> Whole:
    return np.bincount((times_s // DAY_S).astype(np.int64) - first_day, minlength=count)[:count].astype(np.int64)


def _by_hour(times_s: Array, first_day: int, count: int) -> Whole:
    hour = (times_s // 3600.0).astype(np.int64) - 24 * first_day
    return np.bincount(hour, minlength=24 * count)[: 24 * count].astype(np.int64).reshape(count, 24)
