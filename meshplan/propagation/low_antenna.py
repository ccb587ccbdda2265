"""The rule for antennas near the ground: terrain, round Earth and plane ground in one loss from 20 m to 20 km.

Published terrain methods begin at 250 m and 1 m above ground. Sensors stand lower and nearer. This rule keeps the
published method and lets the smooth-ground part follow the plane-earth law with the surface-wave floor of low antennas.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from meshplan.propagation.diffraction import (
    DiffractionLoss,
    join_edge_and_smooth_earth,
    smooth_surface,
    spherical_earth_loss_db,
)
from meshplan.propagation.ground import REFERENCE_LAND, Ground, Polarisation
from meshplan.propagation.two_ray import minimum_effective_height_m, plane_ground_excess_db
from meshplan.units import SPEED_OF_LIGHT_M_PER_S


def low_antenna_loss_db(
    distance_m: ArrayLike,
    ground_amsl_m: ArrayLike,
    obstacle_amsl_m: ArrayLike,
    antenna_start_amsl_m: ArrayLike,
    antenna_end_amsl_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    earth_radius_km: ArrayLike,
    polarisation: Polarisation = "vertical",
    ground: Ground = REFERENCE_LAND,
    sea_fraction: ArrayLike = 0.0,
    speed_of_light_m_per_s: float = SPEED_OF_LIGHT_M_PER_S,
) -> DiffractionLoss:
    """Return the loss over terrain and ground in excess of free space, for antennas down to a hand above the soil.

    Parameters
    ----------
    distance_m : array_like, shape (..., n)
        Samples from one antenna to the other, first and last exactly at them.
    ground_amsl_m, obstacle_amsl_m : array_like, shape (..., n)
        Bare ground (for the smooth surface), and ground with whatever stands on it (for the edge).
    antenna_start_amsl_m, antenna_end_amsl_m, frequency_mhz, earth_radius_km : array_like, shape (...)
    polarisation, ground
        See `ground`; the soil sets the surface-wave floor of vertical antennas.
    sea_fraction : array_like, shape (...)
        Share of the path over sea water in the spherical part.

    Notes
    -----
    Source
        Own rule on ITU-R P.526-16 §3.2 and §4.5.2: L = La + max(max(Lsph(h_e), Lplane(h_e), 0) − Ls, 0) with
        h_e = sqrt(h'² + h0²); La and Ls exactly as in delta-Bullington, with plain h'.
    Valid for
        150 MHz–6 GHz, 20 m–20 km, antennas 0.3–10 m and higher. Inside the crossover distance the ripple of direct
        and reflected ray is not drawn: loss 0, and a spread of 3 dB (vertical) or 5 dB (horizontal) belongs to it.
        Antennas below a quarter wavelength also detune; no formula, add a loss by hand. Never add a two-ray loss to it.
        Behind hills it inherits from the published method that rising bare ground can lower the loss, by over 20 dB for
        antennas of 1 m; `behind_hills.ground_behind_hill_db` is the loss to add there.
    Accuracy
        Against rigorous flat- and round-Earth solutions beyond the crossover, h ≥ 0.5 m, f ≥ 433 MHz: −2.2 to +0.3 dB, the
        least just beyond the crossover of vertical links below 50 m (−2.23 dB on a dense grid);
        `python -m meshplan.propagation.audit` prints the errors by band. Unknown soil adds about 1.5 dB (vertical).
        Equals delta-Bullington on the 20 published cases (horizontal).
    """
    surface = smooth_surface(distance_m, ground_amsl_m, antenna_start_amsl_m, antenna_end_amsl_m)
    h1 = np.maximum(np.asarray(antenna_start_amsl_m, dtype=float) - surface.start_amsl_m, 0.0)
    h2 = np.maximum(np.asarray(antenna_end_amsl_m, dtype=float) - surface.end_amsl_m, 0.0)
    floor = minimum_effective_height_m(frequency_mhz, polarisation=polarisation, ground=ground)
    effective_1 = np.hypot(h1, floor)
    effective_2 = np.hypot(h2, floor)
    along = np.asarray(distance_m, dtype=float)
    length = along[..., -1] - along[..., 0]
    spherical = spherical_earth_loss_db(
        length,
        effective_1,
        effective_2,
        frequency_mhz,
        earth_radius_km=earth_radius_km,
        polarisation=polarisation,
        ground=ground,
        sea_fraction=sea_fraction,
        speed_of_light_m_per_s=speed_of_light_m_per_s,
    )
    plane = plane_ground_excess_db(length, effective_1, effective_2, frequency_mhz)
    return join_edge_and_smooth_earth(
        distance_m,
        obstacle_amsl_m,
        antenna_start_amsl_m,
        antenna_end_amsl_m,
        frequency_mhz,
        effective_start_m=h1,
        effective_end_m=h2,
        spherical_db=spherical,
        plane_db=plane,
        earth_radius_km=earth_radius_km,
        speed_of_light_m_per_s=speed_of_light_m_per_s,
    )
