"""The demo properties: invented, small, remade by their script byte for byte, and telling the story they are made for."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
import rasterio

from meshplan.inputs import read_antennas, read_cables, read_property
from meshplan.records import Power, Role, Site
from meshplan.records.property import Property
from meshplan.terrain.bilinear import bilinear

SAMPLES = Path(__file__).resolve().parents[2] / "sample_sites"
COUNTS = {
    "ossaby_terrace": {"sensor": 10, "gateway": 3},
    "ossaby_terrace_30m": {"sensor": 10, "gateway": 3},
    "mirrowick_bottom": {"sensor": 18, "gateway": 4},
    "pellimoor_orchard": {"sensor": 22, "gateway": 2},
}


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    sys.path.insert(0, str(SAMPLES))  # as when it is run from there
    spec = importlib.util.spec_from_file_location("make_samples", SAMPLES / "make_samples.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def properties() -> dict[str, Property]:
    return {name: read_property(SAMPLES / name) for name in COUNTS}


def height_at(found: Property, site: Site) -> float:
    column, row = found.elevation.grid.column_row(site.x_m, site.y_m)
    return float(found.elevation.ground_amsl_m[round(float(row)), round(float(column))])


def place(found: Property, start: str) -> Site:
    return next(site for site in found.sites if site.name.startswith(start))


@pytest.mark.parametrize("name", COUNTS)
def test_a_demo_holds_what_its_notes_say_and_assumes_no_height(properties: dict[str, Property], name: str) -> None:
    found = properties[name]
    roles = [site.role for site in found.sites]
    assert {role: roles.count(Role(role)) for role in COUNTS[name]} == COUNTS[name]
    assert roles.count(Role.RELAY) >= 3
    assert not any(site.height_assumed for site in found.sites)
    assert found.warnings == ()
    assert np.isfinite(found.elevation.ground_amsl_m).all()
    assert found.settings.country == "europe"


@pytest.mark.parametrize("name", COUNTS)
def test_a_demo_says_that_it_is_invented(name: str) -> None:
    assert "This place is invented" in (SAMPLES / name / "README.md").read_text(encoding="utf-8")


def test_the_demos_are_small() -> None:
    assert sum(path.stat().st_size for path in SAMPLES.rglob("*") if path.is_file()) < 3_000_000


def test_the_script_makes_the_same_bytes_again(maker: ModuleType, tmp_path: Path) -> None:
    maker.main(tmp_path / "first")
    maker.write_demo(maker.OSSABY, tmp_path / "second")
    made = sorted(path.relative_to(tmp_path / "first") for path in (tmp_path / "first").rglob("*") if path.is_file())
    assert len(made) == 3 * 6 + 3
    for path in made:
        if path.parts[0].startswith("ossaby_terrace"):
            assert (tmp_path / "first" / path).read_bytes() == (tmp_path / "second" / path).read_bytes()
        if path.suffix == ".tif":  # another GDAL may pack the same heights otherwise
            with rasterio.open(tmp_path / "first" / path) as fresh, rasterio.open(SAMPLES / path) as kept:
                np.testing.assert_array_equal(fresh.read(1), kept.read(1))
                assert (fresh.transform, fresh.crs) == (kept.transform, kept.crs)
        else:
            assert (tmp_path / "first" / path).read_text("utf-8") == (SAMPLES / path).read_text("utf-8")


def test_the_false_origin_is_in_open_ocean(properties: dict[str, Property]) -> None:
    """48° N, 21.3° W; the nearest land (the south-west of Ireland, about 51.5° N, 10° W) is some 850 km away, from memory."""
    from pyproj import Geod

    for found in properties.values():
        for site in found.sites:
            _, _, away_m = Geod(ellps="WGS84").inv(site.lon_deg, site.lat_deg, -10.0, 51.5)
            assert 700_000 < away_m < 1_000_000


def test_the_ridge_stands_between_the_house_and_the_far_side(properties: dict[str, Property]) -> None:
    found = properties["mirrowick_bottom"]
    ridge, saddle, house, far = (place(found, name) for name in ("Ridge post", "Saddle post", "House roof", "B16"))
    assert height_at(found, ridge) == pytest.approx(149.5, abs=1.0)
    assert height_at(found, saddle) == pytest.approx(128.0, abs=1.0)
    assert height_at(found, house) < 97
    assert height_at(found, far) < height_at(found, ridge) - 30
    assert {site.name for site in found.sites if site.role is Role.RELAY and len(site.heights_agl_m) > 1} >= {
        "Ridge post",
        "Saddle post",
    }
    assert house.power is Power.MAINS


def test_coarse_data_hide_the_terrace_lips(properties: dict[str, Property]) -> None:
    fine, coarse = properties["ossaby_terrace"].elevation, properties["ossaby_terrace_30m"].elevation
    assert coarse.rasters[0].cell_m == pytest.approx(30.0, rel=0.01)
    assert coarse.rasters[0].error_m > 10 * fine.rasters[0].error_m
    column, row = np.meshgrid(np.arange(60.0, 160.0), np.arange(100.0, 400.0))
    x_m, y_m = fine.grid.x_y(column, row)
    lips = [bilinear(one.ground_amsl_m, *one.grid.column_row(x_m, y_m)) for one in (fine, coarse)]
    assert np.std(lips[0] - lips[1]) == pytest.approx(0.8 / np.sqrt(2), abs=0.15)


def test_maize_comes_and_goes(properties: dict[str, Property]) -> None:
    maize = next(cover for cover in properties["pellimoor_orchard"].covers if cover.kind == "maize")
    assert [maize.height_in_month_m(month) for month in (1, 5, 8, 10)] == [0.0, 0.2, 2.5, 0.0]
    rows = [cover.row_azimuth_deg for cover in properties["pellimoor_orchard"].covers if cover.kind == "orchard"]
    assert rows == [0.0, 0.0]


def test_every_class_that_a_demo_or_a_default_names_is_in_the_tables(properties: dict[str, Property]) -> None:
    antennas, cables = read_antennas(), read_cables()
    for found in properties.values():
        named = found.settings.antenna
        for name in (named.sensor, named.relay, named.gateway, *(site.antenna for site in found.sites)):
            assert name is None or name in antennas
        assert named.cable in cables
