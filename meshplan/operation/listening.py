"""How a device hears commands: windows after its own reports, short looks all the time, or an open receiver; what each costs."""

from __future__ import annotations

from typing import Final

from meshplan.operation.airtime import acknowledgement_ms, time_on_air_ms
from meshplan.operation.energy import ANSWER_WINDOW_MS
from meshplan.records.radio import RadioMode

AFTER_REPORT, SAMPLED, ALWAYS, NEVER = "after report", "sampled", "always", "never"

WINDOWS: Final = 2
"""Receive windows after a report, as wide-area protocols have them (ITU-T Y.4480 family, recalled)."""

WINDOW_SYMBOLS: Final = 8
"""Symbols that a chirp window lasts (5-8, recalled)."""

LOOK_SYMBOLS: Final = 2
LOOK_BYTES: Final = 4
"""What a look at the channel takes: symbols of a chirp, bytes of any other class (memory, no document)."""

PERIOD_SHARE: Final = 0.1
SHORTEST_PERIOD_S, LONGEST_PERIOD_S = 0.25, 5.0
"""Time between looks as a share of the longest wait, and its bounds (own choice): three tries with their pauses still fit in."""


def sampling_period_s(most_wait_s: float) -> float:
    """Return the time between two looks at the channel of a device that must act within a wait."""
    return min(LONGEST_PERIOD_S, max(SHORTEST_PERIOD_S, PERIOD_SHARE * most_wait_s))


def window_ms(mode: RadioMode) -> float:
    """Return how long the receiver is open in windows after one report, when no command comes."""
    if mode.spreading_factor is None:
        return WINDOWS * ANSWER_WINDOW_MS
    return WINDOWS * WINDOW_SYMBOLS * 2.0**mode.spreading_factor / mode.bandwidth_khz


def look_ms(mode: RadioMode) -> float:
    """Return how long one look at the channel takes, the start of the radio included."""
    if mode.spreading_factor is None:
        return mode.radio.wake_ms.value + LOOK_BYTES * 8000.0 / mode.bit_rate_bps
    return mode.radio.wake_ms.value + LOOK_SYMBOLS * 2.0**mode.spreading_factor / mode.bandwidth_khz


def command_ms(mode: RadioMode, downlink_bytes: int, period_s: float = 0.0) -> float:
    """Return the air time of one command; to a device that samples, behind a preamble of a whole period and one look."""
    return time_on_air_ms(mode, downlink_bytes) + (1000.0 * period_s + look_ms(mode) if period_s else 0.0)


def open_share(mode: RadioMode, listening: str, *, interval_s: float, downlink_bytes: int, most_wait_s: float) -> float:
    """Return the share of time that the receiver is open for commands, one command in each reporting interval (the safe side).

    Notes
    -----
    Source
        Looks: length/period + half a period, the command and its answer for each command. Windows: their length/interval + the
        command. The answer is counted as if sending drew what listening draws, which errs little for one command an interval.
    """
    command_s = (time_on_air_ms(mode, downlink_bytes) + acknowledgement_ms(mode)) / 1000.0
    if listening == ALWAYS:
        return 1.0
    if listening == SAMPLED:
        period_s = sampling_period_s(most_wait_s)
        return min(1.0, look_ms(mode) / 1000.0 / period_s + (0.5 * period_s + command_s) / interval_s)
    return min(1.0, (window_ms(mode) / 1000.0 + command_s) / interval_s) if listening == AFTER_REPORT else 0.0
