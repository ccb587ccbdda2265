"""What a receiver needs: sensitivity from noise, bit errors from signal over noise, packets from bits, with and without fading."""

from __future__ import annotations

from collections.abc import Callable
from enum import StrEnum
from functools import cache
from typing import Final

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import ArrayLike

from meshplan.packaged import packaged_array
from meshplan.units import Array, decibels, noise_floor_dbm, power_ratio

REFERENCE_BIT_ERROR: Final = 1e-3
"""Bit error rate at which a sensitivity is stated (usual for packet radios, common practice, no source)."""

_BISECTIONS: Final = 80
_FADING_STEPS: Final = 2000
_CHIRP_SAMPLES: Final = 1200
_LEVELS_AT_ONCE: Final = 16_000


class Detection(StrEnum):
    """How a receiver decides between bits, as far as a formula exists."""

    FSK_NONCOHERENT = "fsk_noncoherent_orthogonal"
    FSK_COHERENT = "fsk_coherent_orthogonal"
    OOK_NONCOHERENT = "ook_noncoherent_exact_avg_eb"
    DBPSK = "dbpsk"
    BPSK_COHERENT = "bpsk_coherent"
    OQPSK_SPREAD = "oqpsk_spread"
    """16 sequences of 32 chips, as in IEEE 802.15.4."""


def sensitivity_dbm(
    bandwidth_khz: ArrayLike,
    noise_figure_db: ArrayLike,
    required_snr_db: ArrayLike,
    implementation_loss_db: ArrayLike = 0.0,
) -> Array:
    """Return the weakest signal that still gives the required signal-to-noise ratio.

    Parameters
    ----------
    bandwidth_khz, noise_figure_db, required_snr_db, implementation_loss_db : array_like, any shapes that broadcast
        The ratio refers to that bandwidth; with a filter matched to the bit rate, give the bit rate and Eb/N0.

    Notes
    -----
    Source
        S = kT0·B + NF + SNR + implementation loss; kT0 from ITU-R P.372.
    """
    needed = np.asarray(required_snr_db, dtype=float) + np.asarray(implementation_loss_db, dtype=float)
    return np.asarray(noise_floor_dbm(bandwidth_khz, noise_figure_db) + needed)


def snr_from_ebn0_db(ebn0_db: ArrayLike, bit_rate_bps: ArrayLike, bandwidth_khz: ArrayLike) -> Array:
    """Return signal-to-noise ratio in a bandwidth from energy per bit over noise density: SNR = Eb/N0·Rb/B."""
    rate = np.asarray(bit_rate_bps, dtype=float) / (np.asarray(bandwidth_khz, dtype=float) * 1000.0)
    return np.asarray(np.asarray(ebn0_db, dtype=float) + decibels(rate))


def sensitivity_with_noise_dbm(
    sensitivity_dbm_quiet: ArrayLike, noise_figure_db: ArrayLike, total_noise_figure_db: ArrayLike
) -> Array:
    """Return the sensitivity at a place whose noise raises the receiver's own noise figure to a total.

    Notes
    -----
    Source
        Every decibel of noise floor costs a decibel of sensitivity; the total comes from `noise.total_noise_figure_db`.
    """
    rise = np.asarray(total_noise_figure_db, dtype=float) - np.asarray(noise_figure_db, dtype=float)
    return np.asarray(np.asarray(sensitivity_dbm_quiet, dtype=float) + rise)


def bit_error_rate(detection: Detection | str, ebn0_db: ArrayLike) -> Array:
    """Return the bit error rate for an energy per bit over noise density.

    Parameters
    ----------
    detection : Detection
    ebn0_db : array_like, any shape
        For on-off keying the average over ones and zeros.

    Notes
    -----
    Source
        Textbook closed forms. Non-coherent FSK ½·exp(−γ/2); DBPSK ½·exp(−γ); BPSK Q(√2γ); coherent FSK Q(√γ); on-off keying
        with envelope detection ½·[exp(−b²/2) + 1 − Q1(√(4γ), b)] at its best threshold b; spread O-QPSK from
        IEEE 802.15.4-2006 annex E, (8/15)(1/16)·Σ(−1)^k·C(16,k)·exp(20·SINR·(1/k − 1)), SINR = γ/8.
    Accuracy
        Required Eb/N0 within 0.001 dB of the tabled values for 1e-2 to 1e-5, and within the spread of a simulation.
    """
    return _ERROR_RATES[Detection(detection)](power_ratio(ebn0_db))


def _gaussian_tail(x: Array) -> Array:
    return np.asarray(0.5 * scipy.special.erfc(x / np.sqrt(2.0)))


def _on_off_error(ratio: Array) -> Array:
    """Return the error rate of envelope detection with the threshold at which both errors grow alike: I0(ab) = exp(a²/2)."""
    amplitude = np.sqrt(4.0 * np.maximum(ratio, 1e-12))
    low, high = np.zeros_like(amplitude), amplitude**2 + 20.0
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        above = np.log(scipy.special.ive(0, middle)) + middle > amplitude**2 / 2.0
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    threshold = 0.5 * (low + high) / amplitude
    missed = scipy.special.chndtr(threshold**2, 2.0, amplitude**2)  # 1 − Q1, the non-central chi-squared law
    return np.asarray(0.5 * (np.exp(-(threshold**2) / 2.0) + missed))


def _spread_error(ratio: Array) -> Array:
    terms = np.arange(2, 17)
    weights = (-1.0) ** terms * scipy.special.comb(16, terms)
    sums = (weights * np.exp(20.0 * (ratio[..., None] / 8.0) * (1.0 / terms - 1.0))).sum(axis=-1)
    return np.asarray(np.clip(8.0 / 15.0 / 16.0 * sums, 0.0, 0.5))


_ERROR_RATES: Final[dict[Detection, Callable[[Array], Array]]] = {
    Detection.FSK_NONCOHERENT: lambda ratio: np.asarray(0.5 * np.exp(-ratio / 2.0)),
    Detection.FSK_COHERENT: lambda ratio: _gaussian_tail(np.sqrt(ratio)),
    Detection.OOK_NONCOHERENT: _on_off_error,
    Detection.DBPSK: lambda ratio: np.asarray(0.5 * np.exp(-ratio)),
    Detection.BPSK_COHERENT: lambda ratio: _gaussian_tail(np.sqrt(2.0 * ratio)),
    Detection.OQPSK_SPREAD: _spread_error,
}


def chirp_bit_error_rate(spreading_factor: int, snr_db: ArrayLike) -> Array:
    """Return the uncoded bit error rate of ideal chirp detection for a signal-to-noise ratio in the chirp's bandwidth.

    Parameters
    ----------
    spreading_factor : int
        5 to 12; 2^SF orthogonal symbols.
    snr_db : array_like, any shape

    Notes
    -----
    Source
        Non-coherent detection of M orthogonal symbols: the right one must beat M − 1 of pure noise,
        Ps = 1 − ∫ (1 − e^−y)^(M−1)·e^−(y+γ)·I0(2√(yγ)) dy with γ = M·SNR; a wrong symbol spoils M/(2(M−1)) of its bits.
    Accuracy
        Real demodulators need 0.1–2.1 dB more (the published limits).
    """
    symbols = 2**spreading_factor
    energy = np.atleast_1d(power_ratio(snr_db)) * symbols
    # the square root of y is close to Gaussian around the square root of the energy with spread 1/sqrt(2)
    root = np.sqrt(energy)[..., None] + np.linspace(-8.0, 8.0, _CHIRP_SAMPLES)
    inside = root > 0.0
    root = np.where(inside, root, 0.0)
    power = root**2
    cross = 2.0 * root * np.sqrt(energy)[..., None]
    density = 2.0 * root * np.exp(-power - energy[..., None] + cross) * scipy.special.ive(0, cross)
    others = np.exp((symbols - 1) * np.log1p(-np.exp(-np.maximum(power, 1e-12))))
    step = 16.0 / (_CHIRP_SAMPLES - 1)  # both ends of the integrand are zero: a plain sum is the trapezoid rule
    wrong = 1.0 - (density * np.where(inside, others, 0.0)).sum(axis=-1) * step
    rate = np.clip(wrong, 0.0, 1.0) * symbols / (2.0 * (symbols - 1))
    return np.asarray(rate.reshape(np.shape(snr_db)))


def required_ebn0_db(detection: Detection | str, bit_error: ArrayLike = REFERENCE_BIT_ERROR) -> Array:
    """Return the energy per bit over noise density that gives a bit error rate (between 0.4 and 1e-12)."""
    return _inverted(lambda level: bit_error_rate(detection, level), bit_error)


def required_chirp_snr_db(spreading_factor: int, bit_error: ArrayLike = REFERENCE_BIT_ERROR) -> Array:
    """Return the signal-to-noise ratio at which ideal chirp detection reaches an uncoded bit error rate."""
    return _inverted(lambda level: chirp_bit_error_rate(spreading_factor, level), bit_error)


def _inverted(error_rate: Callable[[Array], Array], bit_error: ArrayLike) -> Array:
    """Return the level in dB at which a falling error curve meets a value."""
    target = np.asarray(bit_error, dtype=float)
    low, high = np.full(target.shape, -40.0), np.full(target.shape, 40.0)
    for _ in range(_BISECTIONS):
        middle = np.asarray(0.5 * (low + high))
        too_many = error_rate(middle) > target
        low, high = np.where(too_many, middle, low), np.where(too_many, high, middle)
    return np.asarray(0.5 * (low + high))


def rayleigh_bit_error_rate(detection: Detection | str, mean_ebn0_db: ArrayLike) -> Array:
    """Return the bit error rate averaged over Rayleigh fading that is slower than a bit.

    Notes
    -----
    Source
        Closed forms for non-coherent FSK 1/(2 + γ̄) and DBPSK 1/(2(1 + γ̄)); the others averaged over equal shares of places.
    """
    mean = power_ratio(mean_ebn0_db)
    kind = Detection(detection)
    if kind is Detection.FSK_NONCOHERENT:
        return np.asarray(1.0 / (2.0 + mean))
    if kind is Detection.DBPSK:
        return np.asarray(0.5 / (1.0 + mean))
    faded = mean[..., None] * _fading_shares()
    return np.asarray(_ERROR_RATES[kind](faded).mean(axis=-1))


def _fading_shares() -> Array:
    """Return power gains of Rayleigh fading, mean one, each standing for an equal share of places."""
    return np.asarray(-np.log1p(-(np.arange(_FADING_STEPS) + 0.5) / _FADING_STEPS))


def packet_success(bit_error: ArrayLike, packet_bytes: ArrayLike) -> Array:
    """Return the chance that no bit of an uncoded packet is wrong: (1 − BER)^(8·bytes)."""
    bits = 8.0 * np.asarray(packet_bytes, dtype=float)
    return np.asarray(np.exp(bits * np.log1p(-np.asarray(bit_error, dtype=float))))


def packet_success_from_margin(
    margin_db: ArrayLike,
    packet_bytes: float,
    detection: Detection | str = Detection.FSK_NONCOHERENT,
    *,
    spreading_factor: int | None = None,
    rayleigh: bool = False,
) -> Array:
    """Return the chance that one try gets through, for a margin above the sensitivity.

    Parameters
    ----------
    margin_db : array_like, any shape
        Received power less sensitivity; the sensitivity is where the bit error rate is 1e-3. NaN stays NaN.
    packet_bytes : float
        Whole frame, check bytes included.
    detection : Detection
        Ignored for a chirp.
    spreading_factor : int, optional
        For chirp spread spectrum.
    rayleigh : bool
        Whether the margin is a mean over a field of many echoes (a device may sit in a hollow of it, for good).

    Notes
    -----
    Source
        The waterfall of the modulation, shifted so that margin zero meets the reference error rate; then averaged over an
        exponential distribution of power.
    """
    margin, kind = np.asarray(margin_db, dtype=float), Detection(detection)
    fades = decibels(_fading_shares()) if rayleigh else np.zeros(1)
    flat = margin.ravel()
    chances = np.empty(flat.shape)
    step = _LEVELS_AT_ONCE // fades.size  # what the processor's cache holds: half the time, the same numbers
    for first in range(0, flat.size, step):
        some = slice(first, first + step)
        levels = flat[some, None] + fades
        errors = _error_above_reference(kind, spreading_factor, levels)
        chances[some] = np.where(np.isnan(levels), np.nan, packet_success(errors, packet_bytes)).mean(axis=-1)
    return chances.reshape(margin.shape)


CHIRP_FACTORS: Final = range(5, 13)
"""Spreading factors whose error curve is kept as a table."""

_LEVELS_DB: Final = np.linspace(-40.0, 14.0, 2161)
"""Levels above the reference at which error curves are kept."""

_CHIRP_TABLE: Final = "chirp_errors.npy"


@cache
def _error_table(detection: Detection, spreading_factor: int | None) -> tuple[Array, Array]:
    """Return levels above the reference and the logarithm of the error rate there: the exact curves are slow."""
    if spreading_factor is None:
        return _LEVELS_DB, _falling(bit_error_rate(detection, _LEVELS_DB + required_ebn0_db(detection)))
    if spreading_factor in CHIRP_FACTORS:
        return _LEVELS_DB, _chirp_tables()[CHIRP_FACTORS.index(spreading_factor)]
    return _LEVELS_DB, chirp_error_curve(spreading_factor)


def chirp_error_curve(spreading_factor: int) -> Array:
    """Return the logarithm of a chirp's error rate at the levels that are kept; shape (2161,)."""
    return _falling(chirp_bit_error_rate(spreading_factor, _LEVELS_DB + required_chirp_snr_db(spreading_factor)))


def _falling(errors: Array) -> Array:
    # integrals round near zero, where the curve must still fall
    return np.asarray(np.minimum.accumulate(np.log(np.maximum(errors, 1e-15))))


@cache
def _chirp_tables() -> Array:
    """Return `chirp_error_curve` of each of CHIRP_FACTORS as it was computed once (half a second each); a test computes it anew."""
    return packaged_array(_CHIRP_TABLE)


def _error_above_reference(detection: Detection, spreading_factor: int | None, levels: Array) -> Array:
    """Return the error rate at levels above the one that gives the reference error rate."""
    table, logs = _error_table(detection, spreading_factor)
    return np.asarray(np.exp(np.interp(levels, table, logs)))
