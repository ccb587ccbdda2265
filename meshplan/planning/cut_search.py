"""Does some route of a sensor avoid a set of nodes? Plain search, for the checker of certificates only.

It shares nothing with the code that finds the cuts: it knows the problem, and walks.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.problem import Links, PlacementProblem, log_loss

NO_WAY = 2**61
"""Log loss of a way that does not exist."""


class CutSearch:
    """Walks from sensors down to the gateways over all links that a plan may use.

    A walk of k + 1 links meets its nodes at the levels k, k - 1, …, 0: the level of a node is the number of links that are left.
    Walks may pass a node twice. So whatever meets all walks meets all routes, and a walk found here at worst refuses a good cut.
    """

    def __init__(self, problem: PlacementProblem) -> None:
        self.problem = problem
        self.n = len(problem.nodes)
        self.gateway = problem.is_gateway
        self.limits = np.minimum(problem.route_loss_limits, NO_WAY - 1)
        """Most log loss of a walk of each sensor."""
        limited = problem.limits_routes
        access, backhaul = problem.usable_access, problem.usable_backhaul
        self.heard_ptr, self.heard, self.heard_loss = _by_start(access, len(problem.sensors), limited)
        self.ptr, self.to, self.loss = _by_start(backhaul, self.n, limited)
        self.lasting = (
            np.ones(self.n, dtype=bool) if problem.redundancy == "none" else self.gateway & (problem.redundancy == "any one relay")
        )
        """Nodes that the rule lets nothing happen to."""

    def hops(self, after_failure: bool) -> int | None:
        """Return the hop limit of a sensor's only route, or of the one that is left after a failure."""
        problem = self.problem
        late = after_failure and problem.second_hop_limit is not None
        return problem.second_hop_limit if late else problem.hop_limit

    def falls_with(self, node: int) -> NDArray[np.int64]:
        """Return the nodes that are lost together with one: all at its site that may fail."""
        problem = self.problem
        return np.flatnonzero(~self.lasting & (problem.site_number == problem.site_number[node]))

    def finds_way_round(
        self,
        sensor: int,
        hops: int | None,
        everywhere: NDArray[np.integer],
        at_level: dict[int, NDArray[np.integer]] | None = None,
        *,
        any_chance: bool = False,
    ) -> bool:
        """Return whether a good enough walk meets no node of `everywhere` and none of `at_level` at its level.

        `any_chance`: every walk within the hop limit counts as good enough.
        """
        levels = at_level or {}
        heard = slice(self.heard_ptr[sensor], self.heard_ptr[sensor + 1])
        start, start_loss = self.heard[heard], self.heard_loss[heard]
        limit = NO_WAY - 1 if any_chance else int(self.limits[sensor])
        best = np.full(self.n, NO_WAY, dtype=np.int64)
        for level in range(self.n, -1, -1) if hops is None else range(hops - 1, -1, -1):
            fresh = np.full(self.n, NO_WAY, dtype=np.int64)
            np.minimum.at(fresh, start, start_loss)
            links, links_loss = self._links_from(np.flatnonzero(best <= limit), best)
            np.minimum.at(fresh, links, links_loss)
            fresh[everywhere] = NO_WAY
            if hops is not None and level in levels:
                fresh[levels[level]] = NO_WAY
            if (level == 0 or hops is None) and ((fresh <= limit) & self.gateway).any():
                return True
            # On the way down a gateway ends the walk, so only relays go on.
            fresh[self.gateway] = NO_WAY
            if hops is None:
                fresh = np.minimum(fresh, best)
                if np.array_equal(fresh, best):
                    return False
            best = fresh
        return False

    @cached_property
    def least_level(self) -> NDArray[np.int64]:
        """Return the least number of links from each node to a gateway with everything opened, huge where there is no way."""
        level = np.where(self.gateway & self.problem.allowed, 0, NO_WAY)
        start = np.repeat(np.arange(self.n), np.diff(self.ptr))
        for _ in range(self.n):
            nearer = level.copy()
            np.minimum.at(nearer, start, np.minimum(level[self.to] + 1, NO_WAY))
            if np.array_equal(nearer, level):
                break
            level = nearer
        return level

    def with_everything_open(self, hops: int | None) -> list[tuple[int, ...]]:
        """Return for each sensor the nodes of one good enough walk over all usable links; nothing where there is none."""
        loss = np.where(self.gateway & self.problem.allowed, 0, NO_WAY)
        following = np.full(self.n, -1, dtype=np.int64)
        start = np.repeat(np.arange(self.n), np.diff(self.ptr))
        steps = [following]
        for _ in range(self.n if hops is None else hops - 1):
            offered = np.minimum(loss[self.to] + self.loss, NO_WAY)
            better, following = loss.copy(), following.copy()
            np.minimum.at(better, start, offered)
            chosen = (offered == better[start]) & (offered < loss[start])
            if not chosen.any():
                break
            following[start[chosen]] = self.to[chosen]
            loss = better
            steps.append(following)
        walks: list[tuple[int, ...]] = []
        for sensor in range(len(self.problem.sensors)):
            heard = slice(self.heard_ptr[sensor], self.heard_ptr[sensor + 1])
            total = loss[self.heard[heard]] + self.heard_loss[heard]
            walk: list[int] = []
            if total.size and total.min() <= self.limits[sensor]:
                walk, level = [int(self.heard[heard][total.argmin()])], len(steps) - 1
                while not self.gateway[walk[-1]]:
                    walk.append(int(steps[level][walk[-1]]))
                    level = level - 1 if hops is not None else level
            walks.append(tuple(walk))
        return walks

    def _links_from(self, nodes: NDArray[np.int64], best: NDArray[np.int64]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
        counts = self.ptr[nodes + 1] - self.ptr[nodes]
        base = np.repeat(self.ptr[nodes] - np.concatenate(([0], np.cumsum(counts)[:-1])), counts) if nodes.size else counts
        where = base + np.arange(counts.sum())
        return self.to[where], np.repeat(best[nodes], counts) + self.loss[where]


def _by_start(links: Links, n_starts: int, limited: bool) -> tuple[NDArray[np.int64], NDArray[np.int32], NDArray[np.int64]]:
    """Return where the links of each start begin, then ends and losses in that order; losses are 0 where no floor is."""
    pointers = np.zeros(n_starts + 1, dtype=np.int64)
    np.cumsum(np.bincount(links.start, minlength=n_starts), out=pointers[1:])
    order = np.argsort(links.start, kind="stable")
    loss = log_loss(links.chance[order]) if limited else np.zeros(order.size, dtype=np.int64)
    return pointers, links.end[order], loss
