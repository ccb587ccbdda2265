"""Reading figures given at a few frequencies at a frequency in between."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.units import Array

PLANNING_FREQUENCIES_MHZ: Final = (433.0, 868.0, 2450.0)
"""The three frequencies at which planning figures for cover and walls are usually given."""


def figure_at_frequency(
    frequency_mhz: ArrayLike,
    figures: Sequence[float],
    at_mhz: Sequence[float] = PLANNING_FREQUENCIES_MHZ,
) -> Array:
    """Return a figure in dB or dB/m between those given, straight over the logarithm of frequency.

    Parameters
    ----------
    frequency_mhz : array_like, any shape
    figures, at_mhz : sequences of equal length
        The figures and their frequencies, rising.

    Notes
    -----
    Source
        Own rule.
    Valid for
        Below the first frequency its figure is kept (a little pessimistic where loss falls with frequency); above the
        last the line between the last two goes on, but never below the last figure.
    """
    x = np.log10(np.asarray(frequency_mhz, dtype=float))
    points = np.log10(np.asarray(at_mhz, dtype=float))
    slope = max((figures[-1] - figures[-2]) / (points[-1] - points[-2]), 0.0)
    beyond = slope * np.maximum(x - points[-1], 0.0)
    return np.asarray(np.interp(x, points, np.asarray(figures, dtype=float)) + beyond)
