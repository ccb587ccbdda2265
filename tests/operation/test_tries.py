"""Repeats and collisions that agree: closed forms, small cases by hand, and a simulation of every frame."""

from __future__ import annotations

import heapq
from itertools import count

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import lambertw

from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.channel import chance_with_tries
from meshplan.operation.delivery import try_success
from meshplan.operation.tries import HopTraffic, SettledTraffic, expected_frames, frame_success, settle, slow_states
from meshplan.records.radio import radio_mode

CLASSES = read_radio_classes()
ONE_S = 1000.0


def hop(sender: str, receiver: str, per_second: float, success: float = 1.0, **more: object) -> HopTraffic:
    values = {"channel": "c", "frame_ms": ONE_S, "answer_ms": 0.0, "answer_success": np.ones(1)} | more
    return HopTraffic(sender=sender, receiver=receiver, per_second=per_second, frame_success=np.array([success]), **values)  # type: ignore[arg-type]


def many_equal(load: float, success: float, tries: int, senders: int = 16_000) -> SettledTraffic:
    """Settle so many senders that leaving oneself out does not show; answers take no time."""
    return settle([hop(f"s{n}", "gateway", load / senders, success, tries=tries) for n in range(senders)])


@pytest.mark.parametrize(
    ("load", "success", "tries", "offered", "frame", "frames", "delivered"),
    # source: radio facts 2, section 2, check values of the load fixed point
    [
        (0.05, 0.9, 3, 0.0624, 0.7944, 1.2478, 0.9913),
        (0.05, 0.7, 3, 0.0781, 0.5988, 1.5622, 0.9354),
        (0.10, 0.9, 3, 0.1428, None, None, 0.9661),
        (0.20, 0.9, 3, 0.3845, None, None, 0.8019),
        (0.20, 0.9, 8, 1.229, None, None, 0.4734),
    ],
)
def test_many_equal_senders_meet_the_table(
    load: float, success: float, tries: int, offered: float, frame: float | None, frames: float | None, delivered: float
) -> None:
    found = many_equal(load, success, tries)
    assert found.loads["c"] == pytest.approx(offered, rel=2e-3)
    assert found.delivered[0] == pytest.approx(delivered, abs=6e-4)
    if frame is not None:
        assert found.frame_chance[0] == pytest.approx(frame, abs=3e-4)
        assert found.frames[0] == pytest.approx(frames, abs=6e-4)
    assert found.stable("c") == (offered <= 0.5)


def test_a_network_with_two_loads_says_so() -> None:
    # source: radio facts 2, section 2: 0.12, 0.9, 30 tries: 0.1982 from below, 3.562 from above
    found = many_equal(0.12, 0.9, 30)
    assert found.loads["c"] == pytest.approx(0.1982, rel=2e-3)
    assert found.other_loads["c"] == pytest.approx(3.562, rel=2e-3)
    assert found.can_collapse("c")
    assert not found.stable("c")
    assert not many_equal(0.12, 0.9, 3).can_collapse("c")


@pytest.mark.parametrize("throughput", [0.01, 0.05, 0.10, 0.15])
def test_endless_tries_meet_the_closed_form(throughput: float) -> None:
    # exact: S = G·e^(−2G), so G = −W0(−2S)/2
    exact = float(-lambertw(-2.0 * throughput).real / 2.0)
    assert many_equal(throughput, 1.0, 400).loads["c"] == pytest.approx(exact, rel=2e-3)


def test_a_lone_sender_repeats_for_fading_only() -> None:
    # exact: nobody to meet, so 1 + 0.4 + 0.16 frames, delivered 1 − 0.4³
    found = settle([hop("a", "gateway", 0.01, 0.6)])
    assert found.clear[0] == 1.0
    assert found.frames[0] == pytest.approx(1.56)
    assert found.delivered[0] == pytest.approx(1 - 0.4**3)
    assert found.loads["c"] == pytest.approx(0.0156)


def test_two_senders_without_repeats_by_hand() -> None:
    # exact: blind, one try each: either meets only the other, in a window of 1 + 1 s at 0.02 and 0.05 a second
    pair = [hop("a", "g", 0.05, acknowledged=False, tries=1), hop("b", "g", 0.02, acknowledged=False, tries=1)]
    found = settle(pair)
    assert found.clear == pytest.approx(np.exp([-0.04, -0.10]))
    assert found.frames == pytest.approx([1.0, 1.0])


def test_senders_of_different_channels_never_meet() -> None:
    apart = settle([hop("a", "g", 0.05), hop("b", "g", 0.05, channel="other")])
    assert apart.clear == pytest.approx([1.0, 1.0])


def test_a_relay_forwards_what_reached_it() -> None:
    # exact: one try of 0.5 to the relay, so half of the readings go on; the sensor and the relay meet each other
    way = [
        hop("a", "r", 0.001, 0.5, acknowledged=False, tries=1),
        hop("r", "g", 0.001, 1.0, acknowledged=False, tries=1, after=0),
    ]
    found = settle(way)
    assert found.arriving[1] == pytest.approx(0.5 * found.clear[0])
    assert found.clear[1] == pytest.approx(np.exp(-0.002))
    assert found.loads["c"] == pytest.approx(0.001 + 0.001 * found.arriving[1])


def test_slow_states_are_averaged_after_the_tries() -> None:
    # two states 1 and 0: 1 or 3 frames, 2 on average; the tries of the mean chance would be 1.75
    two = HopTraffic("a", "g", "c", ONE_S, 0.0, 0.001, np.array([1.0, 0.0]), np.ones(2))
    assert settle([two]).frames[0] == pytest.approx(2.0)


@given(st.floats(0.0, 1.0), st.floats(0.0, 1.0), st.integers(1, 8))
def test_expected_frames_is_the_sum_over_tries(frame: float, answer: float, tries: int) -> None:
    direct = sum((1.0 - frame * answer) ** number for number in range(tries))
    assert float(expected_frames(frame, answer, tries, True)) == pytest.approx(direct, rel=1e-6)
    assert float(expected_frames(frame, answer, tries, False)) == tries


@settings(max_examples=25, deadline=None)
@given(st.floats(0.001, 0.1), st.floats(0.3, 1.0), st.integers(1, 5), st.integers(2, 12))
def test_more_traffic_never_means_fewer_tries_or_more_delivered(load: float, success: float, tries: int, senders: int) -> None:
    light = many_equal(load, success, tries, senders)
    heavy = many_equal(1.5 * load, success, tries, senders)
    assert heavy.frames[0] >= light.frames[0] - 1e-9
    assert heavy.delivered[0] <= light.delivered[0] + 1e-9
    assert light.other_loads["c"] >= light.loads["c"] - 1e-9


def test_frame_success_is_one_try_of_the_delivery_curve() -> None:
    mode = radio_mode(CLASSES, "fsk-868-4k8")
    margins = np.array([-5.03, 3.21, 8.2, 20.4])
    assert frame_success(mode, margins, 12) == pytest.approx(try_success(mode, margins, 12), abs=2e-3)
    blind = radio_mode(CLASSES, "ook-433-12v-wire")
    once = frame_success(blind, margins, 12)
    assert chance_with_tries(once, 3) == pytest.approx(try_success(blind, margins, 12), abs=2e-3)


def test_slow_states_have_the_mean_and_nearly_the_spread() -> None:
    states = slow_states(12.0, 8.0, 400)
    assert states.mean() == pytest.approx(12.0)
    assert states.std() == pytest.approx(8.0, rel=0.01)


def simulate(
    senders: int, per_second: float, success: float, answer_success: float, frame_s: float, answer_s: float, tries: int, seed: int
) -> tuple[float, float, float]:
    """Return frames for each reading, delivered share and load, by walking through every frame of a star.

    Shares nothing with the formulas: readings come at random, repeats wait 50 to 1000 frames, frames and answers that overlap
    are both lost.
    """
    random = np.random.default_rng(seed)
    duration = 60_000.0
    serial = count()
    events: list[tuple[float, int, str, int, int, int, list[float] | None]] = []
    for sender in range(senders):
        for start in random.uniform(0, duration, random.poisson(per_second * duration)):
            events.append((float(start), next(serial), "frame", sender, 0, -1, None))
    heapq.heapify(events)
    air: list[list[float]] = []  # begin, end, spoilt, sender (−1 for the gateway)
    readings = frames = delivered = 0
    busy = 0.0
    got: dict[int, bool] = {}
    busy_until = [0.0] * senders

    def send(begin: float, length: float, who: int) -> list[float]:
        nonlocal busy
        packet = [begin, begin + length, 0.0, float(who)]
        air[:] = [other for other in air if other[1] > begin]
        for other in air:
            if other[3] != who:
                other[2] = packet[2] = 1.0
        air.append(packet)
        busy += length
        return packet

    def again(now: float, sender: int, used: int, reading: int) -> None:
        if used < tries:
            heapq.heappush(events, (now + frame_s * random.uniform(50, 1000), next(serial), "frame", sender, used, reading, None))

    while events:
        now, _, kind, sender, used, reading, packet = heapq.heappop(events)
        if kind == "frame":
            if now < busy_until[sender]:  # it is still sending, or waits for an answer
                heapq.heappush(
                    events, (busy_until[sender] + random.exponential(frame_s), next(serial), kind, sender, used, reading, None)
                )
                continue
            busy_until[sender] = now + frame_s + answer_s
            if reading < 0:
                reading, readings = readings, readings + 1
                got[reading] = False
            frames += 1
            heapq.heappush(events, (now + frame_s, next(serial), "arrived", sender, used + 1, reading, send(now, frame_s, sender)))
        elif kind == "arrived":
            assert packet is not None
            if packet[2] == 0.0 and random.random() < success:
                delivered += not got[reading]
                got[reading] = True
                heapq.heappush(events, (now + answer_s, next(serial), "answered", sender, used, reading, send(now, answer_s, -1)))
            else:
                again(now, sender, used, reading)
        else:
            assert packet is not None
            if packet[2] != 0.0 or random.random() >= answer_success:
                again(now, sender, used, reading)
    return frames / readings, delivered / readings, busy / duration


@pytest.mark.parametrize(
    ("senders", "per_second", "success", "answer_success", "tries"),
    [(20, 0.01, 0.9, 0.95, 3), (20, 0.04, 0.8, 0.9, 3), (40, 0.03, 0.9, 0.9, 4), (40, 0.04, 0.9, 0.9, 4), (5, 0.05, 0.6, 0.8, 5)],
)
def test_repeats_meet_a_simulation_of_every_frame(
    senders: int, per_second: float, success: float, answer_success: float, tries: int
) -> None:
    frame_s, answer_s = 0.1, 0.05
    seen = [simulate(senders, per_second, success, answer_success, frame_s, answer_s, tries, seed) for seed in (1, 2)]
    frames, delivered, load = np.mean(seen, axis=0)
    star = [
        hop(
            f"s{n}",
            "g",
            per_second,
            success,
            frame_ms=100.0,
            answer_ms=50.0,
            answer_success=np.array([answer_success]),
            tries=tries,
        )
        for n in range(senders)
    ]
    found = settle(star)
    assert found.frames[0] == pytest.approx(frames, rel=0.03)
    assert found.delivered[0] == pytest.approx(delivered, abs=0.01 if load < 0.35 else 0.025)
    assert found.loads["c"] == pytest.approx(load, rel=0.03)


def test_nothing_on_the_air_settles_at_nothing() -> None:
    found = settle([])
    assert found.loads == {}
    assert found.settled
