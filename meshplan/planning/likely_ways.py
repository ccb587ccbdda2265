"""Cheap ways that are good enough: price and log loss weighed against each other, the price as heavily as the floor allows."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshplan.planning.layers import BoolArray
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.routes import Ways

WEIGHINGS = (0.1, 0.3, 1.0, 3.0, 10.0, 100.0)
"""How much a whole floor's worth of log loss counts, in mean prices of a node."""

NOWHERE = 1e300


def likely_ways(
    problem: PlacementProblem, ways: Ways, opened: BoolArray, wanted: BoolArray, price: NDArray[np.float64]
) -> BoolArray:
    """Return the opened nodes with a good enough way of each wanted sensor opened too, where one is found.

    Parameters
    ----------
    opened : ndarray of bool, shape (n_nodes,)
        Already open, at no further cost.
    wanted : ndarray of bool, shape (n_sensors,)
        Sensors without a good enough way.
    price : ndarray, shape (n_nodes,)
        What opening a node counts.
    """
    taken = np.zeros(int(problem.site_number.max(initial=-1)) + 1, dtype=bool)
    taken[problem.site_number[opened]] = True
    barred = ~problem.allowed | (taken[problem.site_number] & ~opened)
    extra = np.where(opened, 0.0, np.where(barred, NOWHERE, price))
    limits = problem.route_loss_limits
    mean = float(price[~opened & ~barred].mean()) if (~opened & ~barred).any() else 1.0
    scale = float(np.median(limits[wanted]))
    best: dict[int, tuple[float, tuple[int, ...]]] = {}
    missing = wanted.copy()
    for weighing in WEIGHINGS:
        per_loss = weighing * mean / scale
        tables = _tables(problem, ways, extra, per_loss)
        for sensor in np.flatnonzero(missing):
            way, loss = _way(ways, tables, int(sensor), per_loss)
            if way and loss <= limits[sensor]:
                best[int(sensor)] = (sum(float(extra[v]) for v in set(way)), way)
                missing[sensor] = False
        if not missing.any():
            break
    result = opened.copy()
    for _, way in sorted(best.values()):
        sites = [int(problem.site_number[v]) for v in way if not result[v]]
        if len(set(sites)) == len(sites) and not taken[sites].any():
            result[list(way)] = True
            taken[sites] = True
    return result


def _tables(
    problem: PlacementProblem, ways: Ways, extra: NDArray[np.float64], per_loss: float
) -> list[tuple[NDArray[np.float64], NDArray[np.int64]]]:
    """Return for each number of links the weighed price from each node to a gateway, and the link taken (-1: none)."""
    n = len(problem.nodes)
    value = np.where(problem.is_gateway, extra, NOWHERE)
    tables = [(value, np.full(n, -1, dtype=np.int64))]
    start, step = ways.down.start, per_loss * ways.down_loss
    filled = np.flatnonzero(np.diff(ways.down.ptr))
    for _ in range(n if problem.hop_limit is None else problem.hop_limit - 1):
        last, link = tables[-1]
        if not filled.size:
            break
        offered = last[ways.down.to] + step
        least = np.full(n, NOWHERE)
        least[filled] = np.minimum.reduceat(offered, ways.down.ptr[filled])
        least += extra
        better = least < last - 1e-9
        if not better.any():
            break
        hit = np.flatnonzero(better[start] & (offered + extra[start] == least[start]))
        following = link.copy()
        following[start[hit[::-1]]] = hit[::-1]
        tables.append((np.where(better, least, last), following))
    return tables


def _way(
    ways: Ways, tables: list[tuple[NDArray[np.float64], NDArray[np.int64]]], sensor: int, per_loss: float
) -> tuple[tuple[int, ...], int]:
    """Return the way of least weighed price of a sensor, and its log loss; nothing where there is none."""
    mine = slice(ways.heard.ptr[sensor], ways.heard.ptr[sensor + 1])
    heard, loss = ways.heard.to[mine], ways.heard_loss[mine]
    if not heard.size:
        return (), 0
    offered = tables[-1][0][heard] + per_loss * loss
    first = int(offered.argmin())
    if offered[first] >= NOWHERE:
        return (), 0
    way, total, level = [int(heard[first])], int(loss[first]), len(tables) - 1
    while True:
        here = way[-1]
        while level > 0 and tables[level - 1][0][here] == tables[level][0][here]:
            level -= 1
        link = int(tables[level][1][here])
        if level == 0 or link < 0:
            return tuple(way), total
        total += int(ways.down_loss[link])
        way.append(int(ways.down.to[link]))
        level -= 1
