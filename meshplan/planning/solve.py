"""Placement from end to end; read `solve_placement` as the table of contents."""

from __future__ import annotations

import sys
from importlib.metadata import version

import numpy as np

from meshplan.planning.certificate import proven_bound_units
from meshplan.planning.closing import close_gap, usable_columns
from meshplan.planning.cut_lp import CutLp
from meshplan.planning.demand import Demand, build_model, demand_of
from meshplan.planning.greedy import Heuristic
from meshplan.planning.outcome import choose_routes, make_plan
from meshplan.planning.problem import (
    MONEY_UNITS,
    Certificate,
    CutRow,
    OnProgress,
    PlacementProblem,
    PlacementResult,
    SolveLimits,
    StopReason,
)
from meshplan.planning.regions import RegionSearch
from meshplan.planning.search import Search
from meshplan.planning.solver import solver_version

MOST_IDLE = 25
"""Regions tried in a row without gain before the closing programme takes over."""

CERTIFICATE_SCALE = 1000
"""Certificate weights are whole thousandths of a thousandth of the currency unit."""


def solve_placement(
    problem: PlacementProblem, *, limits: SolveLimits | None = None, on_progress: OnProgress | None = None
) -> PlacementResult:
    """Return the cheapest plan that can be found within the limits, with a lower bound on every plan's cost.

    Ctrl-C ends the search, not the call: the best plan so far is returned with its gap.
    """
    limits = limits or SolveLimits()
    demand = demand_of(problem)
    model = build_model(problem, demand)
    search = Search(problem, demand, model, Heuristic(problem, problem.hop_limit), limits, on_progress)
    lp = CutLp(model, limits.seed)
    stopped: StopReason = "iteration limit"
    try:
        _first_plan(search)
        _raise_bound(search, lp)
        _improve_regions(search, lp)
        _close(search, lp)
    except KeyboardInterrupt:
        stopped = "interrupted"
    if search.best is None:
        _first_plan(search)
    if search.proven:
        stopped = "proven"
    elif stopped != "interrupted" and search.out_of_time():
        stopped = "time limit"
    return _result(search, lp, stopped)


def _first_plan(search: Search) -> None:
    everyone = search.node_prices()
    opened = search.heuristic.complete(search.problem.forced.copy(), search.demand, everyone, search.skip_prices())
    search.offer(search.heuristic.prune(opened, search.asked(opened), everyone), "first plan")
    search.record("first plan", f"{int(opened.sum())} nodes before pruning")


def _raise_bound(search: Search, lp: CutLp) -> None:
    search.raise_bound(search.model.forced_cost, "cuts")
    for _ in range(search.limits.iterations):
        if search.proven or search.out_of_time(0.5):
            break
        if lp.rows and not lp.solve(search.time_left(0.6)):
            break
        search.raise_bound(lp.value, "cuts")
        if lp.rounds % 4 == 3:
            _guided_plan(search, lp)
        if lp.add(lp.separate()) == 0:
            break
    if not search.proven:
        _guided_plan(search, lp)
    search.record("cuts", f"{len(lp.rows)} cuts, {lp.rounds} rounds")


def _guided_plan(search: Search, lp: CutLp) -> None:
    """Build a plan from the nodes that the linear programme opens in part: they are offered at a discount."""
    taken = np.zeros(len(search.problem.nodes))
    np.maximum.at(taken, search.model.item_node, lp.x[: search.model.n_items])
    prices = search.node_prices()
    guided = prices * (1.0 - 0.95 * taken)
    opened = search.heuristic.complete(search.problem.forced.copy(), search.demand, guided, search.skip_prices())
    search.offer(search.heuristic.prune(opened, search.asked(opened), prices), "cuts")


def _improve_regions(search: Search, lp: CutLp) -> None:
    if search.best is None or search.proven:
        return
    regions = RegionSearch.of(search, lp)
    idle = 0
    while not search.proven and idle < MOST_IDLE and not search.out_of_time(0.7):
        if regions.tried >= search.limits.iterations:
            break
        idle = 0 if regions.improve_once() else idle + 1
    lp.add([row for row in regions.pool[len(lp.rows) :]])
    search.record("regions", f"{regions.gained} of {regions.tried} regions gained")


def _close(search: Search, lp: CutLp) -> None:
    if search.proven:
        return
    columns = usable_columns(search, lp.reduced, lp.value)
    detail = close_gap(search, lp.rows, columns, max_nodes=search.limits.iterations * 500)
    search.record("closing", f"{columns.size} of {search.model.cost.size} columns; {detail}")


def make_certificate(search: Search, lp: CutLp) -> Certificate:
    """Return the linear programme's row duals, rounded down to whole numbers, as a certificate."""
    problem, model = search.problem, search.model
    units = problem.cost_step * CERTIFICATE_SCALE
    rows = []
    for row, dual in zip(lp.rows, lp.duals, strict=False):
        weight = int(np.floor(dual * units + 1e-3))
        if weight > 0:
            items = row.columns[row.columns < model.n_items]
            members = tuple((problem.nodes[model.item_node[i]].id, int(model.item_level[i])) for i in items)
            without = problem.nodes[row.without].id if row.without >= 0 else ""
            rows.append(CutRow(problem.sensors[row.sensor].id, weight, int(row.need), members, without))
    prices = []
    for group, dual in zip(model.site_groups, lp.site_duals, strict=True):
        if dual < 0:
            prices.append((problem.nodes[model.item_node[group[0]]].site_id, int(np.ceil(-dual * units))))
    served = tuple(problem.sensors[i].id for i in np.flatnonzero(search.demand.single))
    draft = Certificate(0, CERTIFICATE_SCALE, served, tuple(rows), tuple(prices))
    return Certificate(proven_bound_units(problem, draft), CERTIFICATE_SCALE, served, tuple(rows), tuple(prices))


def _result(search: Search, lp: CutLp, stopped: StopReason) -> PlacementResult:
    problem = search.problem
    opened = search.best if search.best is not None else problem.forced
    demand = search.demand if search.best is not None else Demand(search.demand.single, search.demand.double & False)
    plan = make_plan(problem, opened, demand, choose_routes(problem, opened, demand))
    certificate = make_certificate(search, lp)
    bound = search.money(min(search.bound, search.best_value))
    total = plan.cost + plan.forgone
    gap = 0.0 if search.proven or total <= 0 else (total - bound) / total
    proven_by = search.bound_step if search.proven else ""
    return PlacementResult(
        plan=plan,
        certified_bound=certificate.bound_units / MONEY_UNITS,
        solver_bound=bound,
        gap=gap,
        proven=search.proven,
        proven_by=proven_by,
        stopped=stopped,
        certificate=certificate,
        steps=tuple(search.steps),
        limits=search.limits,
        versions=_versions(),
    )


def _versions() -> tuple[tuple[str, str], ...]:
    python = ".".join(str(part) for part in sys.version_info[:3])
    return (("highspy", solver_version()), ("numpy", version("numpy")), ("python", python), ("scipy", version("scipy")))
