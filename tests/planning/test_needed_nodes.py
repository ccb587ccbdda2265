"""Rows "open one of these": which nodes give a sensor a way, in plain Python, compiled, and by trying each set."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from meshplan.planning.compiled import WORTH_COMPILING, is_plain
from meshplan.planning.compiled_floors import still_needed
from meshplan.planning.layers import Adjacency

NODES = 6
LOSSES = st.integers(1, 9)


def has_way(opened: set[int], hops: int, heard: dict[int, int], links: dict[tuple[int, int], int], limit: int) -> bool:
    """Return whether some walk of at most `hops` links leads from the sensor over opened nodes to the gateway 0, by trying all."""
    walks: list[tuple[tuple[int, ...], int]] = [((node,), loss) for node, loss in heard.items() if node in opened]
    for _ in range(hops):
        if any(walk[-1] == 0 and loss <= limit for walk, loss in walks):
            return True
        walks = [
            ((*walk, end), loss + further)
            for walk, loss in walks
            if walk[-1] != 0
            for (start, end), further in links.items()
            if start == walk[-1] and end in opened
        ]
    return False


@given(
    heard=st.dictionaries(st.integers(0, NODES - 1), LOSSES, min_size=1),
    links=st.dictionaries(
        st.tuples(st.integers(0, NODES - 1), st.integers(0, NODES - 1)).filter(lambda ends: ends[0] != ends[1]), LOSSES
    ),
    order=st.permutations(range(NODES)),
    standing=st.integers(0, 2),
    hops=st.integers(1, 4),
    limit=st.integers(1, 25),
    most=st.integers(0, NODES),
)
def test_nodes_stay_closed_only_where_they_would_give_a_way(
    heard: dict[int, int],
    links: dict[tuple[int, int], int],
    order: list[int],
    standing: int,
    hops: int,
    limit: int,
    most: int,
) -> None:
    opened, kept = set(order[:standing]), []
    for node in order[standing:]:
        if has_way({*opened, node}, hops, heard, links, limit) and not has_way(opened, hops, heard, links, limit):
            kept.append(node)
        else:
            opened.add(node)
    if has_way(set(order[:standing]), hops, heard, links, limit):
        return  # the question is only asked of those without a way
    ends = np.array(sorted(links), dtype=np.int64).reshape(-1, 2)
    losses = np.array([links[int(a), int(b)] for a, b in ends], dtype=np.int64)
    down, up = Adjacency.of(ends[:, 0], ends[:, 1], NODES), Adjacency.of(ends[:, 1], ends[:, 0], NODES)
    net = [
        np.array(list(heard)), np.array(list(heard.values())),
        down.ptr, down.to, losses[down.arc], up.ptr, up.to, losses[up.arc],
    ]  # fmt: skip
    own = [np.arange(NODES) == 0, np.array(order[:standing], dtype=np.int64), np.array(order[standing:], dtype=np.int64)]
    machine: Any = still_needed(WORTH_COMPILING)
    plain = machine.py_func
    assert is_plain(plain)
    assert not is_plain(machine)
    for limit_of_weight in (np.inf, float(most)):
        weights = np.ones(NODES)
        found = [
            np.asarray(plain(hops, True, *[each.tolist() for each in own], limit, weights.tolist(), limit_of_weight,
                             *[each.tolist() for each in net])),
            machine(hops, True, *own, limit, weights, limit_of_weight, *net),
        ]  # fmt: skip
        wanted = kept if limit_of_weight == np.inf else kept[: most + 1]
        for one, other in pairwise([np.flatnonzero(each).tolist() for each in found]):
            assert one == other == [order.index(node) - standing for node in wanted]
