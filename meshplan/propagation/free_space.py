"""Loss between two antennas with nothing near the path."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.units import SPEED_OF_LIGHT_M_PER_S, Array

NEAREST_DISTANCE_M: Final = 1.0
"""Distances below this (or below one wavelength) count as this: closer in, far-field loss has no meaning (own choice)."""


def slant_distance_m(distance_m: ArrayLike, height_difference_m: ArrayLike) -> Array:
    """Return the straight distance between two antennas.

    Parameters
    ----------
    distance_m, height_difference_m : array_like, any shapes that broadcast
        Distance along the ground; antenna height above sea at one end minus the other.

    Notes
    -----
    Source
        ITU-R P.1812-8 §4.2 (free-space loss with the slant distance).
    Valid for
        Any; ends on one point at one height give 0.
    """
    return np.asarray(np.hypot(np.asarray(distance_m, dtype=float), np.asarray(height_difference_m, dtype=float)))


def free_space_loss_db(
    distance_m: ArrayLike, frequency_mhz: ArrayLike, *, speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S
) -> Array:
    """Return the basic transmission loss in free space, never negative infinity.

    Parameters
    ----------
    distance_m, frequency_mhz : array_like, any shapes that broadcast
        Straight distance between the antennas; frequency.
    speed_of_light_m_per_s : float
        Only for comparison with documents that round it.

    Notes
    -----
    Source
        ITU-R P.525-4, 20·log10(4πd/λ).
    Symbols
        d = `distance_m`, λ = c / f.
    Valid for
        The far field. Shorter distances than one wavelength or 1 m are taken as the longer of the two.
    Differs from source
        Exact constants: 32.4478 dB at 1 MHz and 1 km where P.525 prints 32.4; P.1812 and P.452 use 92.4 dB at 1 GHz,
        0.048 dB less than this.
    Accuracy
        Exact arithmetic; tested against the worked example of P.525 and 63 rows of P.1812 (after the 0.048 dB).

    Examples
    --------
    The worked example of P.525, 1 GHz over 1 km, and the 6 dB of twice the distance:

    >>> free_space_loss_db([1000.0, 2000.0], 1000.0).round(4).tolist()
    [92.4478, 98.4684]
    """
    wavelength = speed_of_light_m_per_s / 1e6 / np.asarray(frequency_mhz, dtype=float)
    nearest = np.maximum(wavelength, NEAREST_DISTANCE_M)
    distance = np.maximum(np.asarray(distance_m, dtype=float), nearest)
    return np.asarray(20.0 * np.log10(4.0 * np.pi * distance / wavelength))
