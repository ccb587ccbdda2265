"""Collisions against a simulation of every packet: seeded, independent of the closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from textbook_aloha import aloha_success

from meshplan.operation.channel import (
    chance_with_tries,
    clear_chance,
    expected_tries,
)

Array = NDArray[np.float64]


def survivors(start: Array, length: Array, group: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which packets overlap no other of their group, by walking through them in order of time."""
    clear = np.ones(start.size, dtype=bool)
    for label in np.unique(group):
        member = np.flatnonzero(group == label)
        member = member[np.argsort(start[member], kind="stable")]
        busy_until, busy_by = -np.inf, -1
        for index in member:
            if start[index] < busy_until:
                clear[index] = clear[busy_by] = False
            end = start[index] + length[index]
            if end > busy_until:
                busy_until, busy_by = end, int(index)
    return clear


def arrivals(rate: float, duration: float, random: np.random.Generator) -> Array:
    return np.sort(random.uniform(0.0, duration, random.poisson(rate * duration)))


@pytest.mark.parametrize("load", [0.025, 0.1, 0.5, 1.0])
@pytest.mark.parametrize("slotted", [False, True])
def test_aloha_meets_the_simulation(load: float, slotted: bool) -> None:
    random = np.random.default_rng(21)
    start = arrivals(load, 40_000 / load, random)
    if slotted:
        _, place, sharing = np.unique(np.ceil(start), return_inverse=True, return_counts=True)
        clear = sharing[place] == 1
    else:
        clear = survivors(start, np.ones(start.size), np.zeros(start.size, dtype=np.int64))
    expected = float(aloha_success(load, slotted=slotted))
    # neighbours share their fate, so the spread is up to twice the binomial one
    assert abs(clear.mean() - expected) < 6 * np.sqrt(expected * (1 - expected) / start.size)


def test_packets_of_different_length_and_group_meet_the_simulation() -> None:
    random = np.random.default_rng(22)
    airtime_ms = np.array([50.0, 50.0, 400.0, 1300.0, 1300.0, 1300.0])
    interval_s = np.array([5.0, 7.0, 20.0, 30.0, 40.0, 60.0])
    group = np.array([0, 0, 0, 1, 1, 0])
    duration = 120_000.0
    start, owner = [], []
    for number, interval in enumerate(interval_s):
        times = arrivals(1 / interval, duration, random)
        # a device is never on the air twice at once
        times = times[np.concatenate(([True], np.diff(times) > airtime_ms[number] / 1000.0))]
        start.append(times)
        owner.append(np.full(times.size, number))
    everyone = np.concatenate(owner)
    clear = survivors(np.concatenate(start), airtime_ms[everyone] / 1000.0, group[everyone])
    expected = clear_chance(airtime_ms, interval_s, list(group))
    for number, chance in enumerate(expected):
        assert clear[everyone == number].mean() == pytest.approx(chance, abs=0.02)


def test_capture_meets_the_simulation() -> None:
    # every pair of overlapping packets is compared: the weaker is lost, both if they are within 6 dB
    random = np.random.default_rng(25)
    power = np.array([-90.0, -95.0, -100.0, -104.0, -112.0])
    interval_s, length_s, duration = 20.0, 0.3, 200_000.0
    start = [arrivals(1 / interval_s, duration, random) for _ in power]
    start = [times[np.concatenate(([True], np.diff(times) > length_s))] for times in start]
    owner = np.concatenate([np.full(times.size, number) for number, times in enumerate(start)])
    when = np.concatenate(start)
    order = np.argsort(when)
    when, owner = when[order], owner[order]
    clear = np.ones(when.size, dtype=bool)
    for index in range(when.size):
        follower = index + 1
        while follower < when.size and when[follower] < when[index] + length_s:
            difference = power[owner[index]] - power[owner[follower]]
            clear[index] &= difference >= 6.0
            clear[follower] &= difference <= -6.0
            follower += 1
    rate = np.array([times.size / duration for times in start])
    expected = clear_chance(np.full(5, 300.0), 1 / rate, received_dbm=power)
    for number, chance in enumerate(expected):
        assert clear[owner == number].mean() == pytest.approx(chance, abs=0.012)


def test_jittered_senders_of_a_plan_stay_near_the_formula() -> None:
    # 40 sensors every 60 s with ±15 % jitter, 57 ms each: a plan, not a Poisson stream
    random = np.random.default_rng(23)
    count, interval, airtime = 40, 60.0, 0.057
    start, length = [], []
    for _ in range(count):
        steps = interval * random.uniform(0.85, 1.15, 3000)
        start.append(random.uniform(0, interval) + np.cumsum(steps))
        length.append(np.full(3000, airtime))
    clear = survivors(np.concatenate(start), np.concatenate(length), np.zeros(3000 * count, dtype=np.int64))
    expected = clear_chance(np.full(count, 57.0), np.full(count, 60.0))[0]
    assert clear.mean() == pytest.approx(expected, abs=0.003)


def test_equal_clocks_without_jitter_lose_far_more_than_the_formula() -> None:
    # why jitter is asked for: two senders with intervals of 60.000 and 60.001 s overlap for a hundred packets on end
    first = np.arange(3000) * 60.0
    second = np.arange(3000) * 60.001 - 0.05
    clear = survivors(np.concatenate([first, second]), np.full(6000, 0.057), np.zeros(6000, dtype=np.int64))
    lost = ~clear[:3000]
    assert lost[:100].all()


@pytest.mark.parametrize("success", [0.5, 0.7, 0.9])
def test_tries_meet_the_simulation(success: float) -> None:
    random = np.random.default_rng(24)
    through = random.random((200_000, 3)) < success
    delivered = through.any(axis=1)
    sent = np.where(delivered, through.argmax(axis=1) + 1, 3)
    assert delivered.mean() == pytest.approx(float(chance_with_tries(success, 3)), abs=0.003)
    assert sent.mean() == pytest.approx(float(expected_tries(success, 3)), abs=0.006)
