"""The covering problem behind a plan: columns that may be bought, and the families of cuts that must be met."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from meshplan.planning.layers import CopyGraph
from meshplan.planning.mincut import Cut, find_cuts
from meshplan.planning.problem import MONEY_UNITS, PlacementProblem
from meshplan.planning.routes import Ways, opened_graph, route_table


@dataclass(frozen=True, eq=False)
class Family:
    """Sensors whose routes run in one copy graph and whose cuts all need the same kind of opening.

    Parameters
    ----------
    sensors : ndarray, shape (n,)
        Sensor indices.
    need : int
        1: one route; 2: two routes that share nothing that may fail.
    item : ndarray, shape (n_copies,)
        Column of each copy.
    coefficient : ndarray, shape (n_copies,)
        What an opened copy counts in a cut: 2 for a gateway that cannot fail when two routes are needed, else 1.
    allowed : ndarray of bool, shape (n, n_copies) or None
        Copies that each sensor may use (route chance); None means all.
    down_from : bool
        A copy stands for its node at this level and all below: a route may be longer than the shortest way from the node.
    """

    graph: CopyGraph
    sensors: NDArray[np.int32]
    need: int
    item: NDArray[np.int32]
    coefficient: NDArray[np.int64]
    allowed: NDArray[np.bool_] | None = None
    down_from: bool = False

    def opened(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how far each copy is opened, times its weight in a cut, at a point of shape (n_columns,); shape (n_copies,)."""
        if not self.down_from:
            weight: NDArray[np.float64] = np.minimum(x[self.item] * self.coefficient, float(self.need))
            return weight
        weight, total = np.zeros(self.graph.size), np.zeros(int(self.graph.node.max(initial=-1)) + 1)
        for rows in self.graph.level_rows:
            total[self.graph.node[rows]] += x[rows]
            weight[rows] = total[self.graph.node[rows]]
        return np.minimum(weight, 1.0)

    def columns_of(self, copies: NDArray[np.int32]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
        """Return the columns of some copies, ascending, and what they count."""
        graph = self.graph
        if self.down_from:
            top = np.full(int(graph.node.max(initial=-1)) + 1, -1, dtype=np.int32)
            np.maximum.at(top, graph.node[copies], graph.level[copies])
            columns = np.flatnonzero(graph.level <= top[graph.node]).astype(np.int32)
            return columns, np.ones(columns.size, dtype=np.int64)
        columns = self.item[copies]
        if columns.size == 0 or (columns[1:] > columns[:-1]).all():
            return columns, self.coefficient[copies]
        columns, first = np.unique(columns, return_index=True)
        return columns, self.coefficient[copies][first]


@dataclass(frozen=True, eq=False)
class Row:
    """A cut as a row: the coefficients of its columns sum, where opened, to at least `need`.

    `proof` is False for rows that a certificate cannot show, such as those that follow from airtime. `down_from` is True for rows
    that hold only because they name nodes at a level and all below (see `certificate`, rows of kind b).
    """

    columns: NDArray[np.int32]
    coefficients: NDArray[np.float64]
    need: float
    sensor: int
    without: int = -1
    proof: bool = True
    down_from: bool = False

    @cached_property
    def key(self) -> bytes:
        """Return what tells this row from others."""
        return self.columns.tobytes() + b"|" + self.coefficients.tobytes() + bytes([int(self.need)])


@dataclass(frozen=True, eq=False)
class CoverModel:
    """Columns are items (copies or nodes) followed by one "leave out" column per optional sensor.

    Parameters
    ----------
    item_node, item_level : ndarray, shape (n_items,)
        Node of each item and its level (-1 when the item stands for all levels).
    cost : ndarray of int, shape (n_columns,)
        In steps of `problem.cost_step`; zero for nodes that are forced in.
    forced_cost : int
        What the forced nodes cost, in steps.
    skip_sensor : ndarray, shape (n_skips,)
        Sensor of each "leave out" column.
    """

    problem: PlacementProblem
    families: tuple[Family, ...]
    item_node: NDArray[np.int32]
    item_level: NDArray[np.int32]
    cost: NDArray[np.int64]
    forced_cost: int
    skip_sensor: NDArray[np.int32]

    @property
    def n_items(self) -> int:
        """Return the number of items."""
        return int(self.item_node.size)

    @cached_property
    def skip_column(self) -> dict[int, int]:
        """Return the "leave out" column of each optional sensor."""
        return {int(sensor): self.n_items + index for index, sensor in enumerate(self.skip_sensor)}

    @cached_property
    def site_groups(self) -> tuple[NDArray[np.int32], ...]:
        """Return the items of each site that offers several nodes; at most one of a group is opened."""
        site = self.problem.site_number[self.item_node]
        order = np.argsort(site, kind="stable")
        groups = np.split(order, np.flatnonzero(np.diff(site[order])) + 1) if order.size else []
        several = [group for group in groups if np.unique(self.item_node[group]).size > 1]
        return tuple(group.astype(np.int32) for group in several)

    @cached_property
    def served(self) -> NDArray[np.int32]:
        """Return the sensors that some family covers."""
        return np.unique(np.concatenate([family.sensors for family in self.families]))

    def row(self, cut: Cut, family_number: int) -> Row:
        """Return the row of a cut."""
        family = self.families[family_number]
        columns, weight = family.columns_of(cut.copies)
        coefficients = np.minimum(weight, cut.need).astype(np.float64)
        skip = self.skip_column.get(cut.sensor)
        if skip is not None:
            columns = np.append(columns, skip)
            coefficients = np.append(coefficients, float(cut.need))
        return Row(columns.astype(np.int32), coefficients, float(cut.need), cut.sensor, cut.without, down_from=family.down_from)

    @cached_property
    def ways(self) -> Ways:
        """Return the links that a plan may use, both ways round, with their log losses."""
        return Ways.of(self.problem)

    def losses_to_gateways(self, hops: int | None) -> NDArray[np.int64]:
        """Return the least log loss from each node to a gateway in one link less than so many, with everything opened."""
        if hops not in self._losses:
            self._losses[hops] = route_table(opened_graph(self.problem, self.problem.allowed), hops).loss[-1]
        return self._losses[hops]

    @cached_property
    def _losses(self) -> dict[int | None, NDArray[np.int64]]:
        return {}

    @cached_property
    def _least_level(self) -> NDArray[np.int32]:
        """Return the lowest level of each node, shape (n_nodes,)."""
        least = np.full(len(self.problem.nodes), np.iinfo(np.int32).max, dtype=np.int32)
        np.minimum.at(least, self.item_node, self.item_level)
        return least

    def members(self, row: Row) -> list[tuple[int, int]]:
        """Return the nodes and levels that a row names, ascending; all levels down from the highest where that is its point."""
        items = row.columns[row.columns < self.n_items]
        named = set(zip(self.item_node[items].tolist(), self.item_level[items].tolist(), strict=True))
        if row.down_from:
            # A level between that no walk has is no column; the checker does not know that and asks for it.
            named |= {(node, level) for node, top in list(named) for level in range(int(self._least_level[node]), top)}
        return sorted(named)

    def violated_rows(self, x: NDArray[np.float64], *, both_sides: bool = True) -> list[Row]:
        """Return rows that the point `x`, shape (n_columns,), does not meet."""
        rows = []
        for number, family in enumerate(self.families):
            left_out = np.zeros(len(self.problem.sensors))
            left_out[self.skip_sensor] = x[self.n_items :]
            asked = left_out[family.sensors] < 1.0 - 1e-6
            weight = family.opened(x)
            # An optional sensor that is left out to some degree needs only the rest of its flow.
            for share in np.unique(left_out[family.sensors][asked]):
                group = np.flatnonzero(asked & (left_out[family.sensors] == share))
                scaled = weight / (1.0 - share)
                cuts = find_cuts(
                    family.graph,
                    scaled,
                    family.sensors[group],
                    np.full(group.size, family.need, dtype=np.int64),
                    allowed=None if family.allowed is None else family.allowed[group],
                    both_sides=both_sides,
                )
                rows += [self.row(cut, number) for cut in cuts]
        return rows

    def spend_row(self) -> Row | None:
        """Return the row that keeps the cost within the budget; None without a budget."""
        if not np.isfinite(self.problem.budget):
            return None
        budget = int(np.floor(self.problem.budget * MONEY_UNITS + 1e-6)) // self.problem.cost_step
        columns = np.arange(self.n_items, dtype=np.int32)
        return Row(columns, -self.cost[: self.n_items].astype(np.float64), float(self.forced_cost - budget), -1, proof=False)

    def opened_nodes(self, x: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Return which nodes a binary point opens, forced ones included, shape (n_nodes,)."""
        opened = self.problem.forced.copy()
        opened[self.item_node[x[: self.n_items]]] = True
        return opened


@dataclass(frozen=True, eq=False)
class RowTable:
    """Rows laid one under the other, so that sums over all of them take one pass: shape (n_rows, n_columns)."""

    matrix: sparse.csr_matrix
    need: NDArray[np.float64]

    @classmethod
    def of(cls, rows: list[Row], n_columns: int) -> RowTable:
        """Return the table of some rows."""
        pointers = np.zeros(len(rows) + 1, dtype=np.int32)
        np.cumsum([row.columns.size for row in rows], out=pointers[1:])
        columns = np.concatenate([np.zeros(0, dtype=np.int32), *(row.columns for row in rows)])
        values = np.concatenate([np.zeros(0), *(row.coefficients for row in rows)])
        matrix = sparse.csr_matrix((values, columns, pointers), shape=(len(rows), n_columns))
        return cls(matrix, np.array([row.need for row in rows]))

    def gaps(self, x: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return by how much `x` misses each row, shape (n_rows,); negative when it is met with something to spare."""
        gaps: NDArray[np.float64] = self.need - self.matrix @ x
        return gaps

    def loads(self, duals: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return what the rows charge each column at these prices, shape (n_columns,)."""
        loads: NDArray[np.float64] = self.matrix.T @ duals
        return loads


def row_gap(rows: list[Row], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return by how much `x` misses each row, shape (n_rows,); negative when it is met with something to spare."""
    return np.array([row.need - row.coefficients @ x[row.columns] for row in rows])
