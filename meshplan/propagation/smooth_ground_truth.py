"""Rigorous loss over smooth ground, slow and only to judge the formulas by: no plan uses it.

Up to 500 m the Earth is flat and the field is direct ray, reflected ray and Norton's surface wave. From 500 m on it is
the residue series of the round Earth with thousands of terms. The two agree where they meet.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ai_zeros, airye, wofz

from meshplan.propagation.ground import REFERENCE_LAND, Ground, Polarisation, check_polarisation
from meshplan.propagation.two_ray import complex_permittivity, reflection_coefficient
from meshplan.units import Array, wavelength_m

ROUND_FROM_M: Final = 500.0
"""From this distance on the round Earth is used."""

SERIES_TERMS: Final = 4000
LARGEST_CANCELLATION: Final = 1e9
"""If the terms are so much larger than their sum, the sum is rounding and the result NaN."""


def flat_ground_excess_db(
    distance_m: ArrayLike,
    height_start_m: ArrayLike,
    height_end_m: ArrayLike,
    frequency_mhz: ArrayLike,
    *,
    polarisation: Polarisation,
    ground: Ground = REFERENCE_LAND,
) -> Array:
    """Return the loss over flat ground in excess of free space with the surface wave.

    Parameters
    ----------
    distance_m, height_start_m, height_end_m, frequency_mhz : array_like, any shapes that broadcast
    polarisation, ground
        See `ground`.

    Notes
    -----
    Source
        Norton, The propagation of radio waves over the surface of the Earth and in the upper atmosphere (1936–37);
        attenuation function F = 1 − j·sqrt(π·w)·exp(−w)·erfc(j·sqrt(w)).
    Symbols
        w = −j·k·r2·(sin ψ + Δ)² / (2·cos² ψ), Δ = surface impedance.
    Valid for
        Flat ground, distances above some wavelengths.
    Accuracy
        0.012 dB against the project's own earlier table (in its nulls).
    """
    distance = np.asarray(distance_m, dtype=float)
    h1, h2 = np.asarray(height_start_m, dtype=float), np.asarray(height_end_m, dtype=float)
    eta = complex_permittivity(frequency_mhz, ground)
    wavenumber = 2.0 * np.pi / wavelength_m(frequency_mhz)
    direct = np.hypot(distance, h1 - h2)
    reflected = np.hypot(distance, h1 + h2)
    grazing = np.arctan2(h1 + h2, distance)
    impedance = np.sqrt(eta - np.cos(grazing) ** 2)
    if check_polarisation(polarisation):
        impedance = impedance / eta
    coefficient = reflection_coefficient(grazing, frequency_mhz, polarisation=polarisation, ground=ground)
    w = -1j * wavenumber * reflected * (np.sin(grazing) + impedance) ** 2 / (2.0 * np.cos(grazing) ** 2)
    root = np.sqrt(w)
    surface = 1.0 - 1j * np.sqrt(np.pi) * root * wofz(-root)
    turn = np.exp(-1j * wavenumber * 4.0 * h1 * h2 / (direct + reflected))
    field = 1.0 + direct / reflected * turn * (coefficient + (1.0 - coefficient) * surface)
    return np.asarray(-20.0 * np.log10(np.abs(field)))


def round_earth_excess_db(
    distance_m: float,
    height_start_m: float,
    height_end_m: float,
    frequency_mhz: float,
    *,
    polarisation: Polarisation,
    earth_radius_km: float,
    ground: Ground = REFERENCE_LAND,
) -> float:
    """Return the loss over a smooth round Earth in excess of free space from its residue series.

    Parameters
    ----------
    distance_m, height_start_m, height_end_m, frequency_mhz, earth_radius_km : float
    polarisation, ground
        See `ground`.

    Notes
    -----
    Source
        Fock, Electromagnetic diffraction and propagation problems (1965); ITU-R P.526-16 §3.1 keeps its first term.
    Symbols
        V = 2·sqrt(πx)·|Σ exp(j·x·t)/(t − q²)·w(t − y1)/w(t)·w(t − y2)/w(t)|, w'(t) = q·w(t).
    Valid for
        Distances well above the heights; NaN where the terms cancel beyond double precision (near and high).
    Accuracy
        0.001 dB against the project's own earlier table; within 0.06 dB of `flat_ground_excess_db` at 500 m.
    """
    x = _size(frequency_mhz, earth_radius_km) * distance_m / (1000.0 * earth_radius_km)
    roots, shift = _roots(frequency_mhz, polarisation, earth_radius_km, ground)
    log_sum = 1j * x * roots - np.log(roots - shift**2)
    for height in (height_start_m, height_end_m):
        log_sum = log_sum + _log_height_gains(height, frequency_mhz, polarisation, earth_radius_km, ground)
    terms = np.exp(log_sum)
    total = abs(np.sum(terms))
    largest = float(np.max(np.abs(terms)))
    unfinished = abs(terms[-1]) > 1e-6 * total * np.sqrt(x)
    if total == 0.0 or largest / total > LARGEST_CANCELLATION or unfinished:
        return float("nan")
    return float(-20.0 * np.log10(2.0 * np.sqrt(np.pi * x) * total))


def smooth_ground_excess_db(
    distance_m: float,
    height_start_m: float,
    height_end_m: float,
    frequency_mhz: float,
    *,
    polarisation: Polarisation,
    earth_radius_km: float,
    ground: Ground = REFERENCE_LAND,
) -> float:
    """Return the rigorous loss in excess of free space: flat below 500 m, round from there; NaN if not to be had."""
    if distance_m < ROUND_FROM_M:
        return float(
            flat_ground_excess_db(distance_m, height_start_m, height_end_m, frequency_mhz, polarisation=polarisation, ground=ground)
        )
    return round_earth_excess_db(
        distance_m,
        height_start_m,
        height_end_m,
        frequency_mhz,
        polarisation=polarisation,
        earth_radius_km=earth_radius_km,
        ground=ground,
    )


@lru_cache(maxsize=32)
def _roots(
    frequency_mhz: float, polarisation: Polarisation, earth_radius_km: float, ground: Ground
) -> tuple[NDArray[np.complex128], complex]:
    """Return the roots t of w'(t) = q·w(t), and q; followed from q = ∞, where they are the Airy zeros."""
    eta = complex(np.conj(complex_permittivity(frequency_mhz, ground)))
    impedance = np.sqrt(eta - 1.0)
    if check_polarisation(polarisation):
        impedance = impedance / eta
    q = complex(1j * _size(frequency_mhz, earth_radius_km) * impedance)
    t = -ai_zeros(SERIES_TERMS)[0] * np.exp(1j * np.pi / 3.0)
    steps = 64
    step = 1.0 / q / steps

    def slope(p: complex, at: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.asarray(1.0 / (1.0 - p * p * at))

    for number in range(steps):
        p = number * step
        k1 = slope(p, t)
        k2 = slope(p + step / 2.0, t + step / 2.0 * k1)
        k3 = slope(p + step / 2.0, t + step / 2.0 * k2)
        k4 = slope(p + step, t + step * k3)
        t = t + step / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4)
    turn = np.exp(2j * np.pi / 3.0)
    for _ in range(8):
        value, inner, _, _ = airye(t * turn)
        derivative = inner * turn
        t = t - (derivative - q * value) / (t * value - q * derivative)
    return np.asarray(t), q


@lru_cache(maxsize=256)
def _log_height_gains(
    height_m: float, frequency_mhz: float, polarisation: Polarisation, earth_radius_km: float, ground: Ground
) -> NDArray[np.complex128]:
    """Return log w(t − y)/w(t) for every root."""
    roots, _ = _roots(frequency_mhz, polarisation, earth_radius_km, ground)
    y = 2.0 * np.pi / float(wavelength_m(frequency_mhz)) * height_m / _size(frequency_mhz, earth_radius_km)
    return np.asarray(_log_airy(roots - y) - _log_airy(roots))


def _size(frequency_mhz: float, earth_radius_km: float) -> float:
    """Return (k·a/2)^(1/3), which scales lengths and heights of the series."""
    wavenumber = 2.0 * np.pi / float(wavelength_m(frequency_mhz))
    return float((wavenumber * 1000.0 * earth_radius_km / 2.0) ** (1.0 / 3.0))


def _log_airy(t: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return log w(t) up to a constant, w(t) ∝ Ai(t·exp(2πj/3))."""
    z = t * np.exp(2j * np.pi / 3.0)
    return np.asarray(np.log(airye(z)[0]) - 2.0 / 3.0 * z**1.5)
