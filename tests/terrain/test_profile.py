"""Profiles agree with GDAL's own sampling of the same raster, and cover lies where it was drawn."""

from __future__ import annotations

import numpy as np
import pytest
from affine import Affine
from hypothesis import given, settings
from hypothesis import strategies as st
from landscapes import CRS, make_landscape, rough
from rasterio.enums import Resampling
from rasterio.transform import from_origin
from rasterio.warp import reproject
from shapely import Polygon, box

from meshplan.records import Cover
from meshplan.terrain.bilinear import bilinear
from meshplan.terrain.geodesy import distance_and_bearing
from meshplan.terrain.profile import choose_sample_count, cover_at, ground_at, sample_profiles


def test_profile_heights_equal_gdals_own_sampling() -> None:
    """Outside reference: GDAL's bilinear resampling onto a row of cells whose centres are the samples of the profile."""
    ground = rough(80, 120)
    landscape = make_landscape(ground)
    grid = landscape.grid
    random = np.random.default_rng(1)
    x = random.uniform(grid.west_m + 5, grid.east_m - 5, (2, 12))
    y = random.uniform(grid.south_m + 5, grid.north_m - 5, (2, 12))
    count = 201
    profiles = sample_profiles(landscape, x[0], y[0], x[1], y[1], count)
    for i in range(12):
        step = np.array([x[1, i] - x[0, i], y[1, i] - y[0, i]]) / (count - 1)
        across = np.array([-step[1], step[0]])
        corner = np.array([x[0, i], y[0, i]]) - step / 2 - across / 2
        row = np.full((1, count), np.nan, dtype=np.float32)
        reproject(
            ground.astype(np.float32),
            row,
            src_transform=from_origin(grid.west_m, grid.north_m, 5.0, 5.0),
            src_crs=CRS,
            dst_transform=Affine(step[0], across[0], corner[0], step[1], across[1], corner[1]),
            dst_crs=CRS,
            resampling=Resampling.bilinear,
            tolerance=0.0,
            XSCALE=1,  # GDAL would widen its kernel to the one row of the target
            YSCALE=1,
        )
        assert np.abs(profiles.ground_amsl_m[i] - row[0]).max() < 0.002


def test_profile_ends_lie_exactly_on_the_sites() -> None:
    landscape = make_landscape(rough(60, 60))
    x, y = landscape.grid.x_y(np.array([10.0, 40.0]), np.array([12.0, 50.0]))
    profiles = sample_profiles(landscape, x[:1], y[:1], x[1:], y[1:], 33)
    assert profiles.ground_amsl_m[0, 0] == pytest.approx(float(landscape.ground_amsl_m[12, 10]))
    assert profiles.ground_amsl_m[0, -1] == pytest.approx(float(landscape.ground_amsl_m[50, 40]))
    assert profiles.along_m[0, -1] == pytest.approx(float(np.hypot(x[1] - x[0], y[1] - y[0])))


def test_unknown_ground_stays_unknown() -> None:
    ground = rough(40, 40)
    ground[18:22, 18:22] = np.nan
    landscape = make_landscape(ground)
    x, y = landscape.grid.x_y(np.array([2.0, 37.0]), np.array([20.0, 20.0]))
    profiles = sample_profiles(landscape, x[:1], y[:1], x[1:], y[1:], 36)
    assert np.isnan(profiles.ground_amsl_m[0]).any()
    assert np.isfinite(profiles.ground_amsl_m[0, :10]).all()


@given(st.floats(-0.5, 8.5), st.floats(-0.5, 5.5))
@settings(max_examples=80, deadline=None)
def test_bilinear_reproduces_a_plane_between_cell_centres(column: float, row: float) -> None:
    rows, columns = np.mgrid[0:6, 0:9]
    plane = (3.0 + 2.0 * columns - 1.5 * rows).astype(np.float32)
    c, r = min(max(column, 0.0), 8.0), min(max(row, 0.0), 5.0)
    value = bilinear(plane, np.array([column]), np.array([row]))[0]
    assert value == pytest.approx(3.0 + 2.0 * c - 1.5 * r, abs=1e-4)


def test_places_outside_the_grid_are_unknown() -> None:
    landscape = make_landscape(rough(10, 10))
    assert np.isnan(ground_at(landscape, landscape.grid.east_m + 1, landscape.grid.north_m - 5))


def test_cover_takes_the_cells_inside_its_outline_and_buildings_win() -> None:
    west, north = 500_000.0, 5_000_000.0
    wood = Cover("wood", "wood_deciduous", box(west + 50, north - 200, west + 150, north - 100), 14.0)
    shed = Cover("shed", "building", box(west + 100, north - 150, west + 130, north - 120), 6.0)
    landscape = make_landscape(rough(60, 60), covers=(shed, wood))
    names = ("", *(cover.name for cover in landscape.covers))
    found = cover_at(landscape, np.array([west + 60, west + 115, west + 20]), np.array([north - 150, north - 135, north - 20]))
    assert [names[i] for i in found] == ["wood", "shed", ""]
    assert (landscape.cover_index == names.index("wood")).sum() * 25.0 == pytest.approx(100 * 100 - 30 * 30, rel=0.05)


def test_a_hedge_thinner_than_a_cell_does_not_vanish() -> None:
    west, north = 500_000.0, 5_000_000.0
    hedge = Cover("hedge", "hedge_evergreen", box(west + 20, north - 101, west + 180, north - 100.2), 3.0)
    landscape = make_landscape(rough(60, 60), covers=(hedge,))
    assert (landscape.cover_index > 0).sum() >= 160 / 5


def test_a_surface_model_gives_cover_no_second_height() -> None:
    west, north = 500_000.0, 5_000_000.0
    wood = Cover("wood", "wood_deciduous", Polygon([(west, north), (west + 100, north), (west + 100, north - 100)]), 14.0)
    landscape = make_landscape(rough(60, 60), covers=(wood,), ground_is_surface=True)
    assert landscape.cover_heights_m(7).tolist() == [0.0, 0.0]
    assert any("surface model" in line for line in landscape.assumptions)


def test_growth_seen_only_from_above_is_counted_and_said() -> None:
    ground = rough(40, 40)
    surface = ground.astype(np.float32).copy()
    surface[10:20, 10:20] += 8.0
    landscape = make_landscape(ground, surface=surface)
    assert landscape.covers[0].name == "growth seen from above"
    assert (landscape.cover_index == 1).sum() == 100
    assert landscape.canopy_m is not None
    assert landscape.canopy_m[15, 15] == pytest.approx(8.0, abs=0.001)
    assert "taken for deciduous trees" in landscape.assumptions[0]


def test_sample_count_follows_raster_and_length_within_its_limits() -> None:
    assert choose_sample_count(100.0, 1.0) == 101
    assert choose_sample_count(2.0, 1.0) == 5
    assert choose_sample_count(1e6, 1.0) == 2001
    assert choose_sample_count(10.0, 30.0) == 33
    assert choose_sample_count(1000.0, 30.0) == 401
    assert choose_sample_count(5000.0, 30.0) == 1001
    assert choose_sample_count(9000.0, 90.0) == 601
    assert choose_sample_count(1e6, 90.0) == 2001


def test_geodesic_of_the_handbook_example() -> None:
    """Flinders Peak to Buninyong, worked in the geodetic handbook of Australia on GRS 80 (figures from memory):
    54 972.271 m, bearing 306°52'05.37". WGS 84 differs from GRS 80 by less than a millimetre here."""
    lat_a, lon_a = -(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600
    lat_b, lon_b = -(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600
    distance_m, bearing_deg = distance_and_bearing(lon_a, lat_a, lon_b, lat_b)
    assert float(distance_m) == pytest.approx(54_972.271, abs=0.002)
    assert float(bearing_deg) == pytest.approx(306 + 52 / 60 + 5.37 / 3600, abs=1e-5)
