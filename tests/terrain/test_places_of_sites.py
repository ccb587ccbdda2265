"""What is one place: rows at one coordinate, rows within the stated distance, chains of such; sensors never."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.sparse.csgraph import connected_components

from meshplan.errors import MeshplanError
from meshplan.records import Role, Site, Use
from meshplan.terrain.places import _chains, with_places


def _site(name: str, x_m: float, role: Role = Role.RELAY, **more: object) -> Site:
    plain = Site(name=name, role=role, lon_deg=0.0, lat_deg=0.0, x_m=x_m, y_m=0.0, antenna_agl_m=3.0, where=f"row {name}")
    return replace(plain, **more)  # type: ignore[arg-type]


def _groups(sites: tuple[Site, ...]) -> list[list[str]]:
    key = lambda site: site.place_name  # noqa: E731
    return [[site.name for site in group] for _, group in itertools.groupby(sorted(sites, key=key), key)]


def test_rows_within_the_distance_are_one_place_and_told() -> None:
    sites, told = with_places([_site("A", 0.0, Role.GATEWAY), _site("B", 1.9), _site("C", 4.5)], 2.0)
    assert _groups(sites) == [["A", "B"], ["C"]]
    assert told == (
        "A and B stand so near each other that they share their fate: one place with one mast, of which one device is used.",
    )


def test_a_chain_of_near_rows_is_one_place() -> None:
    sites, _ = with_places([_site("A", 0.0), _site("B", 1.5), _site("C", 3.0)], 2.0)
    assert _groups(sites) == [["A", "B", "C"]]


def test_one_coordinate_is_one_place_whatever_the_distance() -> None:
    sites, told = with_places([_site("A", 7.0, Role.GATEWAY), _site("B", 7.0), _site("C", 7.5)], 0.0)
    assert _groups(sites) == [["A", "B"], ["C"]]
    assert "at one spot" in told[0]


def test_a_sensor_is_no_device_of_the_place() -> None:
    sites, told = with_places([_site("S", 0.0, Role.SENSOR), _site("A", 0.0)], 2.0)
    assert _groups(sites) == [["A"], ["S"]]
    assert told == ()


def test_two_forced_devices_at_one_place_are_refused_with_the_row() -> None:
    sites = [_site("A", 0.0, use=Use.FORCED), _site("B", 1.0, use=Use.FORCED)]
    with pytest.raises(MeshplanError) as caught:
        with_places(sites, 2.0)
    assert "'A' and 'B'" in str(caught.value)
    assert "row B" in str(caught.value)
    assert "same_place_m below 2" in str(caught.value)


@given(st.lists(st.floats(0, 30), min_size=1, max_size=12), st.floats(0, 5))
def test_places_are_the_gaps_on_a_line(at_m: list[float], same_m: float) -> None:
    """On a line, single linkage cuts exactly where neighbours stand further apart than the distance."""
    sites, _ = with_places([_site(f"P{i}", x) for i, x in enumerate(at_m)], same_m)
    ordered = np.sort(np.array(at_m))
    assert len(_groups(sites)) == 1 + int((np.diff(ordered) > max(same_m, 0.01)).sum())


@given(
    points=st.lists(st.tuples(st.integers(0, 12), st.integers(0, 12)), min_size=1, max_size=40),
    reach_m=st.sampled_from((0.01, 1.0, 2.0, 5.0)),
)
def test_chains_are_the_connected_components_of_near_points(points: list[tuple[int, int]], reach_m: float) -> None:
    """Against the library's graph routine, with steps of exactly the reach among them."""
    at_m = np.array(points, dtype=float)
    near = np.hypot(*(at_m[:, None] - at_m[None]).transpose(2, 0, 1)) <= reach_m
    expected = connected_components(near, directed=False)[1]
    found = _chains(at_m, reach_m)
    assert ((found[:, None] == found[None]) == (expected[:, None] == expected[None])).all()
