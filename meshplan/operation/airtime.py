"""How long a packet is on the air, for every modulation of the catalogue."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from math import ceil
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError
from meshplan.records.radio import Modulation, RadioClass, RadioMode
from meshplan.units import Array

LOW_RATE_SYMBOL_MS: Final = 16.0
"""Symbol length from which chirp modems switch their low-rate aid on (16.384 ms counts as yes)."""

CHIRP_MOST_BYTES: Final = 255
"""Most bytes of a chirp packet: its length is one byte."""

HIGH_BAND_MHZ: Final = 2000.0
HIGH_BAND_AIDED_FACTOR: Final = 11
"""2.4 GHz chirp modems use the low-rate aid from this spreading factor at every bandwidth (read in an open driver)."""

CHIRP_OWN_HEADER_BITS: Final = 20
CHIRP_CHECK_BITS: Final = 16
"""Bits of the radio's own header and check in the symbol formula."""


@dataclass(frozen=True)
class AirtimeParts:
    """What a payload's time on the air is made of, in milliseconds, repeats of a one-way class included."""

    preamble_ms: float
    """Preamble, sync and frame of the class."""
    header_ms: float
    """Header of the network (and of the radio, where it has one of its own)."""
    payload_ms: float
    check_ms: float

    @property
    def total_ms(self) -> float:
        """All of it."""
        return self.preamble_ms + self.header_ms + self.payload_ms + self.check_ms


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


def chirp_is_aided(mode: RadioMode) -> bool:
    """Return whether a chirp modem switches its low-rate aid on: by symbol length below 2 GHz, by spreading factor above."""
    assert mode.spreading_factor is not None
    if mode.frequency_mhz > HIGH_BAND_MHZ:
        return mode.spreading_factor >= HIGH_BAND_AIDED_FACTOR
    return 2.0**mode.spreading_factor / mode.bandwidth_khz >= LOW_RATE_SYMBOL_MS


def payload_per_packet(mode: RadioMode) -> int:
    """Return how many bytes of payload one packet carries beside the header of the network.

    Notes
    -----
    Source
        A chirp's limits are those of its payload (ITU-T Y.4480 family), within the 255 bytes its length can tell; those of other
        classes are of the frame's content, of which the header is part.
    """
    if mode.spreading_factor is not None:
        return min(mode.max_payload_bytes, CHIRP_MOST_BYTES - mode.header_bytes)
    return max(1, mode.max_payload_bytes - mode.header_bytes)


def packets_needed(mode: RadioMode, payload_bytes: int) -> int:
    """Return how many packets carry a payload in this mode."""
    return max(1, ceil(payload_bytes / payload_per_packet(mode)))


def time_on_air_ms(mode: RadioMode, payload_bytes: int) -> float:
    """Return the air time of a payload in this mode: preamble, headers and check of all its packets, all repeats if one-way.

    Everything that needs the time of a packet asks here: duty, dwell, load, energy, delay, comparison.

    Parameters
    ----------
    mode : RadioMode
        Its `header_bytes` come before the payload in every packet.
    payload_bytes : int
        What the reading itself takes, without headers.
    """
    return float(sum(_frame_ms(mode, size) for size in _frame_sizes(mode, payload_bytes)))


def airtime_parts(mode: RadioMode, payload_bytes: int) -> AirtimeParts:
    """Return the air time of a payload by what it is spent on; the sum is `time_on_air_ms`.

    Notes
    -----
    Source
        Serial: bytes of each part at the bit rate. Chirp: preamble by its symbols; the symbols after it shared by bits (radio
        header 20, network header and payload 8 a byte, check 16), since symbols are whole.
    """
    sizes = _frame_sizes(mode, payload_bytes)
    radio, header = mode.radio, mode.header_bytes
    total_ms = sum(_frame_ms(mode, size) for size in sizes)
    if mode.spreading_factor is not None:
        symbol_ms = 2.0**mode.spreading_factor / mode.bandwidth_khz
        preamble_ms = len(sizes) * radio.repeats.value * _chirp_preamble_symbols(mode.spreading_factor, radio) * symbol_ms
        header_bits = len(sizes) * (CHIRP_OWN_HEADER_BITS + 8.0 * header)
        bits = (header_bits, 8.0 * payload_bytes, len(sizes) * float(CHIRP_CHECK_BITS))
    else:
        byte_ms = 8000.0 * radio.line_code_factor.value / mode.bit_rate_bps
        frame_bytes = max(0.0, radio.frame_overhead_bytes.value - radio.check_bytes.value)
        once_ms = frame_bytes * byte_ms + radio.frame_overhead_us.value / 1000.0
        preamble_ms = len(sizes) * radio.repeats.value * once_ms
        check_bytes = min(radio.check_bytes.value, radio.frame_overhead_bytes.value)
        bits = (8.0 * len(sizes) * header, 8.0 * payload_bytes, 8.0 * len(sizes) * check_bytes)
    per_bit_ms = (total_ms - preamble_ms) / sum(bits) if sum(bits) else 0.0
    return AirtimeParts(preamble_ms, *(share * per_bit_ms for share in bits))


def longest_packet_ms(mode: RadioMode, payload_bytes: int) -> float:
    """Return how long the sender stays on the air without a break: what dwell rules count."""
    once = _frame_ms(mode, max(_frame_sizes(mode, payload_bytes)))
    return once / mode.radio.repeats.value if mode.modulation is not Modulation.OOK else once


def _frame_sizes(mode: RadioMode, payload_bytes: int) -> list[int]:
    """Return the bytes of each packet that carries a part of a payload, header included."""
    if payload_bytes < 0:
        raise InputError(f"a payload of {payload_bytes} bytes cannot be.", where="payload_bytes", fix="Write 0 or more.")
    most = payload_per_packet(mode)
    whole, rest = divmod(payload_bytes, most)
    sizes = [most] * whole + ([rest] if rest or not whole else [])
    return [size + mode.header_bytes for size in sizes]


def _chirp_preamble_symbols(spreading_factor: int, radio: RadioClass) -> float:
    return radio.preamble_symbols + (6.25 if spreading_factor < 7 else 4.25)


def _frame_ms(mode: RadioMode, frame_bytes: int) -> float:
    """Return the air time of one packet of so many bytes, header included."""
    radio = mode.radio
    if mode.spreading_factor is not None:
        once = _one_chirp_packet_ms(
            frame_bytes,
            mode.spreading_factor,
            mode.bandwidth_khz,
            radio.coding_rate_index,
            radio.preamble_symbols,
            chirp_is_aided(mode),
        )
        return once * radio.repeats.value
    return _one_serial_packet_ms(
        frame_bytes,
        mode.bit_rate_bps,
        radio.frame_overhead_bytes.value,
        radio.frame_overhead_us.value,
        radio.line_code_factor.value,
        radio.repeats.value,
    )


@lru_cache(maxsize=4096)  # the few packets of a plan are asked for many thousand times
def _one_chirp_packet_ms(size: int, factor: int, bandwidth_khz: float, coding: int, preamble: int, low_rate: bool) -> float:
    return float(
        chirp_time_on_air_ms(size, factor, bandwidth_khz, coding_rate_index=coding, preamble_symbols=preamble, low_rate=low_rate)
    )


@lru_cache(maxsize=4096)
def _one_serial_packet_ms(size: int, rate_bps: float, more_bytes: float, more_us: float, code: float, repeats: float) -> float:
    return float(
        serial_time_on_air_ms(
            size, rate_bps, overhead_bytes=more_bytes, overhead_us=more_us, line_code_factor=code, repeats=repeats
        )
    )


def acknowledgement_ms(mode: RadioMode) -> float:
    """Return the air time of an acknowledgement; none where the class cannot send one.

    Notes
    -----
    Source
        IEEE 802.15.4: 4 bytes preamble, 1 start, 1 length, 2 control, 1 sequence and 2 check bytes, 352 us at 250 kbit/s. Others: a
        frame of the network, with all that is around a payload.
    """
    if not mode.acknowledged or mode.tx_only:
        return 0.0
    if mode.acknowledgement_is_whole:
        return float(serial_time_on_air_ms(mode.acknowledgement_bytes, mode.bit_rate_bps, overhead_bytes=0.0))
    return _frame_ms(mode, mode.acknowledgement_bytes)
