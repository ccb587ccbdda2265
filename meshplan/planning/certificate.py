"""A proof that no plan is cheaper than a bound, checked in whole numbers without any solver.

Every row says: all routes of a sensor meet this set of nodes, so some of them must be opened. Weights on the rows that charge no
node more than it costs add up to a lower bound; where they charge more, the excess is taken off again. So any weights give a valid
bound, good or poor, as long as each set really meets all routes. That is what is checked here, row by row.

Where one set of weights does not reach the bound, the certificate splits the plans: those that open a node at a level, those that
do not, and so on. Each part has weights of its own, the bound is the least of them, and that no plan is forgotten is checked too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.problem import LEFT_OUT, Certificate, CutRow, PlacementPlan, PlacementProblem, log_loss

NO_WAY = 2**61
"""Log loss of a way that does not exist."""


@dataclass(frozen=True, slots=True)
class CertificateCheck:
    """Whether the certificate holds, the bound it proves in thousandths of the currency unit, and what is wrong with it."""

    holds: bool
    bound_units: int
    faults: tuple[str, ...]


def check_certificate(problem: PlacementProblem, certificate: Certificate, plan: PlacementPlan | None = None) -> CertificateCheck:
    """Check each row, add up the bound, and compare it with what the certificate claims.

    Parameters
    ----------
    plan : PlacementPlan, optional
        When given, its sensors must be those of the certificate and its cost must not lie below the bound.
    """
    faults = _row_faults(problem, certificate)
    faults += _branch_faults(problem, certificate)
    site_prices = [*certificate.site_prices, *(price for branch in certificate.branches for price in branch.site_prices)]
    if any(price < 0 for _, price in site_prices):
        faults.append("a site has a negative price")
    if certificate.scale < 1:
        return CertificateCheck(False, 0, (*faults, "the scale is not positive"))
    if not _hold_every_plan([branch.decisions for branch in certificate.branches]):
        faults.append("the branches leave out plans")
    bound = 0 if faults else proven_bound_units(problem, certificate)
    if not faults and bound < certificate.bound_units:
        faults.append(f"the rows prove {bound}, not the {certificate.bound_units} that is claimed")
    if plan is not None:
        faults += _plan_faults(problem, certificate, plan)
    return CertificateCheck(not faults, bound, tuple(faults))


def proven_bound_units(problem: PlacementProblem, certificate: Certificate) -> int:
    """Return the bound that the certificate adds up to, in thousandths of the currency unit.

    That each row is a cut and that the branches hold every plan is taken for granted.
    """
    weights = [(row, row.weight) for row in certificate.rows]
    bound = _weighed_bound_units(problem, certificate.scale, weights, dict(certificate.site_prices), {})
    if certificate.branches:
        parts = []
        for branch in certificate.branches:
            weights = [(certificate.rows[number], weight) for number, weight in branch.weights]
            decided = {(name, level): opened for name, level, opened in branch.decisions}
            parts.append(_weighed_bound_units(problem, certificate.scale, weights, dict(branch.site_prices), decided))
        bound = max(bound, min(parts))
    return bound


def _hold_every_plan(parts: list[tuple[tuple[str, int, bool], ...]], depth: int = 0) -> bool:
    """Return whether parts that agree in their first `depth` decisions hold every plan that agrees with those."""
    if (not parts and depth == 0) or any(len(part) == depth for part in parts):
        return True
    if len({part[depth][:2] for part in parts}) != 1:
        return False
    sides = [[part for part in parts if part[depth][2] is opened] for opened in (False, True)]
    return all(side and _hold_every_plan(side, depth + 1) for side in sides)


def _weighed_bound_units(
    problem: PlacementProblem,
    scale: int,
    weights: Sequence[tuple[CutRow, int]],
    site_price: dict[str, int],
    decided: dict[tuple[str, int], bool],
) -> int:
    """Return the bound on all plans that agree with what is decided: (node, level) opened or not, (sensor, LEFT_OUT) or not."""
    load: dict[str, dict[int, int]] = {}
    skip_load: dict[str, int] = {}
    total = 0
    one_level_each = problem.one_level_each
    for row, weight in weights:
        total += weight * row.need
        counted: set[str] = set()
        for node_id, level in row.members:
            charge = weight * member_weight(problem, node_id, row.need)
            if not one_level_each:
                # A relay may serve at several levels at once, but it is bought once.
                if node_id in counted:
                    continue
                counted.add(node_id)
            at = level if one_level_each else -1
            levels = load.setdefault(node_id, {})
            levels[at] = levels.get(at, 0) + charge
        if not problem.sensors[problem.sensor_index[row.sensor_id]].required:
            skip_load[row.sensor_id] = skip_load.get(row.sensor_id, 0) + weight * row.need
    opened = {name: level for (name, level), yes in decided.items() if yes and level != LEFT_OUT}
    for node_id in load.keys() | opened.keys():
        levels = {at: charge for at, charge in load.get(node_id, {}).items() if decided.get((node_id, at), True)}
        index = problem.node_index[node_id]
        node = problem.nodes[index]
        price = (0 if node.forced_in else int(problem.cost_units[index]) * scale) + site_price.get(node.site_id, 0)
        everywhere = levels.pop(-1, 0)
        if node_id in opened:
            total += price - everywhere - levels.get(opened[node_id], 0)
        else:
            total -= max(0, everywhere + max(levels.values(), default=0) - price)
    left_out = {name for (name, level), yes in decided.items() if yes and level == LEFT_OUT}
    for sensor_id in skip_load.keys() | left_out:
        spared = skip_load.get(sensor_id, 0) - int(problem.worth_units[problem.sensor_index[sensor_id]]) * scale
        if sensor_id in left_out:
            total -= spared
        elif decided.get((sensor_id, LEFT_OUT), True):
            total -= max(0, spared)
    total -= sum(site_price.values())
    total += sum(int(c) for c in problem.cost_units[problem.forced]) * scale
    step = problem.cost_step
    # Every plan costs a whole number of steps, so the bound may be rounded up to one.
    return max(-(-total // (scale * step)) * step, int(problem.cost_units[problem.forced].sum()), 0)


def member_weight(problem: PlacementProblem, node_id: str, need: int) -> int:
    """Return what an opened node counts in a row: a gateway that cannot fail serves as both of two routes."""
    gateway = problem.nodes[problem.node_index[node_id]].is_gateway
    return 2 if need == 2 and gateway and problem.redundancy == "any one relay" else 1


def _row_faults(problem: PlacementProblem, certificate: Certificate) -> list[str]:
    served = set(certificate.served)
    search = _CutSearch(problem)
    faults = []
    for number, row in enumerate(certificate.rows):
        fault = _row_fault(problem, row, served, search)
        if fault:
            faults.append(f"row {number} (sensor '{row.sensor_id}'): {fault}")
    return faults


def _branch_faults(problem: PlacementProblem, certificate: Certificate) -> list[str]:
    faults = []
    for number, branch in enumerate(certificate.branches):
        if any(weight < 0 or not 0 <= row < len(certificate.rows) for row, weight in branch.weights):
            faults.append(f"branch {number}: a weight is negative or of no row")
        for name, level, _ in branch.decisions:
            known = problem.sensor_index if level == LEFT_OUT else problem.node_index
            if name not in known or (level == LEFT_OUT and problem.sensors[problem.sensor_index[name]].required):
                faults.append(f"branch {number}: nothing can be decided about '{name}'")
        places = [(name, level) for name, level, _ in branch.decisions]
        if len(set(places)) < len(places):
            faults.append(f"branch {number}: decides twice about the same")
        if not problem.one_level_each and any(level >= 0 for _, level in places):
            faults.append(f"branch {number}: a relay may stand at several levels here")
    return faults


def _row_fault(  # noqa: PLR0911  (one return per reason)
    problem: PlacementProblem, row: CutRow, served: set[str], search: _CutSearch
) -> str:
    if row.sensor_id not in problem.sensor_index:
        return "no such sensor"
    if row.sensor_id not in served:
        return "the certificate does not list this sensor as served"
    if any(node_id not in problem.node_index for node_id, _ in row.members):
        return "a member is no node of the problem"
    if row.weight < 0 or row.need not in (1, 2):
        return "weight or need is out of range"
    sensor = problem.sensors[problem.sensor_index[row.sensor_id]]
    after_failure = row.need == 2 or bool(row.without)
    if after_failure and (problem.redundancy == "none" or not sensor.second_route):
        return "no redundancy rule covers this sensor"
    if row.without and (row.need != 1 or row.without not in problem.node_index):
        return "the failed node is not valid"
    if row.without and problem.redundancy == "any one relay" and problem.is_gateway[problem.node_index[row.without]]:
        return "the rule lets no gateway fail"
    if search.finds_way_round(row, after_failure):
        return "a route avoids every member"
    return ""


def _plan_faults(problem: PlacementProblem, certificate: Certificate, plan: PlacementPlan) -> list[str]:
    faults = []
    required = {s.id for s in problem.sensors if s.required}
    covered = {item.sensor_id for item in plan.served} | (set(problem.sensor_index) - required)
    if not set(certificate.served) <= covered:
        faults.append("the certificate speaks of sensors that the plan does not serve")
    doubled = {row.sensor_id for row in certificate.rows if row.need == 2 or row.without}
    if doubled & set(plan.single_route) & required:
        faults.append("the certificate asks two routes of a sensor that has one")
    served = {item.sensor_id for item in plan.served}
    units = sum(int(problem.cost_units[problem.node_index[node_id]]) for node_id in plan.opened)
    once = doubled & set(plan.single_route)
    lost = [s for s in certificate.served if (s not in served or s in once) and s in problem.sensor_index]
    left_out = [problem.sensor_index[s] for s in lost]
    units += int(problem.worth_units[left_out].sum())
    if units < certificate.bound_units:
        faults.append(f"the plan costs {units}, less than the bound {certificate.bound_units}")
    return faults


class _CutSearch:
    """Looks for a route of a sensor that meets no member of a row, level by level from the sensor down."""

    def __init__(self, problem: PlacementProblem) -> None:
        self.problem = problem
        n = len(problem.nodes)
        self.gateway = problem.is_gateway
        self.limited = problem.limits_routes
        access, backhaul = problem.usable_access, problem.usable_backhaul
        self.access_ptr, order = _pointers(access.start, len(problem.sensors))
        self.access_to, self.access_loss = access.end[order], log_loss(access.chance[order])
        self.ptr, order = _pointers(backhaul.start, n)
        self.to, self.loss = backhaul.end[order], log_loss(backhaul.chance[order])

    def finds_way_round(self, row: CutRow, after_failure: bool) -> bool:
        """Return whether some good enough route meets no member."""
        problem = self.problem
        second = problem.hop_limit if problem.second_hop_limit is None else problem.second_hop_limit
        hops = second if after_failure else problem.hop_limit
        everywhere = [problem.node_index[node_id] for node_id, level in row.members if level < 0]
        if row.without:
            everywhere.append(problem.node_index[row.without])
        at_level: dict[int, list[int]] = {}
        for node_id, level in row.members:
            at_level.setdefault(level, []).append(problem.node_index[node_id])
        sensor = problem.sensor_index[row.sensor_id]
        heard = slice(self.access_ptr[sensor], self.access_ptr[sensor + 1])
        start, start_loss = self.access_to[heard], self.access_loss[heard]
        limit = min(int(problem.route_loss_limits[sensor]), NO_WAY - 1)
        n = len(problem.nodes)
        sweeps = range(n, -1, -1) if hops is None else range(hops - 1, -1, -1)
        best = np.full(n, NO_WAY, dtype=np.int64)
        for level in sweeps:
            fresh = np.full(n, NO_WAY, dtype=np.int64)
            np.minimum.at(fresh, start, start_loss if self.limited else 0)
            links, links_loss = self._links_from(np.flatnonzero(best <= limit), best)
            np.minimum.at(fresh, links, links_loss)
            fresh[everywhere] = NO_WAY
            if hops is not None:
                fresh[at_level.get(level, [])] = NO_WAY
            good = fresh <= limit
            if (good & self.gateway).any() and (level == 0 or hops is None):
                return True
            # On the way down a gateway ends the walk, so only relays go on.
            fresh[self.gateway] = NO_WAY
            if hops is None:
                fresh = np.minimum(fresh, best)
                if np.array_equal(fresh, best):
                    return False
            best = fresh
        return False

    def _links_from(self, nodes: NDArray[np.int64], best: NDArray[np.int64]) -> tuple[NDArray[np.int32], NDArray[np.int64]]:
        counts = self.ptr[nodes + 1] - self.ptr[nodes]
        base = np.repeat(self.ptr[nodes] - np.concatenate(([0], np.cumsum(counts)[:-1])), counts) if nodes.size else counts
        where = base + np.arange(counts.sum())
        loss = np.repeat(best[nodes], counts) + (self.loss[where] if self.limited else 0)
        return self.to[where], loss


def _pointers(start: NDArray[np.int32], n_rows: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    pointers = np.zeros(n_rows + 1, dtype=np.int64)
    np.cumsum(np.bincount(start, minlength=n_rows), out=pointers[1:])
    return pointers, np.argsort(start, kind="stable")
