"""Placement from end to end; read `solve_placement` as the table of contents."""

from __future__ import annotations

import math
import sys
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from importlib.metadata import version

import numpy as np

from meshplan.planning.branching import BranchSearch, Path
from meshplan.planning.capacity import insertion_plan
from meshplan.planning.certificate import proven_bound_units
from meshplan.planning.closing import close_gap, usable_columns
from meshplan.planning.cut_lp import ALL_AT_ONCE, CutLp, PricedBound
from meshplan.planning.demand import Demand, build_model, demand_of, with_priced_sensors
from meshplan.planning.greedy import Heuristic
from meshplan.planning.guided import guided_plan
from meshplan.planning.layers import BoolArray
from meshplan.planning.order import ByName
from meshplan.planning.outcome import choose_routes, make_plan
from meshplan.planning.problem import (
    LEFT_OUT,
    MONEY_UNITS,
    Certificate,
    CertificateBranch,
    CutRow,
    OnProgress,
    PlacementProblem,
    PlacementResult,
    SolveLimits,
    StopReason,
    UnservedReason,
)
from meshplan.planning.regions import RegionSearch
from meshplan.planning.reliability import likeliest_plan
from meshplan.planning.search import Search
from meshplan.planning.solver import solver_version

LARGEST_CLOSING = 3500
"""Columns up to which the closing programme has a chance where branching is no use."""

LP_SHARE = 0.35
"""Share of a time limit that the linear programme may use; better plans need the rest."""

MOST_IDLE = 25
"""Regions tried in a row without gain before the closing programme takes over."""

BRANCHES_A_TURN, REGIONS_A_TURN = 10, 3
"""How many branches and regions are looked at by turns, where no clock lets them run side by side."""

BRANCHES_PER_ITERATION = 8
"""Branches looked at, per iteration of the limits; fewer where a branch has more columns than one programme can take at once."""

NODES_PER_ITERATION = 25
"""Nodes that the closing programme may branch on, per iteration of the limits."""

SMALL_BRANCHES = 100
"""Branches tried before the closing programme where it is tried at once: they leave a proof that needs no solver."""

CERTIFYING_BRANCHES = 400
"""Branches tried after the closing programme has proven a plan, so that its bound stands without a solver."""

MOST_WEIGHTS = 400_000
"""Numbers that the branches of a certificate may take; with more, it proves less than the solver says."""

SMALL = 600
"""Columns up to which the closing programme is tried at once."""

CERTIFICATE_SCALE = 1000
"""Certificate weights are whole thousandths of a thousandth of the currency unit."""


def solve_placement(
    problem: PlacementProblem, *, limits: SolveLimits | None = None, on_progress: OnProgress | None = None
) -> PlacementResult:
    """Return the cheapest plan that can be found within the limits, with a lower bound on every plan's cost.

    When budget, airtime or sites do not allow all required sensors to be served, those of the greatest importance together are.
    Of equal plans names decide, never the order of sensors and nodes. Ctrl-C ends the search, not the call: the best plan so far is
    returned with its gap.
    """
    limits = limits or SolveLimits()
    by_name = ByName.of(problem)
    demand = demand_of(by_name.problem)
    search, branching, stopped = _search(by_name.problem, demand, limits, on_progress)
    found = search.best is not None
    result = _result(search, branching, stopped, {}) if found else _serve_the_most(search, limits, on_progress)
    return replace(result, plan=by_name.as_given(result.plan))


def _search(
    problem: PlacementProblem,
    demand: Demand,
    limits: SolveLimits,
    on_progress: OnProgress | None,
    start: BoolArray | None = None,
) -> tuple[Search, BranchSearch, StopReason]:
    """Run all steps in turn; stop early when the plan is proven, time is up, or the user has had enough."""
    model = build_model(problem, demand)
    search = Search(problem, demand, model, Heuristic(problem, problem.hop_limit), limits, on_progress)
    lp = CutLp(model, limits.seed)
    branching = BranchSearch(search, lp)
    stopped: StopReason = "iteration limit"
    try:
        if start is not None:
            search.offer(start, "first plan")
        _first_plan(search)
        _raise_bound(search, lp)
        if _columns_left(search, lp) <= SMALL and _may_branch(search):
            branching.run(SMALL_BRANCHES, 0.7)
            search.record("branching", f"{branching.done} branches, {branching.n_open} open")
        if _columns_left(search, lp) <= SMALL or _is_shallow(problem):
            _close(search, lp, 0.7)
        if _may_branch(search):
            _branch_and_improve(search, branching)
            largest = SMALL
        else:
            _improve_regions(search, lp, 0.6)
            largest = LARGEST_CLOSING if limits.time_s is not None else 3 * LARGEST_CLOSING
        if _columns_left(search, lp) <= largest:
            _close(search, lp, 1.0)
        _improve_regions(search, lp, 1.0)
        _certify(search, branching)
        _prefer_likely(search, lp)
    except KeyboardInterrupt:
        stopped = "interrupted"
        if search.best is None:
            _first_plan(search)
    if search.proven:
        stopped = "proven"
    elif stopped != "interrupted" and search.out_of_time():
        stopped = "time limit"
    return search, branching, stopped


def _without_cost(on_progress: OnProgress | None) -> OnProgress | None:
    """Return what hears of a search whose prices are weights: that it goes on, and no cost."""
    if on_progress is None:
        return None
    return lambda event: on_progress(replace(event, best_cost=math.inf, gap=1.0))


def _serve_the_most(tried: Search, limits: SolveLimits, on_progress: OnProgress | None) -> PlacementResult:
    """Choose the sensors to serve by importance, then find the cheapest plan for them."""
    problem = tried.problem
    priced = with_priced_sensors(problem, tried.demand)
    choice, _, _ = _search(priced.problem, priced.demand, limits, _without_cost(on_progress))
    opened = choice.best if choice.best is not None else problem.forced
    left = choice.asked(opened)
    routing = choice.routing(opened) if problem.has_capacity else None
    left = priced.chosen(left)
    if routing is not None:
        left.single[list(routing.dropped)] = left.double[list(routing.dropped)] = False
    required = np.array([sensor.required for sensor in problem.sensors], dtype=bool)
    keep = left.single | ~required
    demand = Demand(tried.demand.single & keep, tried.demand.double & (left.double | ~required))
    search, branching, stopped = _search(problem, demand, limits, on_progress, start=opened)
    n_lost, n_once = int((tried.demand.single & ~keep).sum()), int((tried.demand.double & keep & ~demand.double).sum())
    word = "proven" if choice.proven else "not proven"
    once = f", {n_once} without the second route they asked for" if n_once else ""
    search.record("choice of sensors", f"{n_lost} left out{once}; that no more important ones can be served is {word}")
    reason = why_not_all(problem)
    why = {int(i): reason for i in np.flatnonzero(tried.demand.single & ~(keep & (demand.double | ~tried.demand.double)))}
    result = _result(search, branching, stopped, why)
    if choice.proven or not result.proven:
        return result
    return replace(result, proven=False, proven_by="", stopped="iteration limit")


def why_not_all(problem: PlacementProblem) -> UnservedReason:
    """Return what keeps sensors out that could each be served alone."""
    if np.isfinite(problem.budget):
        return "budget is spent"
    return "airtime is full" if problem.has_capacity else "one mast per site"


def _first_plan(search: Search) -> None:
    prices, skips, forced = search.node_prices(), search.skip_prices(), search.problem.forced
    opened = search.heuristic.complete(forced.copy(), search.demand, prices, skips)
    search.offer(search.heuristic.prune(opened, search.asked(opened), prices), "first plan")
    if search.problem.has_capacity:
        roomy = insertion_plan(search.problem, search.heuristic, search.demand, prices, skips)
        search.offer(roomy, "first plan")
    if np.isfinite(search.problem.budget) and search.model.skip_sensor.size:
        for share in np.geomspace(1.0, 1e-6, 25):
            fewer = search.heuristic.complete(forced.copy(), search.demand, prices, skips * share)
            search.offer(search.heuristic.prune(fewer, search.asked(fewer), prices), "first plan")
    search.record("first plan", f"{int(opened.sum())} nodes before pruning")


def _raise_bound(search: Search, lp: CutLp) -> None:
    search.raise_bound(search.model.forced_cost, "cuts")
    budget, values = search.problem.budget, [0.0]
    for _ in range(search.limits.iterations):
        if (
            search.proven
            or search.out_of_time(LP_SHARE)
            or _tails_off(values, search)
            or search.money(search.bound) > budget + search.total_worth
        ):
            break
        if lp.rounds == 0 and search.best is not None:
            lp.activate(np.flatnonzero(search.best[search.model.item_node]))
        if lp.rows and not lp.solve(search.time_left(LP_SHARE + 0.1)):
            break
        search.raise_bound(lp.value, "cuts")
        values.append(lp.value)
        if lp.rounds % 4 == 3:
            guided_plan(search, lp, "cuts")
        if lp.add(lp.separate()) == 0:
            break
    if not search.proven:
        guided_plan(search, lp, "cuts")
    search.record("cuts", f"{len(lp.rows)} cuts, {lp.rounds} rounds")


def _tails_off(values: list[float], search: Search) -> bool:
    """Return whether the bound rises so slowly that, with a clock running, better plans are the better use of time."""
    if search.limits.time_s is None or len(values) <= 8 or not search.out_of_time(0.15):
        return False
    return values[-1] - values[-6] < 0.002 * values[-1]


def _columns_left(search: Search, lp: CutLp) -> int:
    return int(usable_columns(search, lp.reduced, lp.value).size)


def _is_shallow(problem: PlacementProblem) -> bool:
    """Return whether relays stand next to gateways only: then the closing programme is easy at any size."""
    return problem.hop_limit is not None and problem.hop_limit <= 2 and problem.has_levels


def _may_branch(search: Search) -> bool:
    """Return whether branches are worth it: a budget or airtime may forbid plans that no cut forbids."""
    problem = search.problem
    return search.best is not None and not search.proven and not problem.has_capacity and not np.isfinite(problem.budget)


def _certify(search: Search, branching: BranchSearch) -> None:
    """Branch on where only the closing programme says that the plan is the cheapest, so that it need not be believed."""
    before = branching.done
    if search.proven and search.bound_step == "closing" and not search.problem.has_capacity:
        branching.run(before + CERTIFYING_BRANCHES, to_the_end=True)
        search.record("certifying", f"{branching.done - before} branches, {branching.n_open} open")


def _branch_and_improve(search: Search, branching: BranchSearch) -> None:
    """Branch for the bound and rebuild regions for the plan: side by side against a clock, else by turns."""
    lp = branching.lp
    regions = RegionSearch.of(search, lp)
    if search.limits.time_s is None:
        columns = max(search.model.cost.size, ALL_AT_ONCE)
        most = max(BRANCHES_PER_ITERATION * search.limits.iterations * ALL_AT_ONCE // columns, 1)
        while not search.proven and ((branching.n_open and branching.done < most) or _is_worth_trying(search, regions)):
            branching.run(min(most, branching.done + BRANCHES_A_TURN))
            _try_regions(search, regions, most=REGIONS_A_TURN if regions.idle < 2 * REGIONS_A_TURN else 1)
    else:
        with ThreadPoolExecutor(1) as pool:
            worker = pool.submit(_branch, branching)
            try:
                _try_regions(search, regions)
                worker.result()
            except BaseException:
                search.stopped = True
                raise
    search.record("branching", f"{branching.done} branches, {branching.n_open} open")
    _keep_rows(search, regions, lp)


def _branch(branching: BranchSearch) -> None:
    try:
        branching.run(sys.maxsize)
    except BaseException:
        branching.search.stopped = True
        raise


def _improve_regions(search: Search, lp: CutLp, share: float) -> None:
    if search.best is None or search.proven or search.problem.has_capacity or search.out_of_time(share):
        return
    regions = RegionSearch.of(search, lp)
    _try_regions(search, regions, share)
    _keep_rows(search, regions, lp)


def _try_regions(search: Search, regions: RegionSearch, share: float = 1.0, most: int = sys.maxsize) -> None:
    """Rebuild one region after the other, at most so many, until they gain nothing any more."""
    last = regions.tried + most
    while regions.tried < last and not search.out_of_time(share) and not search.stopped and _is_worth_trying(search, regions):
        regions.improve_once()


def _is_worth_trying(search: Search, regions: RegionSearch) -> bool:
    most_idle = MOST_IDLE if search.limits.time_s is None else 4 * MOST_IDLE
    return not search.proven and regions.idle < most_idle and regions.tried < search.limits.iterations


def _keep_rows(search: Search, regions: RegionSearch, lp: CutLp) -> None:
    lp.add(regions.pool[regions.n_given :])
    search.record("regions", f"{regions.gained} of {regions.tried} regions gained")


def _close(search: Search, lp: CutLp, share: float) -> None:
    if search.proven:
        return
    columns = usable_columns(search, lp.reduced, lp.value)
    detail = close_gap(search, lp.rows, columns, max_nodes=search.limits.iterations * NODES_PER_ITERATION, share=share)
    search.record("closing", f"{columns.size} of {search.model.cost.size} columns; {detail}")


def _prefer_likely(search: Search, lp: CutLp) -> None:
    """Exchange the best plan for the likeliest one of the same cost."""
    if search.best is None or search.problem.has_capacity or search.out_of_time():
        return
    usable = np.zeros(len(search.problem.nodes), dtype=bool)
    affordable = np.flatnonzero(lp.reduced[: search.model.n_items] <= search.best_value - lp.value + 1e-6)
    usable[search.model.item_node[affordable]] = True
    search.best, detail = likeliest_plan(search, usable | search.problem.forced)
    search.record("reliability", detail)


def make_certificate(search: Search, branching: BranchSearch) -> Certificate:
    """Return the row prices of the linear programme, and of its branches where they prove more, as whole numbers."""
    problem, model, lp = search.problem, search.model, branching.lp
    scale = CERTIFICATE_SCALE * max(1000 // problem.cost_step, 1)
    units = problem.cost_step * scale
    number: dict[bytes, int] = {}
    rows: list[CutRow] = []

    def weights_of(proof: PricedBound) -> tuple[tuple[int, int], ...]:
        weights = []
        for row, dual in zip(proof.rows, proof.duals, strict=True):
            weight = int(np.floor(dual * units + 1e-3))
            if weight > 0 and row.proof:
                named = model.members(row)
                key = bytes(str((row.sensor, row.without, int(row.need), named)), "ascii")
                if key not in number:
                    members = tuple((problem.nodes[node].id, level) for node, level in named)
                    without = problem.nodes[row.without].id if row.without >= 0 else ""
                    number[key] = len(rows)
                    rows.append(CutRow(problem.sensors[row.sensor].id, 0, int(row.need), members, without))
                weights.append((number[key], weight))
        return tuple(weights)

    def prices_of(proof: PricedBound) -> tuple[tuple[str, int], ...]:
        site = [problem.nodes[model.item_node[group[0]]].site_id for group in model.site_groups]
        return tuple((name, int(np.ceil(-dual * units))) for name, dual in zip(site, proof.site_duals, strict=True) if dual < 0)

    def decision(column: int, opens: bool) -> tuple[str, int, bool]:
        if column >= model.n_items:
            return problem.sensors[model.skip_sensor[column - model.n_items]].id, LEFT_OUT, opens
        return problem.nodes[model.item_node[column]].id, int(model.item_level[column]), opens

    def branch(path: Path, proof: PricedBound) -> CertificateBranch:
        return CertificateBranch(tuple(decision(*step) for step in path), weights_of(proof), prices_of(proof))

    root = lp.root_proof()
    for index, weight in weights_of(root):
        rows[index] = replace(rows[index], weight=weight)
    served = tuple(problem.sensors[i].id for i in np.flatnonzero(search.demand.single))
    plain = Certificate(0, scale, served, tuple(rows), prices_of(root))
    plain = replace(plain, bound_units=proven_bound_units(problem, plain))
    leaves = branching.leaves()
    if search.best is None or sum(len(proof.rows) for _, proof in (*leaves, *(((), p) for p in branching.sieves))) > MOST_WEIGHTS:
        return plain
    branches = tuple(branch(*leaf) for leaf in leaves)
    sieves = tuple(branch((), proof) for proof in branching.sieves)
    split = Certificate(search.best_value * problem.cost_step, scale, served, tuple(rows), prices_of(root), branches, sieves)
    # Sieves shut what is too dear for the bound, so a lower bound shuts no less and proves itself.
    split = replace(split, bound_units=proven_bound_units(problem, split))
    return split if split.bound_units > plain.bound_units else plain


def _result(search: Search, branching: BranchSearch, stopped: StopReason, why: dict[int, UnservedReason]) -> PlacementResult:
    problem = search.problem
    opened = search.best if search.best is not None else problem.forced
    demand = search.demand if search.best is not None else Demand(search.demand.single, search.demand.double & False)
    routing = search.routing(opened) if problem.has_capacity and search.best is not None else None
    fixed = None if routing is None else routing.ways
    plan = make_plan(problem, opened, demand, choose_routes(problem, opened, demand, fixed), why)
    certificate = make_certificate(search, branching)
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
        versions=software_versions(),
    )


@cache
def software_versions() -> tuple[tuple[str, str], ...]:
    """Return the versions of what a search rests on."""
    python = ".".join(str(part) for part in sys.version_info[:3])
    return (("highspy", solver_version()), ("numpy", version("numpy")), ("python", python), ("scipy", version("scipy")))
