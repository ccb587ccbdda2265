"""Ground reflection over flat ground, as a comparison and for the low-antenna rule; never added to diffraction loss."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.propagation.ground import REFERENCE_LAND, Ground, Polarisation, check_polarisation
from meshplan.units import Array, wavelength_m


def complex_permittivity(frequency_mhz: ArrayLike, ground: Ground) -> NDArray[np.complex128]:
    """Return η = εr − j·60·σ·λ.

    Notes
    -----
    Source
        ITU-R P.527, the factor 60 Ω rounded from c·µ0 / 2π = 59.96.
    """
    loss = 60.0 * np.asarray(ground.conductivity_s_per_m) * wavelength_m(frequency_mhz)
    return np.asarray(np.asarray(ground.permittivity) - 1j * loss, dtype=np.complex128)


def reflection_coefficient(
    grazing_rad: ArrayLike, frequency_mhz: ArrayLike, *, polarisation: Polarisation, ground: Ground = REFERENCE_LAND
) -> NDArray[np.complex128]:
    """Return the Fresnel reflection coefficient of flat ground.

    Parameters
    ----------
    grazing_rad : array_like
        Angle between ray and ground, 0 to π/2.
    frequency_mhz : array_like, broadcasts against `grazing_rad`
    polarisation, ground
        See `ground`.

    Notes
    -----
    Source
        ITU-R P.526-16 / P.2040-4 (Fresnel coefficients); both go to −1 at grazing.
    """
    eta = complex_permittivity(frequency_mhz, ground)
    grazing = np.asarray(grazing_rad, dtype=float)
    root = np.sqrt(eta - np.cos(grazing) ** 2)
    front = eta * np.sin(grazing) if check_polarisation(polarisation) else np.sin(grazing) + 0j
    return np.asarray((front - root) / (front + root), dtype=np.complex128)


def two_ray_excess_db(
    distance_m: ArrayLike,
    height_start_m: ArrayLike,
    height_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    polarisation: Polarisation,
    ground: Ground = REFERENCE_LAND,
) -> Array:
    """Return the loss of direct and reflected ray together, in excess of free space; negative where they add up.

    Parameters
    ----------
    distance_m, height_start_m, height_end_m, frequency_mhz : array_like, any shapes that broadcast
        Distance along flat ground; heights above it.
    polarisation, ground
        See `ground`.

    Notes
    -----
    Source
        Textbook two-ray model: −20·log10|1 + R·(r1/r2)·exp(−j·k·(r2 − r1))|.
    Valid for
        Heights of some wavelengths; low vertical antennas lose less than this (the surface wave is missing).
    Differs from source
        r2 − r1 is computed as 4·h1·h2 / (r1 + r2), free of cancellation.
    Accuracy
        Path lengths of a published exercise to 1e-4 m; 0.001 dB against the project's own rigorous table.
    """
    distance = np.asarray(distance_m, dtype=float)
    h1 = np.asarray(height_start_m, dtype=float)
    h2 = np.asarray(height_end_m, dtype=float)
    direct = np.hypot(distance, h1 - h2)
    reflected = np.hypot(distance, h1 + h2)
    both = np.where(direct + reflected > 0.0, direct + reflected, 1.0)
    difference = 4.0 * h1 * h2 / both
    coefficient = reflection_coefficient(np.arctan2(h1 + h2, distance), frequency_mhz, polarisation=polarisation, ground=ground)
    ratio = np.where(reflected > 0.0, direct / np.where(reflected > 0.0, reflected, 1.0), 1.0)
    phase = 2.0 * np.pi / wavelength_m(frequency_mhz) * difference
    sum_of_rays = np.abs(1.0 + coefficient * ratio * np.exp(-1j * phase))
    return np.asarray(-20.0 * np.log10(np.maximum(sum_of_rays, 1e-12)))


def plane_earth_loss_db(distance_m: ArrayLike, height_start_m: ArrayLike, height_end_m: ArrayLike) -> Array:
    """Return the total path loss over perfectly reflecting flat ground, far beyond the crossover.

    Parameters
    ----------
    distance_m, height_start_m, height_end_m : array_like, any shapes that broadcast

    Notes
    -----
    Source
        Textbook plane-earth law, 40·log10 d − 20·log10(h1·h2), the same at every frequency.
    Valid for
        d well beyond 4π·h1·h2/λ; for comparison only.
    """
    product = np.asarray(height_start_m, dtype=float) * np.asarray(height_end_m, dtype=float)
    return np.asarray(40.0 * np.log10(np.asarray(distance_m, dtype=float)) - 20.0 * np.log10(product))


def crossover_m(height_start_m: ArrayLike, height_end_m: ArrayLike, frequency_mhz: ArrayLike) -> Array:
    """Return the distance 4π·h1·h2/λ where the plane-earth law meets free space: beyond it ground costs 6 dB per doubling."""
    product = np.asarray(height_start_m, dtype=float) * np.asarray(height_end_m, dtype=float)
    return np.asarray(4.0 * np.pi * product / wavelength_m(frequency_mhz))


def minimum_effective_height_m(frequency_mhz: ArrayLike, *, polarisation: Polarisation, ground: Ground = REFERENCE_LAND) -> Array:
    """Return h0: lowering an antenna far below this height costs nothing more, the surface wave carries it.

    Parameters
    ----------
    frequency_mhz : array_like, any shape
    polarisation, ground
        See `ground`.

    Notes
    -----
    Source
        Bullington's minimum effective height, λ / (2π·|Δ|), Δ = sqrt(η − 1)/η vertical, sqrt(η − 1) horizontal
        (handbook form, recalled; confirmed against rigorous solutions, see `low_antenna`).
    Valid for
        Used as sqrt(h² + h0²).
    Accuracy
        Reference land, vertical: 1.53, 0.53, 0.26, 0.094, 0.039 m at 150, 433, 868, 2440, 5800 MHz.
    """
    eta = complex_permittivity(frequency_mhz, ground)
    impedance = np.abs(np.sqrt(eta - 1.0))
    if check_polarisation(polarisation):
        impedance = impedance / np.abs(eta)
    return np.asarray(wavelength_m(frequency_mhz) / (2.0 * np.pi * impedance))


def plane_ground_excess_db(
    distance_m: ArrayLike, effective_start_m: ArrayLike, effective_end_m: ArrayLike, frequency_mhz: ArrayLike
) -> Array:
    """Return the plane-earth loss in excess of free space, zero inside the crossover and without its ripple.

    Parameters
    ----------
    distance_m, effective_start_m, effective_end_m, frequency_mhz : array_like, any shapes that broadcast
        Heights with the surface-wave floor, sqrt(h² + h0²).

    Notes
    -----
    Source
        Sine form of the plane-earth law, −20·log10(2·sin x) with x = 2π·h1·h2 / (λ·d); zero from x = π/6 on (own rule).
    Valid for
        Any distance; no distance and great heights give 0.
    """
    product = np.asarray(effective_start_m, dtype=float) * np.asarray(effective_end_m, dtype=float)
    distance = np.asarray(distance_m, dtype=float)
    x = 2.0 * np.pi * product / (wavelength_m(frequency_mhz) * np.where(distance > 0.0, distance, 1.0))
    excess = -20.0 * np.log10(2.0 * np.sin(np.clip(x, 1e-12, np.pi / 6.0)))
    return np.asarray(np.where((distance <= 0.0) | (x >= np.pi / 6.0), 0.0, np.maximum(excess, 0.0)))
