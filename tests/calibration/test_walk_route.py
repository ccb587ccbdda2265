"""Walking orders and ways: against all permutations, and never over the boundary."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.calibration.walk_route import (
    shortest_order,
    tour_length_m,
    walkable_area,
    walking_distances,
    way_between,
)

Points = st.lists(st.tuples(st.integers(0, 900), st.integers(0, 900)), min_size=2, max_size=7, unique=True)


@settings(deadline=None, max_examples=40)
@given(Points)
def test_a_short_walk_is_the_best_of_all_orders(points: list[tuple[int, int]]) -> None:
    distance, _, _ = walking_distances(points, None)
    best = min(tour_length_m(order, distance) for order in itertools.permutations(range(1, len(points))))
    assert tour_length_m(shortest_order(distance), distance) == pytest.approx(best)


def test_a_long_walk_round_a_circle_follows_the_circle() -> None:
    angles = np.random.default_rng(3).permutation(24) * 2 * np.pi / 24
    points = [(100 * math.cos(a), 100 * math.sin(a)) for a in angles]
    distance, _, _ = walking_distances(points, None)
    order = shortest_order(distance)
    assert sorted(order) == list(range(1, 24))
    assert tour_length_m(order, distance) == pytest.approx(24 * 200 * math.sin(math.pi / 24))


def test_the_way_goes_round_what_lies_outside_the_boundary() -> None:
    """A horseshoe: the exact way bends at the two inner corners."""
    land = shapely.Polygon([(0, 0), (900, 0), (900, 900), (500, 900), (500, 300), (400, 300), (400, 900), (0, 900)])
    distance, nodes, before = walking_distances([(350, 800), (550, 800)], walkable_area(land))
    assert distance[0, 1] == pytest.approx(2 * math.hypot(50, 500) + 100, rel=1e-3)
    way = [(350.0, 800.0), *way_between(0, 1, nodes, before)]
    assert land.buffer(0.1).covers(shapely.LineString(way))


def test_water_is_walked_round() -> None:
    land, pond = shapely.box(0, 0, 100, 100), shapely.box(40, -1, 60, 80)
    distance, _, _ = walking_distances([(10, 10), (90, 10)], walkable_area(land, [pond]))
    assert distance[0, 1] == pytest.approx(2 * math.hypot(30, 70) + 20, rel=1e-3)


def test_an_island_cannot_be_reached() -> None:
    land = shapely.MultiPolygon([shapely.box(0, 0, 10, 10), shapely.box(50, 0, 60, 10)])
    distance, _, _ = walking_distances([(5, 5), (55, 5)], walkable_area(land))
    assert math.isinf(distance[0, 1])


def test_no_places_are_no_walk() -> None:
    assert shortest_order(np.zeros((1, 1))) == ()
