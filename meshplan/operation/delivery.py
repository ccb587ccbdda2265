"""From a margin in decibels to packets that arrive: one try, several tries, a whole route."""

from __future__ import annotations

from typing import Final

from numpy.typing import ArrayLike

from meshplan.operation.channel import MAX_TRIES, chance_with_tries
from meshplan.propagation.receiver import Detection, packet_success_from_margin
from meshplan.records.radio import Modulation, RadioMode
from meshplan.units import Array

DETECTION: Final[dict[Modulation, Detection]] = {
    Modulation.FSK: Detection.FSK_NONCOHERENT,
    Modulation.GFSK: Detection.FSK_NONCOHERENT,
    Modulation.OOK: Detection.OOK_NONCOHERENT,
    Modulation.OQPSK: Detection.OQPSK_SPREAD,
    Modulation.DBPSK: Detection.DBPSK,
}
"""Error curve of each modulation; a discriminator's extra decibels are in the sensitivity, not in the shape."""


def frame_bytes(mode: RadioMode, payload_bytes: int) -> float:
    """Return the bytes of a frame whose bits must all be right: payload, header of the network, the class's own."""
    return payload_bytes + mode.header_bytes + mode.radio.frame_overhead_bytes.value


def try_success(mode: RadioMode, margin_db: ArrayLike, payload_bytes: int, *, rayleigh: bool = True) -> Array:
    """Return the chance that one packet gets through once, for a margin above the design sensitivity.

    Parameters
    ----------
    mode : RadioMode
    margin_db : array_like, any shape
        Mean received power less design sensitivity; NaN stays NaN.
    payload_bytes : int
    rayleigh : bool
        Whether echoes make the signal fade from place to place and packet to packet (most places near the ground); without
        it the receiver's own steep curve remains.

    Notes
    -----
    Source
        `packet_success_from_margin`; the design sensitivity stands for a bit error rate of 1e-3. A one-way class sends its
        packet several times; those are counted as tries of their own, as if spaced beyond a fade.
    """
    size = frame_bytes(mode, payload_bytes)
    if mode.spreading_factor is not None:
        return packet_success_from_margin(margin_db, size, spreading_factor=mode.spreading_factor, rayleigh=rayleigh)
    once = packet_success_from_margin(margin_db, size, DETECTION[mode.modulation], rayleigh=rayleigh)
    return chance_with_tries(once, mode.radio.repeats.value) if mode.tx_only else once


def delivered(mode: RadioMode, margin_db: float, payload_bytes: int, *, clear_chance: float = 1.0, tries: int = MAX_TRIES) -> float:
    """Return the chance that a packet arrives over one hop with its tries, collisions included.

    Notes
    -----
    Valid for
        Tries that fade and collide independently. Without an acknowledgement there is one try.
    """
    once = float(try_success(mode, margin_db, payload_bytes)) * clear_chance
    return float(chance_with_tries(once, tries if mode.acknowledged else 1))
