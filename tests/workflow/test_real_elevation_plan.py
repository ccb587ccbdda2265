"""An invented property on real open elevation is planned from folder to files: one coarse raster, a radar tile, and two at once."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray
from pyproj import Transformer
from rasterio.enums import Resampling
from rasterio.transform import from_origin
from rasterio.warp import reproject
from real_land import write_sample_elevation

from meshplan.planning.verify import verify_plan
from meshplan.records import Link, Plan, Role
from meshplan.workflow import Planned, plan_property, write_plan

HILLS = """name,role,lon_deg,lat_deg,antenna_agl_m,power,interval_s,payload_bytes
Spring,sensor,-84.2350,36.6110,1.0,battery,900,12
Upper meadow,sensor,-84.2440,36.6160,1.0,battery,900,12
Creek gauge,sensor,-84.2560,36.5960,1.5,battery,900,12
Orchard,sensor,-84.2505,36.6015,1.0,battery,900,12
Lane trough,sensor,-84.2522,36.5986,1.0,battery,900,12
Ash row,sensor,-84.2454,36.6007,1.0,battery,900,12
Barn,gateway,-84.2500,36.6000,6.0,mains,,
Knob,relay,-84.2600,36.5900,5.0,panel,,
Saddle,relay,-84.2450,36.6100,5.0,panel,,
"""
BARN = (-84.2500, 36.6000)
FINE = "fine.tif"
"""Its heights are said to be good to a metre."""
GRAZING = ("Lane trough", "Ash row")
"""Sites whose line to the barn passes close to the ground."""


def lay_hills(folder: Path, rasters: list[Path], more: str = "") -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "sites.csv").write_text(HILLS)
    named = ", ".join(f'"{path}"' if path.name != FINE else f'{{ file = "{path}", error_m = 1.0 }}' for path in rasters)
    (folder / "property.toml").write_text(
        'name = "Invented hill farm"\ncountry = "united-states"\nradio = "fsk-915-4k8"\nseasons = "bare"\n'
        f'sites = "sites.csv"\nelevation = [{named}]\nland_cover.mapped = "all"\n{more}'
    )
    return folder


@pytest.fixture(scope="module")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_sample_elevation(tmp_path_factory.mktemp("land") / "sample.tif")


@pytest.fixture(scope="module")
def on_hills(sample: Path, tmp_path_factory: pytest.TempPathFactory) -> Planned:
    return plan_property(lay_hills(tmp_path_factory.mktemp("hills"), [sample]))


def heights_of_file(path: Path, places: list[tuple[float, float]]) -> NDArray[np.float64]:
    """Return the stored heights of the cells that hold the places (rasterio's own sampling of a file in degrees)."""
    with rasterio.open(path) as source:
        return np.array([value[0] for value in source.sample(places)], dtype=float)


def assert_sound(planned: Planned) -> None:
    """Every route is made of links of the plan that are sure enough; a second, independent look finds no fault."""
    plan = planned.plan
    assert verify_plan(planned.problem, planned.result.plan) == ()
    sensors = {device.name for device in plan.devices if device.role is Role.SENSOR}
    assert {route.sensor for route in plan.routes} | {miss.sensor for miss in plan.unserved} == sensors
    for route in plan.routes:
        assert plan.device(route.devices[-1]).role is Role.GATEWAY
        assert all(plan.link(key).chance >= plan.required_chance for key in route.links)
    for miss in plan.unserved:
        assert miss.reason
        assert miss.missing_db > 0.0


def test_the_devices_stand_on_the_heights_of_the_file(on_hills: Planned, sample: Path) -> None:
    plan = on_hills.plan
    assert_sound(on_hills)
    places = [(device.lon_deg, device.lat_deg) for device in plan.devices]
    stored = heights_of_file(sample, places)
    ours = np.array([device.ground_amsl_m for device in plan.devices])
    assert ((ours > 236.0) & (ours < 1076.0)).all()
    # The nearest cell against a bilinear height: up to half a cell (46 m) on slopes of one in three.
    assert np.abs(ours - stored).max() < 20.0
    assert np.abs(ours - stored).mean() < 8.0


def test_a_plan_on_coarse_data_says_that_it_cannot_be_sure(on_hills: Planned) -> None:
    """Cells of some 80 m hide whole banks: where the line passes close to the ground the verdict is left open."""
    plan = on_hills.plan
    for name in GRAZING:
        link = link_between(plan, name, "Barn")
        assert link.verdict == "not sure"
        assert link.season("bare").spread.elevation_db > link.season("bare").spread.model_db
        assert "data" in link.sentence
    assert plan.grid.elevation_error_m >= 3.0
    assert any("sample.tif" in line and "cells of 83.1 m" in line for line in (*plan.assumptions, *plan.grid.rasters))


def test_the_same_land_in_fine_cells_gives_an_answer(sample: Path, tmp_path: Path) -> None:
    """The heights are the same, but now they are said to be good to a metre."""
    plan = plan_property(lay_hills(tmp_path / "fine", [sample, fine_raster(sample, tmp_path / FINE, bank_m=0.0)])).plan
    for name in GRAZING:
        link = link_between(plan, name, "Barn")
        assert link.verdict != "not sure"
        assert link.season("bare").spread.elevation_db < 8.0


def test_the_coarse_land_is_on_the_map_and_in_the_files(on_hills: Planned, tmp_path: Path) -> None:
    files = write_plan(on_hills, tmp_path / "out")
    assert {path.name for path in files} >= {"map.html", "plan.json", "plan.geojson", "links.csv"}
    assert all(path.is_file() and path.stat().st_size > 0 for path in files)
    collection = json.loads((tmp_path / "out" / "plan.geojson").read_text())
    west, south, east, north = collection["bbox"]
    assert -84.27 < west < east < -84.22
    assert 36.58 < south < north < 36.63
    page = (tmp_path / "out" / "map.html").read_text()
    assert "Invented hill farm" in page
    assert "Creek gauge" in page


def fine_raster(sample: Path, path: Path, bank_m: float) -> Path:
    """Write 10 m cells in an American plane projection about the barn, with a bank between barn and orchard."""
    to_plane = Transformer.from_crs("EPSG:4326", "EPSG:5070", always_xy=True)
    x_m, y_m = to_plane.transform(*BARN)
    transform = from_origin(x_m - 600.0, y_m + 600.0, 10.0, 10.0)
    heights = np.zeros((120, 120), dtype=np.float32)
    with rasterio.open(sample) as source:
        reproject(rasterio.band(source, 1), heights, dst_transform=transform, dst_crs="EPSG:5070", resampling=Resampling.bilinear)
    bank_x, bank_y = to_plane.transform(-84.25025, 36.60075)
    column, row = int((bank_x - (x_m - 600.0)) / 10.0), int(((y_m + 600.0) - bank_y) / 10.0)
    heights[row - 1 : row + 2, column - 6 : column + 7] += bank_m
    with rasterio.open(
        path, "w", driver="GTiff", width=120, height=120, count=1, dtype="float32", crs="EPSG:5070", transform=transform
    ) as target:
        target.write(heights, 1)
    return path


def link_between(plan: Plan, a: str, b: str) -> Link:
    return next(link for link in plan.links if {link.a, link.b} == {a, b})


def test_a_fine_raster_inside_the_coarse_one_decides_where_it_lies(sample: Path, tmp_path: Path) -> None:
    """A bank of 60 m stands only in the fine raster, in another projection: the link across it feels it, those outside do not."""
    plans = {}
    for name, bank_m in (("bare", 0.0), ("bank", 60.0)):
        folder = tmp_path / name
        folder.mkdir()
        plans[name] = plan_property(lay_hills(folder, [sample, fine_raster(sample, folder / "fine.tif", bank_m)]))
        assert_sound(plans[name])
    bare, bank = plans["bare"].plan, plans["bank"].plan
    assert [line.split(":")[0].rsplit("/", 1)[-1] for line in bank.grid.rasters] == ["fine.tif", "sample.tif"]
    assert bank.grid.cell_m <= 10.0
    crossed = link_between(bank, "Orchard", "Barn")
    assert crossed.season("bare").path_loss_db > link_between(bare, "Orchard", "Barn").season("bare").path_loss_db + 10.0
    assert crossed.clearance.kind == "blocked"
    assert crossed.clearance.obstacle == "ridge"
    beside = link_between(bank, "Creek gauge", "Barn").season("bare")
    assert beside.path_loss_db == pytest.approx(link_between(bare, "Creek gauge", "Barn").season("bare").path_loss_db, abs=0.01)
    for one, other in zip(bank.devices, bare.devices, strict=True):
        assert one.ground_amsl_m == pytest.approx(other.ground_amsl_m, abs=0.01)


def test_a_property_below_sea_level_on_a_radar_tile(reference_dir: Path, tmp_path: Path) -> None:
    """The tile in ../shared/reference reaches −167 m, which is land (README beside it)."""
    tile = reference_dir / "measured" / "valley_dem_srtm3.tif"
    if not tile.is_file():
        pytest.skip("the radar tile is not on this machine")
    (tmp_path / "sites.csv").write_text(
        "name,role,lon_deg,lat_deg,antenna_agl_m,power,interval_s,payload_bytes\n"
        "Terrace,sensor,35.4940,32.7380,1.0,battery,900,12\nLow field,sensor,35.5010,32.7360,1.0,battery,900,12\n"
        "House,gateway,35.4970,32.7342,6.0,mains,,\nPost,relay,35.4950,32.7360,5.0,panel,,\n"
    )
    (tmp_path / "property.toml").write_text(
        'name = "Invented low farm"\ncountry = "europe"\nradio = "fsk-868-4k8"\nseasons = "bare"\n'
        f'sites = "sites.csv"\nelevation = "{tile}"\nland_cover.mapped = "all"\n'
    )
    planned = plan_property(tmp_path)
    assert_sound(planned)
    heights = [device.ground_amsl_m for device in planned.plan.devices]
    stored = heights_of_file(tile, [(device.lon_deg, device.lat_deg) for device in planned.plan.devices])
    assert min(heights) < 0.0
    assert np.abs(np.array(heights) - stored).max() < 25.0
    assert planned.plan.routes
