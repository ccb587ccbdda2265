r"""A proof that no plan is cheaper than a bound, checked in whole numbers, without a solver and without the code that made it.

The statement
-------------
A plan opens a set X of allowed nodes: all that are forced in, and at most one at each site. A site is one physical place, whatever
rows name it: it carries one device, and when it fails, all of it that may fail is lost. A route of a sensor is a way over usable
links through nodes of X, relays and then one gateway, of at most `hop_limit` links and with a good enough chance: the product of
its links' chances is no less than the sensor's own floor (`route_floors`). Chances are counted as whole billionths of log loss,
with so much room (`route_loss_limits[s]`) that rounding refuses no route of exactly the floor. Where links that a plan may use
cannot multiply to less than any floor in as many links as a route may have (`limits_routes` is false), every way within the hop
limit is good enough, and losses are not counted. A certificate names the sensors that it speaks of, `served`; those of them that
have a row with need 2 or a failed node are asked to keep a route (of at most `second_hop_limit` links) through the loss of any one
site that the rule lets fail, whether or not the site lies on a longer route that they have; the others are asked for one route.
(Where nothing of X may fail, one route is all.) An optional sensor of `served` that does not get what it is asked is left out. The
value of a plan is c(X), what its nodes cost, plus the worth of the sensors that it leaves out. If the checker finds no fault, then

    every plan that gives each required sensor of `served` what it is asked has at least the value `bound_units`.

Budgets, airtime and sensors that are not named only forbid plans, so the bound holds under them as well. No bound is proven for a
sensor that has no such route with everything opened: `served` must not name it, or the bound would be about no plan at all.

Columns
-------
Of a plan with X we look at numbers that it makes 0 or 1. y(s) is 1 when the optional sensor s of `served` is left out. Where
routes have a hop limit, no sensor asks for two and no airtime is limited (`has_levels`), the *level* of a node of X is the least
number of links in which it reaches a gateway of X over usable links and nodes of X, whatever their chance; 0 for a gateway itself.
z(v, l) is 1 when v is in X with level l, 0 <= l < `hop_limit`. A node of X without a way to a gateway has no level. So of all
columns of one node at most one is 1. In all other problems each node has one column, z(v, -1), which is 1 when v is in X.

Rows
----
A row is a sensor s, a set M of columns, a need n and, perhaps, a failed node f. The checker accepts it only when no walk avoids
M: it walks from s over usable links, relays only, down to a gateway, with the links that are left as the level of each node met,
and gives a walk up only when its log loss passes the limit of s itself; with need 2 or f it keeps the hop limit after a failure,
with f it does not pass what falls with f. With levels and floors it accepts a row when one of two is true: (a) no walk avoids M
where walks of any chance are counted, or (b) no good enough walk avoids the nodes that M holds *down from* where the walk meets
them: v with k links left is held when M names v at every level from d(v) to k, d(v) being the least number of links from v to a
gateway with everything opened. m(v) is 2 for a gateway that cannot fail when n = 2, else 1. Then every plan obeys

    sum of m(v) z(v, l) over M  +  n y(s)  >=  n.          (R)

Proof. If y(s) = 1 nothing is left to prove. Otherwise s has what it is asked.
With levels (n = 1, no f): of all ways within the hop limit from s through X to a gateway of X, good enough or not, take one with
fewest links; a route is such a way, so there is one. The part from any of its nodes on is a shortest way to a gateway, so the links
that are left at a node are its level, and the way is a walk. Without floors and in case (a) it meets M, in a column that is 1.
In case (b) a route of s is a good enough walk, so at some node v of X, with k links left, M names v at every level from d(v) to k.
From v the rest of the route reaches a gateway of X, so v has a level, which is at most k; and at least d(v), as X is part of
everything. So M names v at its level, and that column is 1.
Without levels, n = 1, no f: a route of s is a walk; it meets M in a node of X.
Without levels, f: if nothing of X falls with f, a route that s has is one that avoids what falls with f: its only route where
that keeps the hop limit after a failure, and else the one that it keeps when some other site fails. If something of X falls with
f, s keeps a route without it. Either way the walk meets M in a node of X.
Without levels, n = 2: if the left side were 0 or 1, at most one node u of M would be in X, and it could fail. Let its site fail
(any other that can, where there is no u; and when nothing of X can fail, all of X are gateways and s has one of them one link
away). s keeps a route, which is a walk and meets M in a node of X that has not failed: not in u, hence in a second one.
Contradiction.
A node counts once in a row, since no level is named twice and without levels there is one.

Weights
-------
Give each row r a weight w(r) >= 0 and each site a price q >= 0. Plans have at most one node of a site, so for every plan

    value >= value - sum of w(r) (left side of r - n(r)) + sum over sites of q (nodes of X there - 1)
           = sum of w n - sum of q + sum over nodes of (c + q - load) + sum over sensors left out of (worth - load),         (W)

where the load of a node that is opened at level l is L(v, l), the sum of w m over the rows that name (v, l). Loads on different
levels of one node are never added: it stands at one. (They are added over rows.) The load of a sensor is the sum of w n over its
rows. Each node and sensor is on its own now, and the least of its possibilities bounds (W) from below: not opened 0, opened
c + q - L(v, l) for a level l, or c + q without one. (A node that is forced in is opened.) So the bound of the weights is

    sum of w n - sum of q + sum over nodes of least(v) + sum over optional sensors of least(s),

rounded up to the next whole multiple of `cost_step`, of which every cost and worth is one.

Branches
--------
Decisions say of a column whether it is 1 or 0. The decisions of the branches are those of the leaves of one tree, which takes
both sides of every decision; columns are 0 or 1, so each plan is in exactly one branch. In a branch only the possibilities remain
that agree with its decisions: where (v, l) is 1, v is opened at l, and where it is 0, v is not opened at l. (v may still be
opened at another level or without one.) The bound is the least of the branches.

Sieves
------
A sieve is a set of weights. It shuts a column if every plan in which the column is 1 has by these weights at least the value
`bound_units`: the bound of the weights, with the least of this node replaced by c + q - L(v, l). In later sieves and in the
branches a shut column is 0. Proof: a plan of less value than `bound_units` has no shut column, by induction over the sieves. So
it is in one of the branches with its shut columns 0 and has at least the bound of that branch. All plans together have at least
the value min(`bound_units`, bounds of the branches): that is what is proven.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.certificate_form import EVERY_LEVEL, form_faults, has_levels
from meshplan.planning.cut_search import CutSearch
from meshplan.planning.problem import LEFT_OUT, Certificate, CertificateBranch, CutRow, PlacementPlan, PlacementProblem


@dataclass(frozen=True, slots=True)
class CertificateCheck:
    """Whether the certificate holds, the bound it proves in thousandths of the currency unit, and what is wrong with it."""

    holds: bool
    bound_units: int
    faults: tuple[str, ...]


def check_certificate(problem: PlacementProblem, certificate: Certificate, plan: PlacementPlan | None = None) -> CertificateCheck:
    """Check form, rows and branches, add up the bound, and compare it with what the certificate claims.

    Parameters
    ----------
    plan : PlacementPlan, optional
        When given, it must serve what the certificate speaks of, and its value must not lie below the bound that is proven.
    """
    faults = form_faults(problem, certificate) or _row_faults(problem, certificate)
    if faults:
        return CertificateCheck(False, 0, tuple(faults))
    bound = proven_bound_units(problem, certificate)
    if bound < certificate.bound_units:
        faults.append(f"the rows prove {bound}, not the {certificate.bound_units} that is claimed")
    if plan is not None:
        faults += _plan_faults(problem, certificate, plan, bound)
    return CertificateCheck(not faults, bound, tuple(faults))


def proven_bound_units(problem: PlacementProblem, certificate: Certificate) -> int:
    """Return the bound that the certificate adds up to, in thousandths of the currency unit.

    That each row is a cut and that the branches hold every plan is taken for granted.
    """
    weighing = _Weighing(problem, certificate)
    every = CertificateBranch((), tuple((i, row.weight) for i, row in enumerate(certificate.rows)), certificate.site_prices)
    bound = weighing.total(every).bound_units
    if certificate.branches:
        for sieve in certificate.sieves:
            weighing.shut(sieve, certificate.bound_units)
        least = min(weighing.total(branch).bound_units for branch in certificate.branches)
        bound = max(bound, min(least, certificate.bound_units) if certificate.sieves else least)
    return bound


Column = tuple[str, int]
"""A node at a level (or at every level), or a sensor that is left out."""


@dataclass(eq=False)
class _Total:
    """A bound in weights, its loads, and what each node and sensor contributes to it at least."""

    problem: PlacementProblem
    scale: int
    price: dict[str, int]
    units: int = 0
    load: dict[str, dict[int, int]] = field(default_factory=dict)
    least: dict[str, int] = field(default_factory=dict)

    @property
    def bound_units(self) -> int:
        """Return the bound in thousandths, rounded up to a whole number of steps."""
        return self.rounded(self.units)

    def rounded(self, units: int) -> int:
        """Return so many weights as thousandths; no plan has a value below that of the forced nodes."""
        step = self.problem.cost_step
        return max(-(-units // (self.scale * step)) * step, int(self.problem.cost_units[self.problem.forced].sum()), 0)

    def if_one(self, column: Column) -> int:
        """Return the bound in thousandths on the plans in which a column is 1."""
        name, level = column
        charged = self.price_of(name, level) - self.load.get(name, {}).get(level, 0)
        return self.rounded(self.units - self.least.get(name, self.least_unnamed(name, level)) + charged)

    def least_unnamed(self, name: str, level: int) -> int:
        """Return what a node or sensor contributes that no row and no decision names: it has no load."""
        opened = level != LEFT_OUT and self.problem.forced[self.problem.node_index[name]]
        return self.price_of(name, level) if opened else 0

    def price_of(self, name: str, level: int) -> int:
        """Return the price of a column in weights; what forced nodes cost is counted apart."""
        problem = self.problem
        if level == LEFT_OUT:
            return int(problem.worth_units[problem.sensor_index[name]]) * self.scale
        index = problem.node_index[name]
        node = problem.nodes[index]
        return (0 if node.forced_in else int(problem.cost_units[index]) * self.scale) + self.price.get(node.site_id, 0)


class _Weighing:
    """Adds up bounds of weights, under decisions and with the columns that sieves have shut."""

    def __init__(self, problem: PlacementProblem, certificate: Certificate) -> None:
        self.problem = problem
        self.rows = certificate.rows
        self.scale = certificate.scale
        self.optional = {sensor.id for sensor in problem.sensors if not sensor.required}
        self.sieves: list[tuple[_Total, int]] = []

    def shut(self, sieve: CertificateBranch, units: int) -> None:
        """From now on columns are 0 that by these weights make a plan as dear as `units`."""
        self.sieves.append((self.total(sieve), units))

    def is_shut(self, column: Column) -> bool:
        """Return whether some sieve has shut a column."""
        return any(total.if_one(column) >= units for total, units in self.sieves)

    def total(self, part: CertificateBranch) -> _Total:
        """Return the bound of the weights of a branch on the plans that agree with its decisions."""
        problem = self.problem
        total = _Total(problem, self.scale, dict(part.site_prices))
        total.units = sum(int(c) for c in problem.cost_units[problem.forced]) * self.scale - sum(total.price.values())
        for number, weight in part.weights:
            self._charge(total, self.rows[number], weight)
        decided: dict[str, dict[int, bool]] = {}
        for name, level, is_one in part.decisions:
            decided.setdefault(name, {})[level] = is_one
        priced = {node.id for node in problem.nodes if node.forced_in and node.site_id in total.price}
        for name in sorted(total.load.keys() | decided.keys() | priced):
            total.least[name] = self._least(total, name, decided.get(name, {}))
        total.units += sum(total.least.values())
        return total

    def _charge(self, total: _Total, row: CutRow, weight: int) -> None:
        total.units += weight * row.need
        for name, level in row.members:
            levels = total.load.setdefault(name, {})
            levels[level] = levels.get(level, 0) + weight * member_weight(self.problem, name, row.need)
        if row.sensor_id in self.optional:
            skipped = total.load.setdefault(row.sensor_id, {})
            skipped[LEFT_OUT] = skipped.get(LEFT_OUT, 0) + weight * row.need

    def _least(self, total: _Total, name: str, decided: dict[int, bool]) -> int:
        """Return the least that a node or sensor adds to the bound, over all that is left to it; any amount if nothing is."""
        loads = total.load.get(name, {})
        ones = [level for level, is_one in decided.items() if is_one]
        if ones:
            return total.price_of(name, ones[0]) - loads.get(ones[0], 0)
        if name in self.problem.sensor_index:
            free = decided.get(LEFT_OUT, True) and not self.is_shut((name, LEFT_OUT))
            return min(0, total.price_of(name, LEFT_OUT) - loads.get(LEFT_OUT, 0)) if free else 0
        price = total.price_of(name, EVERY_LEVEL)
        forced = bool(self.problem.forced[self.problem.node_index[name]])
        # A level matters only where its load passes what the node adds without one.
        floor = 0 if forced else price
        open_to = (at for at, load in loads.items() if load > floor and decided.get(at, True) and not self.is_shut((name, at)))
        charged = price - max((loads[at] for at in open_to), default=0)
        return charged if forced else min(0, charged)


def member_weight(problem: PlacementProblem, node_id: str, need: int) -> int:
    """Return what an opened node counts in a row: a gateway that cannot fail serves as both of two routes."""
    gateway = problem.nodes[problem.node_index[node_id]].is_gateway
    return 2 if need == 2 and gateway and problem.redundancy == "any one relay" else 1


def _row_faults(problem: PlacementProblem, certificate: Certificate) -> list[str]:
    """Return which rows are no cuts, and of which sensors nothing can be asked."""
    search = CutSearch(problem)
    doubled = _asked_twice(certificate)
    faults = [f"'{name}' {why}" for name, why in _never_served(problem, search, certificate.served, doubled)]
    for number, row in enumerate(certificate.rows):
        if _is_avoided(problem, search, row):
            faults.append(f"row {number} (sensor '{row.sensor_id}'): a route avoids every member")
    return faults


def _asked_twice(certificate: Certificate) -> set[str]:
    """Return the sensors that are asked to keep a route through a failure."""
    return {row.sensor_id for row in certificate.rows if row.need == 2 or row.without}


def _is_avoided(problem: PlacementProblem, search: CutSearch, row: CutRow) -> bool:
    everywhere = [problem.node_index[name] for name, level in row.members if level == EVERY_LEVEL]
    if row.without:
        everywhere += search.falls_with(problem.node_index[row.without]).tolist()
    at_level: dict[int, list[int]] = {}
    for name, level in row.members:
        at_level.setdefault(level, []).append(problem.node_index[name])
    hops, sensor = search.hops(row.need == 2 or bool(row.without)), problem.sensor_index[row.sensor_id]
    levels = {level: np.array(nodes) for level, nodes in at_level.items()}
    nodes = np.array(everywhere, dtype=np.int64)
    if has_levels(problem) and problem.limits_routes:
        if not search.finds_way_round(sensor, hops, nodes, levels, any_chance=True):
            return False
        levels = _held_down_from(problem, search, row)
    return search.finds_way_round(sensor, hops, nodes, levels)


def _held_down_from(problem: PlacementProblem, search: CutSearch, row: CutRow) -> dict[int, NDArray[np.int64]]:
    """Return for each number of links left the nodes that a row names at every level from their least one up to it."""
    named: dict[int, set[int]] = {}
    for name, level in row.members:
        named.setdefault(problem.node_index[name], set()).add(level)
    held: dict[int, list[int]] = {}
    for node, levels in named.items():
        level = int(search.least_level[node])
        while level in levels:
            held.setdefault(level, []).append(node)
            level += 1
    return {level: np.array(nodes, dtype=np.int64) for level, nodes in held.items()}


def _never_served(problem: PlacementProblem, search: CutSearch, served: Iterable[str], doubled: set[str]) -> list[tuple[str, str]]:
    """Return the sensors that cannot have what is asked even with everything opened, and why."""
    never = []
    walks = search.with_everything_open(search.hops(False))
    late = search.with_everything_open(search.hops(True)) if doubled else walks
    for name in served:
        sensor = problem.sensor_index[name]
        if not walks[sensor]:
            never.append((name, "has no route even with everything opened: no bound speaks of it"))
        elif name in doubled:
            # While a site fails that is not on this walk, the walk stands.
            failing = {int(problem.site_number[node]): node for node in late[sensor] if not search.lasting[node]}
            lost = not all(search.finds_way_round(sensor, search.hops(True), search.falls_with(v)) for v in failing.values())
            if lost or not late[sensor]:
                never.append((name, "has no second route even with everything opened: no bound speaks of it"))
    return never


def _plan_faults(problem: PlacementProblem, certificate: Certificate, plan: PlacementPlan, bound: int) -> list[str]:
    faults = [f"'{name}' is opened but is no node of the problem" for name in plan.opened if name not in problem.node_index]
    once = _asked_twice(certificate) & set(plan.single_route)
    served = {item.sensor_id for item in plan.served}
    lost = [problem.sensors[problem.sensor_index[name]] for name in certificate.served if name not in served or name in once]
    if any(sensor.required and sensor.id not in served for sensor in lost):
        faults.append("the certificate speaks of sensors that the plan does not serve")
    if any(sensor.required and sensor.id in once for sensor in lost):
        faults.append("the certificate asks two routes of a sensor that has one")
    opened = [problem.node_index[name] for name in set(plan.opened) if name in problem.node_index]
    units = sum(int(problem.cost_units[index]) for index in opened)
    units += sum(int(problem.worth_units[problem.sensor_index[sensor.id]]) for sensor in lost)
    if units < bound:
        faults.append(f"the plan costs {units}, less than the bound of {bound} that is proven")
    return faults
