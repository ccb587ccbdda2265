"""Readers of the OR-Library files of the reference set."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
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
    graph = csr_matrix((list(length.values()), (ends[:, 0], ends[:, 1])), shape=(n, n))
    return shortest_path(graph, directed=False), int(p)


def read_uflp(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the price of each customer at each site, shape (customers, sites), and the fixed costs."""
    words = path.read_text(encoding="ascii").split()
    n_sites, n_customers = int(words[0]), int(words[1])
    fixed = np.array(words[3 : 2 + 2 * n_sites : 2], dtype=float)
    rows = np.array(words[2 + 2 * n_sites :], dtype=float).reshape(n_customers, n_sites + 1)
    return rows[:, 1:], fixed
