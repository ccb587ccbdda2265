"""p-median and facility location, which hold the solver behind plans (`planning.solver`) to published optima.

Which k gateways serve best, or which gateways at which price: p-median and facility location, with proof.

Every sensor uses its cheapest opened gateway. A master problem holds one column per gateway and one estimate per sensor; cuts raise
the estimates until they are exact. For a sensor with gateways sorted by price d1 <= d2 <= …, opening nothing nearer than the
k-th makes it pay the k-th price at least, which each nearer gateway lowers by its own saving: that is a cut, found by sorting.
"""

from __future__ import annotations

from dataclasses import dataclass
from time import monotonic
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.planning.problem import SolveLimits
from meshplan.planning.solver import new_solver

FloatArray = NDArray[np.float64]

CLOSE = 1e-7
"""Relative difference below which two values count as equal."""


@dataclass(frozen=True, slots=True)
class SiteChoice:
    """Opened sites (ascending), the site that serves each client, the value, and a lower bound on any choice's value."""

    opened: tuple[int, ...]
    serves: tuple[int, ...]
    value: float
    bound: float
    proven: bool


def choose_sites(
    price: FloatArray, *, count: int | None = None, fixed_cost: FloatArray | None = None, limits: SolveLimits | None = None
) -> SiteChoice:
    """Return the sites with the least sum of fixed costs and of each client's price at its cheapest opened site.

    Parameters
    ----------
    price : ndarray, shape (n_clients, n_sites)
        What serving a client from a site costs; finite and not negative.
    count : int, optional
        Open exactly so many sites (p-median); any number when not given.
    fixed_cost : ndarray, shape (n_sites,), optional
        What opening a site costs; zero when not given.

    Notes
    -----
    Source
        Radius-type cuts in closed form for the p-median problem: the dual of a client's share is solved by sorting; the interchange
        search is that of placement literature in general (both from memory, tested on published optima).
    """
    limits = limits or SolveLimits()
    n_sites = price.shape[1]
    if not (np.isfinite(price).all() and (price >= 0).all()):
        raise InputError("a price is negative or not finite", fix="Give a large finite price where there is no link.")
    if count is not None and not 1 <= count <= n_sites:
        raise InputError(f"{count} of {n_sites} sites cannot be opened", fix=f"Ask for 1 to {n_sites} sites.")
    fixed = np.zeros(n_sites) if fixed_cost is None else np.asarray(fixed_cost, dtype=np.float64)
    search = _SiteSearch(price, fixed, count, limits)
    return search.run()


class _SiteSearch:
    def __init__(self, price: FloatArray, fixed: FloatArray, count: int | None, limits: SolveLimits) -> None:
        self.price, self.fixed, self.count, self.limits = price, fixed, count, limits
        self.order = np.argsort(price, axis=1, kind="stable")
        self.sorted = np.take_along_axis(price, self.order, axis=1)
        self.started = monotonic()
        self.rng = np.random.default_rng(limits.seed)
        self.best = self._polish(self._first())
        self.best_value = self._value(self.best)
        self.bound = 0.0

    def run(self) -> SiteChoice:
        """Raise the bound by cuts, close what cannot pay, and settle the rest by branching."""
        for _ in range(3):
            self._offer(self._perturbed())
        master = _Master(self.price.shape, self.fixed, self.count, self.limits.seed)
        master.add(self._cuts(self.best.astype(np.float64), np.zeros(self.price.shape[0])))
        try:
            point, reduced = self._raise(master)
            if not self._done():
                self._branch(master, point, reduced)
        except KeyboardInterrupt:
            pass
        opened = np.flatnonzero(self.best)
        serves = opened[np.argmin(self.price[:, opened], axis=1)]
        return SiteChoice(
            tuple(opened.tolist()), tuple(serves.tolist()), self.best_value, min(self.bound, self.best_value), self._done()
        )

    def _value(self, opened: NDArray[np.bool_]) -> float:
        return float(self.fixed[opened].sum() + self.price[:, opened].min(axis=1).sum())

    def _done(self) -> bool:
        return self.best_value - self.bound <= self._tolerance()

    def _tolerance(self) -> float:
        """Return the largest difference that cannot hide a better choice."""
        whole = not (self.price % 1).any() and not (self.fixed % 1).any()
        return 1.0 - 1e-5 if whole else CLOSE * max(1.0, abs(self.best_value))

    def _offer(self, opened: NDArray[np.bool_]) -> None:
        value = self._value(opened)
        if value < self.best_value - CLOSE:
            self.best, self.best_value = opened.copy(), value

    def _out_of_time(self) -> bool:
        return self.limits.time_s is not None and monotonic() - self.started > self.limits.time_s

    def _first(self) -> NDArray[np.bool_]:
        """Open the site that lowers the value most, again and again."""
        opened = np.zeros(self.fixed.size, dtype=bool)
        nearest = np.full(self.price.shape[0], self.price.max() + 1.0)
        while self.count is None or opened.sum() < self.count:
            gain = np.maximum(nearest[:, None] - self.price, 0.0).sum(axis=0) - self.fixed
            gain[opened] = -np.inf
            site = int(np.argmax(gain))
            if self.count is None and gain[site] <= 0 and opened.any():
                break
            opened[site] = True
            nearest = np.minimum(nearest, self.price[:, site])
        return opened

    def _perturbed(self) -> NDArray[np.bool_]:
        """Return the best choice with a few sites exchanged at random, polished."""
        opened = self.best.copy()
        inside, outside = np.flatnonzero(opened), np.flatnonzero(~opened)
        n = min(max(1, inside.size // 4), inside.size, outside.size)
        if n:
            opened[self.rng.choice(inside, n, replace=False)] = False
            opened[self.rng.choice(outside, n, replace=False)] = True
        return self._polish(opened)

    def _polish(self, opened: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Exchange, and without a count also open or close, one site at a time while the value falls."""
        opened = opened.copy()
        while True:
            sites = np.flatnonzero(opened)
            offers = np.sort(self.price[:, sites], axis=1)
            nearest = offers[:, 0]
            runner_up = offers[:, 1] if sites.size > 1 else np.full(nearest.size, self.price.max() + 1.0)
            owner = np.argmin(self.price[:, sites], axis=1)
            with_it = np.minimum(self.price, nearest[:, None])
            gain = (nearest[:, None] - with_it).sum(axis=0) - self.fixed
            extra = np.minimum(self.price, runner_up[:, None]) - with_it
            loss = np.zeros((sites.size, self.fixed.size))
            np.add.at(loss, owner, extra)
            swap = gain[None, :] - loss + self.fixed[sites][:, None]
            swap[:, opened] = -np.inf
            moves = [(float(swap.max()), "swap")]
            if self.count is None:
                moves.append((float(np.where(opened, -np.inf, gain).max()), "open"))
                alone = np.bincount(owner, runner_up - nearest, sites.size)
                drop = self.fixed[sites] - alone
                if sites.size > 1:
                    moves.append((float(drop.max()), "close"))
            value, move = max(moves)
            if value <= CLOSE * max(1.0, nearest.sum()):
                return opened
            if move == "swap":
                out, into = np.unravel_index(int(np.argmax(swap)), swap.shape)
                opened[sites[out]], opened[into] = False, True
            elif move == "open":
                opened[int(np.argmax(np.where(opened, -np.inf, gain)))] = True
            else:
                opened[sites[int(np.argmax(drop))]] = False

    def _cuts(self, point: FloatArray, estimate: FloatArray) -> list[tuple[int, NDArray[np.int32], FloatArray, float]]:
        """Return, for each client whose estimate is too low at the point, (client, sites, savings, price): the cut

        estimate + sum of savings * opened >= price, where the price is that of the first site at which the client is fully served.
        """
        n_clients, n_sites = self.price.shape
        reached = np.cumsum(point[self.order], axis=1)
        last = np.minimum((reached < 1.0 - 1e-9).sum(axis=1), n_sites - 1)
        clients = np.arange(n_clients)
        radius = self.sorted[clients, last]
        savings = np.maximum(radius[:, None] - self.price, 0.0)
        exact = radius - savings @ point
        cuts = []
        for client in np.flatnonzero(exact > estimate + CLOSE * np.maximum(1.0, radius)):
            sites = np.flatnonzero(savings[client])
            cuts.append((int(client), sites.astype(np.int32), savings[client, sites], float(radius[client])))
        return cuts

    def _raise(self, master: _Master) -> tuple[FloatArray, FloatArray]:
        average: Any = None
        for _ in range(20 * self.limits.iterations):
            value, point, estimate, reduced = master.solve()
            self.bound = max(self.bound, value)
            if self._done() or self._out_of_time():
                break
            # Cuts between the point and an average of past points need fewer rounds.
            average = point if average is None else 0.5 * (average + point)
            fresh = self._cuts(average, estimate)
            added = master.add(fresh) + master.add(self._cuts(point, estimate))
            rounded = np.zeros(point.size, dtype=bool)
            number = self.count or max(1, round(point.sum()))
            rounded[np.argsort(-point, kind="stable")[:number]] = True
            self._offer(rounded)
            if added == 0:
                break
        self._offer(self._polish(rounded))
        return point, reduced

    def _branch(self, master: _Master, point: FloatArray, reduced: FloatArray) -> None:
        """Close sites that no better choice can open, then let the integer solver choose, adding cuts until it is exact."""
        slack = self.best_value - self.bound + self._tolerance()
        master.fix(np.flatnonzero((point < 1e-9) & (reduced > slack)), 0.0)
        master.fix(np.flatnonzero((point > 1 - 1e-9) & (reduced < -slack)), 1.0)
        master.make_binary()
        for _ in range(20 * self.limits.iterations):
            left = None if self.limits.time_s is None else self.limits.time_s - (monotonic() - self.started)
            if left is not None and left <= 0:
                return
            solved = master.solve_binary(self.best_value, self._tolerance(), left)
            if solved is None:
                self.bound = self.best_value
                return
            value, answer, estimate, complete = solved
            self.bound = max(self.bound, min(value, self.best_value))
            if self._done() or not complete or answer is None:
                return
            opened = answer > 0.5
            self._offer(opened)
            if self._done() or master.add(self._cuts(opened.astype(np.float64), estimate)) == 0:
                return


class _Master:
    """Columns: sites, then one estimate per client; rows: the cuts."""

    def __init__(self, shape: tuple[int, int], fixed: FloatArray, count: int | None, seed: int) -> None:
        import highspy

        self.kinds = highspy
        self.n_clients, self.n_sites = shape
        self.known: set[tuple[int, float, int]] = set()
        self.solver: Any = new_solver(seed)
        self.solver.addVars(self.n_sites, np.zeros(self.n_sites), np.ones(self.n_sites))
        self.solver.addVars(self.n_clients, np.zeros(self.n_clients), np.full(self.n_clients, highspy.kHighsInf))
        cost = np.concatenate([fixed, np.ones(self.n_clients)])
        self.solver.changeColsCost(cost.size, np.arange(cost.size, dtype=np.int32), cost)
        low, high = (1.0, highspy.kHighsInf) if count is None else (float(count), float(count))
        sites = np.arange(self.n_sites, dtype=np.int32)
        self.solver.addRow(low, high, sites.size, sites, np.ones(sites.size))

    def add(self, cuts: list[tuple[int, NDArray[np.int32], FloatArray, float]]) -> int:
        """Add cuts that are not there yet; return how many."""
        added = 0
        for client, sites, savings, price in cuts:
            key = (client, price, sites.size)
            if key in self.known:
                continue
            self.known.add(key)
            columns = np.append(sites, np.int32(self.n_sites + client))
            self.solver.addRow(price, self.kinds.kHighsInf, columns.size, columns, np.append(savings, 1.0))
            added += 1
        return added

    def solve(self) -> tuple[float, FloatArray, FloatArray, FloatArray]:
        """Return the linear programme's value, point, estimates and the sites' reduced costs."""
        self.solver.run()
        solution = self.solver.getSolution()
        values, reduced = np.array(solution.col_value), np.array(solution.col_dual)
        n = self.n_sites
        return self.solver.getInfo().objective_function_value, np.clip(values[:n], 0, 1), values[n:], reduced[:n]

    def fix(self, sites: NDArray[np.int64], value: float) -> None:
        """Fix sites open or closed."""
        bounds = np.full(sites.size, value)
        self.solver.changeColsBounds(sites.size, sites.astype(np.int32), bounds, bounds)

    def make_binary(self) -> None:
        """Let sites be open or closed only."""
        kind = np.full(self.n_sites, self.kinds.HighsVarType.kInteger)
        self.solver.changeColsIntegrality(self.n_sites, np.arange(self.n_sites, dtype=np.int32), kind)

    def solve_binary(
        self, best: float, tolerance: float, time_s: float | None
    ) -> tuple[float, FloatArray | None, FloatArray, bool] | None:
        """Return bound, point, estimates and whether the search ended; None when nothing below `best` exists."""
        self.solver.setOptionValue("mip_abs_gap", 0.5 * tolerance)
        self.solver.setOptionValue("mip_rel_gap", 0.0)
        if time_s is not None:
            self.solver.setOptionValue("time_limit", self.solver.getRunTime() + time_s)
        self.solver.run()
        status, info = self.solver.getModelStatus(), self.solver.getInfo()
        if status == self.kinds.HighsModelStatus.kInfeasible:
            return None
        values = np.array(self.solver.getSolution().col_value)
        complete = status == self.kinds.HighsModelStatus.kOptimal
        if not values.size:
            return info.mip_dual_bound, None, np.zeros(0), complete
        return info.mip_dual_bound, values[: self.n_sites], values[self.n_sites :], complete
