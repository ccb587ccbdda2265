"""Fresnel zones: how wide the ray is, and how clear of the ground and what stands on it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.propagation.refraction import earth_bulge_m
from meshplan.units import SPEED_OF_LIGHT_M_PER_S, Array


def fresnel_radius_m(
    zone: ArrayLike,
    distance_start_m: ArrayLike,
    distance_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> Array:
    """Return the radius of the n-th Fresnel zone at one place of the path; 0 at the antennas themselves.

    Parameters
    ----------
    zone : array_like
        Number n of the zone, 1 for the first.
    distance_start_m, distance_end_m : array_like
        Distances from the place to the two ends.
    frequency_mhz : array_like
        All four broadcast against each other.

    Notes
    -----
    Source
        ITU-R P.526-16 §2.1, F = sqrt(n·λ·d1·d2 / (d1 + d2)).
    Valid for
        Distances from the antennas of many wavelengths.
    Differs from source
        Exact constant; the 550 form of P.526 eq. (3) is 0.4 % higher, the 17.3 form of P.530-19 0.1 % lower.

    Examples
    --------
    >>> float(fresnel_radius_m(1, 500.0, 500.0, 868.0).round(2))
    9.29
    """
    start = np.asarray(distance_start_m, dtype=float)
    end = np.asarray(distance_end_m, dtype=float)
    wavelength = speed_of_light_m_per_s / 1e6 / np.asarray(frequency_mhz, dtype=float)
    total = start + end
    share = start * end / np.where(total > 0.0, total, 1.0)
    return np.asarray(np.sqrt(np.asarray(zone, dtype=float) * wavelength * np.maximum(share, 0.0)))


def fresnel_parameter(
    height_m: ArrayLike,
    distance_start_m: ArrayLike,
    distance_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> Array:
    """Return ν, the height of an edge above the straight line in Fresnel terms (negative when it stays below).

    Parameters
    ----------
    height_m : array_like
        Height of the edge above the line between the antennas.
    distance_start_m, distance_end_m, frequency_mhz : array_like
        Distances from the edge to the ends; frequency. All broadcast.

    Notes
    -----
    Source
        ITU-R P.526-16 §4.1, ν = h·sqrt(2·(d1 + d2) / (λ·d1·d2)) = √2·h / F1.
    Valid for
        Edges between the antennas; at an antenna (d1 or d2 zero) the result is infinite with the sign of the height.
    """
    first_zone = fresnel_radius_m(1, distance_start_m, distance_end_m, frequency_mhz, speed_of_light_m_per_s=speed_of_light_m_per_s)
    height = np.asarray(height_m, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(height == 0.0, 0.0, np.sqrt(2.0) * height / first_zone))


@dataclass(frozen=True)
class PathClearance:
    """How clear a path is of what stands on it; each field has one value per link, shape (...)."""

    fraction: Array
    """Smallest clearance in first Fresnel radii; 0.6 is clear, 0 grazes, negative blocks; NaN without inner samples."""
    clearance_m: Array
    """Clearance in metres at that sample."""
    index: NDArray[np.intp]
    """Sample with the smallest fraction, −1 without inner samples."""


def path_clearance(
    distance_m: ArrayLike,
    obstacle_amsl_m: ArrayLike,
    antenna_start_amsl_m: ArrayLike,
    antenna_end_amsl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    earth_radius_km: ArrayLike,
) -> PathClearance:
    """Return the tightest place of each path, measured in first Fresnel radii.

    Parameters
    ----------
    distance_m, obstacle_amsl_m : array_like, shape (..., n)
        Samples from start to end, and the height of ground or of what stands on it.
    antenna_start_amsl_m, antenna_end_amsl_m, frequency_mhz, earth_radius_km : array_like, shape (...)
        One value per link or one for all.

    Notes
    -----
    Source
        ITU-R P.526-16 §2.1 and P.530-19 §2.2 (0.6 of the first zone counts as clear).
    Valid for
        The end samples never count, nor do inner samples that repeat an end.
    Differs from source
        Over flat open ground a low antenna never has 0.6 F1 beyond about 11·h²/λ; that is ground loss, which
        `low_antenna` charges, and no obstacle. Compare with clearance over the smooth surface before saying "blocked".
    """
    distance = np.asarray(distance_m, dtype=float)
    distance = distance - distance[..., :1]
    total = distance[..., -1:]
    start = np.asarray(antenna_start_amsl_m, dtype=float)[..., None]
    end = np.asarray(antenna_end_amsl_m, dtype=float)[..., None]
    frequency = np.asarray(frequency_mhz, dtype=float)[..., None]
    radius = np.asarray(earth_radius_km, dtype=float)[..., None]
    rest = total - distance
    inside = (distance > 0.0) & (rest > 0.0)
    line = (start * rest + end * distance) / np.where(total > 0.0, total, 1.0)
    clear = line - np.asarray(obstacle_amsl_m, dtype=float) - earth_bulge_m(distance, total, radius)
    zone = fresnel_radius_m(1, distance, rest, frequency)
    inside = np.broadcast_to(inside, np.broadcast_shapes(clear.shape, zone.shape))
    clear = np.broadcast_to(clear, inside.shape)
    fraction = np.where(inside, clear / np.where(zone > 0.0, zone, 1.0), np.inf)
    index = np.asarray(np.argmin(fraction, axis=-1))
    smallest = np.take_along_axis(fraction, index[..., None], axis=-1)[..., 0]
    metres = np.take_along_axis(clear, index[..., None], axis=-1)[..., 0]
    some = inside.any(axis=-1)
    return PathClearance(
        fraction=np.asarray(np.where(some, smallest, np.nan)),
        clearance_m=np.asarray(np.where(some, metres, np.nan)),
        index=np.asarray(np.where(some, index, -1)),
    )
