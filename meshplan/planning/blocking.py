"""Rows for a set of opened nodes that leaves a sensor unserved, where no cut says why: "open one of these"."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.compiled import is_plain
from meshplan.planning.compiled_floors import still_needed
from meshplan.planning.cover import CoverModel, Row
from meshplan.planning.layers import BoolArray
from meshplan.planning.routes import UNREACHED, second_hop_limit

LEAST_BREACH = 1e-4
"""By how much a point has to miss a row for the row to be worth having."""


@dataclass(frozen=True, slots=True)
class Shortfall:
    """A sensor without a route when node `without` has failed (-1: when nothing has)."""

    sensor: int
    without: int


def blocking_rows(model: CoverModel, opened: BoolArray, fall: Shortfall) -> list[Row]:
    """Return rows "open one of these", with as few nodes as possible, that every good plan meets and this one does not.

    All other nodes opened together would still leave the sensor unserved, so one of these is needed. One row has nodes near the
    sensor, the other nodes near the gateways, where they differ.
    """
    above, below = _reach(model, fall)
    near, standing = _is_near(model, fall, above, below), opened.copy()
    if fall.without >= 0:
        near[fall.without] = standing[fall.without] = False
    closed = np.flatnonzero(near & ~opened)
    found: list[NDArray[np.int64]] = []
    for order in (below, above):
        nodes = _needed(model, fall, standing, closed[np.argsort(order[closed], kind="stable")])
        if not any(np.array_equal(nodes, other) for other in found):
            found.append(nodes)
    return [_row_of(model, nodes, fall) for nodes in found]


class FloorRows:
    """Rows for points that open nodes in part: the more a node is opened, the sooner it may stay out of the row."""

    def __init__(self, model: CoverModel) -> None:
        self.model = model
        self._near: dict[int, NDArray[np.int64]] = {}

    def row(self, sensor: int, taken: NDArray[np.float64]) -> Row | None:
        """Return a row that a point breaks which opens nodes so far, shape (n_nodes,); None where none is found."""
        fall = Shortfall(sensor, -1)
        if sensor not in self._near:
            above, below = _reach(self.model, fall)
            near = np.flatnonzero(_is_near(self.model, fall, above, below))
            self._near[sensor] = near[np.argsort(below[near], kind="stable")]
        near = self._near[sensor]
        order = near[np.argsort(-taken[near], kind="stable")]
        none = np.zeros(taken.size, dtype=bool)
        # Nodes that the point leaves closed weigh nothing: whether a row is broken is known before they are looked at.
        used = order[: int((taken[near] > 0.0).sum())]
        enough = 1.0 - LEAST_BREACH
        if taken[_needed(self.model, fall, none, used, taken, enough + 1e-9)].sum() > enough:
            return None
        return _row_of(self.model, _needed(self.model, fall, none, order), fall)


def _hops(model: CoverModel, fall: Shortfall) -> int | None:
    return second_hop_limit(model.problem) if fall.without >= 0 else model.problem.hop_limit


def _limit(model: CoverModel, fall: Shortfall) -> int:
    return min(int(model.problem.route_loss_limits[fall.sensor]), UNREACHED - 1)


def _is_near(model: CoverModel, fall: Shortfall, above: NDArray[np.int64], below: NDArray[np.int64]) -> BoolArray:
    """Return the nodes that lie on a good enough walk of the sensor with everything opened."""
    both = (above < UNREACHED) & (below < UNREACHED)
    near: BoolArray = both & (np.where(both, above + below, 0) <= _limit(model, fall))
    return near


def _needed(
    model: CoverModel,
    fall: Shortfall,
    standing: BoolArray,
    tried: NDArray[np.int64],
    weights: NDArray[np.float64] | None = None,
    most: float = np.inf,
) -> NDArray[np.int64]:
    """Return the nodes that stay closed when all of `tried` are opened in turn, unless they give the sensor a way; ascending.

    Once they weigh more than `most`, the search ends with those found so far.
    """
    hops, ways = _hops(model, fall), model.ways
    mine = slice(ways.heard.ptr[fall.sensor], ways.heard.ptr[fall.sensor + 1])
    run = still_needed(ways.n_links)
    own = [
        model.problem.is_gateway, np.flatnonzero(standing), tried, np.zeros(standing.size) if weights is None else weights,
        ways.heard.to[mine], ways.heard_loss[mine],
    ]  # fmt: skip
    gateways, opened, closed, heavy, heard, heard_loss = [each.tolist() for each in own] if is_plain(run) else own
    needed = run(
        0 if hops is None else hops, hops is not None, gateways, opened, closed, _limit(model, fall), heavy, most,
        heard, heard_loss, *(ways.lists if is_plain(run) else ways.arrays),
    )  # fmt: skip
    nodes: NDArray[np.int64] = np.sort(tried[np.asarray(needed) == 1])
    return nodes


def _row_of(model: CoverModel, nodes: NDArray[np.int64], fall: Shortfall) -> Row:
    chosen = np.zeros(len(model.problem.nodes), dtype=bool)
    chosen[nodes] = True
    columns = np.flatnonzero(chosen[model.item_node]).astype(np.int32)
    coefficients = np.ones(columns.size)
    skip = model.skip_column.get(fall.sensor)
    if skip is not None:
        columns, coefficients = np.append(columns, np.int32(skip)), np.append(coefficients, 1.0)
    held = model.problem.has_levels and model.problem.limits_routes
    return Row(columns, coefficients, 1.0, fall.sensor, fall.without, down_from=held)


def _reach(model: CoverModel, fall: Shortfall) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the least log loss from the sensor to each node and from each node to a gateway, with everything opened."""
    problem, ways, hops = model.problem, model.ways, _hops(model, fall)
    below = model.losses_to_gateways(hops)
    mine = slice(ways.heard.ptr[fall.sensor], ways.heard.ptr[fall.sensor + 1])
    above = np.full(len(problem.nodes), UNREACHED, dtype=np.int64)
    np.minimum.at(above, ways.heard.to[mine], ways.heard_loss[mine])
    fresh = np.flatnonzero(above < UNREACHED)
    for _ in range(above.size if hops is None else hops - 1):
        fresh = fresh[~problem.is_gateway[fresh]]
        if not fresh.size:
            break
        counts = ways.down.ptr[fresh + 1] - ways.down.ptr[fresh]
        base = np.repeat(ways.down.ptr[fresh] - np.concatenate(([0], np.cumsum(counts)[:-1])), counts)
        arcs = base + np.arange(counts.sum())
        further = above.copy()
        np.minimum.at(further, ways.down.to[arcs], np.repeat(above[fresh], counts) + ways.down_loss[arcs])
        fresh = np.flatnonzero(further < above)
        above = further
    return above, below
