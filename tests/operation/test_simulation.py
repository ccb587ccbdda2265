"""The event simulation: small cases by hand, and the closed forms of the plan, which share nothing with it but a frame's chance."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from meshplan.operation.simulation import COLLISION, DAY_S, DEAF, FADING, Day, Simulated, Slots, simulate
from meshplan.operation.tries import HopTraffic, settle


def hop(sender: str, receiver: str, interval_s: float, success: float = 1.0, **more: object) -> HopTraffic:
    values = {"channel": "c", "frame_ms": 100.0, "answer_ms": 0.0, "answer_success": np.ones(1)} | more
    return HopTraffic(sender=sender, receiver=receiver, per_second=1.0 / interval_s, frame_success=np.array([success]), **values)  # type: ignore[arg-type]


def run(*hops: HopTraffic, days: int = 1, seed: int = 1, slots: Slots | None = None) -> Simulated:
    return simulate([Day(tuple(hops))] * days, seed=seed, slots=slots)


def test_a_lone_sender_on_a_sure_link_loses_nothing_and_waits_for_its_frame_alone() -> None:
    # exact: 96 readings of a day, one frame of 100 ms each
    found = run(hop("a", "g", 900.0))
    assert found.day_readings == found.day_arrived == (96,)
    assert found.frames_per_reading(0) == 1.0
    assert set(np.round(found.delays_s[0], 9)) == {0.1}
    assert found.loads["c"] == pytest.approx(96 * 0.1 / DAY_S)
    assert found.sending_ms == {"a": 9600.0, "g": 0.0}


def test_a_dead_link_gives_up_after_its_tries_by_fading() -> None:
    found = run(hop("a", "g", 900.0, 0.0))
    assert found.day_arrived == (0,)
    assert found.hops[0].frames == 3 * 96
    assert found.hops[0].given_up == {FADING: 96, COLLISION: 0, DEAF: 0}


def test_without_acknowledgement_all_tries_go_out() -> None:
    found = run(hop("a", "g", 900.0, acknowledged=False, tries=4))
    assert found.hops[0].frames == 4 * 96
    assert found.hops[0].delivered == 96


@pytest.mark.parametrize("success", [0.5, 0.8])
def test_repeats_for_fading_meet_the_geometric_series(success: float) -> None:
    found = run(hop("a", "g", 20.0, success), days=5)
    assert found.frames_per_reading(0) == pytest.approx(1 + (1 - success) + (1 - success) ** 2, rel=0.02)
    assert found.delivered(0) == pytest.approx(1 - (1 - success) ** 3, abs=0.01)


def test_the_slow_state_of_a_link_lasts_a_day_and_is_one_for_both_ways() -> None:
    states = np.array([1.0, 0.0])
    found = run(replace(hop("a", "g", 900.0), frame_success=states, answer_success=states), days=40)
    assert set(found.day_arrived) == {0, 96}, "a day is good or bad as a whole"
    good = sum(each == 96 for each in found.day_arrived)
    assert good == 20, "states are drawn evenly over the days"
    assert found.hops[0].frames == good * 96 + (40 - good) * 3 * 96, "answers are heard on the good days"


def test_a_receiver_that_sends_is_deaf() -> None:
    # the relay forwards each reading of b for 2 s; a frame of a in that time is lost because the relay sends
    way = [
        hop("b", "r", 10.0, channel="x"),
        hop("r", "g", 10.0, frame_ms=2000.0, after=0),
        hop("a", "r", 7.3, frame_ms=10.0, tries=1),
    ]
    found = run(*way)
    assert found.hops[2].failed[DEAF] > 0
    assert found.hops[2].failed[COLLISION] == found.hops[2].failed[FADING] == 0
    assert found.hops[2].failed[DEAF] == found.hops[1].failed[COLLISION], "each overlap spoils the frame of both"
    first, all_of_them = (2.01 * frames / DAY_S for frames in (found.hops[1].readings, found.hops[1].frames))
    assert first < found.hops[2].failed[DEAF] / found.hops[2].readings < all_of_them, "repeats keep clear of the same interval"


@pytest.mark.parametrize(
    ("senders", "interval_s", "success", "answer_success", "tries"),
    [(20, 200.0, 0.9, 0.95, 3), (20, 60.0, 0.8, 0.9, 3), (10, 60.0, 0.6, 0.8, 5), (30, 60.0, 0.95, 0.95, 3)],
)
def test_a_star_meets_the_load_at_which_repeats_and_collisions_agree(
    senders: int, interval_s: float, success: float, answer_success: float, tries: int
) -> None:
    more = {"answer_ms": 50.0, "answer_success": np.array([answer_success]), "tries": tries}
    star = [hop(f"s{number:02d}", "g", interval_s, success, **more) for number in range(senders)]
    settled, found = settle(star), run(*star, days=3)
    frames = np.mean([found.frames_per_reading(row) for row in range(senders)])
    delivered = np.mean([found.delivered(row) for row in range(senders)])
    assert frames == pytest.approx(settled.frames[0], rel=0.03)
    assert delivered == pytest.approx(settled.delivered[0], abs=0.01)
    assert found.loads["c"] == pytest.approx(settled.loads["c"], rel=0.03)


def test_a_tree_with_a_relay_meets_it_too() -> None:
    more = {"answer_ms": 50.0, "answer_success": np.array([0.95])}
    hops: list[HopTraffic] = []
    for number in range(10):
        hops.append(hop(f"s{number}", "r", 60.0, 0.8, **more))
        hops.append(hop("r", "g", 60.0, 0.9, after=len(hops) - 1, **more))
    settled, found = settle(hops), run(*hops, days=4)
    for position in (0, 1):
        rows = range(position, 20, 2)
        frames = np.mean([found.frames_per_reading(row) for row in rows])
        delivered = np.mean([found.delivered(row) for row in rows])
        assert frames == pytest.approx(float(settled.frames[position]), rel=0.04)
        assert delivered == pytest.approx(float(settled.delivered[position]), abs=0.012)
    arrived = sum(found.day_arrived) / sum(found.day_readings)
    assert arrived == pytest.approx(float(settled.arriving[1] * settled.delivered[1]), abs=0.015)


def test_the_same_seed_gives_the_same_days_and_another_seed_others() -> None:
    star = [hop(f"s{number}", "g", 60.0, 0.7) for number in range(5)]
    assert run(*star, days=3).delays_s == run(*star, days=3).delays_s
    assert run(*star, days=3).delays_s != run(*star, days=3, seed=2).delays_s


def slotted(senders: int, length_s: float, **more: float) -> Slots:
    return Slots(60.0, {row: 1.0 + row * length_s for row in range(senders)}, 53.0, 60.0, **more)


def test_slots_of_their_own_keep_all_apart_where_random_starts_collide() -> None:
    star = [hop(f"s{number:02d}", "g", 60.0, frame_ms=371.0) for number in range(20)]
    random, slots = run(*star), run(*star, slots=slotted(20, 0.5, clock_error_ppm=60.0, jitter_s=0.005, lead_s=0.05))
    assert sum(each.failed[COLLISION] for each in slots.hops) == 0
    lost = sum(each.failed[COLLISION] for each in random.hops) / sum(each.frames for each in random.hops)
    assert lost > 0.211, "radio facts 2, 5.1: what single frames lose; repeats add to the load, and those that met meet again"
    assert slots.day_arrived == slots.day_readings


def test_one_frame_each_at_random_meets_the_published_share() -> None:
    # radio facts 2, 5.1: 1 − (1 − 2T/P)^(N−1) = 21.1 % for N 20, T 371 ms, P 60 s
    star = [hop(f"s{number:02d}", "g", 60.0, frame_ms=371.0, acknowledged=False, tries=1) for number in range(20)]
    found = run(*star, days=4)
    lost = sum(each.failed[COLLISION] for each in found.hops) / sum(each.frames for each in found.hops)
    assert lost == pytest.approx(1 - (1 - 2 * 0.371 / 60) ** 19, abs=0.01)


def test_slots_too_narrow_for_the_clocks_collide() -> None:
    star = [hop(f"s{number:02d}", "g", 3600.0, frame_ms=371.0) for number in range(20)]
    narrow = run(*star, days=3, slots=slotted(20, 0.38, clock_error_ppm=200.0, jitter_s=0.005, lead_s=1.0))
    wide = run(*star, days=3, slots=slotted(20, 2.5, clock_error_ppm=200.0, jitter_s=0.005, lead_s=1.0))
    assert sum(each.failed[COLLISION] for each in narrow.hops) > 0
    assert sum(each.failed[COLLISION] for each in wide.hops) == 0


def test_a_lost_slot_is_tried_again_in_the_open_part() -> None:
    found = run(hop("a", "g", 600.0, 0.5), days=4, slots=Slots(60.0, {0: 1.0}, 50.0, 60.0))
    on_time = [delay for delay in found.delays_s[0] if delay < 1.0]
    late = [delay for delay in found.delays_s[0] if delay >= 1.0]
    assert {round(delay, 6) for delay in on_time} == {0.1}
    assert len(late) / len(found.delays_s[0]) == pytest.approx(0.375 / 0.875, abs=0.06)
    assert all(49.0 < delay % 60.0 <= 59.0 for delay in late)


def test_slots_that_are_used_every_frame_leave_room_for_what_was_lost() -> None:
    # the alarm night: the interval is the frame, half of all frames fade, and yet nothing piles up
    found = run(hop("a", "r", 60.0, 0.5), hop("r", "g", 60.0, 0.5, after=0), slots=Slots(60.0, {0: 1.0, 1: 2.0}, 50.0, 60.0))
    assert found.delivered(0) == pytest.approx(0.875, abs=0.03)
    assert found.delivered(1) == pytest.approx(0.875, abs=0.03)
    assert max(found.delays_s[1]) < 4 * 60.0


def test_what_has_no_slot_can_keep_to_the_open_part() -> None:
    star = [hop("s", "g", 60.0, frame_ms=40_000.0), hop("g", "s", 300.0, frame_ms=5000.0, tries=1)]
    free = run(*star, slots=Slots(60.0, {0: 1.0}, 45.0, 60.0))
    kept = run(*star, slots=Slots(60.0, {0: 1.0}, 45.0, 60.0, open_rows=frozenset({1})))
    assert sum(each.failed[COLLISION] + each.failed[DEAF] for each in free.hops) > 100
    assert sum(each.failed[COLLISION] + each.failed[DEAF] for each in kept.hops) == 0
