"""A first plan in a blink: open the way that costs least per newly served sensor, again and again, then close what is not needed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.compiled import compiled
from meshplan.planning.demand import Demand, shortfalls
from meshplan.planning.layers import Adjacency, BoolArray
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.routes import (
    may_fail,
    opened_graph,
    route_table,
    second_hop_limit,
    sensor_losses,
    way_from,
)

NO_LIMIT_LEVELS = 1
"""Without a hop limit one table row holds the cheapest way of any length."""


@compiled
def _open_ways(  # noqa: PLR0912, PLR0915  (one loop nest, compiled as a whole)
    levels,
    layered,
    price,
    is_gateway,
    usable,
    opened,
    up_ptr,
    up_to,
    hears_ptr,
    hears,
    heard_ptr,
    heard_by,
    waiting,
    skip_price,
    sibling_ptr,
    siblings,  # type: ignore[no-untyped-def]  # fmt: skip
):
    """Open ways in place until nobody waits or nobody can be joined; `waiting` ends as 1 for those left, 2 for those skipped."""
    n = price.size
    infinite = 1e300
    extra = price.copy()
    for v in range(n):
        if not usable[v]:
            extra[v] = infinite
        elif opened[v]:
            extra[v] = 0.0
    for v in range(n):
        if opened[v]:
            for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                if not opened[siblings[k]]:
                    extra[siblings[k]] = infinite
    gain = np.zeros(n, dtype=np.int64)
    n_waiting = 0
    for s in range(waiting.size):
        if waiting[s] == 1:
            n_waiting += 1
            for k in range(heard_ptr[s], heard_ptr[s + 1]):
                gain[heard_by[k]] += 1
    table = np.full((levels, n), infinite)
    parent = np.full((levels, n), -1, dtype=np.int32)
    size = levels * n + 1
    queue = np.empty(size, dtype=np.int64)
    queued = np.zeros(levels * n, dtype=np.uint8)
    first, last = 0, 0
    rebuild = True
    way = np.empty(levels * n + 1, dtype=np.int32)
    seen = np.full(waiting.size, -1, dtype=np.int64)
    stamp = 0
    on_way = np.full(n, -1, dtype=np.int64)
    banned = np.zeros(n, dtype=np.uint8)
    top = np.empty(6, dtype=np.int64)
    top_ratio = np.empty(6)
    while n_waiting > 0:
        if rebuild:
            table[:] = infinite
            parent[:] = -1
            for v in range(n):
                if is_gateway[v] and extra[v] < infinite:
                    table[0, v] = extra[v]
                    queue[last] = v
                    queued[v] = 1
                    last = (last + 1) % size
            rebuild = False
        while first != last:
            key = queue[first]
            first = (first + 1) % size
            queued[key] = 0
            level = key // n
            u = key - level * n
            value = table[level, u]
            if layered:
                if level + 1 == levels:
                    continue
                if value < table[level + 1, u]:
                    table[level + 1, u] = value
                    parent[level + 1, u] = -2
                    if queued[key + n] == 0:
                        queued[key + n] = 1
                        queue[last] = key + n
                        last = (last + 1) % size
            target = level + 1 if layered else level
            for k in range(up_ptr[u], up_ptr[u + 1]):
                v = up_to[k]
                offer = value + extra[v]
                if offer < table[target, v] - 1e-9:
                    table[target, v] = offer
                    parent[target, v] = u
                    slot = target * n + v
                    if queued[slot] == 0:
                        queued[slot] = 1
                        queue[last] = slot
                        last = (last + 1) % size
        n_top = 0
        for v in range(n):
            if gain[v] > 0 and banned[v] == 0 and table[levels - 1, v] < infinite:
                ratio = table[levels - 1, v] / gain[v]
                if n_top == 6 and ratio >= top_ratio[5]:
                    continue
                place = min(n_top, 5)
                while place > 0 and top_ratio[place - 1] > ratio:
                    top_ratio[place] = top_ratio[place - 1]
                    top[place] = top[place - 1]
                    place -= 1
                top_ratio[place] = ratio
                top[place] = v
                n_top = min(n_top + 1, 6)
        best, best_ratio = -1, infinite
        for q in range(n_top):
            stamp += 1
            v, level, count, clash = top[q], levels - 1, 0, False
            while v >= 0:
                on_way[v] = stamp
                for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                    if on_way[siblings[k]] == stamp:
                        clash = True
                for k in range(hears_ptr[v], hears_ptr[v + 1]):
                    s = hears[k]
                    if waiting[s] == 1 and seen[s] != stamp:
                        seen[s] = stamp
                        count += 1
                following = parent[level, v]
                while following == -2:
                    level -= 1
                    following = parent[level, v]
                if layered:
                    level -= 1
                v = following
            if clash:
                banned[top[q]] = 1
            elif table[levels - 1, top[q]] / count < best_ratio:
                best_ratio = table[levels - 1, top[q]] / count
                best = top[q]
        cheapest_skip, skipped = infinite, -1
        for s in range(waiting.size):
            if waiting[s] == 1 and skip_price[s] < cheapest_skip:
                cheapest_skip = skip_price[s]
                skipped = s
        if skipped >= 0 and cheapest_skip <= best_ratio:
            waiting[skipped] = 2
            n_waiting -= 1
            for k in range(heard_ptr[skipped], heard_ptr[skipped + 1]):
                gain[heard_by[k]] -= 1
            continue
        if best < 0:
            if n_top == 0:
                break
            continue
        length, v, level = 0, best, levels - 1
        while v >= 0:
            way[length] = v
            length += 1
            following = parent[level, v]
            while following == -2:
                level -= 1
                following = parent[level, v]
            if layered:
                level -= 1
            v = following
        for q in range(length):
            v = way[q]
            if not opened[v]:
                opened[v] = True
                for level in range(levels):
                    if table[level, v] < infinite:
                        table[level, v] = max(0.0, table[level, v] - extra[v])
                        slot = level * n + v
                        if queued[slot] == 0:
                            queued[slot] = 1
                            queue[last] = slot
                            last = (last + 1) % size
                extra[v] = 0.0
                for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                    extra[siblings[k]] = infinite
                    rebuild = True
            for k in range(hears_ptr[v], hears_ptr[v + 1]):
                s = hears[k]
                if waiting[s] == 1:
                    waiting[s] = 0
                    n_waiting -= 1
                    for j in range(heard_ptr[s], heard_ptr[s + 1]):
                        gain[heard_by[j]] -= 1
        if rebuild:
            banned[:] = 0
            while first != last:
                queued[queue[first]] = 0
                first = (first + 1) % size


@compiled
def _all_served(  # noqa: PLR0912
    levels,
    levels_after,
    layered,
    is_gateway,
    opened,
    up_ptr,
    up_to,
    hears_ptr,
    hears,
    must,
    must_after,
    fails,
    queue,
    hop,
    got,  # type: ignore[no-untyped-def]  # fmt: skip
):
    """Return whether all `must` sensors are served, and all `must_after` ones too when any single node of `fails` is lost."""
    n = opened.size
    n_must, n_after, n_failing = 0, 0, 0
    for s in range(must.size):
        n_must += must[s]
        n_after += must_after[s]
    if n_after > 0:
        for v in range(n):
            if opened[v] and fails[v]:
                n_failing += 1
    got[:] = 0
    stamp, lost = 0, -1
    for trial in range(1 + n_failing):
        stamp += 1
        limit, wanted = levels, n_must
        if trial > 0:
            lost += 1
            while not (opened[lost] and fails[lost]):
                lost += 1
            limit, wanted = levels_after, n_after
        hop[:] = -1
        first, last, count = 0, 0, 0
        for v in range(n):
            if is_gateway[v] and opened[v] and v != lost:
                hop[v] = 0
                queue[last] = v
                last += 1
        while first < last and count < wanted:
            u = queue[first]
            first += 1
            for k in range(hears_ptr[u], hears_ptr[u + 1]):
                s = hears[k]
                if got[s] != stamp:
                    got[s] = stamp
                    count += must[s] if trial == 0 else must_after[s]
            if layered and hop[u] + 1 >= limit:
                continue
            for k in range(up_ptr[u], up_ptr[u + 1]):
                v = up_to[k]
                if opened[v] and hop[v] < 0 and v != lost:
                    hop[v] = hop[u] + 1
                    queue[last] = v
                    last += 1
        if count < wanted:
            return False
    return True


@dataclass(frozen=True, eq=False)
class Heuristic:
    """The problem's links laid out for the compiled loops, and the moves made of them."""

    problem: PlacementProblem
    hop_limit: int | None

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
    def up(self) -> Adjacency:
        """Return, for each node, the relays that it can hear."""
        links = self.problem.usable_backhaul
        return Adjacency.of(links.end, links.start, len(self.problem.nodes))

    @cached_property
    def hears(self) -> Adjacency:
        """Return the sensors that each node hears."""
        links = self.problem.usable_access
        return Adjacency.of(links.end, links.start, len(self.problem.nodes))

    @cached_property
    def heard_by(self) -> Adjacency:
        """Return the nodes that hear each sensor."""
        links = self.problem.usable_access
        return Adjacency.of(links.start, links.end, len(self.problem.sensors))

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
        """
        result, waiting = opened.copy(), wanted.astype(np.uint8)
        up, hears, heard, siblings = self.up, self.hears, self.heard_by, self.siblings
        usable, levels = self.problem.allowed, self.levels
        if without >= 0:
            usable, levels = usable.copy(), self.levels_after
            usable[without] = result[without] = False
        _open_ways(
            levels, self.hop_limit is not None, price.astype(np.float64), self.problem.is_gateway,
            usable, result, up.ptr, up.to, hears.ptr, hears.to, heard.ptr, heard.to,
            waiting, skip_price.astype(np.float64), siblings.ptr, siblings.to,
        )  # fmt: skip
        if without >= 0:
            result[without] = opened[without]
        return result, waiting == 1

    def complete(self, opened: BoolArray, demand: Demand, price: NDArray[np.float64], skip_price: NDArray[np.float64]) -> BoolArray:
        """Return the opened nodes with all that the demand still lacks opened too, as cheaply as the greedy way can."""
        result, _ = self.construct(opened, demand.single, price, skip_price)
        if not demand.double.any() and self.problem.min_route_chance <= 0:
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
        if self.problem.min_route_chance > 0:
            return not shortfalls(self.problem, opened, demand)
        n, n_sensors = opened.size, len(self.problem.sensors)
        return _all_served(
            self.levels, self.levels_after, self.hop_limit is not None,
            self.problem.is_gateway, opened, self.up.ptr, self.up.to, self.hears.ptr, self.hears.to,
            demand.single, demand.double, self._may_fail,
            np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32), np.empty(n_sensors, dtype=np.int64),
        )  # fmt: skip

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
