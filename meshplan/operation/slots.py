"""Slots: when each transfer of a network is on the air, so that none meets another; the least time they take, and a bound on it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from meshplan.planning.solver import BinaryModel, solve_binary

EXACT_UP_TO: Final = 14
"""Transfers up to which the solver is asked where the first schedule is not proven to be the shortest (own choice)."""

MOST_NODES: Final = 4000
"""Nodes of its search tree after which it stops: a count, so that the machine's load decides nothing (own choice)."""

THOROUGH_UP_TO: Final = 80
"""Transfers up to which cliques are grown from each of them, by the time that stays common; beyond, from so many of the heaviest,
by the time that each conflicts with (own choice)."""

Conflicts = NDArray[np.bool_]


@dataclass(frozen=True)
class Transfer:
    """One hop of one sensor's reading, with its acknowledgement."""

    sender: str
    receivers: tuple[str, ...]
    """Those that may take it: the next device of the first route, and of the second where it is another."""
    channel: str
    length_ms: int
    """Frame, acknowledgement and a guard time on each side."""
    after: int | None = None
    """Index of the transfer that brings the reading here; None for the sensor itself."""
    answered: bool = True
    """Whether receivers send an acknowledgement."""


@dataclass(frozen=True, eq=False)
class Schedule:
    """When each transfer starts, and how good that is."""

    start_ms: tuple[int, ...]
    makespan_ms: int
    """From the first start to the last end."""
    bound_ms: int
    """No schedule is shorter."""
    method: str
    """"greedy" or "exact"."""

    @property
    def optimal(self) -> bool:
        """Whether it is proven that none is shorter."""
        return self.makespan_ms <= self.bound_ms


def guard_ms(clock_error_ppm: float, since_set_s: float, jitter_ms: float) -> float:
    """Return the guard time on each side of a slot.

    Parameters
    ----------
    clock_error_ppm : float
        Most by which one clock is wrong; both ends may be, in opposite directions.
    since_set_s : float
        Longest time since the sender's clock was set by an acknowledgement.
    jitter_ms : float

    Notes
    -----
    Source
        Derivation: two clocks of ±e drift apart by 2·e·t; besides, a start is late or early by the jitter of the program.
    """
    return 2.0 * clock_error_ppm * 1e-3 * since_set_s + jitter_ms


def conflicts_of(transfers: Sequence[Transfer], heard: Callable[[str, str], bool]) -> Conflicts:
    """Return which transfers must not overlap.

    Parameters
    ----------
    transfers : sequence of Transfer
    heard : callable
        `heard(receiver, sender)`: whether a sender disturbs at a receiver; True where nobody knows.

    Notes
    -----
    Source
        Derivation. Two transfers conflict if they share a device, which hears or sends one thing at a time (half-duplex), or, on
        one channel, if whoever sends in one is heard by whoever listens in the other. Senders that do not hear each other but
        reach one receiver (hidden neighbours) conflict by that.
    """
    size = len(transfers)
    found = np.zeros((size, size), dtype=bool)
    for i, one in enumerate(transfers):
        for j in range(i):
            found[i, j] = found[j, i] = _meet(one, transfers[j], heard)
    return found


def _meet(one: Transfer, other: Transfer, heard: Callable[[str, str], bool]) -> bool:
    if {one.sender, *one.receivers} & {other.sender, *other.receivers}:
        return True
    if one.channel != other.channel:
        return False
    for first, second in ((one, other), (other, one)):
        listen = (*first.receivers, *((first.sender,) if first.answered else ()))
        speak = (second.sender, *(second.receivers if second.answered else ()))
        if any(heard(receiver, sender) for receiver in listen for sender in speak):
            return True
    return False


def hidden_pairs(transfers: Sequence[Transfer], heard: Callable[[str, str], bool]) -> int:
    """Return how many pairs of senders do not hear each other and yet reach one receiver on one channel."""
    found = set()
    for i, one in enumerate(transfers):
        for other in transfers[:i]:
            a, b = sorted((one.sender, other.sender))
            if a == b or one.channel != other.channel or heard(a, b) or heard(b, a):
                continue
            if any(heard(receiver, other.sender) for receiver in one.receivers) or any(
                heard(receiver, one.sender) for receiver in other.receivers
            ):
                found.add((a, b))
    return len(found)


def make_schedule(transfers: Sequence[Transfer], conflicts: Conflicts) -> Schedule:
    """Return a short schedule: transfers that conflict do not overlap, and a reading reaches a device before it is sent on.

    Notes
    -----
    Source
        Interval colouring of the conflict graph with precedence along each way: each transfer in turn at the first moment that is
        free for it, in the best of several orders (longest way still to go first, most conflicting time first). The bound is the
        most time of transfers of which any two conflict (a clique, found greedily from each transfer), or of one way, or the
        longest with what must come before and after its members. Where that does not prove the schedule, up to `EXACT_UP_TO`
        transfers are put in order by the solver: one binary variable for each pair that conflicts and has no order yet.
    """
    size = len(transfers)
    if not size:
        return Schedule((), 0, 0, "greedy")
    lengths = np.array([each.length_ms for each in transfers], dtype=np.int64)
    tail = _tails(transfers)
    weight = np.array([lengths[i] + lengths[conflicts[i]].sum() for i in range(size)])
    heads = np.array([_head(transfers, i) for i in range(size)])
    orders = (
        sorted(range(size), key=lambda i: (heads[i], -tail[i], -weight[i], i)),
        sorted(range(size), key=lambda i: (-tail[i], -weight[i], i)),
        sorted(range(size), key=lambda i: (-weight[i], -tail[i], i)),
        sorted(range(size), key=lambda i: (-lengths[i], i)),
        list(range(size)),
    )
    best = min(
        (serial_schedule(transfers, conflicts, order) for order in orders), key=lambda starts: (_end(starts, lengths), starts)
    )
    bound = max(_clique_bound(lengths, conflicts, heads, tail), int((heads + tail).max()))
    makespan = _end(best, lengths)
    if makespan <= bound or size > EXACT_UP_TO:
        return Schedule(best, makespan, bound, "greedy")
    return _exact(transfers, conflicts, best, bound)


def serial_schedule(transfers: Sequence[Transfer], conflicts: Conflicts, order: Sequence[int]) -> tuple[int, ...]:
    """Return starts when each transfer in turn takes the first moment that is free; what must come before is put in first."""
    starts: dict[int, int] = {}

    def place(i: int) -> None:
        if i in starts:
            return
        before = transfers[i].after
        earliest = 0
        if before is not None:
            place(before)
            earliest = starts[before] + transfers[before].length_ms
        busy = sorted((starts[j], starts[j] + transfers[j].length_ms) for j in starts if conflicts[i, j])
        for begin, end in busy:
            if begin >= earliest + transfers[i].length_ms:
                break
            earliest = max(earliest, end)
        starts[i] = earliest

    for i in order:
        place(i)
    return tuple(starts[i] for i in range(len(transfers)))


def is_valid(transfers: Sequence[Transfer], conflicts: Conflicts, starts: Sequence[int]) -> bool:
    """Return whether a schedule keeps conflicting transfers apart and readings in order."""
    ends = [start + each.length_ms for start, each in zip(starts, transfers, strict=True)]
    for i, each in enumerate(transfers):
        if starts[i] < 0 or (each.after is not None and starts[i] < ends[each.after]):
            return False
        if any(conflicts[i, j] and starts[i] < ends[j] and starts[j] < ends[i] for j in range(i)):
            return False
    return True


def _end(starts: Sequence[int], lengths: NDArray[np.int64]) -> int:
    return int(max(start + length for start, length in zip(starts, lengths, strict=True)))


def _head(transfers: Sequence[Transfer], i: int) -> int:
    """Return the time of what must come before a transfer."""
    before = transfers[i].after
    return 0 if before is None else _head(transfers, before) + transfers[before].length_ms


def _tails(transfers: Sequence[Transfer]) -> NDArray[np.int64]:
    """Return the time of each transfer and of the longest way that comes after it."""
    tail = np.array([each.length_ms for each in transfers], dtype=np.int64)
    depth = np.array([_head(transfers, i) for i in range(len(transfers))])
    for i in np.argsort(-depth, kind="stable"):
        before = transfers[i].after
        if before is not None:
            tail[before] = max(tail[before], transfers[before].length_ms + tail[i])
    return tail


def _clique_bound(lengths: NDArray[np.int64], conflicts: Conflicts, heads: NDArray[np.int64], tail: NDArray[np.int64]) -> int:
    """Return the most time that transfers of one clique take, with the least of what must come before and after all of them."""
    best = 0
    after = tail - lengths
    size = lengths.size
    weight = lengths + conflicts @ lengths
    seeds = np.arange(size) if size <= THOROUGH_UP_TO else np.argsort(-weight, kind="stable")[:THOROUGH_UP_TO]
    for seed in seeds:
        clique, free = [int(seed)], conflicts[seed].copy()
        while free.any():
            choices = np.flatnonzero(free)
            common = conflicts[np.ix_(choices, choices)] @ lengths[choices] if size <= THOROUGH_UP_TO else weight[choices]
            chosen = int(choices[int(np.argmax(lengths[choices] + common))])
            clique.append(chosen)
            free &= conflicts[chosen]
        members = np.array(clique)
        best = max(best, int(heads[members].min() + lengths[members].sum() + after[members].min()))
    return best


def _exact(transfers: Sequence[Transfer], conflicts: Conflicts, best: tuple[int, ...], bound: int) -> Schedule:
    """Return the shortest schedule by the solver, or the known one with a better bound."""
    size = len(transfers)
    lengths = np.array([each.length_ms for each in transfers], dtype=np.int64)
    ancestors = [_ancestors(transfers, i) for i in range(size)]
    pairs = [(i, j) for i in range(size) for j in range(i) if conflicts[i, j] and j not in ancestors[i] and i not in ancestors[j]]
    known = _end(best, lengths)
    n, big = len(pairs), float(known)
    rows: list[dict[int, float]] = []
    lower: list[float] = []

    def at_least(coefficients: dict[int, float], value: float) -> None:
        rows.append(coefficients)
        lower.append(value)

    end = n + size
    for i, each in enumerate(transfers):
        at_least({end: 1.0, n + i: -1.0}, float(each.length_ms))
        if each.after is not None:
            at_least({n + i: 1.0, n + each.after: -1.0}, float(transfers[each.after].length_ms))
    for number, (i, j) in enumerate(pairs):  # x = 1: i before j
        at_least({n + j: 1.0, n + i: -1.0, number: -big}, float(lengths[i]) - big)
        at_least({n + i: 1.0, n + j: -1.0, number: big}, float(lengths[j]))
    at_least({end: 1.0}, float(bound))
    at_least({end: -1.0}, -float(known))
    matrix = sparse.lil_matrix((len(rows), n + size + 1))
    for number, coefficients in enumerate(rows):
        for column, value in coefficients.items():
            matrix[number, column] = value
    cost = np.zeros(size + 1)
    cost[-1] = 1.0
    answer = solve_binary(
        BinaryModel(np.zeros(n, dtype=np.int64), matrix.tocsr(), np.array(lower), size + 1, cost), seed=0, max_nodes=MOST_NODES
    )
    better = int(np.ceil(min(answer.bound, float(known)) - 0.01)) if np.isfinite(answer.bound) else bound
    bound = max(bound, min(better, known))
    if answer.x is None:
        return Schedule(best, known, bound, "exact")
    starts = _in_order(transfers, pairs, answer.x)
    if starts is None or not is_valid(transfers, conflicts, starts) or _end(starts, lengths) >= known:
        starts = best
    makespan = _end(starts, lengths)
    return Schedule(starts, makespan, min(bound, makespan), "exact")


def _ancestors(transfers: Sequence[Transfer], i: int) -> set[int]:
    found: set[int] = set()
    before = transfers[i].after
    while before is not None:
        found.add(before)
        before = transfers[before].after
    return found


def _in_order(transfers: Sequence[Transfer], pairs: Sequence[tuple[int, int]], first: NDArray[np.bool_]) -> tuple[int, ...] | None:
    """Return the earliest starts that keep the order of each pair; None if the order turns in a circle."""
    size = len(transfers)
    after: list[list[int]] = [[] for _ in range(size)]
    for i, each in enumerate(transfers):
        if each.after is not None:
            after[i].append(each.after)
    for (i, j), i_first in zip(pairs, first, strict=True):
        (after[j] if i_first else after[i]).append(i if i_first else j)
    starts = [0] * size
    for _ in range(size + 1):
        following = [max((starts[j] + transfers[j].length_ms for j in after[i]), default=0) for i in range(size)]
        if following == starts:
            return tuple(starts)
        starts = following
    return None
