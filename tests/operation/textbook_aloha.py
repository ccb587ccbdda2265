"""Textbook forms of a shared channel, which the chances of `operation.channel` are held to."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray


def offered_load(airtime_ms: ArrayLike, interval_s: ArrayLike) -> float:
    """Return G, the share of time all senders of a channel together are on the air."""
    return float(np.sum(np.asarray(airtime_ms, dtype=float) / 1000.0 / np.asarray(interval_s, dtype=float)))


def aloha_success(load: ArrayLike, *, slotted: bool = False) -> NDArray[np.float64]:
    """Return the chance that a packet meets no other of its own length: e^(−2G), or e^(−G) in slots."""
    return np.asarray(np.exp((-1.0 if slotted else -2.0) * np.asarray(load, dtype=float)))
