"""Which projection and which cells a property gets, and why."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS, Geod
from rasterio.transform import from_origin

from meshplan.errors import InputError, TooLargeError
from meshplan.inputs.grid_choice import (
    FINEST_CELL_M,
    MOST_CELLS,
    MOST_FEW_PARTS_OF_CELLS,
    GridChoice,
    choose_grid,
    choose_projection_for,
)
from meshplan.inputs.projection import LARGEST_SCALE_ERROR, centre_of, choose_projection, is_metric, scale_error, spread_m
from meshplan.inputs.raster import RasterHeader, open_header
from meshplan.inputs.vector import WGS84, point_mover
from meshplan.settings import RasterSettings, TerrainSettings

GEOD = Geod(ellps="WGS84")


def raster(
    tmp_path: Path, cell: float, crs: str = "EPSG:32632", west: float = 499_000.0, north: float = 5_541_000.0
) -> RasterHeader:
    path = tmp_path / f"ground_{cell:g}_{crs[5:]}.tif"
    transform = from_origin(west, north, cell, cell)
    with rasterio.open(
        path, "w", driver="GTiff", width=3000, height=3000, count=1, dtype="float32", crs=crs, transform=transform, sparse_ok=True
    ):
        pass
    return open_header(path, path.name, RasterSettings(file=path.name))


def places(*points: tuple[float, float], crs: str = "EPSG:32632") -> tuple[list[float], list[float]]:
    lon, lat = point_mover(crs, WGS84)([x for x, _ in points], [y for _, y in points])
    return lon.tolist(), lat.tolist()


FARM = places((500_000.0, 5_540_000.0), (500_800.0, 5_539_400.0))


def choose(headers: list[RasterHeader], **terrain: float) -> GridChoice:
    return choose_grid(*FARM, headers, TerrainSettings(**terrain))


def test_the_grid_lies_on_the_cells_of_metric_data(tmp_path: Path) -> None:
    choice = choose([raster(tmp_path, 2.0)])
    assert choice.grid.crs == "EPSG:32632"
    assert choice.grid.cell_m == 2.0
    assert (choice.grid.west_m - 499_000.0) % 2.0 == 0.0
    assert (choice.grid.north_m - 5_541_000.0) % 2.0 == 0.0
    assert choice.sentence == (
        "Working grid of 500 × 400 cells of 2 m in WGS 84 / UTM zone 32N: the finest elevation data (ground_2_32632.tif) have "
        "cells of 2 m; the elevation data lie in it."
    )


def test_a_margin_of_a_tenth_but_at_least_50_m_is_kept_around_the_sites(tmp_path: Path) -> None:
    grid = choose([raster(tmp_path, 2.0)]).grid
    assert 80.0 <= 500_000.0 - grid.west_m <= 130.0
    assert 80.0 <= grid.east_m - 500_800.0 <= 130.0
    wide = choose([raster(tmp_path, 2.0)], margin_m=300.0).grid
    assert 300.0 <= 5_539_400.0 - wide.south_m <= 350.0


def test_the_margin_ends_with_the_data(tmp_path: Path) -> None:
    grid = choose([raster(tmp_path, 2.0)], margin_m=1200.0).grid
    assert (grid.west_m, grid.north_m, grid.east_m) == (499_000.0, 5_541_000.0, 502_000.0)


def test_no_cell_is_finer_than_half_a_metre(tmp_path: Path) -> None:
    choice = choose([raster(tmp_path, 0.25)])
    assert choice.grid.cell_m == FINEST_CELL_M
    assert choice.warnings == ()


def test_cells_of_coarse_data_are_parted_whatever_the_width_of_the_property(tmp_path: Path) -> None:
    """The old rule took a hundredth of the width: 8 m here, and another figure for every link with every site more."""
    header = raster(tmp_path, 30.0, north=5_545_000.0)
    cells = set()
    for width_m in (150.0, 300.0, 800.0, 1600.0):
        lon, lat = places((500_000.0, 5_540_000.0), (500_000.0 + width_m, 5_539_900.0))
        choice = choose_grid(lon, lat, [header], TerrainSettings())
        cells.add(choice.grid.cell_m)
        assert "have cells of 30 m, parted for what stands on them" in choice.sentence
        # centres of the data are centres of cells
        assert ((499_000.0 + 15.0 - choice.grid.west_m) / choice.grid.cell_m) % 1.0 == pytest.approx(0.5)
    assert cells == {2.0}


def test_the_grid_does_not_move_with_a_site(tmp_path: Path) -> None:
    header = raster(tmp_path, 2.0)
    grids = []
    for moved_m in (0.0, 4.0, 11.0, 22.0):
        lon, lat = places((500_000.0, 5_540_000.0), (500_776.0 + moved_m, 5_539_400.0))
        grids.append(choose_grid(lon, lat, [header], TerrainSettings()).grid)
    assert len({(grid.west_m, grid.north_m, grid.cell_m) for grid in grids}) == 1
    assert len({grid.columns for grid in grids}) <= 2


def test_a_wide_property_is_held_to_four_million_cells(tmp_path: Path) -> None:
    header = raster(tmp_path, 1.0, west=490_000.0)
    lon, lat = places((490_100.0, 5_540_900.0), (520_000.0, 5_510_000.0))
    choice = choose_grid(lon, lat, [header], TerrainSettings())
    assert choice.grid.columns * choice.grid.rows <= MOST_CELLS
    assert choice.grid.columns * choice.grid.rows > MOST_CELLS / 5
    assert choice.grid.cell_m == 16.0
    assert "would be more than 4 million" in choice.sentence


def test_a_cell_that_is_asked_for_is_taken_and_its_cost_is_told(tmp_path: Path) -> None:
    choice = choose([raster(tmp_path, 2.0)], cell_m=10.0)
    assert choice.grid.cell_m == 10.0
    assert choice.warnings == ("terrain.cell_m = 10 is coarser than the data (2.0 m): relief is smoothed.",)
    with pytest.raises(TooLargeError) as caught:
        choose([raster(tmp_path, 2.0)], cell_m=0.1)
    assert str(caught.value) == (
        "property.toml, key 'terrain.cell_m': 10000 × 8000 cells of 0.1 m are too many\n  Leave it out, or write at least 1."
    )


def test_the_finest_metric_data_choose_the_projection(tmp_path: Path) -> None:
    fine = raster(tmp_path, 1.0, "EPSG:25832")
    coarse = raster(tmp_path, 10.0, "EPSG:32632")
    assert choose_projection_for(*FARM, [coarse, fine]).crs == "EPSG:25832"


def test_data_in_degrees_or_in_web_maps_leave_the_choice_to_utm(tmp_path: Path) -> None:
    degrees = raster(tmp_path, 0.001, "EPSG:4326", west=8.0, north=51.0)
    web = raster(tmp_path, 10.0, "EPSG:3857", west=990_000.0, north=6_460_000.0)
    projection = choose_projection_for(*FARM, [degrees, web])
    assert (projection.crs, projection.reason) == ("EPSG:32632", "it is the UTM zone of the property")


def test_projections_that_stretch_lengths_are_refused() -> None:
    """Web Mercator stretches by 1/cos(latitude), 1.556 at 50°; a British or German survey grid by less than 0.05 %."""
    assert scale_error(CRS("EPSG:3857"), [9.0], [50.0]) == pytest.approx(1 / math.cos(math.radians(50.0)) - 1, abs=0.01)
    assert scale_error(CRS("EPSG:25832"), [9.0], [50.0]) == pytest.approx(0.0004, abs=1e-6)
    assert scale_error(CRS("EPSG:27700"), [-2.0], [52.0]) == pytest.approx(0.0004, abs=5e-5)


def test_only_metres_east_and_north_make_a_working_grid() -> None:
    assert is_metric(CRS("EPSG:25832"))
    assert is_metric(CRS("EPSG:31467"))  # writes north before east, which always_xy puts right
    assert not is_metric(CRS("EPSG:2227"))  # feet
    assert not is_metric(CRS("EPSG:4326"))  # degrees
    assert not is_metric(CRS("EPSG:2048"))  # west and south


def test_a_property_on_both_sides_of_a_zone_border_gets_one_zone() -> None:
    assert choose_projection([11.99, 12.02], [50.0, 50.0]).crs in ("EPSG:32632", "EPSG:32633")


def test_a_property_on_the_antimeridian_gets_one_zone_and_stays_small() -> None:
    lon, lat = [179.995, -179.995], [-17.0, -17.0]
    projection = choose_projection(lon, lat)
    assert projection.crs in ("EPSG:32701", "EPSG:32760")
    x_m, y_m = point_mover(WGS84, projection.crs)(lon, lat)
    assert math.hypot(np.ptp(x_m), np.ptp(y_m)) == pytest.approx(1064.0, rel=0.01)
    assert abs(centre_of(lon, lat)[0]) == pytest.approx(180.0)


@pytest.mark.parametrize("lat", [89.99, 86.0, -85.0, -89.9])
def test_near_the_poles_the_projection_is_made_to_measure(lat: float) -> None:
    projection = choose_projection([10.0, 12.0], [lat, lat - 0.001])
    assert projection.title.startswith("transverse Mercator about")
    assert scale_error(CRS(projection.crs), [10.0, 12.0], [lat, lat - 0.001]) < 1e-4


@given(lon=st.floats(-180, 180), lat=st.floats(-89.5, 89.5), bearing=st.floats(0, 360), size_m=st.floats(10, 20_000))
@settings(max_examples=60, deadline=None)
def test_lengths_on_the_grid_are_true_anywhere_on_earth(lon: float, lat: float, bearing: float, size_m: float) -> None:
    """Against the geodesic of the ellipsoid (pyproj.Geod)."""
    far_lon, far_lat, _ = GEOD.fwd(lon, lat, bearing, size_m)
    projection = choose_projection([lon, far_lon], [lat, far_lat])
    x_m, y_m = point_mover(WGS84, projection.crs)([lon, far_lon], [lat, far_lat])
    assert math.hypot(x_m[1] - x_m[0], y_m[1] - y_m[0]) == pytest.approx(size_m, rel=LARGEST_SCALE_ERROR + 1e-5)
    assert spread_m([lon, far_lon], [lat, far_lat]) == pytest.approx(size_m, rel=1e-3)


def test_sites_that_lie_a_country_apart_are_a_fault(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        choose_projection_for([8.0, 12.0], [50.0, 50.0], [])
    assert str(caught.value) == (
        "sites: the sites and the boundary lie more than 150 km apart\n"
        "  Look for a wrong position; plan distant properties one by one."
    )


@given(
    cell=st.sampled_from([0.3, 1.0, 2.0, 7.0, 25.0]),
    width_m=st.floats(0, 5000),
    height_m=st.floats(0, 5000),
)
@settings(max_examples=60, deadline=None)
def test_any_grid_holds_its_sites_and_keeps_the_rules(
    tmp_path_factory: pytest.TempPathFactory, cell: float, width_m: float, height_m: float
) -> None:
    folder = tmp_path_factory.getbasetemp() / "grids"
    folder.mkdir(exist_ok=True)
    header = raster(folder, cell, north=5_541_000.0)
    lon, lat = places((499_500.0, 5_540_500.0), (499_500.0 + width_m, 5_540_500.0 - height_m))
    choice = choose_grid(lon, lat, [header], TerrainSettings())
    grid = choice.grid
    x_m, y_m = point_mover(WGS84, grid.crs)(lon, lat)
    assert grid.west_m <= x_m.min()
    assert x_m.max() <= grid.east_m + 1e-6
    assert grid.south_m <= y_m.min() + 1e-6
    assert y_m.max() <= grid.north_m
    assert grid.cell_m >= FINEST_CELL_M
    # the lattice of the extent adds up to a step on each side
    assert grid.columns * grid.rows <= 1.1 * MOST_FEW_PARTS_OF_CELLS
