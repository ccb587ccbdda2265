"""From a median loss and its spread to the chance that a link works."""

from __future__ import annotations

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import ArrayLike

from meshplan.units import Array


def location_spread_db(
    frequency_mhz: ArrayLike, cell_m: ArrayLike, antenna_agl_m: ArrayLike = 0.0, clutter_height_m: ArrayLike = 10.0
) -> Array:
    """Return the standard deviation of loss from place to place inside one cell of the map.

    Parameters
    ----------
    frequency_mhz, cell_m, antenna_agl_m, clutter_height_m : array_like, any shapes that broadcast
        Side of the cell; height of the antenna; height of what stands around.

    Notes
    -----
    Source
        ITU-R P.1812-8 §4.8, P.1546-6: (0.52 + 0.024·f)·w^0.28, f in GHz; all of it below clutter, fading out 10 m above.
    Valid for
        Cells of 50–1000 m. Far too small as the spread of a whole link: add the others with `total_spread_db`.
    Differs from source
        P.1812-5 printed 0.0024 by mistake.
    """
    gigahertz = np.asarray(frequency_mhz, dtype=float) / 1000.0
    base = (0.52 + 0.024 * gigahertz) * np.asarray(cell_m, dtype=float) ** 0.28
    above = np.asarray(antenna_agl_m, dtype=float) - np.asarray(clutter_height_m, dtype=float)
    return np.asarray(base * np.clip(1.0 - above / 10.0, 0.0, 1.0))


def total_spread_db(*spreads_db: ArrayLike) -> Array:
    """Return the standard deviation of independent errors together (root of the sum of squares)."""
    total = np.asarray(0.0)
    for spread in spreads_db:
        total = np.hypot(total, np.asarray(spread, dtype=float))
    return np.asarray(total)


MOST_FREEDOM = 1000.0
"""A Student-t of more degrees of freedom is taken as normal; they differ by less than 0.0002."""


def chance_below(deviations: ArrayLike, freedom: ArrayLike = np.inf) -> Array:
    """Return the chance that an error stays below so many standard deviations.

    Parameters
    ----------
    deviations, freedom : array_like, any shapes that broadcast
        Degrees of freedom of a Student-t scaled to a standard deviation of one, above two; infinite for the normal distribution.

    Notes
    -----
    Source
        Φ(z), or the distribution function of Student's t at z·√(ν/(ν − 2))
    """
    z, nu = np.broadcast_arrays(np.asarray(deviations, dtype=float), np.asarray(freedom, dtype=float))
    if np.all(nu > MOST_FREEDOM):
        return np.asarray(scipy.special.ndtr(z))
    tailed = np.minimum(nu, MOST_FREEDOM)
    return np.asarray(
        np.where(nu > MOST_FREEDOM, scipy.special.ndtr(z), scipy.special.stdtr(tailed, z * np.sqrt(tailed / (tailed - 2.0))))
    )


def reliability_margin_db(reliability: ArrayLike, spread_db: ArrayLike, freedom: ArrayLike = np.inf) -> Array:
    """Return the margin that makes a link work with a given chance when the loss in dB is normal or Student-t.

    Parameters
    ----------
    reliability : array_like
        Between 0 and 1, both excluded for a finite margin.
    spread_db, freedom : array_like, broadcast against `reliability`
        Standard deviation and degrees of freedom, as for `chance_below`.

    Notes
    -----
    Source
        Normal distribution, z(p)·σ; for finite ν the quantile of Student's t times σ·√((ν − 2)/ν).
    Accuracy
        z = 0.674, 1.282, 1.645, 2.326, 3.090 for 75, 90, 95, 99, 99.9 %.
    """
    p, nu = np.broadcast_arrays(np.asarray(reliability, dtype=float), np.asarray(freedom, dtype=float))
    if np.all(nu > MOST_FREEDOM):
        return np.asarray(scipy.special.ndtri(p) * np.asarray(spread_db, dtype=float))
    tailed = np.minimum(nu, MOST_FREEDOM)
    z = np.where(nu > MOST_FREEDOM, scipy.special.ndtri(p), scipy.special.stdtrit(tailed, p) * np.sqrt((tailed - 2.0) / tailed))
    return np.asarray(z * np.asarray(spread_db, dtype=float))


def chance_it_works(margin_db: ArrayLike, spread_db: ArrayLike) -> Array:
    """Return the chance that a link with this median margin has any margin at all.

    Parameters
    ----------
    margin_db, spread_db : array_like, any shapes that broadcast

    Notes
    -----
    Source
        Normal distribution, Φ(margin / σ).
    Valid for
        σ ≥ 0; without spread a link works or not, and half at exactly no margin.
    """
    margin = np.asarray(margin_db, dtype=float)
    spread = np.asarray(spread_db, dtype=float)
    certain = np.where(margin > 0.0, 1.0, np.where(margin < 0.0, 0.0, np.where(margin == 0.0, 0.5, np.nan)))
    return np.asarray(np.where(spread == 0.0, certain, scipy.special.ndtr(margin / np.where(spread == 0.0, 1.0, spread))))


def rayleigh_fade_db(reliability: ArrayLike) -> Array:
    """Return how far below its median a signal of many echoes falls; the share `reliability` of places is better.

    Parameters
    ----------
    reliability : array_like
        Between 0 and 1.

    Notes
    -----
    Source
        Rayleigh distribution, 10·log10(ln 2 / −ln p).
    Valid for
        Places without a clear path. A fixed antenna can sit in such a hole for good; a quarter wavelength aside cures it.
    Accuracy
        8.2, 11.3, 18.4 dB for 90, 95, 99 %.
    """
    return np.asarray(10.0 * np.log10(np.log(2.0) / -np.log(np.asarray(reliability, dtype=float))))
