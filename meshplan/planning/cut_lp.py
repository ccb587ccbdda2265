"""The linear programme over cuts: its value bounds every plan from below, at any moment."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.cover import CoverModel, Row, row_gap
from meshplan.planning.solver import new_solver

KEEP_ROUNDS = 6
"""A row that has not been tight for so many rounds is dropped; it comes back if it is needed."""

MEMORY = 0.5
"""Cuts are looked for between the current point and a running average of past points: fewer rounds are needed."""


class CutLp:
    """A linear programme that grows by violated cuts.

    After `solve`: `value` (in cost steps, forced nodes included), `x`, `reduced` (reduced costs), `duals` of `rows`.
    """

    def __init__(self, model: CoverModel, seed: int) -> None:
        self.model = model
        self.rows: list[Row] = []
        self.age: list[int] = []
        self.value = float(model.forced_cost)
        n = model.cost.size
        self.x = np.zeros(n)
        self.reduced = model.cost.astype(np.float64)
        self.duals = np.zeros(0)
        self.site_duals = np.zeros(len(model.site_groups))
        self.upper = np.ones(n)
        self.rounds = 0
        self._average: NDArray[np.float64] | None = None
        self._known: set[bytes] = set()
        self._solver: Any = new_solver(seed)
        self._solver.addVars(n, np.zeros(n), np.ones(n))
        self._solver.changeColsCost(n, np.arange(n, dtype=np.int32), model.cost.astype(np.float64))
        for group in model.site_groups:
            self._solver.addRow(0.0, 1.0, group.size, group, np.ones(group.size))

    def add(self, rows: list[Row]) -> int:
        """Add the rows that are not there yet and return how many were new."""
        fresh = []
        for row in rows:
            if row.key not in self._known:
                self._known.add(row.key)
                fresh.append(row)
        if fresh:
            starts = np.zeros(len(fresh), dtype=np.int32)
            np.cumsum([row.columns.size for row in fresh[:-1]], out=starts[1:])
            columns = np.concatenate([row.columns for row in fresh])
            values = np.concatenate([row.coefficients for row in fresh])
            lower = np.array([row.need for row in fresh])
            self._solver.addRows(len(fresh), lower, np.full(len(fresh), np.inf), columns.size, starts, columns, values)
            self.rows += fresh
            self.age += [0] * len(fresh)
        return len(fresh)

    def close(self, columns: NDArray[np.integer]) -> None:
        """Fix columns at zero: no cheaper plan can use them."""
        columns = columns[self.upper[columns] > 0].astype(np.int32)
        self.upper[columns] = 0.0
        self._solver.changeColsBounds(columns.size, columns, np.zeros(columns.size), np.zeros(columns.size))

    def solve(self, time_s: float | None = None) -> bool:
        """Solve again from the last basis; return False when the time ran out (nothing changes then)."""
        solver = self._solver
        limit = np.inf if time_s is None else solver.getRunTime() + max(time_s, 0.05)
        solver.setOptionValue("time_limit", limit)
        solver.run()
        if str(solver.getModelStatus()) != "HighsModelStatus.kOptimal":
            return False
        solution = solver.getSolution()
        self.x = np.clip(np.array(solution.col_value), 0.0, 1.0)
        self.reduced = np.array(solution.col_dual)
        duals = np.array(solution.row_dual)
        n_sites = len(self.model.site_groups)
        self.site_duals, self.duals = duals[:n_sites], duals[n_sites:]
        self.value = float(solver.getInfo().objective_function_value) + self.model.forced_cost
        self._forget_slack_rows(n_sites)
        return True

    def separate(self) -> list[Row]:
        """Return rows that the current point violates; none when the point meets every cut."""
        self.rounds += 1
        if self._average is None:
            self._average = self.x.copy()
        middle = MEMORY * self._average + (1 - MEMORY) * self.x
        self._average = middle
        found = [row for row in self.model.violated_rows(middle) if self._is_violated(row)]
        if len(found) < max(3, self.model.served.size // 20):
            found += self.model.violated_rows(self.x)
            self._average = self.x.copy()
        return found

    def _is_violated(self, row: Row) -> bool:
        return bool(row.need - row.coefficients @ self.x[row.columns] > 1e-4)

    def _forget_slack_rows(self, n_sites: int) -> None:
        gap = row_gap(self.rows, self.x)
        self.age = [age + 1 if slack < -1e-6 else 0 for age, slack in zip(self.age, gap, strict=True)]
        old = [index for index, age in enumerate(self.age) if age > KEEP_ROUNDS]
        if len(old) < max(50, len(self.rows) // 5):
            return
        indices = np.array(old, dtype=np.int32) + n_sites
        self._solver.deleteRows(indices.size, indices)
        gone = set(old)
        for index in old:
            self._known.discard(self.rows[index].key)
        keep = [index for index in range(len(self.rows)) if index not in gone]
        self.rows = [self.rows[index] for index in keep]
        self.age = [self.age[index] for index in keep]
        self.duals = self.duals[keep]
