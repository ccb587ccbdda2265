"""A plan from its devices alone: who is served by which way, and why others are not, without looking for a better plan."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from meshplan.planning.capacity import route_within_capacity
from meshplan.planning.demand import Demand, demand_of, shortfalls
from meshplan.planning.layers import BoolArray
from meshplan.planning.order import ByName
from meshplan.planning.outcome import choose_routes, make_plan
from meshplan.planning.problem import PlacementPlan, PlacementProblem, UnservedReason, nodes_of
from meshplan.planning.solve import why_not_all


def rebuild_plan(
    problem: PlacementProblem, opened_ids: Sequence[str], served: Collection[str], single: Collection[str], *, seed: int = 1
) -> PlacementPlan | None:
    """Return the plan that follows from a choice of devices; None if they cannot carry it within their airtime.

    Parameters
    ----------
    opened_ids : sequence of str
        Nodes of the problem, one a site.
    served, single : collection of str
        Sensors that are said to be served, and those of them that are said to lack the second route they ask for: where not all can
        have all, this is a choice too.
    seed : int
        As in the limits of the search.
    """
    by_name = ByName.of(problem)
    problem = by_name.problem
    opened, possible = nodes_of(problem, opened_ids), demand_of(problem)
    required = np.array([sensor.required for sensor in problem.sensors], dtype=bool)
    is_served = np.array([sensor.id in served for sensor in problem.sensors], dtype=bool)
    is_single = np.array([sensor.id in single for sensor in problem.sensors], dtype=bool)
    keep = is_served | ~required
    demand = Demand(possible.single & keep, possible.double & (keep & ~is_single | ~required))
    reason = why_not_all(problem)
    lacking = possible.single & ~keep | possible.double & ~demand.double
    why: dict[int, UnservedReason] = {int(i): reason for i in np.flatnonzero(lacking)}
    fixed = None
    if problem.has_capacity:
        asked = _asked(problem, opened, demand)
        sensors = [int(sensor) for sensor in np.flatnonzero(asked.single)]
        routing = route_within_capacity(problem, opened, sensors, asked.double, seed, ~required)
        if routing is None:
            return None
        fixed = routing.ways
    return by_name.as_given(make_plan(problem, opened, demand, choose_routes(problem, opened, demand, fixed), why))


def _asked(problem: PlacementProblem, opened: BoolArray, demand: Demand) -> Demand:
    """Return the demand without the optional sensors that the opened nodes leave out."""
    single, double = demand.single.copy(), demand.double.copy()
    for fall in shortfalls(problem, opened, demand):
        if not problem.sensors[fall.sensor].required:
            single[fall.sensor] = double[fall.sensor] = False
    return Demand(single, double)


def service_of(problem: PlacementProblem, plan: PlacementPlan) -> tuple[float, float, float]:
    """Return what a plan gives, the more the better: importance of required sensors served, of second routes, and minus its cost.

    The worth of optional sensors that are left out counts as cost.
    """
    served = {item.sensor_id for item in plan.served}
    single = set(plan.single_route)
    first = sum(s.importance for s in problem.sensors if s.required and s.id in served)
    asking = problem.redundancy != "none"
    both = sum(s.importance for s in problem.sensors if asking and s.required and s.second_route and s.id in served - single)
    return first, both, -(plan.cost + plan.forgone)
