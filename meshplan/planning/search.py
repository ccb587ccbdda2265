"""What every step of the search shares: the best plan so far, the bound so far, the clock, and the news."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from threading import RLock
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.capacity import Routing, route_within_capacity
from meshplan.planning.cover import CoverModel
from meshplan.planning.demand import Demand, shortfalls
from meshplan.planning.greedy import Heuristic
from meshplan.planning.layers import BoolArray
from meshplan.planning.problem import MONEY_UNITS, OnProgress, PlacementProblem, ProgressEvent, SolveLimits, StepRecord


@dataclass(eq=False)
class Search:
    """The state of one search. Costs are whole `cost_step`s; `value` counts the worth of left-out optional sensors too."""

    problem: PlacementProblem
    demand: Demand
    model: CoverModel
    heuristic: Heuristic
    limits: SolveLimits
    on_progress: OnProgress | None = None
    best: BoolArray | None = None
    best_value: int = 2**62
    bound: int = 0
    bound_step: str = ""
    certified: int = 0
    steps: list[StepRecord] = field(default_factory=list)
    stopped: bool = False
    """Set when the user has had enough: whatever runs ends soon."""
    started: float = field(default_factory=monotonic)
    _turn: RLock = field(default_factory=RLock, repr=False)

    @property
    def elapsed_s(self) -> float:
        """Return the time since the start."""
        return monotonic() - self.started

    def time_left(self, share: float = 1.0) -> float | None:
        """Return the seconds left until `share` of the time limit is used; None when there is no limit."""
        return None if self.limits.time_s is None else share * self.limits.time_s - self.elapsed_s

    def out_of_time(self, share: float = 1.0) -> bool:
        """Return whether `share` of the time limit is used."""
        left = self.time_left(share)
        return left is not None and left <= 0

    @property
    def total_worth(self) -> float:
        """Return the worth of all optional sensors, in currency units."""
        return float(self.problem.worth_units[self.model.skip_sensor].sum()) / MONEY_UNITS

    @property
    def proven(self) -> bool:
        """Return whether the best plan meets the bound."""
        return self.best is not None and self.best_value <= self.bound

    def price(self, opened: BoolArray) -> tuple[int, bool]:
        """Return the value of the opened nodes and whether they are a plan at all."""
        problem = self.problem
        value = int(problem.cost_units[opened].sum())
        site = problem.site_number[opened]
        if np.unique(site).size < site.size or (opened & ~problem.allowed).any() or (problem.forced & ~opened).any():
            return 0, False
        if value > problem.budget * MONEY_UNITS + 1e-6:
            return 0, False
        if not self.heuristic.meets(opened, self.demand):
            for sensor in {fall.sensor for fall in shortfalls(problem, opened, self.demand)}:
                if problem.sensors[sensor].required:
                    return 0, False
                value += int(problem.worth_units[sensor])
        if problem.has_capacity:
            routing = self.routing(opened)
            if routing is None:
                return 0, False
            value += int(problem.worth_units[list(routing.dropped)].sum())
        return value // problem.cost_step, True

    def routing(self, opened: BoolArray) -> Routing | None:
        """Return first routes within every node's airtime that drop as little worth as possible; None if there are none."""
        asked = self.asked(opened)
        sensors = [int(sensor) for sensor in np.flatnonzero(asked.single)]
        optional = np.array([not sensor.required for sensor in self.problem.sensors])
        return route_within_capacity(self.problem, opened, sensors, asked.double, self.limits.seed, optional)

    def offer(self, opened: BoolArray, step: str) -> bool:
        """Take the opened nodes as the best plan when they are a cheaper plan; return whether they were."""
        value, valid = self.price(opened)
        with self._turn:
            if not valid or value >= self.best_value:
                return False
            self.best, self.best_value = opened.copy(), value
            self.tell(step)
        return True

    def best_now(self) -> tuple[BoolArray, int]:
        """Return the best plan and its value, which belong together even while another thread searches."""
        with self._turn:
            assert self.best is not None
            return self.best.copy(), self.best_value

    def raise_bound(self, value: float, step: str) -> None:
        """Note a lower bound in steps; it is rounded up to whole steps."""
        if not math.isfinite(value):
            return
        whole = math.ceil(value - 1e-5)
        with self._turn:
            if whole > self.bound:
                self.bound = whole
                self.bound_step = step
                self.tell(step)

    def tell(self, step: str) -> None:
        """Pass the news on."""
        if self.on_progress is not None:
            best = self.money(self.best_value) if self.best is not None else math.inf
            bound = self.money(min(self.bound, self.best_value))
            gap = (best - bound) / best if best > 0 and math.isfinite(best) else (0.0 if best == 0 else 1.0)
            self.on_progress(ProgressEvent(step, best, bound, gap, self.elapsed_s))

    def money(self, steps: float) -> float:
        """Return whole steps as currency units."""
        return steps * self.problem.cost_step / MONEY_UNITS

    def record(self, step: str, detail: str) -> None:
        """Keep what a step achieved."""
        best = self.money(self.best_value) if self.best is not None else math.inf
        bound = self.money(min(self.bound, self.best_value))
        self.steps.append(StepRecord(step, best, bound, detail, self.elapsed_s))

    def skip_prices(self) -> NDArray[np.float64]:
        """Return what leaving out each sensor costs in steps, infinite for required ones, shape (n_sensors,)."""
        required = np.array([sensor.required for sensor in self.problem.sensors], dtype=bool)
        prices: NDArray[np.float64] = np.where(required, 1e300, self.problem.worth_units / self.problem.cost_step)
        return prices

    def node_prices(self) -> NDArray[np.float64]:
        """Return what opening each node costs in steps, zero for forced ones, shape (n_nodes,)."""
        prices: NDArray[np.float64] = np.where(self.problem.forced, 0, self.problem.cost_units / self.problem.cost_step)
        return prices

    def asked(self, opened: BoolArray) -> Demand:
        """Return the demand without the optional sensors that the opened nodes leave out."""
        if self.model.skip_sensor.size == 0:
            return self.demand
        single, double = self.demand.single.copy(), self.demand.double.copy()
        for fall in shortfalls(self.problem, opened, self.demand):
            if not self.problem.sensors[fall.sensor].required:
                single[fall.sensor] = double[fall.sensor] = False
        return Demand(single, double)
