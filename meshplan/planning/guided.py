"""Plans built along a point of the linear programme."""

from __future__ import annotations

import numpy as np

from meshplan.planning.cut_lp import CutLp
from meshplan.planning.search import Search

DISCOUNT = 0.95
"""Share of its price that a node wholly opened by the point is spared."""


def guided_plan(search: Search, lp: CutLp, step: str) -> None:
    """Build a plan from the nodes that the linear programme opens in part: they are offered at a discount."""
    taken = np.zeros(len(search.problem.nodes))
    np.maximum.at(taken, search.model.item_node, lp.x[: search.model.n_items])
    prices = search.node_prices()
    guided = prices * (1.0 - DISCOUNT * taken)
    opened = search.heuristic.complete(search.problem.forced.copy(), search.demand, guided, search.skip_prices())
    search.offer(search.heuristic.prune(opened, search.asked(opened), prices), step)
