"""The linear programme over cuts: its value bounds every plan from below, at any moment.

Rows come by separation, columns by price: of tens of thousands of copies only those that could lower the value are handed to the
solver. The bound counts what the others might still save, so it is valid before all of them have been looked at.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.blocking import FloorRows
from meshplan.planning.cover import CoverModel, Row, RowTable, row_gap
from meshplan.planning.solver import BASIC, LOWER, new_solver, set_basis

KEEP_ROUNDS = 1
"""A row that has not been tight for more rounds is dropped; it comes back if it is needed."""

MEMORY = 0.5
"""Cuts are looked for between the current point and a running average of past points: fewer rounds are needed."""

ALL_AT_ONCE = 3000
"""Columns up to which all are handed to the solver from the start."""

NEW_COLUMNS = 600
"""Columns handed over at a time."""

PRICE_PASSES = 4
"""How often columns are handed over between two rounds of cuts."""

FEW = 5
"""Columns handed over for a row that has none yet."""

PRICE_TOLERANCE = 1e-7


@dataclass(frozen=True, eq=False)
class PricedBound:
    """Prices of rows and sites, as the linear programme gives them, and the bound that they prove (in cost steps)."""

    value: float
    rows: tuple[Row, ...]
    duals: NDArray[np.float64]
    site_duals: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Basis:
    """Where the simplex method stood: the state of each column, shape (n_columns,), of the site rows, and which rows were tight."""

    columns: NDArray[np.int8]
    sites: NDArray[np.int8]
    tight: frozenset[bytes]


class CutLp:
    """A linear programme that grows by violated cuts.

    `x` is the point of the last solve. `value` is the best lower bound so far (in cost steps, forced nodes included),
    proven by `proof_duals` of `proof_rows` and `proof_site_duals`; `reduced` are the reduced costs that go with it.
    While columns are settled (`settle`), `settled_value` is the bound on all plans that agree with them.
    """

    def __init__(self, model: CoverModel, seed: int) -> None:
        self.model = model
        self.rows: list[Row] = []
        self.age: list[int] = []
        self.value = self.settled_value = float(model.forced_cost)
        n = model.cost.size
        self.settled_proof = PricedBound(self.value, (), np.zeros(0), np.zeros(len(model.site_groups)))
        self._least, self._most = np.zeros(n), np.ones(n)
        self.x = np.zeros(n)
        self.reduced = model.cost.astype(np.float64)
        self.duals = np.zeros(0)
        self.proof_rows: list[Row] = []
        self.proof_duals = np.zeros(0)
        self.proof_site_duals = np.zeros(len(model.site_groups))
        self.rounds = 0
        self._average: NDArray[np.float64] | None = None
        self._known: set[bytes] = set()
        self._blocking = FloorRows(model)
        self._laid_out: RowTable | None = None
        self._objective = 0.0
        self._solver: Any = new_solver(seed)
        self._place = np.full(n, -1, dtype=np.int64)
        self._columns = np.zeros(0, dtype=np.int64)
        for _ in model.site_groups:
            self._solver.addRow(-np.inf, 1.0, 0, np.zeros(0, dtype=np.int32), np.zeros(0))
        if n <= ALL_AT_ONCE:
            self.activate(np.arange(n))

    def activate(self, columns: NDArray[np.integer]) -> None:
        """Hand columns over to the solver, with their entries in the rows that are there."""
        columns = np.unique(columns)
        columns = columns[self._place[columns] < 0]
        if not columns.size:
            return
        first = self._columns.size
        self._place[columns] = first + np.arange(columns.size)
        self._columns = np.concatenate([self._columns, columns])
        row_of, column_of, value = self._entries(columns)
        order = np.lexsort((row_of, column_of))
        counts = np.bincount(column_of, minlength=columns.size)
        starts = np.concatenate([[0], np.cumsum(counts)[:-1]]).astype(np.int32)
        cost = self.model.cost[columns].astype(np.float64)
        self._solver.addCols(
            columns.size,
            cost,
            self._least[columns],
            self._most[columns],
            row_of.size,
            starts,
            row_of[order].astype(np.int32),
            value[order],
        )

    def settle(self, closed: NDArray[np.integer], opened: NDArray[np.integer]) -> Row | None:
        """Fix columns at 0 and at 1 and free all others; return a row that cannot be met any more, if there is one."""
        self._least[:], self._most[:] = 0.0, 1.0
        self._most[closed], self._least[opened] = 0.0, 1.0
        self._average, self.settled_value = None, -np.inf
        active = self._columns
        places = np.arange(active.size, dtype=np.int32)
        self._solver.changeColsBounds(active.size, places, self._least[active], self._most[active])
        table = self._table
        out_of_reach = np.flatnonzero(table.gaps(self._most) > 0.0)
        if out_of_reach.size:
            return self.rows[int(out_of_reach[0])]
        handed_over = np.where(self._place >= 0, self._most, 0.0)
        lacking = [self._too_few(self.rows[index]) for index in np.flatnonzero(table.gaps(handed_over) > 0.0)]
        if lacking:
            self.activate(np.concatenate(lacking))
        return None

    @property
    def _table(self) -> RowTable:
        """Return the rows laid one under the other."""
        if self._laid_out is None:
            self._laid_out = RowTable.of(self.rows, self.model.cost.size)
        return self._laid_out

    def root_proof(self) -> PricedBound:
        """Return the best proof about all plans."""
        return PricedBound(self.value, tuple(self.proof_rows), self.proof_duals, self.proof_site_duals)

    def tight_rows(self) -> list[Row]:
        """Return the rows that the last point only just meets."""
        return [self.rows[index] for index in np.flatnonzero(self._table.gaps(self.x) > -1e-6)]

    def basis(self) -> Basis:
        """Return where the simplex method stands."""
        known = self._solver.getBasis()
        columns = np.full(self.model.cost.size, LOWER, dtype=np.int8)
        columns[self._columns] = [status.value for status in known.col_status]
        rows = np.array([status.value for status in known.row_status], dtype=np.int8)
        n_sites = len(self.model.site_groups)
        tight = frozenset(self.rows[index].key for index in np.flatnonzero(rows[n_sites:] != BASIC))
        return Basis(columns, rows[:n_sites], tight)

    def start_from(self, basis: Basis) -> None:
        """Let the next solve begin where the simplex method once stood; rows that came since lie slack in it."""
        is_tight = np.array([row.key in basis.tight for row in self.rows], dtype=bool)
        columns = basis.columns[self._columns]
        rows = np.concatenate([basis.sites, np.where(is_tight, np.int8(LOWER), np.int8(BASIC))])
        if int((columns == BASIC).sum() + (rows == BASIC).sum()) == rows.size:
            set_basis(self._solver, columns, rows)

    def rises(self, column: int, basis: Basis, steps: int) -> tuple[float, float]:
        """Return by how much the value rises when a column is closed and when it is opened, as far as so many steps show."""
        solver, place = self._solver, np.array([self._place[column]], dtype=np.int32)
        before = self._objective
        found = []
        solver.setOptionValue("simplex_strategy", 1)
        solver.setOptionValue("simplex_iteration_limit", steps)
        for end in (0.0, 1.0):
            solver.changeColsBounds(1, place, np.full(1, end), np.full(1, end))
            self.start_from(basis)
            solver.run()
            status = str(solver.getModelStatus()).rpartition(".")[2]
            found.append(np.inf if status == "kInfeasible" else max(solver.getInfo().objective_function_value - before, 0.0))
        solver.setOptionValue("simplex_iteration_limit", 2**31 - 1)
        solver.changeColsBounds(1, place, self._least[[column]], self._most[[column]])
        return found[0], found[1]

    def _entries(self, columns: NDArray[np.integer]) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
        """Return row, position among `columns`, and coefficient of every entry of the columns, site rows first."""
        wanted = np.full(self.model.cost.size, -1, dtype=np.int64)
        wanted[columns] = np.arange(columns.size)
        groups, matrix = self.model.site_groups, self._table.matrix
        flat = wanted[np.concatenate([*groups, matrix.indices])]
        sizes = np.concatenate([[group.size for group in groups], np.diff(matrix.indptr)]).astype(np.int64)
        row_of = np.repeat(np.arange(sizes.size), sizes)
        value = np.concatenate([np.ones(flat.size - matrix.nnz), matrix.data])
        keep = flat >= 0
        return row_of[keep], flat[keep], value[keep]

    def add(self, rows: list[Row]) -> int:
        """Add the rows that are not there yet and return how many were new."""
        fresh = []
        for row in rows:
            if row.key not in self._known:
                self._known.add(row.key)
                fresh.append(row)
        if fresh:
            self.activate(np.concatenate([self._too_few(row) for row in fresh]))
            kept = [self._place[row.columns] for row in fresh]
            here = [places >= 0 for places in kept]
            sizes = [int(mask.sum()) for mask in here]
            starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int32)
            columns = np.concatenate([places[mask] for places, mask in zip(kept, here, strict=True)]).astype(np.int32)
            values = np.concatenate([row.coefficients[mask] for row, mask in zip(fresh, here, strict=True)])
            lower = np.array([row.need for row in fresh])
            self._solver.addRows(len(fresh), lower, np.full(len(fresh), np.inf), columns.size, starts, columns, values)
            self.rows += fresh
            self._laid_out = None
            self.age += [0] * len(fresh)
        return len(fresh)

    def _too_few(self, row: Row) -> NDArray[np.int64]:
        """Return columns to hand over so that the row can be met: a few of its cheapest."""
        here = self._place[row.columns] >= 0
        if row.coefficients[here] @ self._most[row.columns[here]] >= row.need:
            return np.zeros(0, dtype=np.int64)
        usable = row.columns[self._most[row.columns] > 0]
        order = np.argsort(self.model.cost[usable], kind="stable")[:FEW]
        return usable[order].astype(np.int64)

    def solve(self, time_s: float | None = None, passes: int = PRICE_PASSES) -> bool:
        """Solve again from the last basis; return False when the time ran out before anything was learnt."""
        solver, model = self._solver, self.model
        end = np.inf if time_s is None else solver.getRunTime() + max(time_s, 0.05)
        if not self.rows:
            self.x = self._least.copy()
            self.settled_value = float(model.forced_cost + model.cost @ self._least)
            self.settled_proof = PricedBound(self.settled_value, (), np.zeros(0), np.zeros(len(model.site_groups)))
            return True
        learnt, self.settled_value = False, -np.inf
        for number in range(passes):
            solver.setOptionValue("time_limit", end)
            # After new rows the old basis suits the dual method, after new columns the primal one.
            solver.setOptionValue("simplex_strategy", 1 if number == 0 else 4)
            solver.run()
            status = str(solver.getModelStatus()).rpartition(".")[2]
            if status == "kInfeasible":
                missing = np.flatnonzero((self._place < 0) & (self._most > 0.0))
                if missing.size:
                    self.activate(missing)
                    continue
                self.settled_value = np.inf
                self.settled_proof = self._proof_that_nothing_fits()
            if status != "kOptimal":
                break
            learnt = True
            cheap = self._learn()
            if not cheap.size:
                break
            self.activate(cheap)
        if learnt:
            self._forget_slack_rows()
        return learnt

    def _learn(self) -> NDArray[np.int64]:
        """Read the solver's answer; return the columns that it should have had."""
        solver, model = self._solver, self.model
        solution = solver.getSolution()
        self._objective = solver.getInfo().objective_function_value
        duals = np.array(solution.row_dual)
        n_sites = len(model.site_groups)
        site_duals, duals = np.minimum(duals[:n_sites], 0.0), np.maximum(duals[n_sites:], 0.0)
        reduced = self._reduced_costs(duals, site_duals)
        self.x = np.zeros(model.cost.size)
        self.x[self._columns] = np.clip(np.array(solution.col_value), 0.0, 1.0)
        # Any prices of the rows give a bound: what the rows are worth, less what columns are charged above their cost.
        need = self._table.need
        worth = model.forced_cost + float(duals @ need + site_duals.sum())
        value = worth + float(np.minimum(reduced, 0.0).sum())
        settled = worth + float(np.minimum(reduced * self._least, reduced * self._most).sum())
        if settled > self.settled_value:
            self.settled_value = settled
            used = np.flatnonzero(duals)
            self.settled_proof = PricedBound(settled, tuple(self.rows[index] for index in used), duals[used], site_duals)
        if value >= self.value:
            self.value, self.reduced = value, np.maximum(reduced, 0.0)
            self.proof_rows, self.proof_duals, self.proof_site_duals = list(self.rows), duals, site_duals
        self.duals = duals
        cheap = np.flatnonzero((self._place < 0) & (reduced < -PRICE_TOLERANCE) & (self._most > 0.0))
        return cheap[np.argsort(reduced[cheap], kind="stable")[:NEW_COLUMNS]]

    def _proof_that_nothing_fits(self) -> PricedBound:
        """Return prices that raise the bound of the settled columns above any plan; a proof of nothing if there are none."""
        n_sites = len(self.model.site_groups)
        nothing = PricedBound(-np.inf, (), np.zeros(0), np.zeros(n_sites))
        _, found, ray = self._solver.getDualRay()
        if not found:
            return nothing
        prices = np.array(ray, dtype=np.float64)
        for sign in (1.0, -1.0):
            site, duals = np.minimum(sign * prices[:n_sites], 0.0), np.maximum(sign * prices[n_sites:], 0.0)
            charged = self._reduced_costs(duals, site) - self.model.cost
            need = self._table.need
            gain = float(duals @ need + site.sum() + np.minimum(charged * self._least, charged * self._most).sum())
            if gain > 1e-6:
                # So often that even the dearest plan costs less.
                times = 2.0 * (float(self.model.cost.sum()) + self.model.forced_cost + 1.0) / gain
                used = np.flatnonzero(duals)
                return PricedBound(np.inf, tuple(self.rows[index] for index in used), times * duals[used], times * site)
        return nothing

    def _reduced_costs(self, duals: NDArray[np.float64], site_duals: NDArray[np.float64]) -> NDArray[np.float64]:
        charged = self._table.loads(duals)
        for group, dual in zip(self.model.site_groups, site_duals, strict=True):
            charged[group] += dual
        reduced: NDArray[np.float64] = self.model.cost - charged
        return reduced

    def separate(self) -> list[Row]:
        """Return rows that the current point violates; none when the point meets every cut."""
        self.rounds += 1
        if self._average is None:
            self._average = self.x.copy()
        middle = MEMORY * self._average + (1 - MEMORY) * self.x
        self._average = middle
        found = [row for row in self.model.violated_rows(middle) if self._is_violated(row)]
        found += self._floor_rows(found, middle)
        if len(found) < max(3, self.model.served.size // 20):
            found += self.model.violated_rows(self.x)
            found += self._floor_rows(found, self.x)
            self._average = self.x.copy()
        return self._strongest(found)

    def _floor_rows(self, found: list[Row], x: NDArray[np.float64]) -> list[Row]:
        """Return further rows that the current point violates, of sensors whose floor forbids ways and that have none of it yet."""
        model = self.model
        family = model.families[-1]
        if not family.down_from:
            return []
        taken = np.bincount(model.item_node, x[: model.n_items], len(model.problem.nodes)).astype(np.float64)
        served = {row.sensor for row in found}
        rows = [self._blocking.row(int(sensor), taken) for sensor in family.sensors if int(sensor) not in served]
        return [row for row in rows if row is not None and self._is_violated(row)]

    def _strongest(self, rows: list[Row]) -> list[Row]:
        """Return one row per sensor, the deepest cut for its length: long lists slow the solver down more than they save rounds."""
        if not rows:
            return rows
        depth = row_gap(rows, self.x) / np.sqrt([row.columns.size for row in rows])
        best: dict[tuple[int, int], int] = {}
        for index, row in enumerate(rows):
            key = (row.sensor, int(row.need))
            if key not in best or depth[index] > depth[best[key]]:
                best[key] = index
        return [rows[index] for index in sorted(best.values())]

    def _is_violated(self, row: Row) -> bool:
        return bool(row.need - row.coefficients @ self.x[row.columns] > 1e-4)

    def _forget_slack_rows(self) -> None:
        gap = self._table.gaps(self.x)
        self.age = [age + 1 if slack < -1e-6 else 0 for age, slack in zip(self.age, gap, strict=True)]
        old = [index for index, age in enumerate(self.age) if age > KEEP_ROUNDS]
        if len(old) < max(50, len(self.rows) // 5):
            return
        indices = np.array(old, dtype=np.int32) + len(self.model.site_groups)
        self._solver.deleteRows(indices.size, indices)
        gone = set(old)
        for index in old:
            self._known.discard(self.rows[index].key)
        keep = [index for index in range(len(self.rows)) if index not in gone]
        self.rows = [self.rows[index] for index in keep]
        self._laid_out = None
        self.age = [self.age[index] for index in keep]
        self.duals = self.duals[keep]
