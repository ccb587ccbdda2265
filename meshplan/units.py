"""Physical constants and the few unit conversions, each written once.

Inside meshplan one unit serves each quantity: metres, seconds, megahertz, decibels, dBm, dBi, degrees.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

SPEED_OF_LIGHT_M_PER_S: Final = 299_792_458.0
"""Exact by the definition of the metre (SI Brochure, 9th edition)."""

BOLTZMANN_J_PER_K: Final = 1.380_649e-23
"""Exact by the definition of the kelvin (SI Brochure, 9th edition)."""

STANDARD_NOISE_TEMPERATURE_K: Final = 290.0
"""Reference temperature of noise figures (ITU-R P.372)."""

EARTH_RADIUS_KM: Final = 6371.0
"""Mean Earth radius used throughout ITU-R P.452, P.526 and P.1812."""

ERP_TO_EIRP_DB: Final = 2.15
"""Gain of a half-wave dipole over an isotropic radiator (ITU-R BS.561)."""

FOOT_M: Final = 0.3048
"""International foot (exact)."""

US_SURVEY_FOOT_M: Final = 1200.0 / 3937.0
"""United States survey foot (exact)."""

Array = NDArray[np.float64]
Indices = NDArray[np.unsignedinteger[Any]]
"""Numbers of covers or rasters, in the smallest type that holds them."""


def wavelength_m(frequency_mhz: ArrayLike) -> Array:
    """Return the wavelength in free space for a frequency in MHz."""
    return np.asarray(SPEED_OF_LIGHT_M_PER_S / 1e6 / np.asarray(frequency_mhz, dtype=float))


def decibels(ratio: ArrayLike) -> Array:
    """Return 10·log10 of a power ratio."""
    return np.asarray(10.0 * np.log10(np.asarray(ratio, dtype=float)))


def power_ratio(decibel: ArrayLike) -> Array:
    """Return the power ratio of a level in dB."""
    return np.asarray(10.0 ** (np.asarray(decibel, dtype=float) / 10.0))


def plural(noun: str) -> str:
    """Return a noun for more than one."""
    return f"{noun[:-1]}ies" if noun.endswith("y") else f"{noun}s"


def percent_words(share: float) -> str:
    """Return a share as whole percent; a forecast is never certain, so the ends say "over 99 %" and "under 1 %"."""
    if share >= 0.995:
        return "over 99 %"
    if share < 0.005:
        return "under 1 %"
    return f"{100 * share:.0f} %"


def chance_against_asked(share: float, asked: float) -> str:
    """Return a chance that falls short of what is asked as percent; "just under 80 %" where rounding would hide the gap."""
    return f"just under {percent_words(asked)}" if percent_words(share) == percent_words(asked) else percent_words(share)


def decibel_words(level_db: float) -> str:
    """Return a margin or a lack in decibels as people read it, without the unit: tenths below 10 dB, whole above."""
    written = f"{level_db:.{1 if abs(level_db) < 9.95 else 0}f}"
    return written.lstrip("-") if float(written) == 0.0 else written


def noise_floor_dbm(bandwidth_khz: ArrayLike, noise_figure_db: ArrayLike = 0.0) -> Array:
    """Return the noise power of a receiver in dBm: kT0·B and its noise figure.

    Notes
    -----
    Source
        ITU-R P.372, section on reference temperature: kT0 = −173.975 dBm/Hz at 290 K, written −174 in most books.
    """
    per_hz = decibels(BOLTZMANN_J_PER_K * STANDARD_NOISE_TEMPERATURE_K * 1000.0)
    return np.asarray(per_hz + decibels(np.asarray(bandwidth_khz, dtype=float) * 1000.0) + np.asarray(noise_figure_db, dtype=float))
