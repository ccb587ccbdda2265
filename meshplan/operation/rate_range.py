"""Bit rate against range: the slower the bits, the further they carry. A curve over any loss function."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

import numpy as np

from meshplan.records.radio import RadioMode
from meshplan.units import Array

LossFunction = Callable[[Array], Array]
"""Distance in metres to path loss in dB, both arrays of shape (n,)."""

NEAREST_M: Final = 1.0
FURTHEST_M: Final = 100_000.0
_SAMPLES: Final = 600
_BISECTIONS: Final = 40


@dataclass(frozen=True)
class RatePoint:
    """One point of the curve."""

    name: str
    bit_rate_bps: float
    allowed_loss_db: float
    range_m: float
    """0 if not even the nearest distance works; infinite beyond the furthest."""


def allowed_loss_db(
    mode: RadioMode,
    *,
    margin_db: float = 0.0,
    tx_gain_dbi: float | None = None,
    rx_gain_dbi: float | None = None,
    feed_loss_db: float = 0.0,
    noise_rise_db: float = 0.0,
) -> float:
    """Return the path loss a link may have: power + gains − feed losses − margin − sensitivity − noise rise.

    Gains left out are the class's own antenna at both ends; `feed_loss_db` is the sum of both ends.
    """
    tx_gain = mode.default_antenna_gain_dbi if tx_gain_dbi is None else tx_gain_dbi
    rx_gain = mode.default_antenna_gain_dbi if rx_gain_dbi is None else rx_gain_dbi
    return mode.tx_power_dbm + tx_gain + rx_gain - feed_loss_db - margin_db - mode.sensitivity_dbm - noise_rise_db


def range_m(allowed_db: float, loss_db: LossFunction, *, nearest_m: float = NEAREST_M, furthest_m: float = FURTHEST_M) -> float:
    """Return the distance up to which the loss stays within what is allowed, without a gap before it.

    Parameters
    ----------
    allowed_db : float
    loss_db : callable
        Path loss over distance.

    Notes
    -----
    Accuracy
        The first crossing is searched on 600 distances in equal ratios, then halved down; a gap narrower than 2 % of the
        distance may be missed.
    """
    distances = np.geomspace(nearest_m, furthest_m, _SAMPLES)
    too_much = np.asarray(loss_db(distances)) > allowed_db
    if not too_much.any():
        return inf
    first = int(np.argmax(too_much))
    if first == 0:
        return 0.0
    low, high = float(distances[first - 1]), float(distances[first])
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if float(loss_db(np.array([middle]))[0]) > allowed_db:
            high = middle
        else:
            low = middle
    return low


def rate_range_curve(
    modes: Sequence[RadioMode],
    loss_db: LossFunction,
    *,
    margin_db: float = 15.0,
    tx_gain_dbi: float | None = None,
    rx_gain_dbi: float | None = None,
    feed_loss_db: float = 0.0,
    noise_rise_db: float = 0.0,
) -> tuple[RatePoint, ...]:
    """Return range for each mode, slowest first; with the settings of one class this is its rate against range."""
    points = []
    for mode in modes:
        allowed = allowed_loss_db(
            mode,
            margin_db=margin_db,
            tx_gain_dbi=tx_gain_dbi,
            rx_gain_dbi=rx_gain_dbi,
            feed_loss_db=feed_loss_db,
            noise_rise_db=noise_rise_db,
        )
        points.append(RatePoint(mode.name, mode.bit_rate_bps, allowed, range_m(allowed, loss_db)))
    return tuple(sorted(points, key=lambda point: (point.bit_rate_bps, point.name)))
