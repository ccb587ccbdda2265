"""Many senders on one channel: offered load, collisions, retries, delay over the hops."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.units import Array

SAME_FACTOR_CAPTURE_DB: Final = 6.0
"""A chirp packet survives another of its own spreading factor that is this much weaker (scaling literature, recalled)."""

CROSS_FACTOR_REJECTION_DB: Final = 16.0
"""A chirp packet survives another spreading factor up to this much stronger (16-36 dB; scaling literature, recalled)."""

MAX_TRIES: Final = 3
"""Tries before a packet is stored and sent later (common practice, no source)."""

RETRY_SPACING_S: Final = (0.5, 5.0)
"""Random wait before the next try (common practice, no source)."""


def clear_chance(
    airtime_ms: ArrayLike,
    interval_s: ArrayLike,
    groups: Sequence[object] | None = None,
    *,
    slotted: bool = False,
    channels: Sequence[object] | None = None,
    received_dbm: ArrayLike | None = None,
) -> Array:
    """Return, for each sender, the chance that no other spoils its packet.

    Parameters
    ----------
    airtime_ms, interval_s : array_like, shape (n_senders,)
    groups : sequence, shape (n_senders,), optional
        Channel, and spreading factor where it applies: packets of different groups do not disturb each other.
    slotted : bool
        Whether all start on common slots as long as the longest packet.
    channels : sequence, shape (n_senders,), optional
        Frequency alone. With `received_dbm`, a packet of another spreading factor on the same frequency disturbs if it is
        more than 16 dB stronger.
    received_dbm : array_like, shape (n_senders,), optional
        Power of each sender at the receiver they share. With it, a packet survives others of its own group that are at least
        6 dB weaker (capture); without it, any overlap spoils both.

    Returns
    -------
    array, shape (n_senders,)

    Notes
    -----
    Source
        A packet of length T is hit by every start of another sender within T + T' : exp(−Σ rate'·(T + T')). For equal packets
        and many senders this is e^(−2G). A sender never hits itself. Capture and rejection: scaling literature, recalled.
    """
    airtime_s = np.asarray(airtime_ms, dtype=float) / 1000.0
    rate = 1.0 / np.asarray(interval_s, dtype=float)
    count = airtime_s.size
    harmful = _alike(groups, count)
    if received_dbm is not None:
        power = np.asarray(received_dbm, dtype=float)
        above = power[:, None] - power[None, :]
        other_factor = (
            np.zeros((count, count), dtype=bool) if channels is None else _alike(channels, count) & ~_alike(groups, count)
        )
        harmful = (harmful & (above < SAME_FACTOR_CAPTURE_DB)) | (other_factor & (above < -CROSS_FACTOR_REJECTION_DB))
    np.fill_diagonal(harmful, False)
    slot = airtime_s.max(initial=0.0)
    window = np.full((count, count), slot) if slotted else airtime_s[:, None] + airtime_s[None, :]
    return np.asarray(np.exp(-(harmful * window * rate[None, :]).sum(axis=1)))


def _alike(labels: Sequence[object] | None, count: int) -> NDArray[np.bool_]:
    """Return which senders share a label; all do without labels."""
    if labels is None:
        return np.ones((count, count), dtype=bool)
    numbers = {label: number for number, label in enumerate(dict.fromkeys(labels))}
    marks = np.array([numbers[label] for label in labels])
    return np.asarray(marks[:, None] == marks[None, :])


def chance_with_tries(success: ArrayLike, tries: ArrayLike) -> Array:
    """Return the chance that at least one of some independent tries gets through: 1 − (1 − p)^n.

    Notes
    -----
    Valid for
        Collisions and quick fades. Leaves and walls stay: tries cannot rescue a link with less than 5 dB of margin.
    """
    return np.asarray(1.0 - (1.0 - np.asarray(success, dtype=float)) ** np.asarray(tries, dtype=float))


def expected_tries(success: ArrayLike, tries: int = MAX_TRIES) -> Array:
    """Return the mean number of tries sent when the sender stops at success or after a number of tries."""
    failure = 1.0 - np.asarray(success, dtype=float)
    return np.asarray(sum(failure**number for number in range(tries)))


@dataclass(frozen=True)
class HopDelay:
    """What one hop adds to the delay."""

    airtime_ms: float
    success: float = 1.0
    """Chance of one try."""
    wake_window_s: float = 0.0
    """How seldom the receiver listens; 0 for one that always does."""
    acknowledged: bool = True
    """Without an acknowledgement there is one try."""


@dataclass(frozen=True)
class Delay:
    """Delay from sending to the gateway."""

    mean_s: float
    worst_s: float
    """After the last try of every hop."""
    delivered: float
    """Chance of arriving with those tries."""


def route_delay(
    hops: Sequence[HopDelay], *, tries: int = MAX_TRIES, retry_spacing_s: tuple[float, float] = RETRY_SPACING_S
) -> Delay:
    """Return the delay over the hops of a route: wake window, air time and retries of each.

    Notes
    -----
    Source
        Mean: half a wake window + air time + (mean tries − 1)·(air time + mean spacing). Worst: a whole window, all tries, the
        longest spacings. Nodes that store a packet for later are not counted.
    """
    mean = worst = 0.0
    delivered = 1.0
    for hop in hops:
        allowed = tries if hop.acknowledged else 1
        airtime_s = hop.airtime_ms / 1000.0
        again = float(expected_tries(hop.success, allowed)) - 1.0
        mean += hop.wake_window_s / 2.0 + airtime_s + again * (airtime_s + sum(retry_spacing_s) / 2.0)
        worst += hop.wake_window_s + allowed * airtime_s + (allowed - 1) * retry_spacing_s[1]
        delivered *= float(chance_with_tries(hop.success, allowed))
    return Delay(mean_s=mean, worst_s=worst, delivered=delivered)
