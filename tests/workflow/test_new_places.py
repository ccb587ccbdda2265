"""What the map says of a place before it exists is what the planner says once changes.csv has it."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest

from meshplan.assembly.page_data import _page_end
from meshplan.links.build_stations import candidate_cost
from meshplan.records import Power, Purpose, Role
from meshplan.workflow.new_places import new_places
from meshplan.workflow.prepare import prepare_property

GARDEN = Path(__file__).resolve().parents[2] / "sample_sites" / "ossaby_terrace"
HEIGHTS_AGL_M = (1.0, 2.0, 6.5)


@pytest.fixture
def garden(tmp_path: Path) -> Path:
    return Path(shutil.copytree(GARDEN, tmp_path / "garden"))


def test_a_new_place_is_equipped_and_priced_as_its_row_will_be(garden: Path) -> None:
    before = prepare_property(garden)
    offered = new_places(before)
    assert {(one.station.site.role, one.station.site.purpose) for one in offered} >= {(Role.SENSOR, use) for use in Purpose}
    open_land = next(site for site in before.found.sites if site.name == "A09 lawn weather")
    rows = ["name,role,lon_deg,lat_deg,antenna_agl_m,added,purpose,power"]
    tried = {}
    for one in offered:
        site = one.station.site
        for height_m in HEIGHTS_AGL_M:
            name = f"{site.name} {height_m:g}"
            tried[name] = one, height_m
            where = f"{open_land.lon_deg + 2e-7 * len(rows):.8f},{open_land.lat_deg:.8f}"
            rows.append(f"{name},{site.role},{where},{height_m:g},yes,{site.purpose},{site.power}")
    (garden / "changes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    after = {station.site.name: station for station in prepare_property(garden).stations}
    prices = before.found.settings.cost
    for name, (one, height_m) in tried.items():
        station = after[name]
        said, is_so = _page_end(one.station, ""), _page_end(station, "")
        assert replace(said, site="", antenna_agl_m=0.0) == replace(is_so, site="", around=said.around, antenna_agl_m=0.0), name
        price = one.cost + one.mast_per_m * max(height_m - one.free_mast_m, 0.0)
        sensor = station.site.role is Role.SENSOR
        assert price == pytest.approx(prices.sensor if sensor else station.cost), name
        if station.site.role is Role.RELAY:
            assert price == pytest.approx(candidate_cost(station.site, height_m, prices)), name


def test_prices_of_the_property_are_those_of_a_new_place(garden: Path) -> None:
    changed = {"cost.relay": 71.0, "cost.panel": 29.0, "cost.mast_per_m": 5.0, "cost.sensor": 31.0}
    offered = new_places(prepare_property(garden, overrides=changed))
    sensor = next(one for one in offered if one.station.site.role is Role.SENSOR)
    relay = next(one for one in offered if one.station.site.role is Role.RELAY and one.station.site.power is Power.PANEL)
    assert (sensor.cost, sensor.mast_per_m) == (31.0, 0.0)
    assert (relay.cost, relay.mast_per_m) == (100.0, 5.0)
