"""Branch and cut: where the linear programme cannot decide, try a column closed and opened, and cut on in both halves.

The bound of the whole is that of the weakest open branch. Gateways come first: a linear programme opens a little of each, and
once they are settled its value rises at once. Points met on the way guide the search for better plans.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.cover import Row
from meshplan.planning.cut_lp import ALL_AT_ONCE, Basis, CutLp, PricedBound
from meshplan.planning.demand import rows_for, shortfalls
from meshplan.planning.guided import guided_plan
from meshplan.planning.search import Search

WHOLE = 1e-5
"""How near to a whole number counts as one."""

SURELY_ABOVE = 1e-3
"""By how much a bound has to pass a whole number of steps to be rounded up: its certificate has rounded prices."""

MOST_ROUNDS = 15
"""Rounds of cuts in one branch."""

WINDOW, LEAST_RISE = 3, 0.05
"""A branch is left when over so many rounds its bound has risen by less than this share of what is still open."""

GUIDE_EVERY = 5
"""Branches between two plans built from the point at hand."""

TRIED, TRIAL_STEPS = 16, 30
"""Columns tried at a branch before one is chosen, those of them without a past, and steps of the simplex method for each half."""

GATEWAY_FIRST = 10.0
"""How much sooner a gateway is branched on than a relay of the same cost."""


Path = tuple[tuple[int, bool], ...]
"""Columns decided on the way to a branch, and whether they are opened."""


@dataclass(frozen=True, order=True)
class Branch:
    """Plans that close and open certain columns; none of them is cheaper than `bound`."""

    bound: float
    number: int
    path: Path = field(compare=False)
    column: int = field(compare=False)
    """What to branch on next."""
    rows: tuple[Row, ...] = field(compare=False)
    """Cuts that hold its bound up."""
    proof: PricedBound = field(compare=False)
    basis: Basis | None = field(compare=False)
    """Where its linear programme ended: the one of a half begins there."""


class BranchSearch:
    """Raises the bound of a search, and improves its plan by the way, until both meet."""

    def __init__(self, search: Search, lp: CutLp) -> None:
        self.search = search
        self.lp = lp
        self.done = 0
        self.unsettled = np.inf
        """Least bound of the branches that were given up."""
        self._started = False
        self.done_with: list[tuple[Path, PricedBound]] = []
        """Branches that hold no cheaper plan, or were given up."""
        self.sieves: list[PricedBound] = []
        """Proofs about all plans that have shut columns too dear for a better plan."""
        self._shuts_columns = lp.model.cost.size > ALL_AT_ONCE
        self._open: list[Branch] = []
        self._gain = [_Gains(lp.model.cost.size), _Gains(lp.model.cost.size)]
        gateway = np.zeros(lp.model.cost.size, dtype=bool)
        gateway[: lp.model.n_items] = search.problem.is_gateway[lp.model.item_node]
        self._urgency = lp.model.cost * np.where(gateway, GATEWAY_FIRST, 1.0)

    @property
    def n_open(self) -> int:
        """Return the number of branches that may still hold a cheaper plan; before the start it is one."""
        return 1 if not self._started else sum(not self._is_beaten(branch.bound) for branch in self._open)

    def leaves(self) -> list[tuple[Path, PricedBound]]:
        """Return the branches that together hold every plan, each with its proof; none before the start."""
        if not self._started:
            return []
        return self.done_with + [(branch.path, branch.proof) for branch in self._open]

    def run(self, most: int, share: float = 1.0, *, to_the_end: bool = False) -> str:
        """Look into at most so many branches; return how it ended. `to_the_end`: also when others have proven the plan."""
        if not self._started:
            if self._evaluate((), (), self.lp.value, self.lp.root_proof(), None) is None:
                return "stopped by its limit"
            self._started = True
        while self._open:
            if self.search.proven and not to_the_end:
                return "proven"
            if self.done >= most or self.search.stopped or self.search.out_of_time(share):
                return "stopped by its limit"
            branch = heapq.heappop(self._open)
            if self._is_beaten(branch.bound):
                heapq.heappush(self._open, branch)
                break
            split = False
            try:
                split = self._split(branch)
            finally:
                # Cut off half-way, also by Ctrl-C, the whole branch is still to do: no plan of it may be forgotten.
                if not split:
                    self._take_back(branch)
            if not split:
                return "stopped by its limit"
            self._tell_bound()
        self._tell_bound()
        return "proven" if self.search.proven else "some branches stay open"

    def _split(self, branch: Branch) -> bool:
        """Look into both halves of a branch; return whether there was time for it."""
        for opens in (False, True):
            path = (*branch.path, (branch.column, opens))
            value = self._evaluate(path, branch.rows, branch.bound, branch.proof, branch.basis)
            if value is None:
                return False
            self._gain[opens].note(branch.column, min(value, self.search.best_value) - branch.bound)
        return True

    def _take_back(self, branch: Branch) -> None:
        """Put a branch back as it was before it was split, without the halves that were looked into."""
        depth = len(branch.path)
        self._open = [other for other in self._open if other.path[:depth] != branch.path]
        self.done_with = [(path, proof) for path, proof in self.done_with if path[:depth] != branch.path]
        self._open.append(branch)
        heapq.heapify(self._open)

    def _shut(self) -> NDArray[np.int64]:
        """Return columns that no better plan uses, and keep the proof of it."""
        lp, best = self.lp, self.search.best_value
        if not self.sieves or lp.value > self.sieves[-1].value:
            self.sieves.append(lp.root_proof())
        return np.flatnonzero(lp.reduced > best - 1 - lp.value + SURELY_ABOVE)

    def _tell_bound(self) -> None:
        least = min(self._open[0].bound if self._open else np.inf, self.unsettled)
        self.search.raise_bound(min(least, float(self.search.best_value)), "branching")

    def _is_beaten(self, bound: float) -> bool:
        return bool(np.ceil(bound - SURELY_ABOVE) >= self.search.best_value)

    def _evaluate(self, path: Path, rows: tuple[Row, ...], bound: float, proof: PricedBound, basis: Basis | None) -> float | None:
        """Cut on in a branch and keep it if it may hold a cheaper plan; return its bound, None when there was no time."""
        lp, search = self.lp, self.search
        self.done += 1
        lp.add(list(rows))
        closed = np.array([column for column, opens in path if not opens], dtype=np.int64)
        opened = np.array([column for column, opens in path if opens], dtype=np.int64)
        if self._shuts_columns:
            closed = np.setdiff1d(np.concatenate([self._shut(), closed]), opened)
        unmet = lp.settle(closed, opened)
        if unmet is not None:
            enough = np.array([float(search.best_value) + 1.0])
            self.done_with.append((path, PricedBound(np.inf, (unmet,), enough, np.zeros(len(lp.model.site_groups)))))
            return np.inf
        if basis is not None:
            lp.start_from(basis)
        values: list[float] = []
        for _ in range(MOST_ROUNDS):
            left = search.time_left()
            if search.stopped or (left is not None and left <= 0) or not lp.solve(left):
                if lp.settled_value < np.inf:
                    return None
                # The rows of the sites cannot be met either; where prices do not show it, what was proven before stands.
                self.done_with.append((path, lp.settled_proof if lp.settled_proof.value > bound else proof))
                return np.inf
            search.raise_bound(lp.value, "cuts")
            if lp.settled_value > bound:
                bound, proof = lp.settled_value, lp.settled_proof
            values.append(bound)
            if self._is_beaten(bound):
                self.done_with.append((path, proof))
                return bound
            if len(values) > WINDOW and values[-1] - values[-1 - WINDOW] < LEAST_RISE * (search.best_value - bound):
                break
            fresh = lp.separate() or self._rows_of_a_whole_point()
            if lp.add(fresh) == 0:
                break
        tight, stood = tuple(lp.tight_rows()), lp.basis()
        column = self._column(bound, stood)
        if column < 0:
            self.unsettled = min(self.unsettled, bound)
            self.done_with.append((path, proof))
            return bound
        if self.done % GUIDE_EVERY == 1:
            guided_plan(search, lp, "branching")
        heapq.heappush(self._open, Branch(bound, -self.done, path, column, tight, proof, stood))
        return bound

    def _column(self, bound: float, basis: Basis) -> int:
        """Return the column to branch on: undecided, dear, of much effect before; -1 if none is left.

        Of those that promise most, the ones that nothing is known of yet are tried for a few steps of the simplex method.
        """
        x = self.lp.x
        undecided = np.flatnonzero((x > WHOLE) & (x < 1.0 - WHOLE))
        if not undecided.size:
            return -1
        best = undecided[np.argsort(-self._scores(undecided), kind="stable")][:TRIED]
        strange = [int(column) for column in best if not self._gain[0].count[column] and not self._gain[1].count[column]]
        if not strange:
            return int(best[0])
        for column in strange:
            for opens, rise in enumerate(self.lp.rises(column, basis, TRIAL_STEPS)):
                self._gain[opens].note(column, min(rise, self.search.best_value - bound))
        return int(undecided[np.argmax(self._scores(undecided))])

    def _scores(self, columns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Return how much branching on each column promises: the expected rises of both halves, gateways and dear nodes first."""
        x = self.lp.x[columns]
        down, up = self._gain[0].expected(columns, x), self._gain[1].expected(columns, 1.0 - x)
        scores: NDArray[np.float64] = np.maximum(down, 1e-3) * np.maximum(up, 1e-3) * self._urgency[columns]
        return scores

    def _rows_of_a_whole_point(self) -> list[Row]:
        """Offer a point without undecided columns as a plan; return cuts if it is none."""
        x, model, search = self.lp.x, self.lp.model, self.search
        if np.any((x > WHOLE) & (x < 1.0 - WHOLE)):
            return []
        chosen = x > 0.5
        opened = model.opened_nodes(chosen)
        search.offer(opened, "branching")
        left_out = set(model.skip_sensor[chosen[model.n_items :]].tolist())
        missing = [fall for fall in shortfalls(search.problem, opened, search.demand) if fall.sensor not in left_out]
        return rows_for(model, opened, missing)


class _Gains:
    """What branching on a column has raised the bound by, for a whole unit of it."""

    def __init__(self, n: int) -> None:
        self.total, self.count = np.zeros(n), np.zeros(n)

    def note(self, column: int, rise: float) -> None:
        self.total[column] += max(rise, 0.0)
        self.count[column] += 1.0

    def expected(self, columns: NDArray[np.int64], way: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the expected rise on the way to the whole number; columns without a past are taken for average."""
        seen = self.count.sum()
        average = self.total.sum() / seen if seen else 1.0
        mean = (self.total[columns] + 2.0 * average) / (self.count[columns] + 2.0)
        result: NDArray[np.float64] = mean * np.minimum(2.0 * way, 1.0)
        return result
