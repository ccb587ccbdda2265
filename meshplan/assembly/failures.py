"""What goes dark when a device fails, and therefore why each device is there."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from meshplan.planning.problem import PlacementPlan, PlacementProblem

MOST_NAMED = 5
"""Sensors named in a sentence before the rest is only counted."""


def what_goes_dark(problem: PlacementProblem, plan: PlacementPlan) -> dict[str, tuple[str, ...]]:
    """Return, for each device of the plan, the served sensors that no route reaches without it."""
    served = [sensor.sensor_id for sensor in plan.served]
    return {
        lost: tuple(sensor for sensor in served if sensor not in _reached(problem, set(plan.opened) - {lost}))
        for lost in plan.opened
    }


def why_each_relay(problem: PlacementProblem, plan: PlacementPlan) -> dict[str, str]:
    """Return a sentence for each relay of the plan: who would be cut off without it."""
    reasons = {}
    for device, dark in what_goes_dark(problem, plan).items():
        if problem.is_gateway[problem.node_index[device]]:
            continue
        if dark:
            count = f"these {len(dark)} sensors are" if len(dark) > 1 else "this sensor is"
            names = ", ".join(dark[:MOST_NAMED]) + (f" and {len(dark) - MOST_NAMED} more" if len(dark) > MOST_NAMED else "")
            reasons[device] = f"Without it {count} cut off: {names}."
        else:
            reasons[device] = "It is the second way: if it fails, every sensor still has a route."
    return reasons


def _reached(problem: PlacementProblem, opened: Iterable[str]) -> set[str]:
    """Return the sensors with a route of at most the hop limit over the opened devices, by search from the gateways."""
    index = {problem.node_index[name] for name in opened}
    heard_by: dict[int, list[int]] = {}
    for start, end in zip(problem.usable_backhaul.start.tolist(), problem.usable_backhaul.end.tolist(), strict=True):
        if start in index and end in index:
            heard_by.setdefault(end, []).append(start)
    hops = {node: 0 for node in index if problem.is_gateway[node]}
    queue = deque(sorted(hops))
    while queue:
        node = queue.popleft()
        for other in heard_by.get(node, ()):
            if other not in hops:
                hops[other] = hops[node] + 1
                queue.append(other)
    limit = problem.hop_limit if problem.hop_limit is not None else len(problem.nodes) + 1
    access = problem.usable_access
    return {
        problem.sensors[sensor].id
        for sensor, node in zip(access.start.tolist(), access.end.tolist(), strict=True)
        if node in hops and hops[node] + 1 <= limit
    }
