"""Counters: what was lost, doubled, late, gone round and started again, told apart."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.review.counters import read_sequence

EVERY_S = 900.0


def story(counters: list[int], times: list[float] | None = None, **options: float | int):
    """Return what is read from counters at equal times, or at those given."""
    at = np.array(times if times is not None else [EVERY_S * k for k in range(len(counters))], dtype=float)
    return read_sequence(at, np.array(counters, dtype=np.int64), EVERY_S, **options).story


def test_a_gap_in_the_counter_is_a_loss() -> None:
    found = story([7, 8, 11, 12], [0.0, 900.0, 3600.0, 4500.0])
    assert (found.packets, found.lost, found.reboots, found.duplicates) == (4, 2, 0, 0)


def test_lost_packets_lie_evenly_between_those_heard() -> None:
    read = read_sequence(np.array([0.0, 3600.0]), np.array([1, 5]), EVERY_S)
    assert read.lost_s.tolist() == [900.0, 1800.0, 2700.0]


def test_the_same_packet_twice_is_a_duplicate() -> None:
    found = story([1, 1, 2, 2, 2, 3], [0.0, 1.0, 900.0, 900.5, 902.0, 1800.0])
    assert (found.packets, found.lost, found.duplicates) == (3, 0, 3)


def test_a_late_packet_is_neither_lost_nor_a_restart() -> None:
    found = story([300, 302, 301, 303], [0.0, 1800.0, 1805.0, 2700.0])
    assert (found.packets, found.lost, found.late, found.reboots) == (4, 0, 1, 0)


def test_a_counter_of_eight_bits_goes_round() -> None:
    found = story([k % 256 for k in range(250, 770) if k != 400])
    assert found.bits == 8
    assert (found.wraps, found.reboots, found.jumps) == (3, 0, 0)


@pytest.mark.parametrize(("last", "kind"), [(0, "reboots"), (2, "reboots"), (900, "jumps")])
def test_a_restart_is_told_from_a_jump(last: int, kind: str) -> None:
    found = story([*range(40_000, 40_020), last, last + 1])
    assert {name: getattr(found, name) for name in ("reboots", "jumps")} == {"reboots": 0, "jumps": 0, kind: 1}
    assert found.lost == 0


def test_a_restart_near_the_end_of_eight_bits_is_no_wrap() -> None:
    """From 230 to 1 in one interval: going round would take 27 packets."""
    found = story([*range(200, 231), 1, 2, 3], bits=8)
    assert (found.reboots, found.wraps, found.lost) == (1, 0, 0)


def test_after_a_long_silence_eight_bits_tell_nothing() -> None:
    """64 hours at a quarter of an hour (radio facts 2, § 6), less the spare that a quicker sender may need."""
    long_s = 70 * 3600.0
    found = story([10, 11, 12, 20], [0.0, 900.0, 1800.0, 1800.0 + long_s], bits=8)
    assert found.uncountable == 1
    assert found.lost == round(long_s / EVERY_S) - 1, "estimated from the time"
    assert 40 < found.uncountable_s / 3600.0 <= 64
    sure = story([10, 11, 12, 12 + 280], [0.0, 900.0, 1800.0, 1800.0 + long_s], bits=16)
    assert (sure.uncountable, sure.lost) == (0, 279)


def test_without_counters_the_interval_tells() -> None:
    found = story([-1] * 4, [0.0, 900.0, 901.0, 3600.0])
    assert (found.bits, found.packets, found.lost, found.duplicates) == (0, 3, 2, 1)


@given(
    start=st.integers(0, 65_535),
    lost=st.sets(st.integers(1, 198), max_size=60),
    doubled=st.sets(st.integers(0, 199), max_size=30),
    bits=st.sampled_from([8, 16, 32]),
)
def test_what_was_sent_is_what_was_heard_and_lost(start: int, lost: set[int], doubled: set[int], bits: int) -> None:
    rows = [
        (EVERY_S * k + again, (start + k) % (1 << bits)) for k in range(200) if k not in lost for again in range(1 + (k in doubled))
    ]
    times, counters = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    read = read_sequence(times, counters, EVERY_S, bits=bits)
    assert read.story.packets + read.story.lost == 200
    assert read.story.lost == len(lost) == len(read.lost_s)
    assert (read.story.reboots, read.story.jumps) == (0, 0)


def test_a_packet_said_again_by_the_broker_is_a_duplicate() -> None:
    """Brokers say kept messages again at each connect, long after."""
    found = story([50, 51, 52, 52, 53, 54], [0.0, 900.0, 1800.0, 2500.0, 2700.0, 3600.0])
    assert (found.packets, found.lost, found.duplicates, found.jumps, found.reboots) == (5, 0, 1, 0, 0)


def test_a_counter_that_stands_still_is_none() -> None:
    """A device that starts anew for each packet always says the same."""
    found = story([1] * 40)
    assert (found.bits, found.packets, found.lost) == (0, 40, 0)
