"""p-median and facility location problems: restated in tests/published, larger ones from OR-Library files beside the checkout."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from published_tables import read_nested
from scipy.sparse import csr_matrix
from scipy.sparse.csgraph import shortest_path


def read_pmed(path: Path) -> tuple[NDArray[np.float64], int]:
    """Return all shortest distances and the number of sites to open; a later line of the same edge replaces an earlier one."""
    words = np.array(path.read_text(encoding="ascii").split(), dtype=int)
    n, m, p = words[:3]
    length = {}
    for i, j, cost in words[3 : 3 + 3 * m].reshape(-1, 3).tolist():
        length[min(i, j) - 1, max(i, j) - 1] = float(cost)
    ends = np.array(list(length))
    return shortest_distances(ends, np.array(list(length.values())), n), int(p)


def shortest_distances(ends: NDArray[np.int64], length: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Return the shortest distance between all pairs of n nodes, numbered from 0, over undirected edges."""
    graph = csr_matrix((length, (ends[:, 0], ends[:, 1])), shape=(n, n))
    return shortest_path(graph, directed=False)


def restated_p_medians() -> dict[str, tuple[NDArray[np.float64], int, float]]:
    """Return, by name, all shortest distances, the number of sites to open and the published optimum."""
    found = {}
    for graph in read_nested("p_median.toml")["graph"]:
        edges = np.array(graph["edges"]).reshape(-1, 3)
        distance = shortest_distances(edges[:, :2] - 1, edges[:, 2].astype(float), graph["nodes"])
        found[graph["name"]] = (distance, graph["open"], float(graph["optimum"]))
    return found


def restated_facilities() -> dict[str, tuple[NDArray[np.float64], NDArray[np.float64], float]]:
    """Return, by name, prices of shape (customers, sites), fixed costs and the published optimum."""
    data = read_nested("facility_location.toml")
    prices = {table["name"]: np.array(table["rows"], dtype=float).reshape(table["customers"], -1) for table in data["prices"]}
    return {
        case["name"]: (prices[case["prices"]], np.array(case["fixed_costs"], dtype=float), float(case["optimum"]))
        for case in data["instance"]
    }
