"""Could the candidates carry all sensors within their airtime at all?"""

from __future__ import annotations

import numpy as np

from meshplan.planning.capacity import route_within_capacity
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.routes import opened_graph, route_table, sensor_losses


def fits_airtime(problem: PlacementProblem) -> bool:
    """Return whether all sensors with any route can be carried together when every site is used at its best-heard height.

    Where they cannot, no choice of devices mends it, only fewer packets or another sub-band; the plan is then made without
    these limits and the breach is told.
    """
    if not problem.has_capacity:
        return True
    heard = np.bincount(problem.usable_access.end, minlength=len(problem.nodes))
    best: dict[int, int] = {}
    for node in np.flatnonzero(problem.allowed):
        site = int(problem.site_number[node])
        if site not in best or heard[node] > heard[best[site]]:
            best[site] = int(node)
    opened = np.zeros(len(problem.nodes), dtype=bool)
    opened[list(best.values())] = True
    graph = opened_graph(problem, opened)
    losses, starts = sensor_losses(graph, route_table(graph, problem.hop_limit))
    reached = np.flatnonzero((starts >= 0) & (losses <= problem.route_loss_limits)).tolist()
    alone = np.zeros(len(problem.sensors), dtype=bool)
    return route_within_capacity(problem, opened, reached, alone, seed=1) is not None
