"""The order in which to walk to a few places, inside the boundary and around what cannot be crossed."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.sparse.csgraph import dijkstra

from meshplan.calibration.model import Array

EXACT_PLACES = 9
"""Up to so many places the shortest order is found exactly."""
MOST_CORNERS = 160
Point = tuple[float, float]


def walkable_area(boundary: shapely.Geometry | None, obstacles: Sequence[shapely.Geometry] = ()) -> shapely.Geometry | None:
    """Return the land one may walk on, None for everywhere."""
    solid = shapely.union_all([shape for shape in obstacles if shape is not None]) if obstacles else None
    if boundary is None:
        return None
    area = boundary if solid is None else boundary.difference(solid)
    return area if area.is_valid else shapely.make_valid(area)


def walking_distances(points: Sequence[Point], area: shapely.Geometry | None) -> tuple[Array, list[Point], NDArray[np.int_]]:
    """Return distances between points (n, n), all way points, and predecessors for `way_between`.

    Without an area the way is straight; otherwise it bends at corners of the area. Infinite where no way leads inside.
    """
    if area is None:
        xy = np.array(points, dtype=float).reshape(-1, 2)
        gap = np.hypot(xy[:, None, 0] - xy[None, :, 0], xy[:, None, 1] - xy[None, :, 1])
        before = np.broadcast_to(np.arange(len(points))[:, None], gap.shape).copy()
        return gap, list(points), before
    corners = _corners(area)
    nodes = [*points, *corners]
    slack = area.buffer(0.05)
    shapely.prepare(slack)
    first, second = np.triu_indices(len(nodes), 1)
    xy = np.array(nodes, dtype=float)
    lines = shapely.linestrings(np.stack([xy[first], xy[second]], axis=1))
    seen = shapely.covers(slack, lines)
    graph = np.full((len(nodes), len(nodes)), np.inf)
    length = np.hypot(*(xy[first] - xy[second]).T)
    graph[first[seen], second[seen]] = np.maximum(length[seen], 1e-9)
    graph = np.minimum(graph, graph.T)
    graph[~np.isfinite(graph)] = 0.0
    distance, before = dijkstra(graph, directed=False, indices=range(len(points)), return_predecessors=True)
    return distance[:, : len(points)], nodes, before.astype(int)


def way_between(start: int, end: int, nodes: Sequence[Point], before: NDArray[np.int_]) -> list[Point]:
    """Return the corner points from one point to another, the start left out."""
    way, at = [], end
    while at != start and at >= 0:
        way.append(nodes[at])
        at = int(before[start, at])
    return way[::-1]


def shortest_order(distance: Array, *, start: int = 0) -> tuple[int, ...]:
    """Return the order of a round trip from `start` to all others and back, without the start.

    Notes
    -----
    Source
        dynamic programming over subsets (Journal of the SIAM 10 (1962), pp. 196–210; named from memory) up to nine places; beyond
        that the nearest neighbour improved by turning parts of the tour round (2-opt) until nothing helps
    """
    others = [i for i in range(len(distance)) if i != start]
    if len(others) <= EXACT_PLACES:
        return _held_karp(distance, start, others)
    tour = [start]
    left = set(others)
    while left:
        tour.append(min(left, key=lambda i: (distance[tour[-1], i], i)))
        left.remove(tour[-1])
    improved = True
    while improved:
        improved = False
        for i, j in itertools.combinations(range(1, len(tour)), 2):
            a, b, c, d = tour[i - 1], tour[i], tour[j], tour[(j + 1) % len(tour)]
            if distance[a, c] + distance[b, d] < distance[a, b] + distance[c, d] - 1e-9:
                tour[i : j + 1] = tour[i : j + 1][::-1]
                improved = True
    return tuple(tour[1:])


def _held_karp(distance: Array, start: int, others: Sequence[int]) -> tuple[int, ...]:
    """Return the shortest round trip by dynamic programming."""
    if not others:
        return ()
    best: dict[tuple[int, int], tuple[float, tuple[int, ...]]] = {
        (1 << k, k): (float(distance[start, place]), (place,)) for k, place in enumerate(others)
    }
    for size in range(2, len(others) + 1):
        for subset in itertools.combinations(range(len(others)), size):
            mask = sum(1 << k for k in subset)
            for last in subset:
                rest = mask & ~(1 << last)
                best[mask, last] = min(
                    (best[rest, k][0] + float(distance[others[k], others[last]]), (*best[rest, k][1], others[last]))
                    for k in subset
                    if k != last
                )
    full = (1 << len(others)) - 1
    return min((best[full, k][0] + float(distance[others[k], start]), best[full, k][1]) for k in range(len(others)))[1]


def _corners(area: shapely.Geometry) -> list[Point]:
    """Return the corner points at which a way may bend, coarser if there are many."""
    tolerance = 0.2
    while True:
        rings = [ring for part in _parts(area.simplify(tolerance)) for ring in (part.exterior, *part.interiors)]
        corners = [(float(x), float(y)) for ring in rings for x, y in ring.coords[:-1]]
        if len(corners) <= MOST_CORNERS or tolerance > 1000:
            return corners
        tolerance *= 2


def _parts(area: shapely.Geometry) -> list[shapely.Geometry]:
    """Return the polygons of an area."""
    return [part for part in getattr(area, "geoms", [area]) if part.geom_type == "Polygon"]


def tour_length_m(order: Sequence[int], distance: Array, *, start: int = 0) -> float:
    """Return the length of the round trip."""
    stops = [start, *order, start]
    return math.fsum(float(distance[a, b]) for a, b in itertools.pairwise(stops))
