"""Routes in an opened set: who is served, by which way, and what is left when a device fails. Exact and fast."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.layers import Adjacency, BoolArray
from meshplan.planning.problem import Links, PlacementProblem, log_loss

UNREACHED = 2**61
"""Log loss of a route that does not exist."""


@dataclass(frozen=True, eq=False)
class OpenedGraph:
    """The links among a set of opened nodes, with log loss in whole billionths."""

    problem: PlacementProblem
    opened: BoolArray
    access: Links
    backhaul: Links
    access_loss: NDArray[np.int64]
    backhaul_loss: NDArray[np.int64]


def opened_graph(problem: PlacementProblem, opened: BoolArray) -> OpenedGraph:
    """Return the usable links between sensors and the opened nodes, shape (n_nodes,)."""
    access = problem.usable_access
    access = access.only(opened[access.end])
    backhaul = problem.usable_backhaul
    backhaul = backhaul.only(opened[backhaul.start] & opened[backhaul.end])
    return OpenedGraph(problem, opened, access, backhaul, log_loss(access.chance), log_loss(backhaul.chance))


@dataclass(frozen=True, eq=False)
class Ways:
    """The links that a plan may use, laid out by their ends: `down` from a node to those that hear it, `up` the other way."""

    down: Adjacency
    down_loss: NDArray[np.int64]
    up: Adjacency
    up_loss: NDArray[np.int64]
    heard: Adjacency
    """Sensor to the nodes that hear it."""
    heard_loss: NDArray[np.int64]
    hears: Adjacency
    """Node to the sensors that it hears."""
    hears_loss: NDArray[np.int64]

    @classmethod
    def of(cls, problem: PlacementProblem) -> Ways:
        """Return the usable links of a problem."""
        backhaul, access, n, n_sensors = problem.usable_backhaul, problem.usable_access, len(problem.nodes), len(problem.sensors)
        loss, access_loss = log_loss(backhaul.chance), log_loss(access.chance)
        down, up = Adjacency.of(backhaul.start, backhaul.end, n), Adjacency.of(backhaul.end, backhaul.start, n)
        heard, hears = Adjacency.of(access.start, access.end, n_sensors), Adjacency.of(access.end, access.start, n)
        return cls(down, loss[down.arc], up, loss[up.arc], heard, access_loss[heard.arc], hears, access_loss[hears.arc])

    @property
    def n_links(self) -> int:
        """Return the number of links, which decides whether compiled loops pay."""
        return int(self.up.to.size + self.hears.to.size)

    @property
    def arrays(self) -> tuple[NDArray[np.integer], ...]:
        """Return the links between nodes, down and up, as compiled loops take them."""
        return self.down.ptr, self.down.to, self.down_loss, self.up.ptr, self.up.to, self.up_loss

    @cached_property
    def lists(self) -> tuple[list[int], ...]:
        """Return `arrays` as plain Python takes them."""
        return tuple(each.tolist() for each in self.arrays)


def narrowed(graph: OpenedGraph, opened: BoolArray) -> OpenedGraph:
    """Return the part of an opened graph that fewer opened nodes leave, without looking at all links again."""
    heard = opened[graph.access.end]
    kept = opened[graph.backhaul.start] & opened[graph.backhaul.end]
    return OpenedGraph(
        graph.problem,
        opened,
        graph.access.only(heard),
        graph.backhaul.only(kept),
        graph.access_loss[heard],
        graph.backhaul_loss[kept],
    )


@dataclass(frozen=True, eq=False)
class RouteTable:
    """Least log loss from each node to a gateway with at most l links, shape (n_levels, n_nodes), and the next node taken."""

    loss: NDArray[np.int64]
    following: NDArray[np.int32]


def route_table(graph: OpenedGraph, hop_limit: int | None, without: BoolArray | None = None) -> RouteTable:
    """Return the best ways from every opened node, by sweeps over the links.

    Parameters
    ----------
    hop_limit : int or None
        Links from sensor to gateway; node tables reach up to one less. None: sweep until nothing improves.
    without : ndarray of bool, shape (n_nodes,), optional
        Nodes that have failed.
    """
    n = graph.opened.size
    alive = graph.opened if without is None else graph.opened & ~without
    loss = np.full(n, UNREACHED, dtype=np.int64)
    loss[alive & graph.problem.is_gateway] = 0
    following = np.full(n, -1, dtype=np.int32)
    links, link_loss = graph.backhaul, graph.backhaul_loss
    if without is not None:
        keep = alive[links.start] & alive[links.end]
        links, link_loss = links.only(keep), link_loss[keep]
    losses, nexts = [loss], [following]
    sweeps = n if hop_limit is None else hop_limit - 1
    for _ in range(sweeps):
        offered = np.minimum(losses[-1][links.end] + link_loss, UNREACHED)
        best = losses[-1].copy()
        np.minimum.at(best, links.start, offered)
        chosen = nexts[-1].copy()
        better = (offered == best[links.start]) & (offered < losses[-1][links.start])
        # The last writer wins, so the ends are written from the highest index down: ties go to the lowest.
        where = np.flatnonzero(better)
        where = where[np.argsort(-links.end[where], kind="stable")]
        chosen[links.start[where]] = links.end[where]
        if hop_limit is None and np.array_equal(best, losses[-1]):
            break
        if hop_limit is None:
            losses, nexts = [best], [chosen]
        else:
            losses.append(best)
            nexts.append(chosen)
    return RouteTable(np.array(losses), np.array(nexts))


def sensor_losses(graph: OpenedGraph, table: RouteTable) -> tuple[NDArray[np.int64], NDArray[np.int32]]:
    """Return each sensor's least log loss and its first node (-1 if none), shape (n_sensors,) each."""
    n = len(graph.problem.sensors)
    offered = np.minimum(table.loss[-1][graph.access.end] + graph.access_loss, UNREACHED)
    best = np.full(n, UNREACHED, dtype=np.int64)
    np.minimum.at(best, graph.access.start, offered)
    first = np.full(n, -1, dtype=np.int32)
    good = np.flatnonzero((offered == best[graph.access.start]) & (offered < UNREACHED))
    good = good[np.argsort(-graph.access.end[good], kind="stable")]
    first[graph.access.start[good]] = graph.access.end[good]
    return best, first


def served_sensors(
    problem: PlacementProblem, graph: OpenedGraph, hop_limit: int | None, without: int = -1, *, whole_site: bool = False
) -> BoolArray:
    """Return which sensors have a good enough route, shape (n_sensors,), when node `without` has failed; or its whole site."""
    failed = None
    if without >= 0 and whole_site:
        failed = failing_with(problem, without)
    elif without >= 0:
        failed = np.zeros(graph.opened.size, dtype=bool)
        failed[without] = True
    best, _ = sensor_losses(graph, route_table(graph, hop_limit, failed))
    served: BoolArray = best <= np.minimum(problem.route_loss_limits, UNREACHED - 1)
    return served


def way_from(table: RouteTable, first: int) -> tuple[int, ...]:
    """Return the nodes from `first` to the gateway along the table."""
    way = [int(first)]
    level = table.loss.shape[0] - 1
    while table.following[level, way[-1]] >= 0:
        here = way[-1]
        # Step down to the level at which this way was found, so that the rest keeps its share of the hops.
        while level > 0 and table.loss[level - 1, here] == table.loss[level, here]:
            level -= 1
        if table.following[level, here] < 0:
            break
        way.append(int(table.following[level, here]))
        level = max(level - 1, 0)
    return tuple(way)


def way_loss(graph: OpenedGraph, sensor: int, way: tuple[int, ...]) -> int:
    """Return the log loss of a route, taking the best of parallel links."""
    heard = (graph.access.start == sensor) & (graph.access.end == way[0])
    loss = int(graph.access_loss[heard].min())
    for start, end in pairwise(way):
        loss += int(graph.backhaul_loss[(graph.backhaul.start == start) & (graph.backhaul.end == end)].min())
    return loss


def may_fail(problem: PlacementProblem) -> BoolArray:
    """Return which nodes the redundancy rule lets fail, shape (n_nodes,)."""
    if problem.redundancy == "none":
        return np.zeros(len(problem.nodes), dtype=bool)
    if problem.redundancy == "any one relay":
        return ~problem.is_gateway
    return np.ones(len(problem.nodes), dtype=bool)


def failing_with(problem: PlacementProblem, node: int) -> BoolArray:
    """Return the nodes that fall with one, shape (n_nodes,): itself, and what else may fail at its site.

    A plan has one node of a site, so it makes a difference only where everything is looked at as opened.
    """
    failed: BoolArray = may_fail(problem) & (problem.site_number == problem.site_number[node])
    failed[node] = True
    return failed


def second_hop_limit(problem: PlacementProblem) -> int | None:
    """Return the hop limit that holds after a failure."""
    return problem.hop_limit if problem.second_hop_limit is None else problem.second_hop_limit


def _within(way: tuple[int, ...], hops: int | None) -> bool:
    return hops is None or len(way) <= hops


MOST_ROUTES = 4000
"""Routes of one sensor that are compared for the best pair; an opened set rarely has more."""


class Walks:
    """All simple routes of a sensor in an opened graph."""

    def __init__(self, graph: OpenedGraph) -> None:
        self.problem = graph.problem
        self.fails = may_fail(self.problem)
        self.following: dict[int, list[tuple[int, int]]] = {}
        for start, end, loss in zip(graph.backhaul.start, graph.backhaul.end, graph.backhaul_loss, strict=True):
            self.following.setdefault(int(start), []).append((int(loss), int(end)))
        self.heard: dict[int, list[tuple[int, int]]] = {}
        for start, end, loss in zip(graph.access.start, graph.access.end, graph.access_loss, strict=True):
            self.heard.setdefault(int(start), []).append((int(loss), int(end)))
        for neighbours in (*self.following.values(), *self.heard.values()):
            neighbours.sort()

    def best_pair(self, sensor: int) -> tuple[int, tuple[int, ...], tuple[int, ...]] | None:
        """Return the first route's loss and two routes that share nothing that may fail, the likeliest together."""
        after, hops = second_hop_limit(self.problem), self.problem.hop_limit
        limit = int(self.problem.route_loss_limits[sensor])
        ways = self._routes(sensor, len(self.problem.nodes) if after is None or hops is None else max(after, hops))
        best: tuple[int, int, tuple[int, ...], tuple[int, ...]] | None = None
        for loss, way in ways:
            if best is not None and 2 * loss > best[0] and loss > best[1]:
                break
            if (hops is not None and len(way) > hops) or loss > limit:
                continue
            mine = {node for node in way if self.fails[node]}
            for other_loss, other in ways:
                if best is not None and loss + other_loss >= best[0]:
                    break
                if other_loss <= limit and other != way and _within(other, after) and mine.isdisjoint(other):
                    best = (loss + other_loss, loss, way, other)
                    break
            # A route without anything that may fail is its own second route.
            if not mine and _within(way, after) and (best is None or 2 * loss < best[0]):
                best = (2 * loss, loss, way, way)
        if best is None:
            return None
        total, loss, way, other = best
        if _within(other, hops) and _within(way, after) and total - loss < loss:
            loss, way, other = total - loss, other, way
        return loss, way, other

    def _routes(self, sensor: int, hops: int) -> list[tuple[int, tuple[int, ...]]]:
        found: list[tuple[int, tuple[int, ...]]] = []
        stack: list[tuple[int, tuple[int, ...]]] = [(loss, (node,)) for loss, node in reversed(self.heard.get(sensor, []))]
        while stack and len(found) < MOST_ROUTES:
            loss, way = stack.pop()
            if self.problem.is_gateway[way[-1]]:
                found.append((loss, way))
            elif len(way) < hops:
                for step, node in reversed(self.following.get(way[-1], [])):
                    if node not in way:
                        stack.append((loss + step, (*way, node)))
        return sorted(found)

    def first_routes(self, sensor: int, double: bool) -> list[tuple[int, tuple[int, ...]]]:
        """Return the routes that may serve as first one, likeliest first; with `double`, those that a second one goes with."""
        hops, limit = self.problem.hop_limit, int(self.problem.route_loss_limits[sensor])
        most = hops if hops is not None else len(self.problem.nodes)
        firsts = [(loss, way) for loss, way in self._routes(sensor, most) if loss <= limit]
        if not double:
            return firsts
        after = second_hop_limit(self.problem)
        seconds = self._routes(sensor, after if after is not None else len(self.problem.nodes))
        kept = []
        for loss, way in firsts:
            mine = {node for node in way if self.fails[node]}
            if any(mine.isdisjoint(other) for other_loss, other in seconds if other_loss <= limit):
                kept.append((loss, way))
        return kept

    def second_beside(self, sensor: int, first: tuple[int, ...]) -> tuple[int, ...]:
        """Return the likeliest route that shares nothing that may fail with `first`; empty if there is none."""
        after = second_hop_limit(self.problem)
        mine = {node for node in first if self.fails[node]}
        for loss, way in self._routes(sensor, after if after is not None else len(self.problem.nodes)):
            if loss <= self.problem.route_loss_limits[sensor] and mine.isdisjoint(way):
                return way
        return ()
