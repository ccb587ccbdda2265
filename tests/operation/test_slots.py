"""Slots against brute force on small networks, known colourings, and rules that every schedule keeps."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.operation.slots import (
    Conflicts,
    Transfer,
    conflicts_of,
    guard_ms,
    hidden_pairs,
    is_valid,
    make_schedule,
    serial_schedule,
)


def job(name: str, length_ms: int = 1, after: int | None = None) -> Transfer:
    return Transfer(name, (f"to {name}",), "c", length_ms, after)


def graph(size: int, edges: list[tuple[int, int]]) -> Conflicts:
    found = np.zeros((size, size), dtype=bool)
    for i, j in edges:
        found[i, j] = found[j, i] = True
    return found


def brute_force(transfers: list[Transfer], conflicts: Conflicts) -> int:
    """Return the least makespan: some order of taking the first free moment gives it."""
    best = 10**9
    for order in permutations(range(len(transfers))):
        starts = serial_schedule(transfers, conflicts, order)
        best = min(best, max(start + each.length_ms for start, each in zip(starts, transfers, strict=True)))
    return best


@st.composite
def small_networks(draw: st.DrawFn) -> tuple[list[Transfer], Conflicts]:
    size = draw(st.integers(1, 6))
    transfers = []
    for number in range(size):
        after = draw(st.one_of(st.none(), st.integers(0, number - 1))) if number else None
        transfers.append(job(str(number), draw(st.integers(1, 5)), after))
    edges = [(i, j) for i in range(size) for j in range(i) if draw(st.booleans())]
    edges += [(i, each.after) for i, each in enumerate(transfers) if each.after is not None]
    return transfers, graph(size, edges)


@settings(max_examples=40, deadline=None)
@given(small_networks())
def test_small_networks_get_the_shortest_schedule_and_the_proof(network: tuple[list[Transfer], Conflicts]) -> None:
    transfers, conflicts = network
    found = make_schedule(transfers, conflicts)
    assert is_valid(transfers, conflicts, found.start_ms)
    assert found.makespan_ms == brute_force(transfers, conflicts)
    assert found.optimal


@pytest.mark.parametrize(
    ("size", "edges", "colours"),
    [
        # chromatic numbers: complete graph 5, odd cycle 3 (its largest clique is 2), even cycle 2, wheel on an odd cycle 4
        (5, [(i, j) for i in range(5) for j in range(i)], 5),
        (5, [(i, (i + 1) % 5) for i in range(5)], 3),
        (7, [(i, (i + 1) % 7) for i in range(7)], 3),
        (6, [(i, (i + 1) % 6) for i in range(6)], 2),
        (6, [(i, (i + 1) % 5) for i in range(5)] + [(5, i) for i in range(5)], 4),
        # the Petersen graph: 3
        (
            10,
            [(i, (i + 1) % 5) for i in range(5)] + [(i, i + 5) for i in range(5)] + [(5 + i, 5 + (i + 2) % 5) for i in range(5)],
            3,
        ),
    ],
)
def test_equal_slots_are_a_colouring(size: int, edges: list[tuple[int, int]], colours: int) -> None:
    found = make_schedule([job(str(number)) for number in range(size)], graph(size, edges))
    assert found.makespan_ms == colours
    assert found.optimal, "proven, by the solver where no clique shows it"


def test_what_the_solver_cannot_prove_in_its_time_is_not_called_proven() -> None:
    # the Groetzsch graph has no triangle and needs 4 colours: the proof takes more than the nodes that are allowed
    ring = [(i, (i + 1) % 5) for i in range(5)]
    spokes = [(5 + i, (i + step) % 5) for i in range(5) for step in (1, -1)]
    found = make_schedule([job(str(number)) for number in range(11)], graph(11, ring + spokes + [(10, 5 + i) for i in range(5)]))
    assert (found.makespan_ms, found.bound_ms, found.method) == (4, 3, "exact")
    assert not found.optimal


@settings(max_examples=30, deadline=None)
@given(st.integers(15, 40), st.integers(0, 2**32 - 1))
def test_larger_networks_keep_the_rules_and_their_bound(size: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    transfers = []
    for number in range(size):
        after = int(random.integers(number)) if number and random.random() < 0.4 else None
        transfers.append(job(str(number), int(random.integers(100, 900)), after))
    conflicts = np.triu(random.random((size, size)) < 0.5, 1)
    found = make_schedule(transfers, conflicts | conflicts.T)
    assert is_valid(transfers, conflicts | conflicts.T, found.start_ms)
    assert found.bound_ms <= found.makespan_ms
    assert found.method == "greedy"


def test_where_all_hear_all_the_sum_is_the_least_and_that_is_proven() -> None:
    lengths = [100 + 7 * number for number in range(30)]
    found = make_schedule([job(str(number), length) for number, length in enumerate(lengths)], ~np.eye(30, dtype=bool))
    assert found.makespan_ms == found.bound_ms == sum(lengths)


def never(_receiver: str, _sender: str) -> bool:
    return False


def test_half_duplex_and_hidden_neighbours_conflict_and_those_out_of_reach_do_not() -> None:
    a, b, far = Transfer("a", ("r",), "c", 1), Transfer("b", ("r",), "c", 1), Transfer("x", ("y",), "c", 1)
    onward = Transfer("r", ("g",), "c", 1, after=0)
    reach = {("r", "a"), ("r", "b"), ("g", "r"), ("r", "g"), ("a", "r"), ("b", "r")}

    def heard(receiver: str, sender: str) -> bool:
        return (receiver, sender) in reach

    found = conflicts_of([a, b, onward, far], heard)
    assert found[0, 1], "one receiver takes one at a time, though a and b do not hear each other"
    assert found[1, 2], "a relay that sends does not hear"
    assert not found[:, 3].any()
    assert hidden_pairs([a, b, onward, far], heard) == 1
    reach.add(("r", "x"))
    assert conflicts_of([a, b, onward, far], heard)[3, 0], "x disturbs where a is to be heard"


def test_other_channels_meet_only_in_a_device_that_they_share() -> None:
    a, b = Transfer("a", ("r",), "c", 1), Transfer("b", ("s",), "d", 1)
    assert not conflicts_of([a, b], lambda _receiver, _sender: True)[0, 1]
    assert conflicts_of([a, Transfer("r", ("g",), "d", 1)], never)[0, 1]


def test_an_acknowledgement_is_a_transmission_too() -> None:
    # r's acknowledgement is heard at s, which listens to b; without acknowledgements nothing meets
    a, b = Transfer("a", ("r",), "c", 1), Transfer("b", ("s",), "c", 1)
    blind = Transfer("a", ("r",), "c", 1, answered=False)

    def heard(receiver: str, sender: str) -> bool:
        return (receiver, sender) == ("s", "r")

    assert conflicts_of([a, b], heard)[0, 1]
    assert not conflicts_of([blind, b], heard)[0, 1]


def test_guard_times_are_those_of_the_published_drift() -> None:
    # radio facts 2, 5.1: 40 ppm between the two, 1 h 144 ms, 24 h 3.46 s
    assert guard_ms(20.0, 3600.0, 0.0) == pytest.approx(144.0)
    assert guard_ms(20.0, 86_400.0, 0.0) == pytest.approx(3456.0)
    assert guard_ms(0.0, 3600.0, 5.0) == 5.0
