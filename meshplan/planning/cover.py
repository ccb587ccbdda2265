"""The covering problem behind a plan: columns that may be bought, and the families of cuts that must be met."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.layers import CopyGraph
from meshplan.planning.mincut import Cut, find_cuts
from meshplan.planning.problem import MONEY_UNITS, PlacementProblem


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
    """

    graph: CopyGraph
    sensors: NDArray[np.int32]
    need: int
    item: NDArray[np.int32]
    coefficient: NDArray[np.int64]
    allowed: NDArray[np.bool_] | None = None


@dataclass(frozen=True, eq=False)
class Row:
    """A cut as a row: the coefficients of its columns sum, where opened, to at least `need`.

    `proof` is False for rows that a certificate cannot show, such as those that follow from airtime.
    """

    columns: NDArray[np.int32]
    coefficients: NDArray[np.float64]
    need: float
    sensor: int
    without: int = -1
    proof: bool = True

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
        columns, first = np.unique(family.item[cut.copies], return_index=True)
        coefficients = np.minimum(family.coefficient[cut.copies][first], cut.need).astype(np.float64)
        skip = self.skip_column.get(cut.sensor)
        if skip is not None:
            columns = np.append(columns, skip)
            coefficients = np.append(coefficients, float(cut.need))
        return Row(columns.astype(np.int32), coefficients, float(cut.need), cut.sensor, cut.without)

    def violated_rows(self, x: NDArray[np.float64], *, both_sides: bool = True) -> list[Row]:
        """Return rows that the point `x`, shape (n_columns,), does not meet."""
        rows = []
        for number, family in enumerate(self.families):
            left_out = np.zeros(len(self.problem.sensors))
            left_out[self.skip_sensor] = x[self.n_items :]
            asked = left_out[family.sensors] < 1.0 - 1e-6
            weight = np.minimum(x[family.item] * family.coefficient, float(family.need))
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


def row_gap(rows: list[Row], x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return by how much `x` misses each row, shape (n_rows,); negative when it is met with something to spare."""
    return np.array([row.need - row.coefficients @ x[row.columns] for row in rows])
