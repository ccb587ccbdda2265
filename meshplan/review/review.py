"""A whole network: logs by device in, device by device and day by day, findings out, the worst first."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from meshplan.records.review import (
    CounterStory,
    DeviceDays,
    DeviceLog,
    DeviceReview,
    ExpectedDevice,
    Finding,
    LinkMonth,
)
from meshplan.review.blind import what_cannot_be_seen
from meshplan.review.cells import CellOutlook, cell_outlook
from meshplan.review.counters import read_sequence
from meshplan.review.days import DAY_S, days_of, months_of
from meshplan.review.drift import Signals, read_signals, season_db
from meshplan.review.findings import Known, all_findings, cell_words
from meshplan.review.losses import read_losses
from meshplan.review.outlook import best_level_dbm, months_ahead, recent
from meshplan.review.rates import daily_intervals_s
from meshplan.units import Array

WEEK_S: Final = 7 * DAY_S
LEAST_HOPS, NEARLY_ALL = 20, 0.8


@dataclass(frozen=True, eq=False)
class Reviewed:
    """What the arrays say."""

    devices: tuple[DeviceReview, ...]
    findings: tuple[Finding, ...]
    unheard: tuple[str, ...]
    blind: tuple[str, ...]


@dataclass
class _Taken:
    """What is kept of the logs once their rows are gone."""

    days: dict[str, DeviceDays] = field(default_factory=dict)
    stories: dict[str, CounterStory] = field(default_factory=dict)
    months: dict[str, tuple[LinkMonth, ...]] = field(default_factory=dict)
    intervals_s: dict[str, Array] = field(default_factory=dict)
    heard: dict[str, dict[str, float]] = field(default_factory=dict)
    hops: dict[str, int] = field(default_factory=dict)


def review_network(
    expected: Sequence[ExpectedDevice],
    logs: Iterable[DeviceLog],
    *,
    first_s: float,
    last_s: float,
    bits: int = 0,
    shortest_s: Mapping[str, float] | None = None,
) -> Reviewed:
    """Return what the logs of a network say against its plan; parameters as for `look_at`."""
    known, heard_by = look_at(expected, logs, first_s=first_s, last_s=last_s, bits=bits, shortest_s=shortest_s)
    devices = tuple(known.reviews.values())
    unheard = tuple(each.name for each in expected if each.name not in known.reviews)
    return Reviewed(devices, all_findings(known, unheard), unheard, what_cannot_be_seen(devices, first_s, last_s, heard_by))


def look_at(
    expected: Sequence[ExpectedDevice],
    logs: Iterable[DeviceLog],
    *,
    first_s: float,
    last_s: float,
    bits: int = 0,
    shortest_s: Mapping[str, float] | None = None,
) -> tuple[Known, dict[str, dict[str, float]]]:
    """Return what the tests say of each device by day, and who heard whom.

    Parameters
    ----------
    expected : sequence of ExpectedDevice
        The devices that send, as planned.
    logs : iterable of DeviceLog
        One for each device that was heard; taken one by one, so that the rows of one device at a time are held.
    first_s, last_s : float
        What is looked at: the first row of any device, and the last or a later moment that the user named.
    bits : int
        Width of the counters; 0: as their values show.
    shortest_s : mapping, optional
        Shortest time between packets of devices that have a fast mode.
    """
    by_name = {each.name: each for each in expected}
    first_day = int(first_s // DAY_S)
    taken = _Taken()
    for log in logs:
        if len(log):
            _take(taken, log, by_name[log.device], first_day, last_s, bits, (shortest_s or {}).get(log.device, math.nan))
    heard = {name: by_name[name] for name in sorted(taken.days)}
    days = {name: taken.days[name] for name in heard}
    signals = read_signals(heard, days)
    losses = read_losses(days, {name: _interval_s(heard[name], taken.stories[name]) for name in heard})
    cells = {name: _cell(heard[name], days[name]) for name in heard}
    month = int(np.datetime64(int(last_s), "s").astype("datetime64[M]").astype(int)) % 12 + 1
    devices = tuple(_device(heard[name], taken, signals, month, cells[name]) for name in heard)
    known = Known(
        expected=by_name,
        reviews={each.expected.name: each for each in devices},
        signals=signals,
        losses=losses,
        cells=cells,
        intervals_s=taken.intervals_s,
        heard_shares=taken.heard,
        hops=taken.hops,
        first_s=first_s,
        last_s=last_s,
    )
    return known, taken.heard


def _take(
    taken: _Taken, log: DeviceLog, expected: ExpectedDevice, first_day: int, last_s: float, bits: int, shortest_s: float
) -> None:
    packets = read_sequence(log.time_s, log.counter, expected.interval_s, bits=bits, shortest_s=shortest_s)
    name = log.device
    days = days_of(log, expected, packets, first_day, last_s)
    sent_s = np.sort(np.concatenate([log.time_s[packets.first], packets.lost_s]))
    taken.days[name] = days
    taken.stories[name] = packets.story
    taken.months[name] = months_of(log, expected, packets)
    taken.intervals_s[name] = daily_intervals_s(sent_s, first_day, days.days)
    taken.heard[name] = _heard_shares(log, last_s)
    taken.hops[name] = _usual_hops(log)


def _heard_shares(log: DeviceLog, last_s: float) -> dict[str, float]:
    """Return who heard a device in the last four weeks, as shares of the rows that say so."""
    said = log.receiver[(log.receiver >= 0) & (log.time_s > last_s - 28 * DAY_S)]
    if not len(said):
        return {}
    numbers, rows = np.unique(said, return_counts=True)
    return {log.receivers[number]: float(many / rows.sum()) for number, many in zip(numbers, rows, strict=True)}


def _usual_hops(log: DeviceLog) -> int:
    """Return how many hops nearly all packets of the last week of a device took; 0 where they do not agree or say nothing."""
    said = log.hop[log.time_s > log.time_s[-1] - WEEK_S]
    said = said[said > 0]
    if len(said) < LEAST_HOPS:
        return 0
    numbers, rows = np.unique(said, return_counts=True)
    return int(numbers[np.argmax(rows)]) if rows.max() >= NEARLY_ALL * len(said) else 0


def _interval_s(expected: ExpectedDevice, story: CounterStory) -> float:
    return story.interval_s if math.isfinite(story.interval_s) else expected.interval_s


def _cell(expected: ExpectedDevice, days: DeviceDays) -> CellOutlook | None:
    return None if expected.cell is None else cell_outlook(expected.cell, days)


def _device(expected: ExpectedDevice, taken: _Taken, signals: Signals, month: int, cell: CellOutlook | None) -> DeviceReview:
    days = taken.days[expected.name]
    without_season = days.power_dbm + season_db(expected, days, expected.leaf_by_month_db)
    level = recent(without_season) if days.receiver == expected.receiver else math.nan
    outlook = months_ahead(expected, level, signals.day_spread_db[expected.name], signals.correlation, month)
    sent = float((days.heard + days.lost)[-28:].sum())
    return DeviceReview(
        expected=expected,
        days=days,
        counters=taken.stories[expected.name],
        outlook=outlook,
        months=taken.months[expected.name],
        cell_words="" if cell is None or expected.cell is None else cell_words(expected.cell, cell),
        level_dbm=recent(days.power_dbm),
        correction_db=level - best_level_dbm(expected),
        loss_share=float(days.lost[-28:].sum()) / sent if sent else math.nan,
    )
