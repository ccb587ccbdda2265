"""Several readings of one link become one figure with an error, or a pair of bounds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.stats import norm

from meshplan.errors import InputError
from meshplan.records.measurement import NAN, MeasuredLink, PredictedLink, Reading, Wilson

WITHIN_LINK_SD_DB = 4.0
"""Spread of single readings at one spot before any is seen (common practice, no source: cheap chips scatter ± 3–6 dB)."""
WITHIN_LINK_WEIGHT = 3.0
"""How many readings that figure is worth against the readings' own scatter (assumed)."""
LINK_ERROR_FLOOR_DB = 1.0
"""Error that no number of readings removes: rounding of the chip, its temperature (assumed; 1–2 dB is common practice)."""
BOUND_ERROR_DB = 2.0
"""How sharp a sensitivity is, unit to unit (assumed)."""
NOISE_ERROR_DB = 1.5
"""Error of a noise level had from power and SNR (assumed)."""
CAP_REACHED_DB = 1.0
"""An SNR so near the cap counts as the cap (common practice, no source: receivers of one class top out 1-2 dB apart)."""
CAP_BENDS_DB = 4.0
"""So far below the cap SNR readings bend towards it, and receivers of one class differ: there they bound the noise only (common
practice, no source)."""
WILSON_Z = 1.959964
"""Two-sided 95 %."""


def wilson_interval(received: int, sent: int, z: float = WILSON_Z) -> Wilson:
    """Return the share of packets received with its 95 % interval.

    Notes
    -----
    Source
        Journal of the American Statistical Association 22 (1927), pp. 209–212: the score interval; checked against scipy
    Valid for
        independent packets; packets of one minute fade together, so the truth is wider
    """
    if sent <= 0 or not 0 <= received <= sent:
        raise InputError(
            f"{received} of {sent} packets is impossible",
            where="arguments 'received' and 'sent'",
            fix="Give 0 ≤ received ≤ sent and sent ≥ 1.",
        )
    share = received / sent
    middle = (share + z**2 / (2 * sent)) / (1 + z**2 / sent)
    half = z / (1 + z**2 / sent) * math.sqrt(share * (1 - share) / sent + z**2 / (4 * sent**2))
    low = 0.0 if received == 0 else max(middle - half, 0.0)
    high = 1.0 if received == sent else min(middle + half, 1.0)
    return Wilson(received, sent, low, high)


def median_over_sensitivity_db(heard_share: float) -> float:
    """Return how far the median power lies above the sensitivity if that share of packets is heard under Rayleigh fading.

    Notes
    -----
    Source
        derived: P(power > S) = exp(−ln 2 · S/median) for an exponentially distributed power
    """
    if heard_share <= 0:
        return -math.inf
    if heard_share >= 1:
        return math.inf
    return 10 * math.log10(math.log(2) / -math.log(heard_share))


def combine_readings(
    readings: Sequence[Reading], links: Sequence[PredictedLink], *, cell_m: float = 10.0
) -> tuple[MeasuredLink, ...]:
    """Join each reading with its prediction and bring the readings of one link to one figure.

    Parameters
    ----------
    readings, links : sequences of equal length
        `links[i]` is the prediction for `readings[i]`: same direction, radio, season and height.
    cell_m : float
        Readings of the same two ends whose ends lie in the same cell of this size count as one link: a track is not a hundred
        proofs.

    Returns
    -------
    tuple of MeasuredLink
        In the order of the first reading of each.
    """
    if len(readings) != len(links):
        raise AssertionError("one prediction for each reading")
    groups: dict[tuple[object, ...], list[int]] = {}
    for index, (reading, link) in enumerate(zip(readings, links, strict=True)):
        if not math.isfinite(link.received_dbm):
            raise InputError(
                f"no power was predicted between {link.a} and {link.b}",
                where=reading.where,
                fix="Both ends must lie inside the elevation data.",
            )
        place = tuple(
            round(value / cell_m) if math.isfinite(value) else None for value in (link.a_x_m, link.a_y_m, link.b_x_m, link.b_y_m)
        )
        groups.setdefault((link.a, link.b, place, link.radio, link.in_leaf, link.frequency_mhz), []).append(index)
    within_db = _pooled_within_sd_db(
        [[_signal_dbm(readings[i], links[i]) for i in group if not _bound_only(readings[i], links[i])] for group in groups.values()]
    )
    return tuple(_combine([readings[i] for i in g], [links[i] for i in g], within_db) for g in groups.values())


def at_cap(reading: Reading, link: PredictedLink) -> bool:
    """Whether the SNR is as large as the receiver can report: then the true one is that or more."""
    return reading.heard and reading.snr_db is not None and reading.snr_db >= link.snr_cap_db - CAP_REACHED_DB


def _bounds_noise(reading: Reading, link: PredictedLink) -> bool:
    """Whether the SNR is so near the receiver's cap that the true one may be more: it bounds the noise and does not tell it."""
    return reading.snr_db is not None and reading.snr_db > link.snr_cap_db - CAP_BENDS_DB


def _bound_only(reading: Reading, link: PredictedLink) -> bool:
    """Whether a reading says no more than that the power is at least so much."""
    return reading.power_dbm is None and at_cap(reading, link)


def _signal_dbm(reading: Reading, link: PredictedLink) -> float:
    """Return the power of the signal, from an SNR and the expected noise if need be; NaN if the row gives neither.

    Of an SNR at the receiver's cap it is the least power.
    """
    if not reading.heard:
        return NAN
    if reading.power_dbm is not None:
        return reading.power_dbm
    return NAN if reading.snr_db is None else reading.snr_db + link.noise_dbm


def _pooled_within_sd_db(groups: Sequence[Sequence[float]]) -> float:
    """Return the scatter of readings within links, drawn towards the figure expected before measuring."""
    squares, freedom = 0.0, 0.0
    for group in groups:
        values = np.array([value for value in group if math.isfinite(value)])
        if len(values) >= 2:
            middle = np.median(values)
            limit = 3.0 * max(1.4826 * float(np.median(np.abs(values - middle))), 1.0)
            squares += float(np.sum(np.clip(values - middle, -limit, limit) ** 2))
            freedom += len(values) - 1
    return math.sqrt((WITHIN_LINK_WEIGHT * WITHIN_LINK_SD_DB**2 + squares) / (WITHIN_LINK_WEIGHT + freedom))


def _combine(readings: Sequence[Reading], links: Sequence[PredictedLink], within_db: float) -> MeasuredLink:
    """Bring the readings of one link to one figure."""
    residuals = np.array([_signal_dbm(r, link) - link.received_dbm for r, link in zip(readings, links, strict=True)])
    seen = residuals[np.isfinite(residuals)]
    base = _middle_link(links)
    packets = _packets(readings)
    powers = tuple(
        float(value) + link.received_dbm
        for value, reading, link in zip(residuals, readings, links, strict=True)
        if math.isfinite(value) and not _bound_only(reading, link)
    )
    rise_db, highest_db = _noise_rise_db(readings, links)
    common = {
        "noise_rise_db": rise_db,
        "noise_high_db": highest_db,
        "packets": packets,
        "powers_dbm": powers,
        "location": next((reading.location for reading in readings if reading.location), ""),
        "where": tuple(reading.where for reading in readings),
    }
    heard_share = _heard_share(readings, packets)
    if len(seen) == 0:
        low, high = _bounds_dbm(base, packets, any(reading.heard for reading in readings))
        return MeasuredLink(base, NAN, BOUND_ERROR_DB, low, high, **common)  # type: ignore[arg-type]
    lost_db = within_db * float(norm.ppf(1 - heard_share / 2)) if heard_share < 0.95 else 0.0
    error = math.hypot(within_db / math.sqrt(len(seen)), LINK_ERROR_FLOOR_DB, lost_db / 2)
    snr_only = all(reading.power_dbm is None for reading in readings if reading.heard)
    if 2 * (len(seen) - len(powers)) >= len(seen):
        # every true value is at least what was reported, so their median is at least the median of what was reported
        least_dbm = float(np.median(seen)) - lost_db + base.received_dbm
        return MeasuredLink(base, NAN, BOUND_ERROR_DB, least_dbm, snr_only=snr_only, **common)  # type: ignore[arg-type]
    return MeasuredLink(
        base,
        _robust_middle(seen, within_db) - lost_db + base.received_dbm,
        error,
        snr_only=snr_only,
        **common,  # type: ignore[arg-type]
    )


def _robust_middle(values: np.ndarray, scale_db: float) -> float:
    """Return the Huber estimate of location: the mean of the bulk, with far values drawn in.

    Notes
    -----
    Source
        Annals of Mathematical Statistics 35 (1964), pp. 73–101, named from memory; k = 1.345 keeps 95 % of the efficiency of a mean
    """
    middle = float(np.median(values))
    for _ in range(50):
        moved = middle + float(np.mean(np.clip(values - middle, -1.345 * scale_db, 1.345 * scale_db)))
        if abs(moved - middle) < 1e-9:
            break
        middle = moved
    return middle


def _middle_link(links: Sequence[PredictedLink]) -> PredictedLink:
    """Return the prediction that stands for the group: the first, with the mean of the predicted powers."""
    return replace(links[0], received_dbm=float(np.mean([link.received_dbm for link in links])))


def _packets(readings: Sequence[Reading]) -> Wilson | None:
    """Add up packets of the rows that count them."""
    counted = [r for r in readings if r.sent is not None and r.received is not None]
    if not counted:
        return None
    return wilson_interval(sum(r.received or 0 for r in counted), sum(r.sent or 0 for r in counted))


def _heard_share(readings: Sequence[Reading], packets: Wilson | None) -> float:
    """Return which share of tries was heard: of packets, or of rows if packets were not counted."""
    rows = sum(reading.heard for reading in readings) / len(readings)
    return max(min(packets.share if packets is not None else rows, 1.0), 1e-3)


def _bounds_dbm(link: PredictedLink, packets: Wilson | None, heard: bool) -> tuple[float, float]:
    """Return between which powers the median must lie if only hearing or not hearing is known.

    A steady link is heard exactly if its median is over the sensitivity; a fading one is heard in a share of tries. Both are kept
    possible: the bounds take the wider one of the two.
    """
    low_share, high_share = (packets.low, packets.high) if packets is not None else _one_try(heard)
    low = link.sensitivity_dbm + min(median_over_sensitivity_db(low_share), 0.0)
    high = link.sensitivity_dbm + max(median_over_sensitivity_db(high_share), 0.0)
    return low, high


def _one_try(heard: bool) -> tuple[float, float]:
    """Return the interval of the heard share after a try that was not counted: taken as one packet."""
    one = wilson_interval(1 if heard else 0, 1)
    return one.low, one.high


def _noise_rise_db(readings: Sequence[Reading], links: Sequence[PredictedLink]) -> tuple[float, float]:
    """Return the median of measured noise over expected noise, NaN if no row tells it, and the most it can be.

    A row with an SNR at the receiver's cap or near it bounds the noise from above. The lowest of such bounds counts, raised by
    twice the error of reading one, so that further strong readings never raise the noise and a low one by chance does not hide it.
    """
    rises: list[float] = []
    bounds: list[float] = []
    for reading, link in zip(readings, links, strict=True):
        if reading.power_dbm is None or reading.snr_db is None or not math.isfinite(link.noise_dbm):
            continue
        rise_db = reading.power_dbm - reading.snr_db - link.noise_dbm
        (bounds if _bounds_noise(reading, link) else rises).append(rise_db)
    return float(np.median(rises)) if rises else NAN, min(bounds, default=math.inf) + 2 * NOISE_ERROR_DB
