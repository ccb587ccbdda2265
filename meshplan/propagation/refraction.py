"""How the atmosphere bends the ray: Earth radius to use, and the bulge it puts under a path."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.units import EARTH_RADIUS_KM, Array

DEFAULT_K: Final = 4.0 / 3.0
"""Median effective Earth radius factor where no refractivity is known (ITU-R P.310, reference atmosphere)."""

SUB_REFRACTIVE_K: Final = 0.8
"""Factor for the second look at long links, when the ray bends up (own advice, no source)."""


def k_factor(refractivity_gradient_n_per_km: ArrayLike) -> Array:
    """Return the effective Earth radius factor from the fall of refractivity over the first kilometre.

    Parameters
    ----------
    refractivity_gradient_n_per_km : array_like
        ΔN, positive when refractivity falls with height (about 40 in a temperate climate).

    Notes
    -----
    Source
        ITU-R P.1812-8 §3.7 and P.452-18 §3.2: k = 157 / (157 − ΔN).
    Valid for
        ΔN < 157; from there on the ray is trapped and k is given as NaN.
    Accuracy
        ΔN = 45 gives 8930.777 km as printed with the P.1812-8 validation set.
    """
    gradient = np.asarray(refractivity_gradient_n_per_km, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(gradient < 157.0, 157.0 / (157.0 - gradient), np.nan))


def effective_earth_radius_km(k: ArrayLike = DEFAULT_K) -> Array:
    """Return the Earth radius that makes the ray a straight line: k times 6371 km.

    Notes
    -----
    Source
        ITU-R P.310 (definition), P.452-18 §3.2; P.526-16 allows 8500 km as a round figure, this gives 8494.7 km for 4/3.
    """
    return np.asarray(EARTH_RADIUS_KM * np.asarray(k, dtype=float))


def earth_bulge_m(distance_m: ArrayLike, total_m: ArrayLike, earth_radius_km: ArrayLike) -> Array:
    """Return how far the curved Earth stands above the chord between the two ends.

    Parameters
    ----------
    distance_m : array_like, shape (..., n)
        Distance from one end.
    total_m : array_like, broadcasts against `distance_m`
        Length of the path.
    earth_radius_km : array_like, broadcasts against `distance_m`
        Effective radius, see `effective_earth_radius_km`.

    Notes
    -----
    Source
        ITU-R P.526-16 §4.5.1, the term 500·Ce·d·(D − d) with km; here d·(D − d) / 2a in metres.
    Valid for
        Paths short against the Earth (hundreds of kilometres).
    """
    distance = np.asarray(distance_m, dtype=float)
    radius_m = 1000.0 * np.asarray(earth_radius_km, dtype=float)
    return np.asarray(distance * (np.asarray(total_m, dtype=float) - distance) / (2.0 * radius_m))
