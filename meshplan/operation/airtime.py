"""How long a packet is on the air, for every modulation of the catalogue."""

from __future__ import annotations

from math import ceil
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError
from meshplan.radio_records import Modulation, RadioMode
from meshplan.units import Array

LOW_RATE_SYMBOL_MS: Final = 16.0
"""Symbol length from which chirp modems switch their low-rate aid on (16.384 ms counts as yes)."""

HIGH_BAND_MHZ: Final = 2000.0
HIGH_BAND_AIDED_FACTOR: Final = 11
"""2.4 GHz chirp modems use the low-rate aid from this spreading factor at every bandwidth (read in an open driver)."""

WIDE_AREA_HEADER_BYTES: Final = 13
"""What a wide-area network protocol adds to the payload (ITU-T Y.4480 family)."""

OWN_HEADER_BYTES: Final = 5
"""What a simple network of one's own adds: 2-3 bytes of name, sequence, battery (common practice, no source)."""

ACKNOWLEDGEMENT_BYTES: Final = 4
"""Payload of an acknowledgement: two names and a sequence (common practice, no source)."""


def chirp_time_on_air_ms(
    payload_bytes: ArrayLike,
    spreading_factor: ArrayLike,
    bandwidth_khz: ArrayLike,
    *,
    coding_rate_index: int = 1,
    preamble_symbols: int = 8,
    check_bytes: bool = True,
    implicit_header: bool = False,
    low_rate: bool | None = None,
) -> Array:
    """Return the time on air of a chirp spread spectrum packet in milliseconds.

    Parameters
    ----------
    payload_bytes, spreading_factor, bandwidth_khz : array_like, any shapes that broadcast
    coding_rate_index : int
        1 to 4 for 4/5 to 4/8.
    low_rate : bool, optional
        Low-rate aid; by default on when a symbol lasts 16 ms or more, as modems below 1 GHz do.

    Notes
    -----
    Source
        The formula all public calculators use: n = 8 + max(⌈(8·PL − 4·SF + 28 + 16·CRC − 20·IH)/(4·(SF − 2·DE))⌉·(CR + 4), 0),
        T = (preamble + 4.25 + n)·2^SF/B. SF 5 and 6 (newer chips) from memory: 6.25 symbols, no 8 in the numerator.
    Accuracy
        SF 7 to 12 to the last printed digit of 19 published values.
    """
    payload = np.asarray(payload_bytes, dtype=float)
    factor = np.asarray(spreading_factor, dtype=float)
    symbol_ms = 2.0**factor / np.asarray(bandwidth_khz, dtype=float)
    aided = symbol_ms >= LOW_RATE_SYMBOL_MS if low_rate is None else np.full(symbol_ms.shape, low_rate)
    short = factor < 7
    header_bits = np.where(short, 20.0, 28.0) - 20.0 * implicit_header
    bits = 8.0 * payload - 4.0 * factor + header_bits + 16.0 * check_bytes
    blocks = np.ceil(bits / (4.0 * (factor - 2.0 * aided)))
    symbols = 8.0 + np.maximum(blocks * (coding_rate_index + 4), 0.0)
    return np.asarray((preamble_symbols + np.where(short, 6.25, 4.25) + symbols) * symbol_ms)


def serial_time_on_air_ms(
    payload_bytes: ArrayLike,
    bit_rate_bps: ArrayLike,
    *,
    overhead_bytes: float = 11.0,
    overhead_us: float = 0.0,
    line_code_factor: float = 1.0,
    repeats: float = 1.0,
) -> Array:
    """Return the time on air of a packet sent bit after bit (FSK, on-off keying, spread phase keying).

    Parameters
    ----------
    payload_bytes, bit_rate_bps : array_like, any shapes that broadcast
    overhead_bytes : float
        Preamble, sync, header and check at the same rate.
    overhead_us : float
        Fixed time before or after, such as a long preamble at another rate.
    line_code_factor : float
        2 where each bit is sent as two half-bits (Manchester).
    repeats : float
        How often the whole frame goes out.

    Notes
    -----
    Source
        T = 8·(overhead + payload)·line code / rate.
    """
    bits = 8.0 * (np.asarray(payload_bytes, dtype=float) + overhead_bytes) * line_code_factor
    once_ms = 1000.0 * bits / np.asarray(bit_rate_bps, dtype=float) + overhead_us / 1000.0
    return np.asarray(once_ms * repeats)


def packets_needed(mode: RadioMode, payload_bytes: int) -> int:
    """Return how many packets carry a payload in this mode."""
    return max(1, ceil(payload_bytes / mode.max_payload_bytes))


def time_on_air_ms(mode: RadioMode, payload_bytes: int) -> float:
    """Return the air time of a payload in this mode: all its packets, and all repeats of a one-way class.

    Parameters
    ----------
    mode : RadioMode
    payload_bytes : int
        What the user's own program puts in, its header included.
    """
    if payload_bytes < 0:
        raise InputError(f"a payload of {payload_bytes} bytes cannot be.", where="payload_bytes", fix="Write 0 or more.")
    whole, rest = divmod(payload_bytes, mode.max_payload_bytes)
    sizes = [mode.max_payload_bytes] * whole + ([rest] if rest or not whole else [])
    return float(sum(_packet_ms(mode, size) for size in sizes))


def longest_packet_ms(mode: RadioMode, payload_bytes: int) -> float:
    """Return how long the sender stays on the air without a break: what dwell rules count."""
    once = _packet_ms(mode, min(payload_bytes, mode.max_payload_bytes))
    return once / mode.radio.repeats.value if mode.modulation is not Modulation.OOK else once


def _packet_ms(mode: RadioMode, payload_bytes: int) -> float:
    radio = mode.radio
    if mode.spreading_factor is not None:
        once = chirp_time_on_air_ms(
            payload_bytes,
            mode.spreading_factor,
            mode.bandwidth_khz,
            coding_rate_index=radio.coding_rate_index,
            preamble_symbols=radio.preamble_symbols,
            low_rate=mode.spreading_factor >= HIGH_BAND_AIDED_FACTOR if mode.frequency_mhz > HIGH_BAND_MHZ else None,
        )
        return float(once) * radio.repeats.value
    return float(
        serial_time_on_air_ms(
            payload_bytes,
            mode.bit_rate_bps,
            overhead_bytes=radio.frame_overhead_bytes.value,
            overhead_us=radio.frame_overhead_us.value,
            line_code_factor=radio.line_code_factor.value,
            repeats=radio.repeats.value,
        )
    )


def acknowledgement_ms(mode: RadioMode) -> float:
    """Return the air time of an acknowledgement; none where the class cannot send one."""
    return time_on_air_ms(mode, ACKNOWLEDGEMENT_BYTES) if mode.acknowledged and not mode.tx_only else 0.0
