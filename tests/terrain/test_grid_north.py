"""The grid's north against true north: the convergence that PROJ gives for a projection, and bearings on the ellipsoid."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import Geod, Proj, Transformer

from meshplan.grid import Grid
from meshplan.terrain.geodesy import grid_north_deg

CRSES = ["EPSG:32632", "EPSG:25833", "EPSG:32755", "EPSG:2056", "EPSG:27700"]
"""Transverse Mercator on both sides of the equator, an oblique one, and one with its own datum and origin."""

MIDDLES = {
    "EPSG:32632": (9.0, 52.0),
    "EPSG:25833": (15.0, 61.0),
    "EPSG:32755": (147.0, -42.0),
    "EPSG:2056": (7.4, 46.9),
    "EPSG:27700": (-2.0, 54.0),
}


@settings(max_examples=60, deadline=None, derandomize=True)
@given(st.sampled_from(CRSES), st.floats(-2.9, 2.9), st.floats(-3.0, 3.0))
def test_it_is_the_meridian_convergence_of_the_projection(crs: str, east_deg: float, north_deg: float) -> None:
    lon_deg, lat_deg = MIDDLES[crs][0] + east_deg, MIDDLES[crs][1] + north_deg
    x_m, y_m = Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon_deg, lat_deg)
    found = grid_north_deg(Grid(crs, x_m, y_m, 1.0, 1, 1), x_m, y_m)
    # PROJ counts from the datum's own meridian: WGS 84 differs from it by far less than a hundredth of a degree of direction.
    assert found == pytest.approx(Proj(crs).get_factors(lon_deg, lat_deg).meridian_convergence, abs=0.01)
    if crs != "EPSG:2056":
        assert found == pytest.approx(east_deg * np.sin(np.radians(lat_deg)), abs=0.03)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.sampled_from(CRSES), st.floats(-2.5, 2.5), st.floats(0.0, 360.0), st.floats(200.0, 5_000.0))
def test_a_bearing_on_the_grid_and_its_north_make_the_true_bearing(
    crs: str, east_deg: float, bearing_deg: float, distance_m: float
) -> None:
    lon_deg, lat_deg = MIDDLES[crs][0] + east_deg, MIDDLES[crs][1]
    to_grid = Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    there = Geod(ellps="WGS84").fwd(lon_deg, lat_deg, bearing_deg, distance_m)[:2]
    (x_a, y_a), (x_b, y_b) = to_grid.transform(lon_deg, lat_deg), to_grid.transform(*there)
    on_grid = np.degrees(np.arctan2(x_b - x_a, y_b - y_a)) + grid_north_deg(Grid(crs, x_a, y_a, 1.0, 1, 1), x_a, y_a)
    assert (on_grid - bearing_deg + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=0.03)
