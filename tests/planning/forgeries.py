"""Truth by trying every plan, and forgers who try to prove more than it. Shares nothing with the checker but the problem."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from brute_force import BruteForce
from scipy.optimize import linprog

from meshplan.planning.problem import LEFT_OUT, Certificate, CertificateBranch, CutRow, PlacementProblem

Column = tuple[str, int]


class Truth:
    """Value of every plan: each set of nodes with one at most of a site, and what it gives to each sensor."""

    def __init__(self, problem: PlacementProblem) -> None:
        self.problem = problem
        nodes, force = problem.nodes, BruteForce(problem)
        allowed = sum(1 << v for v, node in enumerate(nodes) if node.power_ok and not node.forbidden)
        forced = sum(1 << v for v, node in enumerate(nodes) if node.forced_in)
        sites: dict[str, int] = {}
        for v, node in enumerate(nodes):
            sites[node.site_id] = sites.get(node.site_id, 0) | 1 << v
        plans = np.arange(1 << len(nodes), dtype=np.int64)
        keep = (plans & ~allowed == 0) & (plans & forced == forced)
        for mask in sites.values():
            inside = plans & mask
            keep &= inside & (inside - 1) == 0
        self.plans = plans[keep]
        self.cost = np.zeros(self.plans.size, dtype=np.int64)
        for v, node in enumerate(nodes):
            self.cost += np.where(self.plans >> v & 1, round(node.cost * 1000), 0)
        gateways_fail = problem.redundancy == "any one relay or gateway"
        failing = [
            sum(1 << v for v, node in enumerate(nodes) if mask >> v & 1 and (gateways_fail or not node.is_gateway))
            for mask in sites.values()
        ]
        self.once: dict[str, np.ndarray] = {}
        self.twice: dict[str, np.ndarray] = {}
        for i, sensor in enumerate(problem.sensors):
            ways, late = ([sum(1 << v for v in way) for way, _ in found[i]] for found in (force.ways, force.late_ways))
            self.once[sensor.id] = self._has(ways)
            after = [self._has([way for way in late if not way & lost]) | (self.plans & lost == 0) for lost in failing if lost]
            self.twice[sensor.id] = np.logical_and.reduce([self.once[sensor.id], *after])

    def _has(self, ways: list[int]) -> np.ndarray:
        found = np.zeros(self.plans.size, dtype=bool)
        for way in ways:
            found |= self.plans & way == way
        return found

    def values(self, certificate: Certificate) -> np.ndarray:
        """Return the value of every plan that gives the required sensors of the certificate what it speaks of."""
        doubled = {row.sensor_id for row in certificate.rows if row.need == 2 or row.without}
        value, fits = self.cost.copy(), np.ones(self.plans.size, dtype=bool)
        for sensor in self.problem.sensors:
            if sensor.id in certificate.served:
                gets = self.twice[sensor.id] if sensor.id in doubled else self.once[sensor.id]
                if sensor.required:
                    fits &= gets
                else:
                    value += np.where(gets, 0, round(sensor.worth * 1000))
        return value[fits]

    def optimum(self, certificate: Certificate) -> int | None:
        """Return the least value of a plan that a certificate speaks of, in thousandths; None if there is none."""
        values = self.values(certificate)
        return int(values.min()) if values.size else None


class Forger:
    """Makes certificates for one problem that are false, or true and as strong as can be."""

    def __init__(self, problem: PlacementProblem, genuine: Certificate, seed: int) -> None:
        self.problem = problem
        self.genuine = genuine
        self.rng = np.random.default_rng(seed)
        self.layered = problem.has_levels
        self.force = BruteForce(problem)
        self.names = [node.id for node in problem.nodes]
        self.sensors = [sensor.id for sensor in problem.sensors]
        self.optional = [sensor.id for sensor in problem.sensors if not sensor.required and sensor.id in genuine.served]
        self.doubled = sorted({row.sensor_id for row in genuine.rows if row.need == 2 or row.without})

    # --- numbers, names and columns, sensible and not -------------------------------------------------------------------

    def some(self, things: Any) -> Any:
        """Return one of several things."""
        things = list(things)
        return things[int(self.rng.integers(len(things)))]

    def level(self) -> int:
        """Return a level that may or may not exist."""
        return int(self.rng.integers(-4, (self.problem.hop_limit or 2) + 2))

    def column(self) -> Column:
        """Return a column that exists."""
        return self.some(self.columns)

    @cached_property
    def columns(self) -> list[Column]:
        """Return every column of the problem."""
        found = []
        for node in self.problem.nodes:
            if node.power_ok and not node.forbidden:
                levels = [-1] if not self.layered else [0] if node.is_gateway else range(1, self.problem.hop_limit or 1)
                found += [(node.id, level) for level in levels]
        return found

    def weight(self) -> int:
        """Return a weight of the order of a cost."""
        return int(self.rng.integers(0, 60)) * 1000 * self.genuine.scale

    # --- true rows ------------------------------------------------------------------------------------------------------

    def cut(self, sensor: str, need: int = 1, without: str = "") -> CutRow | None:
        """Return a true row of a sensor, with as few members as possible; None when it has no route to cut."""
        index = self.sensors.index(sensor)
        ways = (self.force.late_ways if need == 2 or without else self.force.ways)[index]
        if without:
            site = {n.id: n.site_id for n in self.problem.nodes}
            lost = {
                v
                for v, n in enumerate(self.problem.nodes)
                if n.site_id == site[without] and (not n.is_gateway or self.problem.redundancy == "any one relay or gateway")
            }
            ways = [(nodes, way) for nodes, way in ways if not nodes & lost]
        any_chance = self.layered and self.problem.limits_routes and bool(self.rng.random() < 0.5)
        if any_chance:
            ways = self.force_any.ways[index]
        walks = [self._columns_of(way) for _, way in ways]
        if not walks:
            return None
        held = self.layered and self.problem.limits_routes and not any_chance
        kept = set(self.columns)
        for column in self.rng.permutation(len(self.columns)):
            fewer = kept - {self.columns[column]}
            if all(self._meets(walk, fewer, held) for walk in walks):
                kept = fewer
        return CutRow(sensor, 0, need, tuple(sorted(kept)), without)

    def _meets(self, walk: set[Column], kept: set[Column], held: bool) -> bool:
        """Return whether a walk meets a column; `held`: it and all below, as a good route may be longer than a node's level."""
        if not held:
            return bool(walk & kept)
        return any(all((name, at) in kept for at in range(min(level, 1), level + 1)) for name, level in walk)

    @cached_property
    def force_any(self) -> BruteForce:
        """Return the same problem without floors: all ways within the hop limit."""
        sensors = tuple(replace(sensor, min_route_chance=0.0) for sensor in self.problem.sensors)
        return BruteForce(replace(self.problem, sensors=sensors, min_route_chance=0.0))

    def _columns_of(self, way: tuple[int, ...]) -> set[Column]:
        levels = range(len(way) - 1, -1, -1)
        return {(self.names[v], level if self.layered else -1) for v, level in zip(way, levels, strict=True)}

    def true_rows(self, count: int) -> list[CutRow]:
        """Return true rows of the sensors of the genuine certificate."""
        rows: dict[object, CutRow] = {}
        failing = [n.id for n in self.problem.nodes if not n.is_gateway or self.problem.redundancy == "any one relay or gateway"]
        for _ in range(count if self.genuine.served else 0):
            sensor = self.some(self.genuine.served)
            kinds = [(1, "")] if sensor not in self.doubled else [(1, ""), (2, ""), (1, self.some(failing))]
            row = self.cut(sensor, *self.some(kinds))
            if row is not None:
                rows[row.sensor_id, row.need, row.without, row.members] = row
        return list(rows.values())

    # --- certificates from scratch --------------------------------------------------------------------------------------

    def strongest(self, rows: list[CutRow], decisions: tuple[tuple[str, int, bool], ...] = ()) -> dict[int, int]:
        """Return the weights that prove most on the plans that agree with the decisions: the prices of a linear programme."""
        if not rows:
            return {}
        skips = [(name, LEFT_OUT) for name in self.optional]
        columns = self.columns + skips
        place = {column: i for i, column in enumerate(columns)}
        cost = [0 if self._node(n).forced_in else round(self._node(n).cost * 1000) for n, _ in self.columns]
        cost += [round(self._sensor(n).worth * 1000) for n, _ in skips]
        matrix = np.zeros((len(rows), len(columns)))
        for r, row in enumerate(rows):
            for name, level in row.members:
                twice = row.need == 2 and self._node(name).is_gateway and self.problem.redundancy == "any one relay"
                matrix[r, place[name, level]] = 2 if twice else 1
            if row.sensor_id in self.optional:
                matrix[r, place[row.sensor_id, LEFT_OUT]] = row.need
        bounds = [(0.0, 1.0)] * len(columns)
        for name, level, is_one in decisions:
            if (name, level) in place:
                bounds[place[name, level]] = (1.0, 1.0) if is_one else (0.0, 0.0)
        answer = linprog(cost, A_ub=-matrix, b_ub=[-row.need for row in rows], bounds=bounds)
        if answer.status != 0:
            return {r: self.weight() for r in range(len(rows))}
        return {r: int(-dual * self.genuine.scale) for r, dual in enumerate(answer.ineqlin.marginals) if dual < -1e-9}

    def from_scratch(self, n_rows: int = 25, claim: int = 0) -> Certificate:
        """Return a certificate of true rows with strong or random weights, perhaps with a tree of decisions and sieves."""
        rows = self.true_rows(n_rows)
        clever = self.rng.random() < 0.7
        weigh = self.strongest if clever else lambda rows, _=(): {r: self.weight() // 3 for r in range(len(rows))}
        branches = []
        if self.rng.random() < 0.7:
            branches = [CertificateBranch(d, tuple(weigh(rows, d).items()), self.prices(0.1)) for d in self.tree()]
        sieves = []
        if branches and self.rng.random() < 0.4:
            sieves = [
                CertificateBranch((), tuple(weigh(rows).items()), self.prices(0.1)) for _ in range(int(self.rng.integers(1, 3)))
            ]
        root = weigh(rows) if self.rng.random() < 0.8 else {}
        rows = [replace(row, weight=root.get(r, 0)) for r, row in enumerate(rows)]
        return Certificate(
            claim, self.genuine.scale, self.genuine.served, tuple(rows), self.prices(0.2), tuple(branches), tuple(sieves)
        )

    def strengthened(self, certificate: Certificate) -> Certificate:
        """Return a certificate with more true rows, and the weights that prove most in each of its branches."""
        known = {(row.sensor_id, row.need, row.without, row.members) for row in certificate.rows}
        fresh = [row for row in self.true_rows(8) if (row.sensor_id, row.need, row.without, row.members) not in known]
        rows = [*certificate.rows, *fresh]
        if any(self._is_broken(row) for row in rows):
            return certificate
        branches = tuple(replace(b, weights=tuple(self.strongest(rows, b.decisions).items())) for b in certificate.branches)
        root = self.strongest(rows)
        return replace(
            certificate, rows=tuple(replace(row, weight=root.get(r, 0)) for r, row in enumerate(rows)), branches=branches
        )

    def prices(self, share: float) -> tuple[tuple[str, int], ...]:
        """Return prices of some sites."""
        sites = sorted({node.site_id for node in self.problem.nodes})
        return tuple((site, self.weight() // 2) for site in sites if self.rng.random() < share)

    def tree(self, depth: int = 3) -> list[tuple[tuple[str, int, bool], ...]]:
        """Return the leaves of a random tree of decisions."""

        def grow(path: tuple[tuple[str, int, bool], ...]) -> Iterator[tuple[tuple[str, int, bool], ...]]:
            taken = {step[:2] for step in path}
            open_to = [c for c in self.columns + [(name, LEFT_OUT) for name in self.optional] if c not in taken]
            if len(path) == depth or not open_to or (path and self.rng.random() < 0.3):
                yield path
                return
            name, level = self.some(open_to)
            yield from grow((*path, (name, level, False)))
            yield from grow((*path, (name, level, True)))

        return list(grow(()))

    def _node(self, name: str) -> Any:
        return self.problem.nodes[self.names.index(name)]

    def _sensor(self, name: str) -> Any:
        return self.problem.sensors[self.sensors.index(name)]

    # --- changes to a certificate ---------------------------------------------------------------------------------------

    def forge(self, certificate: Certificate) -> Certificate:
        """Return a certificate with one to three things changed, and sometimes a value in it that is no number or no list."""
        for _ in range(int(self.rng.integers(1, 4))):
            certificate = self.some(self.changes)(certificate)
        return self._spoiled(certificate) if self.rng.random() < 0.1 else certificate

    @cached_property
    def changes(self) -> list[Callable[[Certificate], Certificate]]:
        """Return every way to change a certificate."""
        return [
            self._row_changed,
            self._row_changed,
            self._row_added,
            self._row_lost,
            self._branch_changed,
            self._branch_changed,
            self._branch_lost_or_doubled,
            self._branch_split,
            self._sieve_added,
            self._levels_apart,
            self._told_otherwise,
        ]

    def _row_changed(self, certificate: Certificate) -> Certificate:
        if not certificate.rows:
            return certificate
        number = int(self.rng.integers(len(certificate.rows)))
        row = certificate.rows[number]
        member = int(self.rng.integers(max(len(row.members), 1)))
        without = row.members[:member] + row.members[member + 1 :]
        at = row.members[member] if row.members else ("", 0)
        row = self.some(
            [
                replace(row, weight=int(row.weight * self.some([0, 0.5, 1.5, 3, 1e6])) + self.weight()),
                replace(row, weight=self.some([-1, -row.weight, 2**70])),
                replace(row, need=self.some([0, 1, 2, 3, -1])),
                replace(row, members=without),
                replace(row, members=(*row.members, self.some(row.members) if row.members else at)),
                replace(row, members=(*without, (at[0], self.level()))),
                replace(row, members=(*row.members, (at[0], self.level()))),
                replace(row, members=tuple((name, self.level()) for name, _ in row.members)),
                replace(row, members=tuple((name, self.some([-1, -2, -3])) for name, _ in row.members)),
                replace(row, members=(*without, (self.some(self.names), at[1]))),
                replace(row, members=(*without, (self.some([*self.sensors, "nobody", ""]), at[1]))),
                replace(row, members=()),
                replace(row, sensor_id=self.some([*self.sensors, *self.names, "nobody"])),
                replace(row, without=self.some([*self.names, "", "nobody", self.some(self.sensors)])),
            ]
        )
        return replace(certificate, rows=(*certificate.rows[:number], row, *certificate.rows[number + 1 :]))

    def _levels_apart(self, certificate: Certificate) -> Certificate:
        """Name every member at a level of its row's own, below all levels, so that its loads might be told apart."""
        rows = [
            replace(row, members=tuple((name, -2 - number) for name in sorted({name for name, _ in row.members})))
            for number, row in enumerate(certificate.rows)
        ]
        dear = max((round(node.cost * 1000) for node in self.problem.nodes), default=0) * self.genuine.scale
        return replace(certificate, rows=tuple(replace(row, weight=self.some([row.weight, dear // 2, dear])) for row in rows))

    def _row_added(self, certificate: Certificate) -> Certificate:
        rows = certificate.rows + tuple(replace(row, weight=self.weight()) for row in self.true_rows(2))
        if certificate.rows and self.rng.random() < 0.3:
            rows = (*certificate.rows, self.some(certificate.rows))
        return replace(certificate, rows=rows)

    def _row_lost(self, certificate: Certificate) -> Certificate:
        number = int(self.rng.integers(len(certificate.rows) + 1))
        return replace(certificate, rows=certificate.rows[:number] + certificate.rows[number + 1 :])

    def _decision(self, name: str, level: int, is_one: bool) -> tuple[Any, ...]:
        return self.some(
            [
                (name, level, not is_one),
                (name, self.level(), is_one),
                (name, -1, is_one),
                (name, -1, True),
                (self.some([*self.names, *self.sensors, "nobody"]), level, is_one),
                (*self.column(), is_one),
                (self.some(self.sensors), LEFT_OUT, is_one),
            ]
        )

    def _branch_changed(self, certificate: Certificate) -> Certificate:
        if not certificate.branches:
            return self._branch_split(certificate)
        number = int(self.rng.integers(len(certificate.branches)))
        branch = certificate.branches[number]
        decisions, weights = list(branch.decisions), list(branch.weights)
        kind = int(self.rng.integers(6))
        if kind == 0 and decisions:
            where = int(self.rng.integers(len(decisions)))
            decisions[where] = self._decision(*decisions[where])
        elif kind == 1:
            decisions.insert(int(self.rng.integers(len(decisions) + 1)), (*self.column(), bool(self.rng.random() < 0.5)))
        elif kind == 2 and decisions:
            decisions.pop(int(self.rng.integers(len(decisions))))
        elif kind == 3 and weights:
            where = int(self.rng.integers(len(weights)))
            row, weight = weights[where]
            weights[where] = self.some([(row, weight * 3 + self.weight()), (row, -1), (row + 1, weight), (-1, weight)])
        elif kind == 4 and weights:
            weights.append(self.some(weights))
        else:
            weights = [(row, int(weight * self.rng.uniform(0, 3))) for row, weight in weights]
        changed = replace(branch, decisions=tuple(decisions), weights=tuple(weights))
        if self.rng.random() < 0.2:
            changed = replace(
                changed, site_prices=((self.some([*self.names, "nobody"]), self.some([-1, -(10**6), 5, self.weight()])),)
            )
        return replace(certificate, branches=(*certificate.branches[:number], changed, *certificate.branches[number + 1 :]))

    def _branch_lost_or_doubled(self, certificate: Certificate) -> Certificate:
        if not certificate.branches:
            return certificate
        number = int(self.rng.integers(len(certificate.branches)))
        again = certificate.branches[number : number + 1] * self.some([0, 2])
        return replace(certificate, branches=(*certificate.branches[:number], *again, *certificate.branches[number + 1 :]))

    def _branch_split(self, certificate: Certificate) -> Certificate:
        """Split a branch, sometimes by something that is no column, and give both halves the strongest weights."""
        every = CertificateBranch((), tuple((i, row.weight) for i, row in enumerate(certificate.rows) if type(row.weight) is int))
        branches = list(certificate.branches) or [every]
        number = int(self.rng.integers(len(branches)))
        branch = branches.pop(number)
        name, level = self.some(
            [
                self.column(),
                self.column(),
                (self.column()[0], -1),
                (self.column()[0], self.level()),
                (self.some(self.sensors), LEFT_OUT),
            ]
        )
        for is_one in (False, True):
            path = (*branch.decisions, (name, level, is_one))
            weights = branch.weights
            if self.rng.random() < 0.5 and not any(self._is_broken(row) for row in certificate.rows):
                weights = tuple(self.strongest(list(certificate.rows), path).items())
            branches.append(replace(branch, decisions=path, weights=weights))
        return replace(certificate, branches=tuple(branches))

    def _is_broken(self, row: CutRow) -> bool:
        return row.need not in (1, 2) or any(member not in self.columns for member in row.members)

    def _sieve_added(self, certificate: Certificate) -> Certificate:
        weights = tuple((i, self.weight()) for i in range(len(certificate.rows)))
        part = CertificateBranch(self.some([(), ((*self.column(), True),)]), weights, self.prices(0.1))
        certificate = replace(certificate, sieves=(*certificate.sieves, part))
        return replace(certificate, bound_units=self.some([0, certificate.bound_units, certificate.bound_units + 10**4, 10**9]))

    def _told_otherwise(self, certificate: Certificate) -> Certificate:
        served = certificate.served
        return self.some(
            [
                replace(certificate, bound_units=self.some([0, -5, 10**9, 2**80])),
                replace(certificate, scale=self.some([0, 1, -1, 2 * certificate.scale, 2**60])),
                replace(certificate, served=served[1:]),
                replace(certificate, served=(*served, self.some([*self.sensors, *self.names, "nobody"]))),
                replace(certificate, site_prices=((self.some([*self.names, "site0", "nobody"]), self.some([-1, -(10**9), 3])),)),
                replace(certificate, site_prices=self.prices(0.4)),
            ]
        )

    def _spoiled(self, certificate: Certificate) -> Certificate:
        """Return a certificate with a value of a kind that does not belong there."""
        odd = self.some([float("nan"), float("inf"), 1.0, True, "7", None, [], (), np.int64(3), b"1"])
        first, *rows = certificate.rows or (None,)
        part, *branches = certificate.branches or (CertificateBranch((), ()),)
        changed = [
            replace(certificate, bound_units=odd),
            replace(certificate, scale=odd),
            replace(certificate, served=self.some([list(certificate.served), odd, (odd,)])),
            replace(certificate, site_prices=self.some([odd, (odd,), (("site0", odd),), ((odd, 5),)])),
            replace(certificate, rows=self.some([list(certificate.rows), odd, (odd,)])),
            replace(certificate, branches=self.some([[part, *branches], odd, (odd,)])),
            replace(certificate, sieves=self.some([odd, (odd,)])),
            replace(certificate, branches=(replace(part, weights=self.some([odd, (odd,), ((0, odd),), ((odd, 5),)])), *branches)),
            replace(
                certificate, branches=(replace(part, decisions=self.some([odd, (odd,), ((self.names[0], 1, odd),)])), *branches)
            ),
        ]
        for field, values in (
            ("weight", [odd]),
            ("need", [odd]),
            ("sensor_id", [odd]),
            ("without", [odd]),
            ("members", [odd, (odd,), ((self.names[0], odd),), ((odd, 1),)]),
        ):
            if isinstance(first, CutRow):
                changed.append(replace(certificate, rows=(replace(first, **{field: self.some(values)}), *rows)))
        return self.some(changed)
