"""What stands inside the Fresnel zone counts by how much of it it fills."""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.units import Array

INNER_ZONE: Final = 0.78 / math.sqrt(2.0)
"""Clearance in first Fresnel radii from which an edge costs nothing: J(ν) of ITU-R P.526-16 eq. (31) ends at ν = −0.78."""


def filled_share(over_m: ArrayLike, radius_m: ArrayLike) -> Array:
    """Return how much of the inner Fresnel zone a top fills: 0 where the line is clear of it, ½ where it grazes, 1 well below it.

    Parameters
    ----------
    over_m : array_like
        Height of the top over the straight line between the antennas, negative below it.
    radius_m : array_like
        Radius of the first zone there, `fresnel_radius_m`; broadcasts with `over_m`.

    Notes
    -----
    Source
        Own rule: grows evenly over the `INNER_ZONE`, whose bounds are those of the knife edge, so that what costs nothing as an
        edge is not gone through either. Without it the loss of a level path over level crowns drops at once from that of an edge
        to none.
    """
    inner = np.maximum(INNER_ZONE * np.asarray(radius_m, dtype=float), 1e-6)
    return np.asarray(np.clip(0.5 + 0.5 * np.asarray(over_m, dtype=float) / inner, 0.0, 1.0))


def loss_of_stretches_db(number: NDArray[np.integer[Any]], share: Array, loss_db: Array) -> Array:
    """Return what paths lose to the buildings they pass through.

    Parameters
    ----------
    number : ndarray of int, shape (n_paths, n_samples)
        Building at each sample, 0 in the open.
    share : ndarray, shape (n_paths, n_samples)
        How much of the zone it fills there, `filled_share`.
    loss_db : ndarray, shape (n_buildings + 1,)
        Loss of all walls of each building; none in the open.

    Notes
    -----
    Source
        Own rule: every stretch inside one building counts once, by the most that it fills anywhere.
    """
    begins = np.ones(number.shape, dtype=bool)
    begins[:, 1:] = number[:, 1:] != number[:, :-1]
    stretches = np.flatnonzero(begins)
    most = np.maximum.reduceat(np.where(number > 0, share, 0.0).reshape(-1), stretches)
    losses = np.zeros(len(number))
    np.add.at(losses, stretches // number.shape[1], loss_db[number.reshape(-1)[stretches]] * most)
    return losses
