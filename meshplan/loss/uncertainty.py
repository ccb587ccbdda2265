"""How far a computed loss may be off, by cause, and what that makes of the chance that a link works.

Elevation error is carried through the profile itself (`error_fields`, `elevation_draws`): the ground is drawn many times with
smooth random fields of the size and length that the rasters' errors have, and every loss is computed anew. One set of fields
serves all links, so links that share an end or a ridge share its error.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from meshplan.loss.error_fields import ELEVATION_DRAWS, ELEVATION_SEED, ErrorFields, draw_error_fields, height_errors_at
from meshplan.propagation.variability import MOST_FREEDOM, chance_below
from meshplan.units import Array

__all__ = [
    "CLEAR_MODEL_SPREAD_DB",
    "ELEVATION_DRAWS",
    "ELEVATION_SEED",
    "OBSTRUCTED_MODEL_SPREAD_DB",
    "SOIL_SPREAD_DB",
    "ErrorFields",
    "chance_of",
    "draw_error_fields",
    "height_errors_at",
    "route_chance",
]

CLEAR_MODEL_SPREAD_DB: Final = 6.0
OBSTRUCTED_MODEL_SPREAD_DB: Final = 8.0
"""Spread of a path-loss method on a clear and on an obstructed path before any measurement (own advice; published field spreads of
such methods lie between 5.5 and 10 dB)."""

SOIL_SPREAD_DB: Final = 1.5
"""Unknown soil under a vertical antenna near the ground; other soils than the reference move the loss by −5 to +1 dB."""


def chance_of(margin_db: Array, fade_margin_db: Array, spread_db: Array, freedom: Array | float = np.inf) -> Array:
    """Return the chance that a link keeps its fade margin, given the spread of its loss.

    Parameters
    ----------
    margin_db : array_like
        Median power above sensitivity.
    fade_margin_db : array_like
        Reserve for echoes and moving things.
    spread_db : array_like
        Standard deviation of everything not known; above zero.
    freedom : array_like
        Degrees of freedom that readings taught; infinite without readings.

    Notes
    -----
    Source
        Normal distribution of the loss in dB: Φ((margin − fade margin) / spread); a Student-t of the same spread where
        readings taught how far off single links may be.
    """
    return chance_below((np.asarray(margin_db) - np.asarray(fade_margin_db)) / np.asarray(spread_db), freedom)


def route_chance(
    links: Sequence[int],
    slack_db: Array,
    spreads: Sequence[tuple[float, float, float, float]],
    elevation_shift_db: Array,
    ends: Sequence[tuple[str, str]],
    *,
    around_db: Sequence[tuple[float, float]] = (),
    freedom: Sequence[float] = (),
    seed: int = ELEVATION_SEED,
    trials: int = 4096,
) -> float:
    """Return the chance that all links of a route hold, with the errors that they share.

    Parameters
    ----------
    links : sequence of int
        Rows of the arrays that make the route.
    slack_db : ndarray, shape (n_links,)
        Margin less fade margin.
    spreads : sequence of (model, vegetation, soil, antenna), one for each link
        Standard deviations in dB; model errors are independent, vegetation and soil errors are shared by all links, antenna
        errors by links with a common end.
    elevation_shift_db : ndarray, shape (n_links, n_draws)
        Change of each link's loss on each elevation draw, mean removed; a trial takes one ground for the whole route.
    ends : sequence of (a, b), one for each link
        Names of the devices.
    around_db : sequence of (a, b), optional
        Standard deviation of what stands around each end and is in no layer, shared by all links of that end.
    freedom : sequence of float, optional
        Degrees of freedom of each link's loss, where readings taught them: its error is then a Student-t of the same spread, as in
        `chance_of`, by a factor √((ν − 2)/χ²) of its own.
    """
    random = np.random.default_rng([seed, 7])
    devices = {name: random.standard_normal(trials) for name in sorted({name for i in links for name in ends[i]})}
    leaves, soil = random.standard_normal(trials), random.standard_normal(trials)
    ground = random.integers(0, max(elevation_shift_db.shape[1], 1), trials)
    land = np.random.default_rng([seed, 8])
    around = {name: land.standard_normal(trials) for name in devices} if around_db else {}
    tails = np.random.default_rng([seed, 9])
    held = np.ones(trials, dtype=bool)
    for i in links:
        model, vegetation, soil_spread, antenna = spreads[i]
        a, b = ends[i]
        loss = model * random.standard_normal(trials) + vegetation * leaves + soil_spread * soil
        loss += antenna / np.sqrt(2.0) * (devices[a] + devices[b])
        if around_db:
            loss += around_db[i][0] * around[a] + around_db[i][1] * around[b]
        if elevation_shift_db.shape[1]:
            loss += elevation_shift_db[i, ground]
        if freedom and freedom[i] <= MOST_FREEDOM:
            loss *= np.sqrt((freedom[i] - 2.0) / tails.chisquare(freedom[i], trials))
        held &= loss <= slack_db[i]
    return float(held.mean())
