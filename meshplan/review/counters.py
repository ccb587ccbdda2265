"""What packet counters say: lost, doubled, late, gone round, started again."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.records.review import CounterStory, Whole
from meshplan.units import Array

LATE: Final = 8
"""Packets that may come after a later one (radio facts 2, § 6)."""
SPARE: Final = 3
SLACK: Final = 1.5
"""A gap holds at most so many times its length over the shortest interval, and `SPARE` more (radio facts 2, § 6)."""
STANDING: Final = 0.2
"""A counter that stays the same so often is none: the device starts anew for each packet. More seldom the broker said it again."""
QUICKEST: Final = 0.1
"""A fast mode sends ten times as often at most (own choice): packets that a relay held back come closer."""
BITS: Final = (8, 16, 32)
DOUBLE_S: Final = 5.0
"""The same packet from a second receiver or a second try comes within this, or within half an interval if that is more."""


@dataclass(frozen=True, eq=False)
class Sequence:
    """A device's packets, each once, with the packets lost between them."""

    first: NDArray[np.intp]
    """Row of each packet where it was heard first, in the order of the counter."""
    lost_s: Array
    """When each lost packet was sent, evenly between those heard."""
    story: CounterStory


def read_sequence(time_s: Array, counter: Whole, interval_s: float, *, bits: int = 0, shortest_s: float = math.nan) -> Sequence:
    """Return the packets behind the rows of one device.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        In ascending order.
    counter : ndarray, shape (n,)
        −1 where a row has none; without any counter losses follow from the interval.
    interval_s : float
        Planned time from one packet to the next.
    bits : int
        Width of the counter; 0: as its values show.
    shortest_s : float
        Shortest time between two packets, such as that of the fast mode; by default the least of plan and log.

    Notes
    -----
    Source
        Rules of radio facts 2, § 6: with Δ = (c₂ − c₁) mod 2^b, Δ = 0 is a duplicate, up to 1.5·gap/shortest interval + 3 were sent
        in between, above 2^b − 8 the packet is late, anything else started again (small c₂) or jumped
    """
    counted = counter >= 0
    if counted.sum() < 2 or counted.mean() < 0.5:
        return _without_counter(time_s, interval_s)
    rows = np.flatnonzero(counted)
    times, values = time_s[rows], counter[rows]
    width = bits or counter_bits(times, values, interval_s)
    modulus = 1 << width
    values = values % modulus
    gap_s = np.diff(times)
    step = (np.diff(values)) % modulus
    usual_s = _usual_interval_s(gap_s, step, interval_s)
    least_s = shortest_s if math.isfinite(shortest_s) else min(interval_s, _quick_interval_s(gap_s, step, usual_s))
    most = SLACK * gap_s / least_s + SPARE
    round_s = modulus * least_s / SLACK
    unsure = gap_s >= round_s
    double = (step == 0) & (gap_s < max(DOUBLE_S, 0.5 * usual_s))
    again = (step == 0) & ~double & (gap_s < 0.5 * round_s)
    if again.mean() > STANDING:
        return _without_counter(time_s, interval_s)
    double |= again
    late = (step > modulus - LATE) & ~double & (gap_s < LATE * usual_s)
    onward = (step >= 1) & (step <= most) & ~unsure & ~late
    broken = ~(double | late | onward)
    small = values[1:] <= most
    reboot = broken & ~unsure & small
    signed = np.where(late, step - modulus, np.where(double, 0, np.where(onward, step, 0))).astype(np.int64)
    segment = np.concatenate([[0], np.cumsum(broken)])
    place = np.concatenate([[0], np.cumsum(signed)])
    place, segment = place.astype(np.int64), segment.astype(np.int64)
    order = np.lexsort((times, place, segment))
    new = np.ones(len(order), dtype=bool)
    new[1:] = (np.diff(place[order]) != 0) | (np.diff(segment[order]) != 0)
    first = order[new]
    same = np.diff(segment[first]) == 0
    start_s, end_s = times[first][:-1], times[first][1:]
    between = np.where(same, np.diff(place[first]) - 1, np.maximum(np.round((end_s - start_s) / usual_s) - 1, 0)).astype(np.int64)
    lost_s = _spread(start_s, end_s, between)
    story = CounterStory(
        bits=width,
        packets=len(first),
        lost=int(between.sum()),
        duplicates=len(rows) - len(first),
        wraps=int(np.sum(onward & (np.diff(values) < 0))),
        reboots=int(reboot.sum()),
        jumps=int(np.sum(broken & ~unsure & ~small)),
        late=int(late.sum()),
        uncountable=int(np.sum(broken & unsure)),
        uncountable_s=round_s,
        interval_s=usual_s,
    )
    return Sequence(rows[first], lost_s, story)


def counter_bits(time_s: Array, counter: Whole, interval_s: float) -> int:
    """Return the least usual width that holds all values; narrower than they show it cannot be.

    A counter that never went past 255 in more packets than that is one of 8 bits; in fewer, nothing tells, and the least is taken.
    """
    top = int(counter.max(initial=0))
    for width in BITS:
        if top < 1 << width:
            return width
    return 64 if top >= 1 << 32 else 32


def _usual_interval_s(gap_s: Array, step: Whole, interval_s: float) -> float:
    """Return the median time between packets that follow each other; the planned one where too few do."""
    next_ones = gap_s[(step == 1) & (gap_s > 0.0)]
    return float(np.median(next_ones)) if len(next_ones) >= 8 else interval_s


def _quick_interval_s(gap_s: Array, step: Whole, usual_s: float) -> float:
    """Return how fast a device sends at times: what one gap in twenty between packets in order falls short of."""
    next_ones = gap_s[(step == 1) & (gap_s > 0.0)]
    return max(float(np.quantile(next_ones, 0.05)), QUICKEST * usual_s) if len(next_ones) >= 8 else usual_s


def _spread(start_s: Array, end_s: Array, between: Whole) -> Array:
    """Return times of lost packets, evenly between the packets around them."""
    places = np.flatnonzero(between)
    if not len(places):
        return np.zeros(0)
    many = between[places]
    at = np.repeat(places, many)
    number = np.arange(len(at)) - np.repeat(np.cumsum(many) - many, many) + 1
    return np.asarray(start_s[at] + (end_s[at] - start_s[at]) * number / (np.repeat(many, many) + 1))


def _without_counter(time_s: Array, interval_s: float) -> Sequence:
    """Return the packets where no counter tells: rows close together are one, and gaps hold what the interval says."""
    if not len(time_s):
        return Sequence(np.zeros(0, dtype=np.intp), np.zeros(0), CounterStory())
    gap_s = np.diff(time_s)
    usual = gap_s[gap_s > DOUBLE_S]
    usual_s = float(np.median(usual)) if len(usual) >= 8 else interval_s
    usual_s = usual_s if 0.5 * interval_s <= usual_s <= 1.25 * interval_s else interval_s
    new = np.concatenate([[True], gap_s > min(DOUBLE_S, 0.25 * usual_s)])
    first = np.flatnonzero(new)
    start_s, end_s = time_s[first][:-1], time_s[first][1:]
    between = np.maximum(np.round((end_s - start_s) / usual_s) - 1, 0).astype(np.int64)
    story = CounterStory(packets=len(first), lost=int(between.sum()), duplicates=len(time_s) - len(first), interval_s=usual_s)
    return Sequence(first, _spread(start_s, end_s, between), story)
