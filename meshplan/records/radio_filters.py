"""How wide a receiver's filter must be for its modulation and for two crystals that are not alike, and what that costs."""

from __future__ import annotations

from math import sqrt
from typing import Final

CHIRP_TOLERANCE_SHARE: Final = 0.25
"""Share of its width by which both ends of a chirp may lie apart (commonly published, recalled; "about")."""


def crystal_spread_khz(frequency_mhz: float, sender_ppm: float, receiver_ppm: float) -> float:
    """Return how far two ends may lie apart: both crystals wrong by all they may, in opposite directions."""
    return frequency_mhz * 1e-3 * (sender_ppm + receiver_ppm)


def fsk_filter_khz(bit_rate_bps: float, modulation_index: float, spread_khz: float = 0.0) -> float:
    """Return the filter that lets frequency shift keying through wherever it may lie: R·(1 + h) + 2·spread.

    Parameters
    ----------
    bit_rate_bps : float
        R.
    modulation_index : float
        h: distance of the two tones over the bit rate.
    spread_khz : float
        From `crystal_spread_khz`; 0 where the receiver corrects its frequency.

    Notes
    -----
    Source
        Carson's rule: twice deviation and highest modulating frequency, 2·(h·R/2 + R/2). The middle may lie `spread` to
        either side.
    """
    return bit_rate_bps / 1000.0 * (1.0 + modulation_index) + 2.0 * spread_khz


def fsk_noise_khz(bit_rate_bps: float, filter_khz: float) -> float:
    """Return the noise bandwidth that Eb/N0 of a discriminator refers to: max(R, √(filter·R/2)).

    Notes
    -----
    Derivation
        Behind a detector a filter as wide as the bit rate takes most of the noise of a wide first filter away again: what
        counts is √(2·B·R). The figure for a receiver with a matched first filter, B = 2·R for h = 1, holds √(2·2R·R) = 2·R
        already (in the 2-5 dB that discriminators lose to the closed form): their ratio is √(B·R/2)/R.
    Accuracy
        Lies between what square-law detection of both tones with the same filters can reach at best (3.2 dB less at sixty
        times the bit rate) and the noise of the whole filter (10 dB more), see `tests/propagation/test_receiver_filters.py`.
    """
    rate_khz = bit_rate_bps / 1000.0
    return max(rate_khz, sqrt(filter_khz * rate_khz / 2.0))


def on_off_noise_khz(bit_rate_bps: float, line_code_factor: float, spread_khz: float) -> float:
    """Return the effective noise bandwidth of an envelope receiver, √(2·B·R), with the narrowest filter that always fits.

    Notes
    -----
    Source
        B = 2·line code·R + 2·spread: the main lobe of the pulses and both resonators; √(2·B·R) as in `fsk_noise_khz`.
    """
    rate_khz = bit_rate_bps / 1000.0
    return sqrt(2.0 * (2.0 * line_code_factor * rate_khz + 2.0 * spread_khz) * rate_khz)
