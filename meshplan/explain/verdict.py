"""From a chance to a word, and when to say that the data cannot tell."""

from __future__ import annotations

from math import isnan
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from meshplan.links.coverage import Coverage

AMPLE_CHANCE: Final = 0.95
THIN_CHANCE: Final = 0.5
"""Below an even chance nobody should build (own choice)."""

SURE_NO_CHANCE: Final = 0.05
"""Below this chance even poor data say no."""


def verdict_limits(required_chance: float) -> dict[str, float]:
    """Return the least chance of each verdict, best first; what falls below all of them is failing."""
    return {
        "ample": max(AMPLE_CHANCE, required_chance),
        "good": required_chance,
        "thin": min(THIN_CHANCE, required_chance),
        "failing": 0.0,
    }


def verdict_for(chance: float, *, required_chance: float, elevation_spread_db: float, other_spread_db: float) -> str:
    """Return the verdict on a link: ample, good, thin, failing or not sure.

    Parameters
    ----------
    chance : float
        That the link works in its worst season; NaN where the ground on the way is unknown, which is no reason for a no.
    required_chance : float
        What the plan asks of each link.
    elevation_spread_db, other_spread_db : float
        Spread from the elevation data, and from everything else. When the elevation is the larger uncertainty, neither a yes nor
        a no is given unless the chance is beyond doubt all the same.
    """
    limits = verdict_limits(required_chance)
    if isnan(chance):
        return "not sure"
    if elevation_spread_db > other_spread_db and SURE_NO_CHANCE < chance < limits["ample"]:
        return "not sure"
    return next(word for word, least in limits.items() if chance >= least)


def coverage_verdicts(coverage: Coverage, required_chance: float) -> tuple[tuple[str, ...], NDArray[np.uint8]]:
    """Return the words of verdicts, and for each cell which of them a link to it has; 255 where nothing is known."""
    limits = verdict_limits(required_chance)
    words = (*limits, "not sure")
    classes = np.full(coverage.chance.shape, 255, dtype=np.uint8)
    known = np.isfinite(coverage.chance)
    for number, least in reversed(list(enumerate(limits.values()))):
        classes[known & (coverage.chance >= least)] = number
    unsure = coverage.land_uncertain & (coverage.chance > SURE_NO_CHANCE) & (coverage.chance < limits["ample"])
    classes[unsure] = len(limits)
    return words, classes
