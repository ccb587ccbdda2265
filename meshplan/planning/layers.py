"""Copies of nodes by level: the hop limit becomes the shape of a graph.

In an opened set every relay has one level, its number of links to the nearest opened gateway. So one copy of each relay per level
1 … H-1 is enough, with links only from a level to the one below; every walk down this graph keeps the hop limit by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.compiled import WORTH_COMPILING
from meshplan.planning.compiled_flow import or_of_rows
from meshplan.planning.problem import Links, PlacementProblem

IntArray = NDArray[np.int32]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Adjacency:
    """Neighbours of each row: those of row i are `to[ptr[i]:ptr[i + 1]]`; `arc` keeps the position in the list it was made from."""

    ptr: NDArray[np.int64]
    to: IntArray
    arc: NDArray[np.int64]

    @classmethod
    def of(cls, start: NDArray[np.integer], end: NDArray[np.integer], n_rows: int) -> Adjacency:
        """Return the adjacency of the arcs start → end, neighbours in ascending order."""
        order = np.lexsort((end, start))
        ptr = np.zeros(n_rows + 1, dtype=np.int64)
        np.cumsum(np.bincount(start, minlength=n_rows), out=ptr[1:])
        return cls(ptr, end[order].astype(np.int32), order.astype(np.int64))

    def __getitem__(self, row: int) -> IntArray:
        return self.to[self.ptr[row] : self.ptr[row + 1]]

    @cached_property
    def start(self) -> IntArray:
        """Return the row of each arc."""
        return np.repeat(np.arange(self.ptr.size - 1, dtype=np.int32), np.diff(self.ptr))

    def reversed(self, n_rows: int) -> Adjacency:
        """Return the adjacency of the same arcs turned round; `arc` then counts arcs of this one."""
        return Adjacency.of(self.to, self.start, n_rows)


@dataclass(frozen=True, eq=False)
class CopyGraph:
    """The layered graph.

    Parameters
    ----------
    node, level : ndarray, shape (n_copies,)
        Base node and level of each copy, sorted by level, then node. Without a hop limit there is one copy per node and the levels
        only tell gateways (0) from relays (1).
    access : Adjacency
        Sensor to copies.
    down : Adjacency
        Copy to the copies one level below (any copy when there is no hop limit).
    layered : bool
        False when there is no hop limit.
    """

    node: IntArray
    level: IntArray
    access: Adjacency
    down: Adjacency
    layered: bool

    @property
    def size(self) -> int:
        """Return the number of copies."""
        return int(self.node.size)

    @cached_property
    def up(self) -> Adjacency:
        """Return, for each copy, the copies that lead to it."""
        return self.down.reversed(self.size)

    @cached_property
    def is_exit(self) -> BoolArray:
        """Return which copies are gateways."""
        gateways: BoolArray = self.level == 0
        return gateways

    @cached_property
    def level_rows(self) -> tuple[slice, ...]:
        """Return the rows of each level, from the gateways up."""
        ends = np.searchsorted(self.level, np.arange(int(self.level[-1]) + 2)) if self.size else np.zeros(1, dtype=int)
        return tuple(slice(int(a), int(b)) for a, b in pairwise(ends))


def build_copies(problem: PlacementProblem, hop_limit: int | None, usable: BoolArray | None = None) -> CopyGraph:
    """Return the layered graph of the usable nodes, without copies that no sensor reaches or that reach no gateway.

    Parameters
    ----------
    usable : ndarray of bool, shape (n_nodes,), optional
        Nodes to keep; all allowed ones when not given.
    """
    access, backhaul = problem.usable_access, problem.usable_backhaul
    gateways = problem.is_gateway & problem.allowed
    if usable is not None:
        access = access.only(usable[access.end])
        backhaul = backhaul.only(usable[backhaul.start] & usable[backhaul.end])
        gateways = gateways & usable
    if hop_limit is None:
        return _flat(problem, access, backhaul, gateways)
    return _layered(problem, access, backhaul, gateways, hop_limit)


def _layered(problem: PlacementProblem, access: Links, backhaul: Links, gateways: BoolArray, hop_limit: int) -> CopyGraph:
    n_nodes = len(problem.nodes)
    leads_out = np.zeros((hop_limit, n_nodes), dtype=bool)
    leads_out[0] = gateways
    for level in range(1, hop_limit):
        leads_out[level, backhaul.start[leads_out[level - 1, backhaul.end]]] = True
    wanted = np.zeros((hop_limit, n_nodes), dtype=bool)
    hears_sensor = np.zeros(n_nodes, dtype=bool)
    hears_sensor[access.end] = True
    for level in range(hop_limit - 1, -1, -1):
        wanted[level] = hears_sensor
        if level + 1 < hop_limit:
            kept_above = wanted[level + 1] & leads_out[level + 1]
            wanted[level, backhaul.end[kept_above[backhaul.start]]] = True
        wanted[level] &= leads_out[level]
    level_of, node_of = np.nonzero(wanted)
    number = np.full((hop_limit, n_nodes), -1, dtype=np.int32)
    number[level_of, node_of] = np.arange(node_of.size)
    starts, ends = [], []
    for level in range(1, hop_limit):
        start, end = number[level, backhaul.start], number[level - 1, backhaul.end]
        both = (start >= 0) & (end >= 0)
        starts.append(start[both])
        ends.append(end[both])
    sensor_starts, sensor_ends = [], []
    for level in range(hop_limit):
        end = number[level, access.end]
        sensor_starts.append(access.start[end >= 0])
        sensor_ends.append(end[end >= 0])
    none = [np.zeros(0, dtype=np.int32)]
    return CopyGraph(
        node=node_of.astype(np.int32),
        level=level_of.astype(np.int32),
        access=Adjacency.of(np.concatenate(sensor_starts), np.concatenate(sensor_ends), len(problem.sensors)),
        down=Adjacency.of(np.concatenate(starts or none), np.concatenate(ends or none), node_of.size),
        layered=True,
    )


def _flat(problem: PlacementProblem, access: Links, backhaul: Links, gateways: BoolArray) -> CopyGraph:
    n_nodes = len(problem.nodes)
    leads_out, wanted = gateways.copy(), np.zeros(n_nodes, dtype=bool)
    wanted[access.end] = True
    grew = True
    while grew:
        before = leads_out.sum() + wanted.sum()
        leads_out[backhaul.start[leads_out[backhaul.end]]] = True
        wanted[backhaul.end[wanted[backhaul.start]]] = True
        grew = leads_out.sum() + wanted.sum() > before
    keep = leads_out & wanted
    level_of = np.where(gateways, 0, 1)[keep]
    order = np.argsort(level_of, kind="stable")
    node_of = np.flatnonzero(keep)[order]
    number = np.full(n_nodes, -1, dtype=np.int32)
    number[node_of] = np.arange(node_of.size)
    links = backhaul.only(keep[backhaul.start] & keep[backhaul.end])
    ends = access.only(keep[access.end])
    return CopyGraph(
        node=node_of.astype(np.int32),
        level=level_of[order].astype(np.int32),
        access=Adjacency.of(ends.start, number[ends.end], len(problem.sensors)),
        down=Adjacency.of(number[links.start], number[links.end], node_of.size),
        layered=False,
    )


def or_over(adjacency: Adjacency, words: NDArray[np.uint64], rows: slice | None = None) -> NDArray[np.uint64]:
    """Return for each row (all, or a slice of them) the bitwise or of the words of its neighbours.

    Parameters
    ----------
    words : ndarray of uint64, shape (n_targets, n_words)

    Returns
    -------
    ndarray of uint64, shape (n_rows, n_words)
    """
    ptr = adjacency.ptr if rows is None else adjacency.ptr[rows.start : rows.stop + 1]
    if adjacency.to.size >= WORTH_COMPILING:
        joined: NDArray[np.uint64] = or_of_rows(adjacency.to.size)(ptr, adjacency.to, words)
        return joined
    result = np.zeros((ptr.size - 1, words.shape[1]), dtype=np.uint64)
    filled = np.flatnonzero(np.diff(ptr))
    if filled.size:
        first = ptr[0]
        gathered = words[adjacency.to[first : ptr[-1]]]
        result[filled] = np.bitwise_or.reduceat(gathered, ptr[filled] - first, axis=0)
    return result
