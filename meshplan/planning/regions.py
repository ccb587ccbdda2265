"""Region by region: free the opened nodes around one place, keep the rest, and let the integer solver rebuild that part."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from meshplan.planning.cover import Row
from meshplan.planning.cut_lp import CutLp
from meshplan.planning.demand import rows_for, shortfalls
from meshplan.planning.layers import BoolArray
from meshplan.planning.routes import opened_graph, served_sensors
from meshplan.planning.search import Search
from meshplan.planning.solver import BinaryModel, solve_binary

SMALLEST, LARGEST = 6, 80
"""Opened nodes freed at once."""

CANDIDATES = 60
"""Closed nodes offered to the rebuilt part, and four more for each opened node that is freed."""

MOST_NODES, MOST_SECONDS, NEAR_ENOUGH = 60, 3.0, 0.02
"""When to leave a region: branching nodes, seconds (with a time limit only), and the share of its cost still in doubt."""

CHECK_ROUNDS = 12
"""How often an answer that is no plan is cut off and asked for again."""


@dataclass(eq=False)
class RegionSearch:
    """Improves the best plan of a search; `pool` holds the cut rows that the region models use."""

    search: Search
    pool: list[Row]
    reduced: NDArray[np.float64]
    rng: np.random.Generator
    best: BoolArray = field(init=False)
    best_value: int = field(init=False)
    size: float = 12.0
    breadth: float = 1.0
    n_given: int = 0
    tried: int = 0
    gained: int = 0
    idle: int = 0
    """Regions tried since one gained."""

    @classmethod
    def of(cls, search: Search, lp: CutLp) -> RegionSearch:
        """Return a region search that starts from the linear programme's rows and reduced costs."""
        return cls(search, list(lp.rows), lp.reduced, np.random.default_rng(search.limits.seed), n_given=len(lp.rows))

    @cached_property
    def _closeness(self) -> sparse.csr_matrix:
        """Return the links of sensors and nodes both ways, each row scaled to one: a step of a random walk."""
        problem = self.search.problem
        n_sensors, n = len(problem.sensors), len(problem.sensors) + len(problem.nodes)
        access, backhaul = problem.usable_access, problem.usable_backhaul
        a = np.concatenate([access.start, backhaul.start + n_sensors])
        b = np.concatenate([access.end + n_sensors, backhaul.end + n_sensors])
        links = sparse.csr_matrix((np.ones(2 * a.size), (np.concatenate([a, b]), np.concatenate([b, a]))), shape=(n, n))
        degree = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1.0)
        return (sparse.diags(1.0 / degree) @ links).T.tocsr()

    @cached_property
    def _node_reduced(self) -> NDArray[np.float64]:
        """Return the least reduced cost of each node's columns."""
        model = self.search.model
        least = np.full(len(self.search.problem.nodes), np.inf)
        np.minimum.at(least, model.item_node, self.reduced[: model.n_items])
        return least

    def improve_once(self) -> bool:
        """Try one region; return whether the plan got cheaper."""
        search = self.search
        self.best, self.best_value = search.best_now()
        self.tried += 1
        near = self._walk_from(int(self.rng.integers(len(search.problem.sensors))))
        opened = np.flatnonzero(self.best & ~search.problem.forced)
        count = min(opened.size, round(self.size))
        freed = opened[np.argsort(-near[opened], kind="stable")][:count]
        ended = self._rebuild(freed, near)
        better, complete = ended
        self.gained += better
        self.idle = 0 if better else self.idle + 1
        if complete and not better:
            self.size *= 1.05
            if self.size > LARGEST:
                # Everywhere of every size: start again with small places, but with more to choose from.
                self.size, self.breadth = 2.0 * SMALLEST, min(self.breadth * 1.6, 4.0)
        elif not complete:
            self.size = max(self.size * 0.9, SMALLEST)
        return better

    def _walk_from(self, sensor: int) -> NDArray[np.float64]:
        """Return how close each node is to a sensor: where a short random walk from it is likely to be."""
        n_sensors = len(self.search.problem.sensors)
        here = np.zeros(self._closeness.shape[0])
        here[sensor] = 1.0
        total = np.zeros_like(here)
        for _ in range(5):
            here = self._closeness @ here
            total += here
        result: NDArray[np.float64] = total[n_sensors:]
        return result

    def _candidates(self, near: NDArray[np.float64], freed: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return closed nodes of the place: mostly those that the linear programme thinks cheap, some at random."""
        search = self.search
        closed = np.flatnonzero(search.problem.allowed & ~self.best & (near > 0) & np.isfinite(self._node_reduced))
        edge = np.quantile(near[freed], 0.1) * 0.25 if freed.size else 0.0
        closed = closed[near[closed] >= edge]
        slack = max(self.best_value - search.bound, 1)
        closed = closed[self._node_reduced[closed] <= slack]
        count = int((CANDIDATES + 4 * freed.size) * self.breadth)
        if closed.size <= count:
            return closed
        order = closed[np.argsort(self._node_reduced[closed], kind="stable")]
        main, rest = order[: count * 4 // 5], order[count * 4 // 5 :]
        return np.concatenate([main, self.rng.choice(rest, count // 5, replace=False)])

    def _rebuild(self, freed: NDArray[np.int64], near: NDArray[np.float64]) -> tuple[bool, bool]:
        """Return whether the plan got cheaper, and whether the region's model was solved to its end."""
        search = self.search
        kept = self.best.copy()
        kept[freed] = False
        offered = np.concatenate([freed, self._candidates(near, freed)])
        layered = search.problem.has_levels
        model = self._layered_model(kept, freed, offered) if layered else self._node_model(kept, offered)
        if model is None:
            return False, True
        for _ in range(CHECK_ROUNDS):
            cutoff = self.best_value - self._kept_value(kept)
            left = search.time_left()
            answer = solve_binary(
                model.binary(),
                seed=search.limits.seed,
                time_s=None if left is None else min(MOST_SECONDS, left),
                max_nodes=MOST_NODES,
                near_enough=NEAR_ENOUGH,
                cutoff=cutoff,
            )
            if answer.x is None:
                return False, answer.complete
            opened = kept.copy()
            opened[model.nodes_of(answer.x)] = True
            if search.heuristic.meets(opened, search.asked(opened)):
                prices = search.node_prices()
                pruned = search.heuristic.prune(opened, search.asked(opened), prices)
                return search.offer(pruned, "regions"), answer.complete
            fresh = rows_for(search.model, opened, shortfalls(search.problem, opened, search.demand))
            self.pool += fresh
            if not model.add(fresh):
                return False, False
        return False, False

    def _kept_value(self, kept: BoolArray) -> int:
        return int(self.search.problem.cost_units[kept].sum() // self.search.problem.cost_step)

    def _node_model(self, kept: BoolArray, offered: NDArray[np.int64]) -> RegionModel | None:
        """Return the model over nodes: rows that the kept nodes do not meet by themselves."""
        model = self.search.model
        columns = np.flatnonzero(np.isin(model.item_node, offered))
        region = RegionModel(self.search, columns, kept)
        return region if region.add(self.pool) else None

    def _layered_model(self, kept: BoolArray, freed: NDArray[np.int64], offered: NDArray[np.int64]) -> RegionModel | None:
        """Return the model over copies: kept nodes with a standing way to a gateway are settled at their level."""
        search = self.search
        problem, model = search.problem, search.model
        family = model.families[0]
        graph = family.graph
        opened = opened_graph(problem, kept)
        hops = _levels(problem.is_gateway, opened.backhaul.start, opened.backhaul.end, kept, problem.hop_limit or 1)
        settled = np.flatnonzero(hops[graph.node] == graph.level)
        loose = kept & (hops < 0)
        may = np.zeros(len(problem.nodes), dtype=bool)
        may[offered] = True
        cheap = self.reduced[: graph.size] <= self._node_reduced[offered[freed.size :]].max(initial=0.0) + 1e-9
        own = loose.copy()
        own[freed] = True
        free = np.flatnonzero((may[graph.node] & cheap) | own[graph.node])
        skips = np.arange(model.n_items, model.cost.size)
        region = RegionModel(search, np.concatenate([free, skips]), kept, settled=settled)
        served = served_sensors(problem, opened, problem.hop_limit)
        waiting = np.isin(np.arange(len(problem.sensors)), family.sensors) & ~served
        rows = [row for row in self.pool if waiting[row.sensor]]
        for sensor in np.flatnonzero(waiting):
            rows.append(_access_row(model, graph, int(sensor)))
        if not region.add(rows):
            return None
        region.add_support(graph)
        return region


def _levels(
    is_gateway: BoolArray, start: NDArray[np.int32], end: NDArray[np.int32], opened: BoolArray, limit: int
) -> NDArray[np.int64]:
    """Return each opened node's links to its nearest opened gateway, -1 if it has none within the limit."""
    hops = np.full(opened.size, -1, dtype=np.int64)
    hops[is_gateway & opened] = 0
    for level in range(1, limit):
        reached = start[hops[end] == level - 1]
        hops[reached[hops[reached] < 0]] = level
    return hops


def _access_row(model, graph, sensor: int) -> Row:  # type: ignore[no-untyped-def]
    columns = graph.access[sensor]
    skip = model.skip_column.get(sensor)
    if skip is not None:
        columns = np.append(columns, np.int32(skip))
    return Row(columns.astype(np.int32), np.ones(columns.size), 1.0, sensor)


class RegionModel:
    """A binary model over some columns; `settled` ones and those of kept nodes are open already."""

    def __init__(
        self, search: Search, columns: NDArray[np.int64], kept: BoolArray, settled: NDArray[np.int64] | None = None
    ) -> None:
        self.model = search.model
        self.columns = columns
        self.place = np.full(self.model.cost.size, -1, dtype=np.int64)
        self.place[columns] = np.arange(columns.size)
        if settled is None:
            settled = np.flatnonzero(kept[self.model.item_node])
        self.fixed = np.zeros(self.model.cost.size, dtype=bool)
        self.fixed[settled] = True
        self.cost = self.model.cost[columns].copy()
        is_item = columns < self.model.n_items
        self.cost[is_item & kept[self.model.item_node[np.minimum(columns, self.model.n_items - 1)]]] = 0
        self.data: list[NDArray[np.float64]] = []
        self.indices: list[NDArray[np.int64]] = []
        self.lower: list[float] = []
        self._add_sites(kept)

    def _add_sites(self, kept: BoolArray) -> None:
        for group in self.model.site_groups:
            at = self.place[group]
            taken = kept[self.model.item_node[group]]
            others = at[(at >= 0) & ~taken]
            if others.size and (taken.any() or others.size > 1):
                self._row(-np.ones(others.size), others, 0.0 if taken.any() else -1.0)

    def _row(self, data: NDArray[np.float64], at: NDArray[np.int64], lower: float) -> None:
        self.data.append(data)
        self.indices.append(at)
        self.lower.append(lower)

    def add(self, rows: list[Row]) -> bool:
        """Add the rows that are not met yet; return False when one cannot be met."""
        for row in rows:
            at = self.place[row.columns]
            fixed = self.fixed[row.columns]
            need = row.need - row.coefficients[fixed].sum()
            if need <= 0:
                continue
            free = (at >= 0) & ~fixed
            coefficients = np.minimum(row.coefficients[free], need)
            if coefficients.sum() < need:
                return False
            self._row(coefficients, at[free], need)
        return True

    def add_support(self, graph) -> None:  # type: ignore[no-untyped-def]
        """Add "an opened copy needs an opened copy below" for the copies that no settled one supports."""
        ptr, to = graph.down.ptr, graph.down.to
        for place, column in enumerate(self.columns):
            if column >= graph.size or graph.is_exit[column]:
                continue
            below = to[ptr[column] : ptr[column + 1]]
            if self.fixed[below].any():
                continue
            at = self.place[below]
            at = at[at >= 0]
            self._row(np.append(np.ones(at.size), -1.0), np.append(at, place), 0.0)

    def binary(self) -> BinaryModel:
        """Return the model as the solver wants it."""
        sizes = [part.size for part in self.indices]
        pointers = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
        flat = np.concatenate(self.indices) if sizes else np.zeros(0, dtype=np.int64)
        values = np.concatenate(self.data) if sizes else np.zeros(0)
        matrix = sparse.csr_matrix((values, flat, pointers), shape=(len(sizes), self.columns.size))
        return BinaryModel(self.cost, matrix, np.array(self.lower))

    def nodes_of(self, x: BoolArray) -> NDArray[np.int32]:
        """Return the nodes that the answer opens."""
        chosen = self.columns[x]
        nodes: NDArray[np.int32] = self.model.item_node[chosen[chosen < self.model.n_items]]
        return nodes
