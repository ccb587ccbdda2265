"""Route floors on the copy graph: which copies lie on good enough walks of a sensor."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.compiled_floors import good_copies
from meshplan.planning.layers import BoolArray, CopyGraph
from meshplan.planning.problem import Links, PlacementProblem, log_loss
from meshplan.planning.routes import UNREACHED


def useful_copies(problem: PlacementProblem, graph: CopyGraph, sensors: NDArray[np.int32]) -> BoolArray:
    """Return which copies lie on a good enough walk of each sensor, shape (n, n_copies)."""
    arcs = _losses_between(problem.usable_backhaul, graph.node[graph.down.start], graph.node[graph.down.to], graph.node)
    heard = _losses_between(problem.usable_access, graph.access.start, graph.node[graph.access.to], graph.node)
    limits = problem.route_loss_limits[sensors]
    start, end = graph.down.start, graph.down.to
    below = np.where(graph.is_exit, 0, UNREACHED)
    while True:
        better = below.copy()
        np.minimum.at(better, start, np.minimum(below[end] + arcs, UNREACHED))
        if np.array_equal(better, below):
            break
        below = better
    if graph.layered:
        good = np.zeros((sensors.size, graph.size), dtype=np.uint8)
        picked = np.concatenate([np.arange(graph.access.ptr[s], graph.access.ptr[s + 1]) for s in sensors] or [np.zeros(0, int)])
        picked = picked.astype(np.int64)
        pointers = np.concatenate([[0], np.cumsum(graph.access.ptr[sensors + 1] - graph.access.ptr[sensors])]).astype(np.int64)
        good_copies(graph.down.to.size)(
            pointers, graph.access.to[picked], heard[picked], graph.down.ptr, graph.down.to, arcs, below, limits, good
        )
        return good.astype(bool)
    above = np.full((sensors.size, graph.size), UNREACHED, dtype=np.int64)
    for row, sensor in enumerate(sensors):
        mine = slice(graph.access.ptr[sensor], graph.access.ptr[sensor + 1])
        above[row, graph.access.to[mine]] = heard[mine]
    while True:
        reached = above.copy()
        for row in range(sensors.size):
            np.minimum.at(reached[row], end, np.minimum(above[row, start] + arcs, UNREACHED))
        if np.array_equal(reached, above):
            break
        above = reached
    useful: BoolArray = above + below <= limits[:, None]
    return useful


def may_fall_short(problem: PlacementProblem, graph: CopyGraph) -> BoolArray:
    """Return which sensors have walks down a layered graph that are not good enough, shape (n_sensors,)."""
    arcs = _losses_between(problem.usable_backhaul, graph.node[graph.down.start], graph.node[graph.down.to], graph.node)
    heard = _losses_between(problem.usable_access, graph.access.start, graph.node[graph.access.to], graph.node)
    worst = np.zeros(graph.size, dtype=np.int64)
    for rows in graph.level_rows[1:]:
        mine = slice(graph.down.ptr[rows.start], graph.down.ptr[rows.stop])
        np.maximum.at(worst, graph.down.start[mine], worst[graph.down.to[mine]] + arcs[mine])
    most = np.zeros(len(problem.sensors), dtype=np.int64)
    np.maximum.at(most, graph.access.start, worst[graph.access.to] + heard)
    short: BoolArray = most > problem.route_loss_limits
    return short


def _losses_between(
    links: Links, start: NDArray[np.integer], end: NDArray[np.integer], nodes: NDArray[np.integer]
) -> NDArray[np.int64]:
    """Return the least log loss of the links from each start to each end; all of these links are there."""
    n = 1 + max(int(links.end.max(initial=0)), int(nodes.max(initial=0)))
    key = links.start.astype(np.int64) * n + links.end
    order = np.lexsort((-links.chance, key))
    key, loss = key[order], log_loss(links.chance[order])
    losses: NDArray[np.int64] = loss[np.searchsorted(key, start.astype(np.int64) * n + end)]
    return losses
