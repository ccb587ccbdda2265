"""A whole property folder: all files together, all faults together, all assumptions told."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from rasterio.transform import from_origin

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs import read_property
from meshplan.inputs.vector import WGS84, move_geometry, read_features
from meshplan.records import Role
from meshplan.records.property import Property

CRS = "EPSG:32632"
EAST_M, NORTH_M = 500_000.0, 5_540_000.0
SITES = """name,role,x_m,y_m,antenna_agl_m
Gate,sensor,500100,5540100,1.2
Pond,sensor,500300,5540250,0.5
House,gateway,500200,5540300,6
"""
MAP = {
    "cover.geojson": ({"kind": "wood_deciduous", "name": "copse", "height_m": 9}, shapely.box(150, 150, 200, 220)),
    "boundary.geojson": ({"name": "farm"}, shapely.box(0, 0, 400, 400)),
}


def geojson(properties: dict[str, object], shape: shapely.Geometry) -> str:
    placed = move_geometry(shapely.transform(shape, lambda xy: xy + np.array([EAST_M, NORTH_M])), CRS, WGS84)
    feature = {"type": "Feature", "properties": properties, "geometry": shapely.geometry.mapping(placed)}
    return json.dumps({"type": "FeatureCollection", "features": [feature]})


def raster(path: Path, *, void: tuple[slice, slice] | None = None, width: int = 120) -> None:
    heights = np.full((120, width), 250.0, dtype=np.float32)
    if void is not None:
        heights[void] = -9999.0
    transform = from_origin(EAST_M - 100, NORTH_M + 500, 5.0, 5.0)
    with rasterio.open(
        path, "w", driver="GTiff", width=width, height=120, count=1, dtype="float32", crs=CRS, transform=transform
    ) as target:
        target.write(heights, 1)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a small sound property."""
    (tmp_path / "property.toml").write_text(f'name = "Farm"\ncrs = "{CRS}"\n')
    (tmp_path / "sites.csv").write_text(SITES)
    for name, (properties, shape) in MAP.items():
        (tmp_path / name).write_text(geojson(properties, shape))
    raster(tmp_path / "ground.tif")
    return tmp_path


def fault_lines(folder: Path) -> list[str]:
    with pytest.raises(MeshplanError) as caught:
        read_property(folder)
    faults = caught.value.faults if isinstance(caught.value, FaultList) else (caught.value,)
    return [str(fault) for fault in faults]


def test_a_sound_folder_is_read_onto_one_grid(folder: Path) -> None:
    found = read_property(folder)
    assert isinstance(found, Property)
    assert found.elevation.grid.crs == CRS
    assert [(site.name, site.role) for site in found.sites] == [
        ("Gate", Role.SENSOR),
        ("Pond", Role.SENSOR),
        ("House", Role.GATEWAY),
    ]
    assert (found.sites[0].x_m, found.sites[0].y_m) == pytest.approx((500_100.0, 5_540_100.0), abs=1e-6)
    assert found.covers[0].geometry.area == pytest.approx(50 * 70, rel=1e-4)
    assert found.boundary is not None
    assert found.boundary.area == pytest.approx(160_000, rel=1e-4)
    assert np.isfinite(found.elevation.ground_amsl_m).all()
    assert found.warnings == ()


def test_files_with_obvious_names_are_found_and_named(folder: Path) -> None:
    found = read_property(folder)
    assert found.assumptions[:5] == (
        "property.toml names no file for sites: sites.csv is read.",
        "property.toml names no file for cover: cover.geojson is read.",
        "property.toml names no file for boundary: boundary.geojson is read.",
        "property.toml names no elevation: ground.tif is read.",
        found.grid_sentence,
    )
    assert found.grid_sentence.endswith(
        "cells of 1.667 m in WGS 84 / UTM zone 32N: the finest elevation data (ground.tif) have cells of 5 m, parted for what "
        "stands on them; the elevation data lie in it."
    )


def test_files_of_another_folder_can_be_named(folder: Path) -> None:
    other = folder / "copy"
    other.mkdir()
    (other / "property.toml").write_text(
        f'name = "Copy"\ncrs = "{CRS}"\nsites = "../sites.csv"\nelevation = "../ground.tif"\ncover = []\nboundary = []\n'
    )
    found = read_property(other)
    assert len(found.sites) == 3
    assert found.covers == ()
    assert found.boundary is None
    assert found.sites[0].where == "../sites.csv, row 2"


def test_reading_writes_nothing(folder: Path) -> None:
    before = {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}
    read_property(folder)
    (folder / "sites.csv").write_text(SITES.replace("1.2", "1,2"))
    before[folder / "sites.csv"] = (folder / "sites.csv").read_bytes()
    with pytest.raises(MeshplanError):
        read_property(folder)
    assert {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()} == before


def test_the_same_folder_gives_the_same_property(folder: Path) -> None:
    first, second = read_property(folder), read_property(folder)
    assert first.sites == second.sites
    assert first.assumptions == second.assumptions
    np.testing.assert_array_equal(first.elevation.ground_amsl_m, second.elevation.ground_amsl_m)


def test_all_faults_of_all_files_come_together(folder: Path) -> None:
    (folder / "sites.csv").write_text(SITES + 'Pond,sensor,500100,5540100,"2,5"\nAway,sensor,509000,5540000,1\n')
    (folder / "cover.geojson").write_text(geojson({"kind": "wodo"}, shapely.box(0, 0, 10, 10)))
    (folder / "boundary.geojson").write_text("")
    (folder / "ruin.tif").write_text("no raster")
    lines = [line.splitlines()[0] for line in fault_lines(folder)]
    assert [line.split(" (")[0] for line in lines] == [
        "sites.csv, row 5, column 'antenna_agl_m': '2,5' is not a number",
        "sites.csv, row 5: the name 'Pond' stands already in sites.csv, row 3",
        "ruin.tif: cannot be read as a raster",
        "cover.geojson, feature 1, field 'kind': 'wodo' is not known. Did you mean 'wood'?",
        "boundary.geojson: the file is empty",
        "sites.csv, row 6: site 'Away' at lon 9.12561, lat 50.01225 lies outside the elevation data",
    ]


def test_a_site_outside_the_elevation_is_named_with_the_reach_of_the_data(folder: Path) -> None:
    (folder / "sites.csv").write_text(SITES + "Away,sensor,509000,5540000,1\n")
    assert fault_lines(folder) == [
        "sites.csv, row 5: site 'Away' at lon 9.12561, lat 50.01225 lies outside the elevation data\n"
        "  Correct its position, or add a raster there; the data reach lon 8.9986 to 9.0070, lat 50.0114 to 50.0168."
    ]


def test_swapped_degrees_are_recognised(folder: Path) -> None:
    (folder / "sites.csv").write_text(
        "name,role,lon_deg,lat_deg\nGate,sensor,50.0130,9.0010\nHouse,gateway,9.002,50.014\nPond,sensor,9.001,50.013\n"
    )
    assert fault_lines(folder) == [
        "sites.csv, row 2: site 'Gate' at lon 50.01300, lat 9.00100 lies outside the elevation data\n"
        "  Longitude and latitude look swapped: write lon_deg = 9.001, lat_deg = 50.013."
    ]


def test_a_site_on_a_void_is_a_fault_that_names_it(folder: Path) -> None:
    raster(folder / "ground.tif", void=(slice(75, 85), slice(35, 45)))
    assert fault_lines(folder) == [
        "sites.csv, row 2: site 'Gate' stands on or beside a gap in the elevation data, its height is not known\n"
        "  Add a raster that fills the gap, even a coarse one, or correct the position."
    ]


def test_a_coarse_raster_fills_the_void(folder: Path) -> None:
    raster(folder / "ground.tif", void=(slice(75, 85), slice(35, 45)))
    with rasterio.open(
        folder / "coarse.tif",
        "w",
        driver="GTiff",
        width=40,
        height=40,
        count=1,
        dtype="int16",
        crs="EPSG:4326",
        transform=from_origin(8.99, 50.02, 0.0006, 0.0004),
    ) as target:
        target.write(np.full((40, 40), 248, dtype=np.int16), 1)
    found = read_property(folder)
    assert [note.file for note in found.elevation.rasters] == ["ground.tif", "coarse.tif"]
    column, row = found.elevation.grid.column_row(500_100.0, 5_540_100.0)
    assert found.elevation.ground_amsl_m[round(float(row)), round(float(column))] == 248.0


def test_a_site_outside_the_boundary_is_named_with_the_distance(folder: Path) -> None:
    (folder / "sites.csv").write_text(SITES.replace("500300,5540250", "500434,5540250"))
    assert fault_lines(folder) == [
        "sites.csv, row 3: site 'Pond' lies 34 m outside the boundary\n  Correct its position, or draw the boundary around it."
    ]


CHANGES: dict[str, tuple[Callable[[Path], object], list[str]]] = {
    "no sites file": (
        lambda folder: (folder / "sites.csv").unlink(),
        [
            "property.toml, key 'sites': no file is named and there is no sites.csv in the folder\n"
            '  Put sites.csv there, or name a file: sites = "my-sites.gpx"'
        ],
    ),
    "two sites files": (
        lambda folder: shutil.copy(folder / "boundary.geojson", folder / "sites.geojson"),
        [
            "property.toml, key 'sites': there are several files for it: sites.csv, sites.geojson\n"
            '  Name the one to use: sites = "sites.csv"'
        ],
    ),
    "no elevation": (
        lambda folder: (folder / "ground.tif").unlink(),
        [
            "property.toml, key 'elevation': there is no elevation raster\n"
            '  Put a GeoTIFF of the area in the folder and name it: elevation = "ground.tif"'
        ],
    ),
    "empty sites file": (
        lambda folder: (folder / "sites.csv").write_text(""),
        ["sites.csv: the file is empty\n  Write a header and one row for each site."],
    ),
    "no gateway": (
        lambda folder: (
            (folder / "sites.csv").write_text(SITES.replace("gateway", "relay")),
            (folder / "property.toml").write_text("generate_gateways = 0\n" + (folder / "property.toml").read_text()),
        ),
        [
            "sites.csv: there is no place for a gateway\n  Add a row with the role 'gateway': a place with power where "
            "readings can leave the radio network."
        ],
    ),
    "no sensor": (
        lambda folder: (folder / "sites.csv").write_text(SITES.replace("sensor", "relay")),
        ["sites.csv: there is no sensor\n  Add rows with the role 'sensor'."],
    ),
    "unknown projection": (
        lambda folder: (folder / "property.toml").write_text('name = "F"\ncrs = "EPSG:12"\n'),
        [
            "property.toml, key 'crs': 'EPSG:12' is no projection that can be read\n  Write it as \"EPSG:25832\", for example.",
        ],
    ),
}


@pytest.mark.parametrize("change", CHANGES)
def test_a_folder_that_lacks_something_says_what(folder: Path, change: str) -> None:
    alter, messages = CHANGES[change]
    alter(folder)
    assert fault_lines(folder) == messages


def test_a_site_inside_a_building_is_asked_about_its_wall(folder: Path) -> None:
    house = {"kind": "building", "name": "house", "height_m": 8, "wall": "brick_double"}
    (folder / "cover.geojson").write_text(geojson(house, shapely.box(190, 290, 210, 310)))
    assert read_property(folder).warnings == (
        "sites.csv, row 4: 'House' stands inside 'house' below its roof, so its signal is taken to pass the wall. "
        'If the antenna is inside, say so (indoors = "brick_double"); if not, move the site out of the outline.',
    )


def test_an_option_can_coarsen_the_grid(folder: Path) -> None:
    assert read_property(folder, overrides={"terrain.cell_m": 10}).elevation.grid.cell_m == 10.0


def test_a_hedge_far_away_does_not_decide_the_cells(folder: Path) -> None:
    hedge = {"kind": "hedge_evergreen", "name": "far hedge", "height_m": 3}
    (folder / "cover.geojson").write_text(geojson(hedge, shapely.box(3000, 0, 3002, 300)))
    found = read_property(folder, overrides={"land_cover.elsewhere": ["cover.geojson"]})
    assert found.covers == ()
    assert found.elevation.grid.cell_m == 5.0 / 3.0
    assert found.warnings == ("cover.geojson: 1 of 1 shapes do not reach the property and are not used.",)


def test_a_boundary_beyond_the_data_does_not_blow_up_the_grid(folder: Path) -> None:
    (folder / "boundary.geojson").write_text(geojson({"name": "parish"}, shapely.box(-20_000, -20_000, 20_000, 20_000)))
    grid = read_property(folder).elevation.grid
    assert (grid.columns * grid.cell_m, grid.rows * grid.cell_m) == (600.0, 600.0)


def test_cells_as_large_as_the_property_are_a_fault(folder: Path) -> None:
    (folder / "property.toml").write_text(f'name = "Farm"\ncrs = "{CRS}"\n[terrain]\ncell_m = 300\n')
    assert fault_lines(folder) == [
        "property.toml, key 'terrain.cell_m': cells of 300 m are too coarse for a property of 500 m\n"
        "  Leave it out, or write at most 50."
    ]


def test_two_sites_in_one_place_are_a_property(folder: Path) -> None:
    (folder / "boundary.geojson").unlink()
    (folder / "sites.csv").write_text("name,role,x_m,y_m,antenna_agl_m\nA,sensor,500100,5540100,1\nB,gateway,500100,5540100,4\n")
    found = read_property(folder)
    assert len(found.sites) == 2
    assert found.elevation.grid.cell_m == 5.0 / 3.0


def test_metres_in_a_file_of_degrees_are_a_fault(folder: Path) -> None:
    square = {"type": "Polygon", "coordinates": [[[5e5, 5.54e6], [5.001e5, 5.54e6], [5.001e5, 5.5401e6], [5e5, 5.54e6]]]}
    feature = {"type": "Feature", "properties": {"kind": "orchard", "height_m": 3}, "geometry": square}
    (folder / "cover.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    assert fault_lines(folder) == [
        "cover.geojson, feature 1: its corner 500000, 5.54e+06 is no longitude and latitude\n"
        "  Export the file in WGS 84 degrees, or with its projection."
    ]


def test_of_a_large_map_only_the_land_of_the_property_is_read(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("meshplan.inputs.vector.MANY_BYTES", 1000)
    (folder / "cover.geojson").unlink()
    squares = [shapely.box(x, y, x + 20, y + 20) for x in range(-5000, 5000, 500) for y in range(-5000, 5000, 500)]
    placed = shapely.transform(np.array(squares), lambda xy: xy + np.array([EAST_M, NORTH_M]))
    many = len(squares)
    frame = geopandas.GeoDataFrame({"kind": ["orchard"] * many, "height_m": [3.0] * many}, geometry=list(placed), crs=CRS)
    frame.to_crs("EPSG:25832").to_file(folder / "cover.gpkg")
    near = read_features(folder / "cover.gpkg", "cover.gpkg", key="cover", default_crs=None, near_deg=(9.0, 50.01, 9.006, 50.016))
    assert 1 <= len(near.features) <= 9
    assert len(read_property(folder).covers) == 1


def test_one_fault_is_raised_as_itself(folder: Path) -> None:
    (folder / "sites.csv").write_text(SITES.replace("1.2", "abc"))
    with pytest.raises(InputError) as caught:
        read_property(folder)
    assert str(caught.value) == "sites.csv, row 2, column 'antenna_agl_m': 'abc' is not a number\n  Write a number in m."


def test_surface_rasters_are_known_by_name_when_none_is_named(folder: Path) -> None:
    raster(folder / "surface.tif")
    found = read_property(folder)
    assert found.elevation.surface_amsl_m is not None
    assert "surface.tif: taken as a surface model because of its name." in found.assumptions
