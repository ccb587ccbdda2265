"""Channel load: textbook closed forms, tries, and delay over hops."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from textbook_aloha import aloha_success, offered_load

from meshplan.operation.channel import (
    HopDelay,
    chance_with_tries,
    clear_chance,
    expected_tries,
    route_delay,
)


@pytest.mark.parametrize("slotted", [False, True])
@pytest.mark.parametrize("interval_s", [20.0, 40.0, 900.0])
def test_many_equal_senders_meet_the_closed_form(interval_s: float, slotted: bool) -> None:
    """At loads of 1 and 0.5, where slotted and pure throughput peak, and at one that a plan may have."""
    count, airtime_ms = 400, 50.0
    interval = np.full(count, interval_s)
    load = offered_load(np.full(count, airtime_ms), interval)
    clear = clear_chance(np.full(count, airtime_ms), interval, slotted=slotted)
    others = load * (count - 1) / count
    assert clear == pytest.approx(float(aloha_success(others, slotted=slotted)), rel=1e-12)


def test_a_lone_sender_never_meets_itself() -> None:
    assert clear_chance([5000.0], [10.0]) == pytest.approx(1.0)


def test_short_packets_suffer_from_long_neighbours() -> None:
    # hand-worked: a 50 ms packet beside a 1300 ms one every 60 s: exp(−1.35/60)
    clear = clear_chance([50.0, 1300.0], [60.0, 60.0])
    assert clear == pytest.approx(np.exp(-1.35 / 60.0))


def test_spreading_factors_do_not_disturb_each_other() -> None:
    airtimes, intervals = [57.0, 1319.0, 1319.0], [60.0, 60.0, 60.0]
    clear = clear_chance(airtimes, intervals, ["SF7", "SF12", "SF12"])
    assert clear[0] == 1.0
    assert clear[1] == pytest.approx(np.exp(-2 * 1.319 / 60.0))


@pytest.mark.parametrize(("success", "tries", "expected"), [(0.7, 3, 0.973), (0.7, 5, 0.998), (0.9, 2, 0.99), (0.9, 3, 0.999)])
def test_tries_meet_the_planning_table(success: float, tries: int, expected: float) -> None:
    # source: radio facts, table 3.4
    assert float(chance_with_tries(success, tries)) == pytest.approx(expected, abs=5e-4)


@given(st.floats(0.05, 1.0), st.integers(1, 6))
def test_mean_tries_lie_between_one_and_all(success: float, tries: int) -> None:
    mean = float(expected_tries(success, tries))
    assert 1.0 - 1e-12 <= mean <= tries
    # hand-derivable: sum of a geometric series
    assert mean == pytest.approx((1 - (1 - success) ** tries) / success)


def test_delay_of_one_hop_by_hand() -> None:
    # hand-worked: window 10 s, 0.1 s on the air, p = 0.5, three tries, spacing 0.5 to 5 s
    delay = route_delay([HopDelay(airtime_ms=100.0, success=0.5, wake_window_s=10.0)])
    assert delay.mean_s == pytest.approx(5.0 + 0.1 + 0.75 * (0.1 + 2.75))
    assert delay.worst_s == pytest.approx(10.0 + 3 * 0.1 + 2 * 5.0)
    assert delay.delivered == pytest.approx(0.875)


def test_hops_add_up() -> None:
    hop = HopDelay(airtime_ms=200.0, success=0.9, wake_window_s=1.0)
    one, three = route_delay([hop]), route_delay([hop] * 3)
    assert three.mean_s == pytest.approx(3 * one.mean_s)
    assert three.worst_s == pytest.approx(3 * one.worst_s)
    # source: radio facts, table 3.3: three tries on each of three hops at 0.9 give 0.997
    assert three.delivered == pytest.approx(0.997, abs=5e-4)


def test_without_confirmation_there_is_one_try() -> None:
    delay = route_delay([HopDelay(airtime_ms=520.0, success=0.9, acknowledged=False)] * 2)
    assert delay.delivered == pytest.approx(0.81)
    assert delay.worst_s == pytest.approx(1.04)
