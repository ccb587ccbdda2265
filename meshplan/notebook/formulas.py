"""Functions on plain numbers that need no property: the definitions of `propagation` and `links`, gathered for the hand."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from meshplan.loss.uncertainty import chance_of
from meshplan.propagation.ground import Polarisation
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.units import Array


def terrain_loss_db(
    distance_m: ArrayLike,
    ground_amsl_m: ArrayLike,
    antenna_a_agl_m: float,
    antenna_b_agl_m: float,
    frequency_mhz: float,
    *,
    standing_m: ArrayLike = 0.0,
    k_factor: float = 4.0 / 3.0,
    polarisation: Polarisation = "vertical",
) -> Array:
    """Return the loss over a profile in excess of free space: diffraction by ITU-R P.526, with the rule for low antennas.

    Parameters
    ----------
    distance_m, ground_amsl_m : array_like, shape (n,)
        Samples from antenna a (0 m) to antenna b.
    antenna_a_agl_m, antenna_b_agl_m, frequency_mhz : float
    standing_m : array_like, shape (n,), or one number
        Height of solid things on the ground at each sample; none counts at the two ends.
    k_factor : float
        Effective Earth radius over the true one, 4/3 for the usual air.
    polarisation : "vertical" or "horizontal"

    Notes
    -----
    Source
        `propagation.low_antenna.low_antenna_loss_db`; see there for range and accuracy.

    Examples
    --------
    Flat ground, 1 km, antennas at 2 m and 1 m, 868 MHz: the plane-earth law gives 40·log10(1000) − 20·log10(2·1) = 114.0 dB in all,
    22.8 dB more than free space. A bank of 10 m halfway costs more.

    >>> import numpy as np
    >>> distance_m = np.linspace(0.0, 1000.0, 101)
    >>> flat = np.full(101, 50.0)
    >>> float(terrain_loss_db(distance_m, flat, 2.0, 1.0, 868.0).round(1))
    22.4
    >>> bank = flat + 10.0 * np.exp(-(((distance_m - 500.0) / 20.0) ** 2))
    >>> float(terrain_loss_db(distance_m, bank, 2.0, 1.0, 868.0).round(1))
    25.0
    """
    distance = np.asarray(distance_m, dtype=float)
    ground = np.asarray(ground_amsl_m, dtype=float)
    standing = np.broadcast_to(np.asarray(standing_m, dtype=float), ground.shape).copy()
    standing[..., [0, -1]] = 0.0
    loss = low_antenna_loss_db(
        distance,
        ground,
        ground + standing,
        ground[..., 0] + antenna_a_agl_m,
        ground[..., -1] + antenna_b_agl_m,
        frequency_mhz,
        earth_radius_km=float(effective_earth_radius_km(k_factor)),
        polarisation=polarisation,
    )
    return np.asarray(loss.total_db)


def link_chance(margin_db: ArrayLike, spread_db: ArrayLike, fade_margin_db: ArrayLike = 0.0) -> Array:
    """Return the chance that a link keeps its fade margin, given the spread of everything not known.

    Parameters
    ----------
    margin_db : array_like
        Median power above what the receiver needs.
    spread_db : array_like
        Standard deviation, above zero.
    fade_margin_db : array_like
        Reserve for echoes and moving things: 8.2 dB for readings that may be repeated, 11.3 dB for alarms.

    Notes
    -----
    Source
        `loss.uncertainty.chance_of`.

    Examples
    --------
    >>> [round(float(chance), 3) for chance in link_chance([8.2, 18.2], 8.0, 8.2)]
    [0.5, 0.894]
    """
    margin, fade, spread = (np.asarray(value, dtype=float) for value in (margin_db, fade_margin_db, spread_db))
    return chance_of(margin, fade, spread)
