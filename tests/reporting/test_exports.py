"""Exports as an independent reader (GDAL through pyogrio) finds them: places, types, counts, the same bytes each time."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pyogrio
import pytest
from plan_fixture import HOSTILE_NAMES, make_plan
from shapely.geometry import Point

from meshplan.inputs.plan_file import read_plan_json
from meshplan.records import Plan, Role
from meshplan.reporting.exports import FIXED_DATE, write_exports, write_geopackage, write_gpx, write_kml
from meshplan.reporting.plan_files import write_plan_geojson

LAYERS = {"devices": "Point", "links": "LineString", "routes": "LineString", "shapes": "Polygon"}


@pytest.fixture(scope="module")
def package(plan: Plan, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the plan as a GeoPackage."""
    return write_geopackage(plan, tmp_path_factory.mktemp("gpkg") / "plan.gpkg")


def test_the_geopackage_has_its_layers_with_kind_and_projection(package: Path) -> None:
    assert dict(pyogrio.list_layers(package)) == LAYERS
    for layer in LAYERS:
        assert pyogrio.read_info(package, layer=layer)["crs"] == "EPSG:4326"


def test_counts_are_those_of_the_plan(package: Path, plan: Plan) -> None:
    counts = {layer: pyogrio.read_info(package, layer=layer)["features"] for layer in LAYERS}
    assert counts == {
        "devices": len(plan.devices),
        "links": len(plan.links),
        "routes": len(plan.routes),
        "shapes": len(plan.shapes),
    }


def test_columns_have_types_not_texts(package: Path) -> None:
    info = pyogrio.read_info(package, layer="links")
    types = dict(zip(info["fields"], info["dtypes"], strict=True))
    assert types["chance"] == "float64"
    assert types["in_plan"] == "bool"
    assert types["verdict"] == "object"
    routes = pyogrio.read_info(package, layer="routes")
    assert dict(zip(routes["fields"], routes["dtypes"], strict=True))["hops"] == "int64"


def test_values_come_back_and_unknown_is_empty(package: Path, plan: Plan) -> None:
    links = pyogrio.read_dataframe(package, layer="links").set_index("link")
    for link in plan.links:
        assert links.loc[link.key, "margin_db"] == link.margin_db
        assert links.loc[link.key, "in_plan"] == link.chosen
    devices = pyogrio.read_dataframe(package, layer="devices").set_index("device")
    for device in plan.devices:
        assert devices.loc[device.name].geometry.equals(Point(device.lon_deg, device.lat_deg))
        assert devices.loc[device.name, "height_assumed"] == device.height_assumed
    assert math.isnan(devices.loc["house", "azimuth_deg"])


def test_a_wood_with_a_clearing_keeps_its_clearing(package: Path) -> None:
    shapes = pyogrio.read_dataframe(package, layer="shapes").set_index("name")
    assert len(shapes.loc["alder strip"].geometry.interiors) == 1


def test_the_same_plan_gives_the_same_bytes(package: Path, tmp_path: Path) -> None:
    again = write_geopackage(make_plan(), tmp_path / "plan.gpkg")
    assert again.read_bytes() == package.read_bytes()
    assert FIXED_DATE.encode() in package.read_bytes()


def test_the_date_setting_is_put_back(package: Path) -> None:
    assert package.exists()
    assert pyogrio.get_gdal_config_option("OGR_CURRENT_DATE") is None


def test_empty_layers_are_there_with_their_columns(plan: Plan, tmp_path: Path) -> None:
    bare = replace(plan, devices=(), links=(), routes=(), shapes=())
    path = write_geopackage(bare, tmp_path / "plan.gpkg")
    assert {str(name) for name, _ in pyogrio.list_layers(path)} == set(LAYERS)
    assert "chance" in pyogrio.read_info(path, layer="links")["fields"]


def test_geojson_is_read_as_wgs_84(plan: Plan, tmp_path: Path) -> None:
    frame = pyogrio.read_dataframe(write_plan_geojson(plan, tmp_path / "plan.geojson"))
    assert frame.crs.to_epsg() == 4326
    assert (frame["layer"] == "device").sum() == len(plan.devices)
    house = frame[frame["device"] == "house"].iloc[0]
    assert (house.geometry.x, house.geometry.y) == (plan.device("house").lon_deg, plan.device("house").lat_deg)


def test_gpx_holds_a_waypoint_for_every_site_to_walk_to(plan: Plan, tmp_path: Path) -> None:
    points = pyogrio.read_dataframe(write_gpx(plan, tmp_path / "sites.gpx"), layer="waypoints").set_index("name")
    wanted = [device for device in plan.devices if device.in_plan or device.role is Role.SENSOR]
    assert set(points.index) == {device.name for device in wanted}
    for device in wanted:
        assert points.loc[device.name].geometry.x == pytest.approx(device.lon_deg, abs=1e-7)
        assert points.loc[device.name].geometry.y == pytest.approx(device.lat_deg, abs=1e-7)
        assert points.loc[device.name, "ele"] == pytest.approx(device.ground_amsl_m, abs=0.05)
    assert "not served" in points.loc["far gate", "desc"]
    assert "barn" not in points.index


def test_kml_holds_the_plan_in_three_folders(plan: Plan, tmp_path: Path) -> None:
    path = write_kml(plan, tmp_path / "plan.kml")
    assert {str(name) for name, _ in pyogrio.list_layers(path)} == {"outlines", "links", "devices"}
    assert len(pyogrio.read_dataframe(path, layer="links")) == len(plan.chosen_links)
    devices = pyogrio.read_dataframe(path, layer="devices").set_index("Name")
    assert devices.loc["spring"].geometry.x == pytest.approx(plan.device("spring").lon_deg, abs=1e-7)
    colour = ElementTree.parse(path).find(".//{*}Style[@id='ample']/{*}LineStyle/{*}color")
    assert colour is not None
    assert colour.text == "ff6b3a0a", "KML writes blue before red"


@pytest.mark.parametrize(("writer", "name"), [(write_gpx, "a.gpx"), (write_kml, "a.kml")])
def test_hostile_names_survive_xml(writer: object, name: str, tmp_path: Path) -> None:
    names = {**HOSTILE_NAMES, "tank": "bell\x07 & <tag>"}
    path = writer(make_plan(names=names), tmp_path / name)  # type: ignore[operator]
    words = [element.text for element in ElementTree.parse(path).iter() if element.tag.endswith("}name")]
    assert HOSTILE_NAMES["spring"] in words
    assert HOSTILE_NAMES["house"] in words
    assert "bell\N{REPLACEMENT CHARACTER} & <tag>" in words


def test_hostile_names_survive_the_geopackage(hostile_plan: Plan, tmp_path: Path) -> None:
    devices = pyogrio.read_dataframe(write_geopackage(hostile_plan, tmp_path / "plan.gpkg"), layer="devices")
    assert set(devices["device"]) == {device.name for device in hostile_plan.devices}


def test_everything_is_written_together(plan: Plan, tmp_path: Path) -> None:
    paths = write_exports(plan, tmp_path)
    assert {path.name for path in paths} >= {"plan.gpkg", "plan.geojson", "plan.json", "sites.gpx", "plan.kml", "links.csv"}
    assert all(path.is_file() for path in paths)
    assert read_plan_json(tmp_path / "plan.json") == plan
    assert json.loads((tmp_path / "plan.geojson").read_text(encoding="utf-8"))["features"]
    assert not [path for path in tmp_path.rglob("*") if ".part" in path.name]
