"""One order for what is equal: problems are solved with sensors and nodes by name, so that the order of rows decides nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.problem import Links, PlacementPlan, PlacementProblem


@dataclass(frozen=True, eq=False)
class ByName:
    """A problem with its sensors and nodes sorted by name.

    `sensors` and `nodes` hold, for each place in the sorted problem, the place in the one that was given.
    """

    given: PlacementProblem
    problem: PlacementProblem
    sensors: NDArray[np.intp]
    nodes: NDArray[np.intp]

    @classmethod
    def of(cls, problem: PlacementProblem) -> ByName:
        """Return a problem sorted; the very same where it is sorted already."""
        sensors = np.argsort(np.array([sensor.id for sensor in problem.sensors], dtype=object), kind="stable")
        nodes = np.argsort(np.array([node.id for node in problem.nodes], dtype=object), kind="stable")
        in_order = all((order == np.arange(order.size)).all() for order in (sensors, nodes))
        if in_order and _is_sorted(problem.access) and _is_sorted(problem.backhaul):
            return cls(problem, problem, sensors, nodes)
        new_sensor, new_node = np.argsort(sensors), np.argsort(nodes)
        ordered = replace(
            problem,
            sensors=tuple(problem.sensors[i] for i in sensors),
            nodes=tuple(problem.nodes[i] for i in nodes),
            access=_sorted(problem.access, new_sensor, new_node),
            backhaul=_sorted(problem.backhaul, new_node, new_node),
        )
        return cls(problem, ordered, sensors, nodes)

    def as_given(self, plan: PlacementPlan) -> PlacementPlan:
        """Return a plan of the sorted problem with its lists in the order of the problem that was given."""
        sensor, node = self.given.sensor_index, self.given.node_index
        single = sorted(zip(plan.single_route, plan.single_reasons, strict=True), key=lambda item: sensor[item[0]])
        return replace(
            plan,
            opened=tuple(sorted(plan.opened, key=node.__getitem__)),
            served=tuple(sorted(plan.served, key=lambda item: sensor[item.sensor_id])),
            unserved=tuple(sorted(plan.unserved, key=lambda item: sensor[item.sensor_id])),
            single_route=tuple(name for name, _ in single),
            single_reasons=tuple(reason for _, reason in single),
        )


def _is_sorted(links: Links) -> bool:
    order = np.lexsort((links.chance, links.end, links.start))
    return bool((order == np.arange(order.size)).all())


def _sorted(links: Links, new_start: NDArray[np.intp], new_end: NDArray[np.intp]) -> Links:
    start = new_start[links.start] if len(links) else links.start
    end = new_end[links.end] if len(links) else links.end
    order = np.lexsort((links.chance, end, start))
    return Links.of(start[order], end[order], links.chance[order])
