"""The ground loss that low antennas keep behind a hill, which the published smooth surface hides.

Where a hill blocks the path, the published method lowers its smooth surface below both ends until the hill no longer sticks out.
Antennas of 30 m hardly notice. Antennas of 1 m then count as if they stood on tall masts, and the loss of the ground beside them
is forgotten: the loss falls by tens of decibels as the hill rises. Here each antenna keeps the loss of its own leg, from its mast
over the ground at its foot to the top of the hill.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.propagation.diffraction import DiffractionLoss, bullington_loss_db, smooth_surface, spherical_earth_loss_db
from meshplan.propagation.ground import REFERENCE_LAND, Ground, Polarisation
from meshplan.propagation.refraction import earth_bulge_m
from meshplan.propagation.two_ray import minimum_effective_height_m, plane_ground_excess_db
from meshplan.units import Array

FULLY_BLOCKED_NU: Final = 1.0
"""From this height of the hill in Fresnel terms on, the legs alone limit the ground loss (own choice)."""


def ground_behind_hill_db(
    distance_m: ArrayLike,
    ground_amsl_m: ArrayLike,
    antenna_start_amsl_m: ArrayLike,
    antenna_end_amsl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    loss: DiffractionLoss,
    *,
    earth_radius_km: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: Ground = REFERENCE_LAND,
) -> Array:
    """Return the loss to add to the low-antenna rule for antennas near the ground behind a hill; 0 in line of sight.

    Parameters
    ----------
    distance_m, ground_amsl_m : array_like, shape (..., n)
        Samples from one antenna to the other and the bare ground there.
    antenna_start_amsl_m, antenna_end_amsl_m, frequency_mhz, earth_radius_km : array_like, shape (...)
    loss : DiffractionLoss
        What `low_antenna.low_antenna_loss_db` gave for the same bare ground.
    polarisation, ground
        As given there.

    Notes
    -----
    Source
        Own rule. The ground loss is that over the smooth surface before it is lowered under the hill, but no more than the
        plane-earth losses of the two legs, antenna to hill top, each over a line through the foot of its antenna.
    Symbols
        Hill top = Bullington's point of the bare profile.
    Valid for
        Single hills, rounded or sharp; on several hills only the legs to the outer tangents' meeting point count.
    Accuracy
        Sharp hill on flat ground, 0.3–3 m antennas, against the closed solution of four rays: see the tests. The rule without
        it is up to 14 dB too low there, with it 0 to 12 dB too high, which is Bullington's own caution (10 dB).
    """
    along = np.asarray(distance_m, dtype=float)
    along = along - along[..., :1]
    length = along[..., -1]
    bare = np.asarray(ground_amsl_m, dtype=float)
    start, end = np.asarray(antenna_start_amsl_m, dtype=float), np.asarray(antenna_end_amsl_m, dtype=float)
    radius = np.asarray(earth_radius_km, dtype=float)
    floor = minimum_effective_height_m(frequency_mhz, polarisation=polarisation, ground=ground)

    fit = smooth_surface(along, bare, start, end)
    h1 = np.maximum(start - np.minimum(fit.fit_start_amsl_m, bare[..., 0]), 0.0)
    h2 = np.maximum(end - np.minimum(fit.fit_end_amsl_m, bare[..., -1]), 0.0)
    round_db = spherical_earth_loss_db(
        length,
        np.hypot(h1, floor),
        np.hypot(h2, floor),
        frequency_mhz,
        earth_radius_km=radius,
        polarisation=polarisation,
        ground=ground,
    )
    plane_db = plane_ground_excess_db(length, np.hypot(h1, floor), np.hypot(h2, floor), frequency_mhz)
    edge_over_fit = bullington_loss_db(along, np.zeros(along.shape[-1]), h1, h2, frequency_mhz, earth_radius_km=radius)
    unlowered = np.maximum(np.maximum(np.maximum(round_db, plane_db), 0.0) - edge_over_fit.loss_db, 0.0)

    edge = bullington_loss_db(along, bare, start, end, frequency_mhz, earth_radius_km=radius)
    blocked = np.clip(edge.nu / FULLY_BLOCKED_NU, 0.0, 1.0)
    there = np.where(np.isnan(edge.point_m), 0.5 * length, edge.point_m)
    line = start + (end - start) * there / np.where(length > 0.0, length, 1.0)
    top = line + np.where(np.isnan(edge.point_over_line_m), 0.0, edge.point_over_line_m)
    curved = bare + earth_bulge_m(along, length[..., None], radius[..., None])
    back = (length[..., None] - along)[..., ::-1]
    legs = _leg_db(along, curved, start, there, top, floor, frequency_mhz) + _leg_db(
        back, curved[..., ::-1], end, length - there, top, floor, frequency_mhz
    )
    limit = legs + 10.0 * (1.0 / np.maximum(blocked, 1e-9) - 1.0)
    extra = np.maximum(np.minimum(unlowered, limit) - loss.ground_db, 0.0)
    return np.asarray(np.where(edge.nu > 0.0, extra, np.where(np.isnan(edge.nu), np.nan, 0.0)))


def _leg_db(
    along_m: Array,
    ground_amsl_m: Array,
    antenna_amsl_m: Array,
    top_m: Array,
    top_amsl_m: Array,
    floor_m: Array,
    frequency_mhz: ArrayLike,
) -> Array:
    """Return the plane-earth loss from an antenna to a hill top over the slope that fits the ground between them.

    The slope runs through the antenna's foot; ground near the antenna weighs most, and nothing at the top itself.
    """
    reach = np.where(top_m > 0.0, top_m, 1.0)[..., None]
    foot = ground_amsl_m[..., :1]
    widths = np.gradient(along_m, axis=-1)
    weight = np.maximum(1.0 - along_m / reach, 0.0) * widths * along_m
    norm = np.sum(weight * along_m, axis=-1)
    slope = np.sum(weight * (ground_amsl_m - foot), axis=-1) / np.where(norm > 0.0, norm, 1.0)
    mast = np.maximum(antenna_amsl_m - foot[..., 0], 0.0)
    over = np.maximum(top_amsl_m - (foot[..., 0] + slope * top_m), 0.0)
    return plane_ground_excess_db(top_m, np.hypot(mast, floor_m), np.hypot(over, floor_m), frequency_mhz)
