"""Could the candidates carry all sensors within their airtime at all, and who is left out where they cannot?"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.capacity import left_out_by_airtime
from meshplan.planning.demand import demand_of
from meshplan.planning.problem import PlacementProblem


def who_does_not_fit(problem: PlacementProblem) -> tuple[str, ...]:
    """Return the sensors without room when every site is used at its best-heard height; nobody where all can be carried together.

    Where somebody is named, no choice of devices mends it, only fewer packets or another sub-band.
    """
    if not problem.has_capacity:
        return ()
    heard = np.bincount(problem.usable_access.end, minlength=len(problem.nodes))
    best: dict[int, int] = {}
    for node in np.flatnonzero(problem.allowed):
        site = int(problem.site_number[node])
        key, other = _first(problem, heard, int(node)), best.get(site)
        if other is None or key < _first(problem, heard, other):
            best[site] = int(node)
    opened = np.zeros(len(problem.nodes), dtype=bool)
    opened[list(best.values())] = True
    out = left_out_by_airtime(problem, opened, list(range(len(problem.sensors))), seed=1)
    return tuple(problem.sensors[sensor].id for sensor in out)


def _first(problem: PlacementProblem, heard: NDArray[np.intp], node: int) -> tuple[int, float, int, str]:
    """Return what tells which node of a place is taken: the best heard, of equals the cheapest, then the first by name."""
    name = problem.nodes[node].id
    return -int(heard[node]), problem.nodes[node].cost, len(name), name


def serves_as_many(fewer: PlacementProblem, more: PlacementProblem) -> bool:
    """Return whether a problem with fewer nodes allowed can serve all that one with more can, second routes and airtime included.

    Told with everything open: nothing is searched for, so that whoever checks a plan comes to the same. The budget is not asked.
    """
    left, whole = demand_of(fewer), demand_of(more)
    if (whole.single & ~left.single).any() or (whole.double & ~left.double).any():
        return False
    return set(who_does_not_fit(fewer)) <= set(who_does_not_fit(more))
