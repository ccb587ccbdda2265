"""Node cuts: for each sensor the lightest set of copies that every route to a gateway must meet.

Maximum flow on the copies that the current point opens at all, nodes split in two, finds where the flow is held up. The cut is
then read off on the whole graph for 64 sensors at once (one bit each), and thinned to members that really touch both sides.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.compiled_flow import held_up_flow
from meshplan.planning.layers import CopyGraph, or_over

CAPACITY_UNIT = 10**9
"""Flow is counted in whole billionths of an opened node, so that cuts do not depend on rounding."""

TOLERANCE = 10**6 // 10
"""A cut counts as met when less than a ten-thousandth of an opened node is missing, as the linear solver rounds too."""


@dataclass(frozen=True, eq=False)
class Cut:
    """A set of copies, ascending, that every route of a sensor meets; `need` of them (by weight) must be opened."""

    sensor: int
    need: int
    copies: NDArray[np.int32]
    without: int = -1


def find_cuts(
    graph: CopyGraph,
    opened: NDArray[np.float64],
    sensors: NDArray[np.int32],
    need: NDArray[np.int64],
    *,
    allowed: NDArray[np.bool_] | None = None,
    both_sides: bool = True,
    without: int = -1,
) -> list[Cut]:
    """Return cuts of the given sensors that `opened` does not meet; none for a sensor whose flow reaches its need.

    Parameters
    ----------
    opened : ndarray, shape (n_copies,)
        How far each copy is opened, times its weight in the cut (a gateway that cannot fail counts twice).
    sensors, need : ndarray, shape (n,)
        Sensors to look at, and how much of a cut each needs opened.
    allowed : ndarray of bool, shape (n, n_copies), optional
        Copies that a sensor may use at all; others never enter its cuts.
    both_sides : bool
        Also return the cut nearest to the gateways where it differs from the one nearest to the sensor.
    without : int
        Node that has failed; its copies are not used.
    """
    if sensors.size == 0 or graph.size == 0:
        return []
    if without >= 0:
        stays = graph.node != without
        allowed = np.broadcast_to(stays, (sensors.size, graph.size)) if allowed is None else allowed & stays
    support = np.flatnonzero(opened * CAPACITY_UNIT >= 1)
    passed, beyond, short = _held_up(graph, opened, support, sensors, need, allowed)
    if not short.size:
        return []
    bits = _Bits(short.size)
    usable = np.full((graph.size, bits.n_words), ~np.uint64(0)) if allowed is None else bits.pack(allowed[short])
    heard = bits.pack_rows([graph.access[sensor] for sensor in sensors[short]], graph.size)
    passed_bits, beyond_bits = bits.zeros(graph.size), bits.zeros(graph.size)
    passed_bits[support], beyond_bits[support] = bits.pack(passed), bits.pack(beyond)
    near = (or_over(graph.up, passed_bits) | heard) & ~passed_bits & usable
    near &= _leads_out(graph, near, usable)
    groups = [bits.rows(near)]
    if both_sides:
        far = or_over(graph.down, beyond_bits)
        far[graph.is_exit] = ~np.uint64(0)
        far &= ~beyond_bits & usable
        far &= _is_entered(graph, far, usable, heard)
        groups.append(bits.rows(far))
    cuts = []
    for index, which in enumerate(short):
        for number, rows in enumerate(groups):
            if number and np.array_equal(rows[index], groups[0][index]):
                continue
            cuts.append(Cut(int(sensors[which]), int(need[which]), rows[index], without))
    return cuts


def _held_up(
    graph: CopyGraph,
    opened: NDArray[np.float64],
    support: NDArray[np.int64],
    sensors: NDArray[np.int32],
    need: NDArray[np.int64],
    allowed: NDArray[np.bool_] | None,
) -> tuple[NDArray[np.uint8], NDArray[np.uint8], NDArray[np.int64]]:
    """Return passed and beyond, shape (n_short, n_support), and which of `sensors` are short of their need."""
    n = support.size
    number = np.full(graph.size, -1, dtype=np.int32)
    number[support] = np.arange(n)
    copies = np.arange(n, dtype=np.int32)
    counts = graph.down.ptr[support + 1] - graph.down.ptr[support]
    base = np.repeat(graph.down.ptr[support] - np.concatenate(([0], np.cumsum(counts)[:-1])), counts) if n else counts
    end = number[graph.down.to[base + np.arange(counts.sum())]]
    start = np.repeat(copies, counts)[end >= 0]
    end = end[end >= 0]
    arcs = 2 * n + 2 * np.arange(start.size, dtype=np.int64)
    tail = np.concatenate([2 * copies, 2 * copies + 1, 2 * start + 1, 2 * end])
    head = np.concatenate([2 * copies + 1, 2 * copies, 2 * end, 2 * start + 1])
    edge = np.concatenate([2 * copies.astype(np.int64), 2 * copies.astype(np.int64) + 1, arcs, arcs + 1])
    order = np.argsort(tail, kind="stable")
    ptr = np.zeros(2 * n + 1, dtype=np.int64)
    np.cumsum(np.bincount(tail, minlength=2 * n), out=ptr[1:])
    capacity = np.zeros(2 * n + 2 * start.size, dtype=np.int64)
    capacity[0 : 2 * n : 2] = np.floor(opened[support] * CAPACITY_UNIT)
    capacity[2 * n :: 2] = 2**60
    sources = [number[graph.access[sensor]] for sensor in sensors]
    sources = [row[row >= 0] for row in sources]
    sources_ptr = np.zeros(sensors.size + 1, dtype=np.int64)
    np.cumsum([row.size for row in sources], out=sources_ptr[1:])
    may = np.ones((sensors.size, n), dtype=np.uint8) if allowed is None else allowed[:, support].astype(np.uint8)
    wanted = need.astype(np.int64) * CAPACITY_UNIT - TOLERANCE
    flows, passed, beyond = held_up_flow(graph.down.to.size)(
        sources_ptr,
        np.concatenate(sources).astype(np.int32),
        wanted,
        ptr,
        head[order].astype(np.int32),
        edge[order],
        n,
        capacity,
        graph.is_exit[support],
        may,
    )
    short = np.flatnonzero(flows < wanted)
    return passed[short], beyond[short], short


def _leads_out(graph: CopyGraph, cut: NDArray[np.uint64], usable: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """Return which copies reach a gateway without crossing the cut again."""
    result = np.zeros_like(cut)
    result[graph.is_exit] = ~np.uint64(0)
    free = usable & ~cut
    if graph.layered:
        for rows in graph.level_rows[1:]:
            result[rows] = or_over(graph.down, result & free, rows)
        return result
    while True:
        grown = result | or_over(graph.down, result & free)
        if np.array_equal(grown, result):
            return result
        result = grown


def _is_entered(
    graph: CopyGraph, cut: NDArray[np.uint64], usable: NDArray[np.uint64], heard: NDArray[np.uint64]
) -> NDArray[np.uint64]:
    """Return which copies the sensor reaches without crossing the cut before."""
    result = heard.copy()
    free = usable & ~cut
    if graph.layered:
        for rows in graph.level_rows[-2::-1]:
            result[rows] |= or_over(graph.up, result & free, rows)
        return result
    while True:
        grown = result | or_over(graph.up, result & free)
        if np.array_equal(grown, result):
            return result
        result = grown


class _Bits:
    """Sets of copies for many sensors, one bit per sensor: words of shape (n_copies, n_words)."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.n_words = -(-count // 64)

    def zeros(self, n_rows: int) -> NDArray[np.uint64]:
        return np.zeros((n_rows, self.n_words), dtype=np.uint64)

    def pack(self, members: NDArray[np.bool_] | NDArray[np.uint8]) -> NDArray[np.uint64]:
        """Return the words of members, shape (count, n_copies)."""
        padded = np.zeros((members.shape[1], self.n_words * 64), dtype=np.uint8)
        padded[:, : self.count] = members.T
        return np.ascontiguousarray(np.packbits(padded, axis=1, bitorder="little")).view(np.uint64)

    def pack_rows(self, rows: list[NDArray[np.int32]], n_rows: int) -> NDArray[np.uint64]:
        """Return the words of one list of copies per sensor."""
        words = self.zeros(n_rows)
        for index, row in enumerate(rows):
            words[row, index // 64] |= np.uint64(1) << np.uint64(index % 64)
        return words

    def rows(self, words: NDArray[np.uint64]) -> list[NDArray[np.int32]]:
        """Return the list of copies, ascending, of each sensor."""
        named = np.flatnonzero(words.any(axis=1))
        bits = np.unpackbits(np.ascontiguousarray(words[named]).view(np.uint8), axis=1, bitorder="little")[:, : self.count]
        sensor, copy = np.nonzero(bits.T)
        copy = named[copy]
        ends = np.cumsum(np.bincount(sensor, minlength=self.count))
        return [part.astype(np.int32) for part in np.split(copy, ends[:-1])]
