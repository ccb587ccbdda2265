"""How much of its gain an antenna gives in a direction, and what a wrong polarisation costs."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.units import Array

DEEPEST_MISMATCH_DB: Final = 15.0
"""Crossed antennas outdoors still hear each other by echoes: 10–20 dB, middle taken (common practice, no source)."""

ROUND_SIDE_LOBES_K: Final = 0.7
SECTOR_K_P: Final = 0.7
SECTOR_K_H: Final = 0.7
SECTOR_K_V: Final = 0.3
"""Height of the side lobes of ordinary antennas in ITU-R F.1336-5, recommends 2 and 3 (recalled)."""


def omnidirectional_gain_dbi(
    gain_dbi: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    downtilt_deg: ArrayLike = 0.0,
    k: float = ROUND_SIDE_LOBES_K,
    average_side_lobes: bool = True,
) -> Array:
    """Return the gain of an antenna that is round in azimuth, by elevation.

    Parameters
    ----------
    gain_dbi, elevation_deg, downtilt_deg : array_like, any shapes that broadcast
        Greatest gain; angle above (positive) or below (negative) the horizon, −90 to 90; electrical downtilt.
    k : float
        Height of the side lobes: 0.7 for ordinary antennas, 0 for ones made for low side lobes.
    average_side_lobes : bool
        Average side lobes (what to expect of a link) instead of their peaks (what to fear of an interferer).

    Notes
    -----
    Source
        ITU-R F.1336-5 recommends 2.1 (peak), 2.2 (average), 2.3 (tilt): θ3 = 107.6·10^(−0.1·G0) (recalled).
    Valid for
        400 MHz–70 GHz in the source. Small antennas (G0 below about 2 dBi) get θ3 above 68° and so an almost round
        pattern; their real nulls depend on the box and belong into the spread.
    Differs from source
        None known. The published pieces meet with a step of at most 0.3 dB (average form, k = 0.7).
    """
    peak = np.asarray(gain_dbi, dtype=float)
    tilt = np.asarray(downtilt_deg, dtype=float)
    tilted = np.asarray(elevation_deg, dtype=float) + tilt
    angle = np.abs(90.0 * tilted / np.where(tilted >= 0.0, 90.0 + tilt, 90.0 - tilt))
    beam = 107.6 * 10.0 ** (-0.1 * peak)
    x = angle / beam
    drop = 15.0 if average_side_lobes else 12.0
    start = 1.25 if average_side_lobes else 1.0
    flat_from = np.sqrt(start - np.log10(k + 1.0) / 1.2)
    main = -12.0 * x**2
    flat = -drop + 10.0 * np.log10(k + 1.0)
    side = -drop + 10.0 * np.log10(np.maximum(x, 1.0) ** -1.5 + k)
    return np.asarray(peak + np.where(x < flat_from, main, np.where(x < 1.0, flat, side)))


def sector_gain_dbi(
    gain_dbi: ArrayLike,
    azimuth_off_deg: ArrayLike,
    elevation_deg: ArrayLike,
    *,
    horizontal_beamwidth_deg: ArrayLike,
    downtilt_deg: ArrayLike = 0.0,
    average_side_lobes: bool = True,
    k_p: float = SECTOR_K_P,
    k_h: float = SECTOR_K_H,
    k_v: float = SECTOR_K_V,
) -> Array:
    """Return the gain of a panel, patch or Yagi antenna by direction.

    Parameters
    ----------
    gain_dbi : array_like
        Greatest gain.
    azimuth_off_deg, elevation_deg : array_like
        Direction off the boresight azimuth (any turn), and above the horizon.
    horizontal_beamwidth_deg : array_like
        Width between the half-power directions in azimuth; the vertical width follows from the gain.
    downtilt_deg : array_like
        Mechanical downtilt. All arguments broadcast.
    average_side_lobes : bool
        See `omnidirectional_gain_dbi`.
    k_p, k_h, k_v : float
        Constants of the source for its pattern pieces.

    Notes
    -----
    Source
        ITU-R F.1336-5 recommends 3.1.1 (peak) and 3.1.2 (average), 400 MHz–6 GHz; vertical beam width
        31000·10^(−0.1·G0)/φ3; mechanical tilt by rotation, recommends 3.5 (all recalled).
    Valid for
        Sector antennas. Wide beams (patches, short Yagis, vertical width over 22.5°) have no far side lobes in the
        source; here they run down to the back value and stay there.
    Differs from source
        The vertical pattern never falls below the back value, which matters for wide beams only.
    """
    peak = np.asarray(gain_dbi, dtype=float)
    beam_h = np.asarray(horizontal_beamwidth_deg, dtype=float)
    beam_v = np.minimum(31000.0 * 10.0 ** (-0.1 * peak) / beam_h, 179.0)
    azimuth, elevation = _rotate_to_boresight(azimuth_off_deg, elevation_deg, downtilt_deg)
    extra = 3.0 if average_side_lobes else 0.0

    back = -12.0 - extra + 10.0 * np.log10(1.0 + 8.0 * k_p) - 15.0 * np.log10(180.0 / beam_v)
    x_h = np.abs(azimuth) / beam_h
    lambda_h = 3.0 * (1.0 - 0.5**-k_h)
    horizontal = np.where(x_h <= 0.5, -12.0 * x_h**2, -12.0 * x_h ** (2.0 - k_h) - lambda_h)
    horizontal = np.maximum(horizontal, back)
    x_behind = 180.0 / beam_h
    behind = np.where(x_behind <= 0.5, -12.0 * x_behind**2, -12.0 * x_behind ** (2.0 - k_h) - lambda_h)
    behind = np.maximum(behind, back)

    x_v = np.abs(elevation) / beam_v
    main_to = np.sqrt(1.33 - 0.33 * k_v) if average_side_lobes else np.sqrt(1.0 - 0.36 * k_v)
    near = -12.0 - extra + 10.0 * np.log10(np.maximum(x_v, main_to) ** -1.5 + k_v)
    narrow = beam_v < 22.5
    log_width = np.log10(np.where(narrow, 22.5 / beam_v, 10.0))
    at_four = 4.0**-1.5 + k_v
    c = 10.0 * np.log10((180.0 / beam_v) ** 1.5 * at_four / (1.0 + 8.0 * k_p)) / log_width
    far = -12.0 - extra + 10.0 * np.log10(at_four) - c * np.log10(np.maximum(x_v, 4.0) / 4.0)
    vertical = np.where(x_v < main_to, -12.0 * x_v**2, np.where((x_v < 4.0) | ~narrow, near, far))
    vertical = np.maximum(vertical, back)

    share = np.where(behind < 0.0, (horizontal - behind) / np.where(behind < 0.0, -behind, 1.0), 1.0)
    return np.asarray(peak + horizontal + share * vertical)


def polarisation_loss_db(angle_deg: ArrayLike, *, deepest_db: float = DEEPEST_MISMATCH_DB) -> Array:
    """Return the loss between two straight antennas whose polarisations are turned against each other.

    Parameters
    ----------
    angle_deg : array_like, any shape
        Angle between them, 0 parallel, 90 crossed.
    deepest_db : float
        Greatest loss, which echoes and tilted waves allow.

    Notes
    -----
    Source
        cos² law; the floor is the power of the echoes added to it.
    Accuracy
        3.0 dB at 45° without echoes; with the usual floor 2.9 dB.
    """
    share = np.cos(np.radians(np.asarray(angle_deg, dtype=float))) ** 2
    least = 10.0 ** (-deepest_db / 10.0)
    return np.asarray(-10.0 * np.log10(share + least * (1.0 - share)))


def _rotate_to_boresight(azimuth_off_deg: ArrayLike, elevation_deg: ArrayLike, downtilt_deg: ArrayLike) -> tuple[Array, Array]:
    """Return direction angles as the tilted antenna sees them."""
    azimuth = np.radians(np.asarray(azimuth_off_deg, dtype=float))
    elevation = np.radians(np.asarray(elevation_deg, dtype=float))
    tilt = np.radians(np.asarray(downtilt_deg, dtype=float))
    forward = np.cos(elevation) * np.cos(azimuth)
    aside = np.cos(elevation) * np.sin(azimuth)
    up = np.sin(elevation)
    seen_up = np.sin(tilt) * forward + np.cos(tilt) * up
    seen_forward = np.cos(tilt) * forward - np.sin(tilt) * up
    seen_elevation = np.degrees(np.arctan2(seen_up, np.hypot(seen_forward, aside)))
    return np.asarray(np.degrees(np.arctan2(aside, seen_forward))), np.asarray(seen_elevation)
