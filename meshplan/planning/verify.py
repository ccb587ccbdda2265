"""A second look at a plan, by plain search and sums, sharing nothing with the code that made it."""

from __future__ import annotations

import math
from collections import Counter, deque
from collections.abc import Iterable
from itertools import combinations

from meshplan.planning.problem import Links, PlacementPlan, PlacementProblem, PlacementRoute

CHANCE_TOLERANCE = 1e-6


def verify_plan(problem: PlacementProblem, plan: PlacementPlan) -> tuple[str, ...]:
    """Return everything that is wrong with the plan, in words; nothing when it is sound.

    Checked: opened nodes and sites, cost, every link, hop and chance of every route, that second routes share nothing that may
    fail, that every covered sensor really keeps a route when any single device is lost, capacities, and that nobody is missing.
    """
    return (
        *_node_faults(problem, plan),
        *_route_faults(problem, plan),
        *_failure_faults(problem, plan),
        *_capacity_faults(problem, plan),
        *_attendance_faults(problem, plan),
    )


def _node_faults(problem: PlacementProblem, plan: PlacementPlan) -> list[str]:
    nodes = {node.id: node for node in problem.nodes}
    faults = [f"'{name}' is opened but is no node of the problem" for name in plan.opened if name not in nodes]
    opened = [nodes[name] for name in plan.opened if name in nodes]
    faults += [f"'{node.id}' is opened twice" for node, n in Counter(opened).items() if n > 1]
    faults += [f"'{node.id}' is forbidden but opened" for node in opened if node.forbidden]
    faults += [f"'{node.id}' has no power but is opened" for node in opened if not node.power_ok]
    faults += [f"'{node.id}' is forced in but not opened" for node in problem.nodes if node.forced_in and node not in opened]
    sites = Counter(node.site_id for node in set(opened))
    faults += [f"site '{site}' carries {n} masts" for site, n in sites.items() if n > 1]
    cost = math.fsum(node.cost for node in opened)
    if not abs(cost - plan.cost) <= 1e-6:
        faults.append(f"the opened nodes cost {cost:g}, the plan says {plan.cost:g}")
    if cost > problem.budget + 1e-6:
        faults.append(f"the plan costs {cost:g}, more than the budget of {problem.budget:g}")
    return faults


def _best_chances(links: Links, starts: list[str], ends: list[str], at_least: float) -> dict[tuple[str, str], float]:
    best: dict[tuple[str, str], float] = {}
    for start, end, chance in zip(links.start.tolist(), links.end.tolist(), links.chance.tolist(), strict=True):
        if chance >= at_least and chance > 0:
            key = (starts[start], ends[end])
            best[key] = max(chance, best.get(key, 0.0))
    return best


class _Network:
    """The links by name."""

    def __init__(self, problem: PlacementProblem) -> None:
        sensors, nodes = [s.id for s in problem.sensors], [n.id for n in problem.nodes]
        self.gateways = {n.id for n in problem.nodes if n.is_gateway}
        self.chance = _best_chances(problem.access, sensors, nodes, problem.min_link_chance)
        out = {s.id for s in problem.sensors if s.left_out}
        self.chance = {hop: chance for hop, chance in self.chance.items() if hop[0] not in out}
        self.chance |= _best_chances(problem.backhaul, nodes, nodes, problem.min_link_chance)
        self.following: dict[str, list[str]] = {}
        for start, end in self.chance:
            self.following.setdefault(start, []).append(end)

    def reaches(self, sensor: str, opened: set[str], hops: float, min_chance: float) -> bool:
        """Return whether a route exists, by breadth-first search; with a chance to keep, by the best chance per hop."""
        best = {sensor: 1.0}
        queue = deque([(sensor, 0, 1.0)])
        while queue:
            here, used, chance = queue.popleft()
            for end in self.following.get(here, []):
                onward = chance * self.chance[here, end]
                if end not in opened or used + 1 > hops or onward < min_chance * (1 - CHANCE_TOLERANCE):
                    continue
                if end in self.gateways:
                    return True
                # Hops grow along the queue, so a later arrival helps only with a better chance.
                if onward > best.get(end, 0.0) and (min_chance > 0 or end not in best):
                    best[end] = onward
                    queue.append((end, used + 1, onward))
        return False

    def ways(self, sensor: str, opened: set[str], hops: int, min_chance: float) -> list[frozenset[str]]:
        """Return the nodes of every route of at most so many links and a good enough chance."""
        found: list[frozenset[str]] = []
        stack: list[tuple[tuple[str, ...], float]] = [((sensor,), 1.0)]
        while stack:
            way, chance = stack.pop()
            for end in self.following.get(way[-1], []):
                onward = chance * self.chance[way[-1], end]
                if end not in opened or end in way or onward < min_chance * (1 - CHANCE_TOLERANCE):
                    continue
                if end in self.gateways:
                    found.append(frozenset((*way[1:], end)))
                elif len(way) < hops:
                    stack.append(((*way, end), onward))
        return found


def _floors(problem: PlacementProblem) -> dict[str, float]:
    """Return the least chance of a route of each sensor."""
    return {sensor.id: max(problem.min_route_chance, sensor.min_route_chance) for sensor in problem.sensors}


def _route_faults(problem: PlacementProblem, plan: PlacementPlan) -> list[str]:
    network = _Network(problem)
    opened = set(plan.opened)
    first_hops = problem.hop_limit if problem.hop_limit is not None else math.inf
    second_hops = problem.second_hop_limit if problem.second_hop_limit is not None else first_hops
    faults: list[str] = []
    losses = 0.0
    for item in plan.served:
        faults += _faults_of_route(problem, network, opened, item.sensor_id, item.first, first_hops, "first")
        losses -= math.log(item.first.chance) if item.first.chance > 0 else math.inf
        if item.second is not None:
            faults += _faults_of_route(problem, network, opened, item.sensor_id, item.second, second_hops, "second")
    if not (losses == plan.neg_log_success or abs(losses - plan.neg_log_success) <= 1e-5 * (1 + len(plan.served))):
        faults.append(f"the routes' log losses sum to {losses:g}, the plan says {plan.neg_log_success:g}")
    return faults


def _faults_of_route(
    problem: PlacementProblem, network: _Network, opened: set[str], sensor: str, route: PlacementRoute, hops: float, name: str
) -> list[str]:
    where = f"{name} route of '{sensor}'"
    if not route.node_ids or route.node_ids[-1] not in network.gateways:
        return [f"the {where} does not end at a gateway"]
    faults = [f"the {where} passes '{node}', which is not opened" for node in route.node_ids if node not in opened]
    if any(node in network.gateways for node in route.node_ids[:-1]):
        faults.append(f"the {where} passes through a gateway")
    if len(set(route.node_ids)) < len(route.node_ids):
        faults.append(f"the {where} visits a node twice")
    if len(route.node_ids) > hops:
        faults.append(f"the {where} has {len(route.node_ids)} links, more than {hops:g}")
    chance = 1.0
    for start, end in zip((sensor, *route.node_ids[:-1]), route.node_ids, strict=True):
        if (start, end) not in network.chance:
            faults.append(f"the {where} uses a link '{start}' to '{end}' that is not there")
            return faults
        chance *= network.chance[start, end]
    if not abs(chance - route.chance) <= CHANCE_TOLERANCE * max(chance, CHANCE_TOLERANCE):
        faults.append(f"the {where} works with chance {chance:g}, the plan says {route.chance:g}")
    floor = _floors(problem)[sensor]
    if chance < floor * (1 - CHANCE_TOLERANCE):
        faults.append(f"the {where} works with chance {chance:g}, less than {floor:g}")
    return faults


def _failure_faults(problem: PlacementProblem, plan: PlacementPlan) -> list[str]:
    if problem.redundancy == "none":
        return []
    network = _Network(problem)
    opened = set(plan.opened)
    gateways_fail = problem.redundancy == "any one relay or gateway"
    first_hops = problem.hop_limit if problem.hop_limit is not None else math.inf
    hops = problem.second_hop_limit if problem.second_hop_limit is not None else first_hops
    covered = {s.id for s in problem.sensors if s.second_route} - set(plan.single_route)
    failing = [node for node in plan.opened if gateways_fail or node not in network.gateways]
    faults = []
    for item in plan.served:
        if item.sensor_id not in covered:
            continue
        # While a device fails that is not on the first route, that one stands, if it is short enough for the route that is left.
        for node in item.first.node_ids if len(item.first.node_ids) <= hops else failing:
            if node in failing and not network.reaches(item.sensor_id, opened - {node}, hops, _floors(problem)[item.sensor_id]):
                faults.append(f"'{item.sensor_id}' loses service when '{node}' fails")
        shared = set() if item.second is None else set(item.first.node_ids) & set(item.second.node_ids) & set(failing)
        most = max(hops, first_hops)
        if shared and most <= 4:
            # Where every failure leaves a route of at most four links, there are two that share nothing (Menger's theorem for
            # short ways, from memory), but not always two that are both likely enough: each failure then has a route of its own.
            floor = _floors(problem)[item.sensor_id]
            ways = [way & set(failing) for way in network.ways(item.sensor_id, opened, int(most), floor)] if floor > 0 else []
            if floor == 0 or any(one.isdisjoint(other) for one, other in combinations(set(ways), 2)):
                faults += [f"both routes of '{item.sensor_id}' pass '{node}'" for node in sorted(shared)]
    return faults


def node_loads(problem: PlacementProblem, plan: PlacementPlan) -> dict[str, float]:
    """Return the sum of sensor loads that each opened node carries on first routes."""
    load = {sensor.id: sensor.load for sensor in problem.sensors}
    carried: dict[str, list[float]] = {node: [] for node in plan.opened}
    for item in plan.served:
        for node in item.first.node_ids:
            carried.setdefault(node, []).append(load.get(item.sensor_id, 0.0))
    return {node: math.fsum(loads) for node, loads in carried.items()}


def _capacity_faults(problem: PlacementProblem, plan: PlacementPlan) -> list[str]:
    capacity = {node.id: node.capacity for node in problem.nodes}
    return [
        f"'{node}' carries {load:g}, more than its {capacity[node]:g}"
        for node, load in node_loads(problem, plan).items()
        if node in capacity and load > capacity[node] * (1 + 1e-9) + 1e-12
    ]


def _attendance_faults(problem: PlacementProblem, plan: PlacementPlan) -> list[str]:
    listed = Counter(_sensors_of(plan))
    faults = [f"'{s.id}' is neither served nor reported as unserved" for s in problem.sensors if listed[s.id] == 0]
    faults += [f"'{name}' is listed {n} times" for name, n in listed.items() if n > 1]
    known = {s.id for s in problem.sensors}
    return faults + [f"'{name}' is no sensor of the problem" for name in listed if name not in known]


def _sensors_of(plan: PlacementPlan) -> Iterable[str]:
    yield from (item.sensor_id for item in plan.served)
    yield from (item.sensor_id for item in plan.unserved)
