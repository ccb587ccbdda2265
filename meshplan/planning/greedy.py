"""A first plan in a blink: open the way that costs least per newly served sensor, again and again; close what is spare."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.compiled_floors import all_within
from meshplan.planning.compiled_ways import all_served, open_ways
from meshplan.planning.demand import Demand, shortfalls
from meshplan.planning.layers import Adjacency, BoolArray
from meshplan.planning.likely_ways import likely_ways
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.routes import (
    Ways,
    may_fail,
    opened_graph,
    route_table,
    second_hop_limit,
    sensor_losses,
    way_from,
)

NO_LIMIT_LEVELS = 1
"""Without a hop limit one table row holds the cheapest way of any length."""


@dataclass(frozen=True, eq=False)
class Heuristic:
    """The problem's links laid out for the compiled loops, and the moves made of them."""

    problem: PlacementProblem
    hop_limit: int | None

    @property
    def n_links(self) -> int:
        """Return the number of links, which decides whether compiled loops pay."""
        return self.up.to.size + self.hears.to.size

    @property
    def levels(self) -> int:
        """Return the number of rows of the table of ways."""
        return NO_LIMIT_LEVELS if self.hop_limit is None else self.hop_limit

    @property
    def levels_after(self) -> int:
        """Return the number of rows when a device has failed."""
        hops = second_hop_limit(self.problem)
        return NO_LIMIT_LEVELS if hops is None else hops

    @cached_property
    def ways(self) -> Ways:
        """Return the usable links, laid out by their ends."""
        return Ways.of(self.problem)

    @property
    def up(self) -> Adjacency:
        """Return, for each node, the relays that it can hear."""
        return self.ways.up

    @property
    def hears(self) -> Adjacency:
        """Return the sensors that each node hears."""
        return self.ways.hears

    @property
    def heard_by(self) -> Adjacency:
        """Return the nodes that hear each sensor."""
        return self.ways.heard

    @cached_property
    def siblings(self) -> Adjacency:
        """Return the other nodes of each node's site."""
        site = self.problem.site_number
        members: dict[int, list[int]] = {}
        for node, number in enumerate(site.tolist()):
            members.setdefault(number, []).append(node)
        pairs = [(a, b) for group in members.values() if len(group) > 1 for a in group for b in group if a != b]
        pair_array = np.array(pairs, dtype=np.int32).reshape(-1, 2)
        return Adjacency.of(pair_array[:, 0], pair_array[:, 1], site.size)

    def construct(
        self,
        opened: BoolArray,
        wanted: BoolArray,
        price: NDArray[np.float64],
        skip_price: NDArray[np.float64],
        without: int = -1,
        usable: BoolArray | None = None,
    ) -> tuple[BoolArray, BoolArray]:
        """Return the opened nodes after joining the wanted sensors, and which sensors still wait.

        Parameters
        ----------
        opened : ndarray of bool, shape (n_nodes,)
            Already open, at no further cost.
        price, skip_price : ndarray, shape (n_nodes,) and (n_sensors,)
            What opening a node, or leaving a sensor out, counts (infinite: never left out).
        without : int
            Node that has failed and is not used; the hop limit is then that of the second route.
        usable : ndarray of bool, shape (n_nodes,), optional
            Nodes that may be used; all allowed ones when not given.
        """
        result, waiting = opened.copy(), wanted.astype(np.uint8)
        up, hears, heard, siblings = self.up, self.hears, self.heard_by, self.siblings
        usable, levels, hops = self.problem.allowed if usable is None else usable, self.levels, self.hop_limit
        if without >= 0:
            usable, levels, hops = usable.copy(), self.levels_after, second_hop_limit(self.problem)
            usable[without] = result[without] = False
        open_ways(self.n_links)(
            levels, hops is not None, price.astype(np.float64), self.problem.is_gateway,
            usable, result, up.ptr, up.to, hears.ptr, hears.to, heard.ptr, heard.to,
            waiting, skip_price.astype(np.float64), siblings.ptr, siblings.to,
        )  # fmt: skip
        if without >= 0:
            result[without] = opened[without]
        return result, waiting == 1

    def complete(self, opened: BoolArray, demand: Demand, price: NDArray[np.float64], skip_price: NDArray[np.float64]) -> BoolArray:
        """Return the opened nodes with all that the demand still lacks opened too, as cheaply as the greedy way can."""
        result, _ = self.construct(opened, demand.single, price, skip_price)
        if not demand.double.any() and not self.problem.limits_routes:
            return result
        for _ in range(len(self.problem.nodes)):
            missing = shortfalls(self.problem, result, demand)
            missing = [fall for fall in missing if skip_price[fall.sensor] >= 1e300]
            if not missing:
                break
            before = result.copy()
            without = missing[0].without
            wanted = np.zeros_like(demand.single)
            wanted[[fall.sensor for fall in missing if fall.without == without]] = True
            if self.problem.limits_routes and without < 0:
                result = likely_ways(self.problem, self.ways, result, wanted, price)
            else:
                result, _ = self.construct(result, wanted, price, skip_price, without)
            if np.array_equal(result, before):
                result |= self._surest_ways(wanted, without)
            if np.array_equal(result, before):
                break
        return result

    def _surest_ways(self, wanted: BoolArray, without: int) -> BoolArray:
        """Return the nodes of the most likely routes of the wanted sensors with everything open."""
        graph = opened_graph(self.problem, self.problem.allowed)
        failed = np.zeros(len(self.problem.nodes), dtype=bool)
        if without >= 0:
            failed[without] = True
        table = route_table(graph, second_hop_limit(self.problem) if without >= 0 else self.hop_limit, failed)
        _, first = sensor_losses(graph, table)
        nodes = np.zeros_like(failed)
        for sensor in np.flatnonzero(wanted & (first >= 0)):
            nodes[list(way_from(table, int(first[sensor])))] = True
        return nodes

    def meets(self, opened: BoolArray, demand: Demand) -> bool:
        """Return whether the opened nodes, shape (n_nodes,), give every sensor what it asks for."""
        layered_alike = (self.hop_limit is None) == (second_hop_limit(self.problem) is None)
        if not layered_alike:
            return not shortfalls(self.problem, opened, demand)
        if self.problem.limits_routes:
            ways = self.ways
            good: bool = all_within(self.n_links)(
                self.levels, self.levels_after, self.hop_limit is not None, self.problem.is_gateway, opened,
                ways.up.ptr, ways.up.to, ways.up_loss, ways.hears.ptr, ways.hears.to, ways.hears_loss,
                self.problem.route_loss_limits, demand.single, demand.double, self._may_fail,
            )  # fmt: skip
            return good
        n, n_sensors = opened.size, len(self.problem.sensors)
        served: bool = all_served(self.n_links)(
            self.levels, self.levels_after, self.hop_limit is not None,
            self.problem.is_gateway, opened, self.up.ptr, self.up.to, self.hears.ptr, self.hears.to,
            demand.single, demand.double, self._may_fail,
            np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32), np.empty(n_sensors, dtype=np.int64),
        )  # fmt: skip
        return served

    @cached_property
    def _may_fail(self) -> BoolArray:
        return may_fail(self.problem)

    def prune(self, opened: BoolArray, demand: Demand, price: NDArray[np.float64]) -> BoolArray:
        """Return the opened nodes without those that the demand can spare, dearest first; forced ones stay."""
        result = opened.copy()
        spare = np.flatnonzero(opened & ~self.problem.forced)
        for node in spare[np.argsort(-price[spare], kind="stable")]:
            result[node] = False
            if not self.meets(result, demand):
                result[node] = True
        return result
