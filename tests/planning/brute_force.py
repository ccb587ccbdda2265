"""Placement by trying every set of nodes and every assignment of routes: slow, short, and sharing nothing with the package."""

from __future__ import annotations

import itertools
import math

import numpy as np

from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand


def random_problem(seed: int, *, n_sensors: int = 5, n_relays: int = 6, n_gateways: int = 2, **rules: object) -> PlacementProblem:
    """Return a small random problem; `rules` are fields of the problem, and flags.

    The flags are `capacity`, `masts`, `places`, `optional`, `pinned` and `floors`: each sensor has a floor of its own.
    With `masts` relays share sites in pairs, with `places` relays and gateways do.
    """
    rng = np.random.default_rng(seed)
    capacity, masts = bool(rules.pop("capacity", False)), bool(rules.pop("masts", False))
    places = rng.permutation(n_relays + n_gateways) // 2 if rules.pop("places", False) else None
    optional, pinned = bool(rules.pop("optional", False)), bool(rules.pop("pinned", False))
    floors = np.random.default_rng(seed + 1000).choice([0.0, 0.6, 0.75, 0.9], n_sensors) * bool(rules.pop("floors", False))
    n_nodes = n_relays + n_gateways
    density = rng.uniform(0.25, 0.6)
    nodes = []
    for i in range(n_nodes):
        gateway = i >= n_relays
        nodes.append(
            NodeChoice(
                f"{'G' if gateway else 'R'}{i}",
                float(rng.integers(4, 12) * (10 if gateway else 5)),
                is_gateway=gateway,
                site=f"place{places[i]}" if places is not None else f"site{i // 2}" if masts and not gateway else "",
                forced_in=pinned and i == 0,
                forbidden=pinned and i == 1,
                power_ok=not (pinned and i == 2),
                capacity=float(rng.integers(3, 7)) if capacity else math.inf,
            )
        )
    sensors = [
        SensorDemand(
            f"S{i}",
            importance=float(rng.integers(1, 4)),
            required=not (optional and i % 2),
            worth=float(5 * rng.integers(1, 8)),
            load=float(rng.integers(1, 4)) if capacity else 0.0,
            min_route_chance=float(floors[i]),
        )
        for i in range(n_sensors)
    ]
    access = [(s, v) for s in range(n_sensors) for v in range(n_nodes) if rng.random() < density * 0.7]
    backhaul = [(u, v) for u in range(n_relays) for v in range(n_nodes) if u != v and rng.random() < density]
    chance = lambda rows: np.round(rng.uniform(0.7, 1.0, len(rows)), 3)  # noqa: E731
    return PlacementProblem(
        tuple(sensors),
        tuple(nodes),
        Links.of([a for a, _ in access], [b for _, b in access], chance(access)),
        Links.of([a for a, _ in backhaul], [b for _, b in backhaul], chance(backhaul)),
        **rules,  # type: ignore[arg-type]
    )


class BruteForce:
    """The best of all plans, by importance served first, then by cost."""

    def __init__(self, problem: PlacementProblem) -> None:
        self.problem = problem
        n = len(problem.nodes)
        self.allowed = [node.power_ok and not node.forbidden for node in problem.nodes]
        self.out: dict[tuple[str, int], list[tuple[int, float]]] = {}
        for kind, links in (("s", problem.access), ("n", problem.backhaul)):
            for a, b, c in zip(links.start.tolist(), links.end.tolist(), links.chance.tolist(), strict=True):
                if c >= problem.min_link_chance:
                    self.out.setdefault((kind, a), []).append((b, c))
        first = problem.hop_limit or n
        second = (problem.second_hop_limit or problem.hop_limit) or n
        self.ways = [self._ways(s, first) for s in range(len(problem.sensors))]
        self.late_ways = [self._ways(s, second) for s in range(len(problem.sensors))]

    def _ways(self, sensor: int, hops: int) -> list[tuple[frozenset[int], tuple[int, ...]]]:
        found = []
        floor = max(self.problem.min_route_chance, self.problem.sensors[sensor].min_route_chance)

        def extend(way: tuple[int, ...], chance: float) -> None:
            if self.problem.nodes[way[-1]].is_gateway:
                if chance >= floor * (1 - 1e-9):
                    found.append((frozenset(way), way))
                return
            if len(way) < hops:
                for node, c in self.out.get(("n", way[-1]), []):
                    if self.allowed[node] and node not in way:
                        extend((*way, node), chance * c)

        for node, c in self.out.get(("s", sensor), []):
            if self.allowed[node]:
                extend((node,), c)
        return found

    def meets_alone(self, sensor: int, opened: frozenset[int], double: bool) -> bool:
        """Return whether the sensor gets what it asks for, airtime aside."""
        ways = [nodes for nodes, _ in self.ways[sensor] if nodes <= opened]
        if not ways:
            return False
        if not double:
            return True
        late = [nodes for nodes, _ in self.late_ways[sensor] if nodes <= opened]
        gateways_fail = self.problem.redundancy == "any one relay or gateway"
        failing = [v for v in opened if gateways_fail or not self.problem.nodes[v].is_gateway]
        return all(any(lost not in nodes for nodes in late) for lost in failing)

    def fits(self, sensors: list[int], opened: frozenset[int]) -> bool:
        """Return whether the sensors can be routed together within every node's airtime."""
        left = {v: self.problem.nodes[v].capacity for v in opened}

        def place(rest: list[int]) -> bool:
            if not rest:
                return True
            load = self.problem.sensors[rest[0]].load
            for nodes, way in self.ways[rest[0]]:
                if nodes <= opened and all(left[v] >= load - 1e-9 for v in way):
                    for v in way:
                        left[v] -= load
                    if place(rest[1:]):
                        return True
                    for v in way:
                        left[v] += load
            return False

        return place(sensors)

    def best(self) -> tuple[float, float, float]:
        """Return what is missing in the best plan and what it costs.

        Importance of the required sensors left out though a route exists, that of the served ones without the second route that
        is asked, and the cost with the worth of optional sensors left out; the first goes before the second before the third.
        """
        problem = self.problem
        n = len(problem.nodes)
        everything = frozenset(v for v in range(n) if self.allowed[v])
        rule = problem.redundancy != "none"
        covered = [rule and s.second_route for s in problem.sensors]
        single = [self.meets_alone(i, everything, False) for i in range(len(problem.sensors))]
        double = [covered[i] and self._ever_doubled(i) for i in range(len(problem.sensors))]
        asked = [
            i for i, ok in enumerate(single) if ok and (double[i] or not covered[i] or problem.without_second_route == "serve once")
        ]
        limited = problem.has_capacity
        # Airtime apart, a required sensor that cannot have both routes with the others is served once before it goes unserved.
        apart = problem.without_second_route == "serve once" and not limited
        best = (math.inf, math.inf, math.inf)
        forced = frozenset(v for v in range(n) if problem.nodes[v].forced_in)
        for size in range(len(everything) + 1):
            for chosen in itertools.combinations(sorted(everything), size):
                opened = frozenset(chosen)
                sites = [problem.nodes[v].site_id for v in chosen]
                cost = math.fsum(problem.nodes[v].cost for v in chosen)
                if len(set(sites)) < len(sites) or not forced <= opened or cost > problem.budget + 1e-9:
                    continue
                once = [apart and problem.sensors[i].required for i in range(len(problem.sensors))]
                can = [i for i in asked if self.meets_alone(i, opened, double[i] and not once[i])]
                poor = [i for i in can if once[i] and covered[i] and not self.meets_alone(i, opened, True)]
                second = math.fsum(problem.sensors[i].importance for i in poor)
                groups = [can] if not limited or self.fits(can, opened) else self._groups(can, opened)
                for group in groups:
                    lost = [problem.sensors[i] for i in asked if i not in group]
                    never = [s for i, s in enumerate(problem.sensors) if single[i] and i not in asked]
                    missing = math.fsum(s.importance for s in (*lost, *never) if s.required)
                    best = min(best, (missing, second, cost + math.fsum(s.worth for s in lost if not s.required)))
        return best[0], best[1], best[2]

    def _ever_doubled(self, sensor: int) -> bool:
        """Return whether some set of nodes with one node a site gives the sensor what the redundancy rule asks."""
        sites: dict[str, list[int | None]] = {}
        for v, node in enumerate(self.problem.nodes):
            if self.allowed[v]:
                sites.setdefault(node.site_id, [None]).append(v)
        choices = itertools.product(*sites.values())
        return any(self.meets_alone(sensor, frozenset(v for v in chosen if v is not None), True) for chosen in choices)

    def _groups(self, can: list[int], opened: frozenset[int]) -> list[list[int]]:
        groups = [list(g) for size in range(len(can)) for g in itertools.combinations(can, size)]
        return [group for group in groups if self.fits(group, opened)]
