"""What the receiver hears when nobody sends."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError, nearest_name
from meshplan.units import BOLTZMANN_J_PER_K, STANDARD_NOISE_TEMPERATURE_K, Array

MAN_MADE_NOISE: Final[dict[str, tuple[float, float]]] = {
    "city": (76.8, 27.7),
    "residential": (72.5, 27.7),
    "rural": (67.2, 27.7),
    "quiet_rural": (53.6, 28.6),
}
"""Constants c and d of ITU-R P.372 §5, Fam = c − d·log10(f in MHz), transcribed."""

MAN_MADE_NOISE_DECILES_DB: Final[dict[str, tuple[float, float]]] = {
    "city": (11.0, 6.7),
    "residential": (10.6, 5.3),
    "rural": (9.2, 4.6),
}
"""Upper and lower decile above and below the median, same source; none is given for quiet rural places."""


def thermal_noise_dbm(bandwidth_hz: ArrayLike, noise_figure_db: ArrayLike = 0.0) -> Array:
    """Return the noise power in a bandwidth at 290 K, raised by a noise figure.

    Parameters
    ----------
    bandwidth_hz, noise_figure_db : array_like, any shapes that broadcast

    Notes
    -----
    Source
        k·T0·B, ITU-R P.372; −173.975 dBm in 1 Hz.
    """
    density = 10.0 * np.log10(BOLTZMANN_J_PER_K * STANDARD_NOISE_TEMPERATURE_K * 1000.0)
    return np.asarray(density + 10.0 * np.log10(np.asarray(bandwidth_hz, dtype=float)) + np.asarray(noise_figure_db, dtype=float))


def man_made_noise_db(environment: str, frequency_mhz: ArrayLike) -> Array:
    """Return the median man-made noise above thermal noise (Fam); negative where it is below.

    Parameters
    ----------
    environment : str
        "city", "residential", "rural" or "quiet_rural".
    frequency_mhz : array_like, any shape

    Notes
    -----
    Source
        ITU-R P.372-17 §5.
    Valid for
        0.3–250 MHz; above, the line is carried on. Near switching supplies, fence units and lamps the noise is higher:
        use the local noise rise.
    """
    if environment not in MAN_MADE_NOISE:
        raise InputError(
            f"'{environment}' is not a noise environment.{nearest_name(environment, MAN_MADE_NOISE)}",
            where="argument 'environment'",
            fix=f"Use one of {', '.join(MAN_MADE_NOISE)}.",
        )
    c, d = MAN_MADE_NOISE[environment]
    return np.asarray(c - d * np.log10(np.asarray(frequency_mhz, dtype=float)))


def total_noise_figure_db(
    noise_figure_db: ArrayLike, external_noise_db: ArrayLike = -np.inf, noise_rise_db: ArrayLike = 0.0
) -> Array:
    """Return the noise figure of receiver, surroundings and neighbours together.

    Parameters
    ----------
    noise_figure_db, external_noise_db, noise_rise_db : array_like, any shapes that broadcast
        Receiver; noise from outside above thermal (for example `man_made_noise_db`); what the user measured or assumes
        on top at this place.

    Notes
    -----
    Source
        10·log10(10^(NF/10) + 10^(Fa/10)), then the rise.
    Differs from source
        ITU-R P.372 subtracts 1 (a cold sky can be quieter than 290 K). An antenna that looks at the ground never is, so
        the sum is not allowed below the receiver's own figure (own choice, at most 1 dB).
    """
    own = 10.0 ** (np.asarray(noise_figure_db, dtype=float) / 10.0)
    outside = 10.0 ** (np.asarray(external_noise_db, dtype=float) / 10.0)
    return np.asarray(10.0 * np.log10(own + outside) + np.asarray(noise_rise_db, dtype=float))


def usual_noise_rise_db(frequency_mhz: ArrayLike, *, near_buildings: bool = False) -> Array:
    """Return the noise rise to plan with where nobody measured.

    Parameters
    ----------
    frequency_mhz : array_like, any shape
    near_buildings : bool
        House, dairy or workshop with supplies, drives and lamps within some metres.

    Notes
    -----
    Source
        Common practice, no source: open country 4 dB at 433 MHz, 2 dB from 868 MHz; 8 dB more near buildings (6–10).
    """
    x = np.log10(np.asarray(frequency_mhz, dtype=float))
    rise = np.interp(x, np.log10([433.0, 868.0]), [4.0, 2.0])
    return np.asarray(rise + (8.0 if near_buildings else 0.0))
