"""A plan in a notebook: short to look at, as frames, as a graph, as map and sections; and a property made in code."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas
import networkx as nx
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import Point
from small_property import CELL_M, CRS, NAME, SIZE_M, SOUTH_M, WEST_M, bank, lay_small_property, usual_sites

import meshplan
from meshplan.errors import MeshplanError
from meshplan.notebook.in_code import PropertyInCode
from meshplan.notebook.views import PropertyPlan
from meshplan.reporting.plan_files import csv_tables

SETTINGS = {"country": "europe", "radio": "fsk-868-50k", "seasons": "bare", "land_cover": {"mapped": "all"}}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return lay_small_property(tmp_path_factory.mktemp("notebook") / "holding")


@pytest.fixture(scope="module")
def plan(folder: Path) -> PropertyPlan:
    return meshplan.plan(folder)


def sites_frame() -> geopandas.GeoDataFrame:
    rows = usual_sites()
    places = [Point(WEST_M + row["x"], SOUTH_M + row["y"]) for row in rows]
    table = [{key: value for key, value in row.items() if key not in {"x", "y"}} for row in rows]
    return geopandas.GeoDataFrame(table, geometry=places, crs=CRS)


def in_code(**changes: object) -> PropertyInCode:
    arguments: dict[str, object] = {
        "west_m": WEST_M,
        "north_m": SOUTH_M + SIZE_M,
        "cell_m": CELL_M,
        "crs": CRS,
        "name": NAME,
        **SETTINGS,
    }
    return meshplan.property_from(sites_frame(), bank(), **(arguments | changes))  # type: ignore[arg-type]


def test_records_are_short_to_look_at(plan: PropertyPlan) -> None:
    assert plan.planned is not None
    shown = [
        plan,
        plan.record,
        plan.planned,
        plan.planned.prepared,
        plan.planned.links,
        plan.links,
        plan.links[0],
        plan.record.devices[0],
    ]
    for record in (*shown, plan.planned.prepared.found, plan.planned.prepared.base, plan.record.proof, plan.record.links[0]):
        assert 10 < len(repr(record)) < 300, type(record).__name__
        assert repr(record).startswith(type(record).__name__)
    assert repr(plan) == (
        "PropertyPlan(property='Smallholt', radio='fsk-868-50k', gateways=1, relays=1, served='2 of 2', "
        f"cost='{plan.record.proof.cost:g} EUR', weakest_route=0.999, optimal=True)"
    )
    assert 0.999 <= min(route.chance for route in plan.routes) < 1.0
    assert "<td>Smallholt</td>" in plan._repr_html_()
    assert "South post → House" in plan._repr_html_()


def test_a_hostile_name_stays_text_in_every_table(tmp_path: Path) -> None:
    rows = [row | ({"name": "<b>Bed</b>"} if row["name"] == "Bed" else {}) for row in usual_sites()]
    hostile = meshplan.plan(lay_small_property(tmp_path / "holding", sites=rows))
    for shown in (hostile, hostile.links, hostile.links[0], hostile.record.devices[0]):
        assert "<b>" not in shown._repr_html_()
    assert any("&lt;b&gt;Bed" in shown._repr_html_() for shown in (hostile, hostile.links))


def test_frames_hold_the_tables_of_the_plan(plan: PropertyPlan) -> None:
    header, rows = csv_tables(plan.record)["links"]
    frame = plan.links.to_frame()
    assert tuple(frame.columns) == tuple(header)
    assert frame["link"].tolist() == [link.key for link in plan.links]
    assert frame["chance"].tolist() == pytest.approx([link.chance for link in plan.links], abs=1e-4)
    assert len(plan.links.chosen.to_frame()) == 3 < len(frame) == len(list(rows))
    assert set(plan.to_frame("devices")["device"]) == {device.name for device in plan.devices}
    with pytest.raises(meshplan.InputError, match=r"has no table 'lins'\. Did you mean 'links'"):
        plan.to_frame("lins")


def test_a_geodataframe_stands_where_the_devices_stand(plan: PropertyPlan) -> None:
    frame = plan.to_geodataframe()
    assert frame.crs == "EPSG:4326"
    grid = frame.to_crs(CRS).set_index("device").geometry
    for row in usual_sites():
        there = grid[row["name"]]
        assert (there.x - WEST_M, there.y - SOUTH_M) == pytest.approx((row["x"], row["y"]), abs=0.02)
    lines = plan.to_geodataframe("links").to_crs(CRS)
    assert lines.geometry.length.tolist() == pytest.approx([link.distance_m for link in plan.links], rel=2e-3)
    with pytest.raises(meshplan.InputError, match="has no layer 'devces'"):
        plan.to_geodataframe("devces")


def test_the_graph_leads_every_served_sensor_to_a_gateway(plan: PropertyPlan) -> None:
    graph = plan.graph(chosen_only=True)
    gateways = [name for name, facts in graph.nodes(data=True) if facts["role"] == "gateway" and facts["in_plan"]]
    assert gateways == ["House"]
    for route in plan.routes:
        assert tuple(nx.shortest_path(graph, route.sensor, "House")) == route.devices
    whole = plan.graph()
    assert set(whole.nodes) == {device.name for device in plan.devices}
    assert {key: facts["chance"] for _, _, key, facts in whole.edges(keys=True, data=True)} == {
        link.key: link.chance for link in plan.links
    }


def test_a_link_has_a_section_and_a_budget_that_adds_up(plan: PropertyPlan) -> None:
    link = plan.links.between("South post", "Trough")
    assert {link.a, link.b} == {"Trough", "South post"}
    assert link.plot()._repr_svg_().startswith("<svg")
    assert "Fresnel" in link.plot().svg
    received = link.season(link.worst_season).received_at_b_dbm
    assert link.budget()["db"].sum() == pytest.approx(received, abs=1e-6)
    with pytest.raises(meshplan.InputError, match="Did you mean 'House'"):
        plan.links.between("Hous", "Trough")


def test_the_map_shows_itself_in_a_frame(plan: PropertyPlan, tmp_path: Path) -> None:
    page = plan.map(height_px=300)
    shown = page._repr_html_()
    assert shown.startswith("<iframe")
    assert "height:300px" in shown
    assert "allow-same-origin" not in shown
    assert page.save(tmp_path / "map.html").read_text(encoding="utf-8") == page.html
    assert "Trough" in page.html


def test_a_plan_read_from_its_file_has_all_but_the_land(plan: PropertyPlan, tmp_path: Path) -> None:
    plan.save(tmp_path / "out")
    stored = meshplan.read_plan(tmp_path / "out" / "plan.json")
    # The file rounds a chance to four decimals.
    kept, made = (dict(one.short_facts()) for one in (stored, plan))
    assert kept.pop("weakest_route") == pytest.approx(made.pop("weakest_route"), abs=0.0011)
    assert kept == made
    # The file keeps rounded figures; a table rounds once more.
    pd.testing.assert_frame_equal(stored.links.to_frame(), plan.links.to_frame(), rtol=0.0, atol=0.011)
    with pytest.raises(meshplan.InputError, match="the map needs the land, and this plan was read from a file"):
        stored.map()


def test_one_link_and_a_check_by_name(folder: Path, plan: PropertyPlan) -> None:
    link = meshplan.profile(folder, "South post", "Trough")
    assert link.chance == pytest.approx(plan.links.between("South post", "Trough").chance, abs=1e-9)
    assert link.assumptions
    report = meshplan.check(str(folder))
    assert report.good
    assert ("property", NAME) in report.facts


def test_a_comparison_is_a_frame_and_a_chart(folder: Path) -> None:
    comparison = meshplan.compare(folder, ["fsk-868-50k", "ble-1m"])
    frame = comparison.to_frame()
    assert len(frame) == len(comparison.record.rows) >= 2
    assert comparison.plot().svg.startswith("<svg")
    assert len(repr(comparison)) < 300


def test_a_property_made_in_code_gives_the_plan_of_its_folder(plan: PropertyPlan, tmp_path: Path) -> None:
    place = in_code()
    made = meshplan.plan(place)
    assert made.record.proof.cost == plan.record.proof.cost
    assert [route.devices for route in made.routes] == [route.devices for route in plan.routes]
    # GeoJSON keeps seven decimals of a degree and more: the same places to a centimetre, the same margins.
    assert made.links.between("South post", "Trough").margin_db == pytest.approx(
        plan.links.between("South post", "Trough").margin_db, abs=0.05
    )
    kept = place.save(tmp_path / "kept")
    # one line names the folder in a command to try
    again, first = (replace(one.record, better_radio="") for one in (meshplan.plan(kept), made))
    assert again == first
    with pytest.raises(meshplan.InputError, match="there already"):
        place.save(kept)


def test_same_data_in_memory_same_bytes() -> None:
    first, second = in_code(), in_code()
    files = [{path.name: path.read_bytes() for path in place.folder.iterdir()} for place in (first, second)]
    assert files[0] == files[1]
    assert set(files[0]) == {"ground.tif", "sites.geojson", "property.toml"}
    assert first.folder != second.folder


def test_the_files_of_a_property_made_in_code_go_with_it() -> None:
    place = in_code()
    folder = place.folder
    assert folder.is_dir()
    del place
    assert not folder.exists()


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ({"elevation": "x.tif"}, "'elevation' is given twice"),
        ({"country": object()}, "a object is no setting"),
        ({"cover": "woods"}, "cover is no GeoDataFrame with a projection"),
    ],
)
def test_wrong_arguments_are_told_at_once(changes: dict[str, object], told: str) -> None:
    with pytest.raises(meshplan.InputError, match=told):
        in_code(**changes)


def test_a_flat_list_is_no_ground() -> None:
    with pytest.raises(meshplan.InputError, match=r"the ground has shape \(3,\)"):
        meshplan.property_from(sites_frame(), np.zeros(3), west_m=0, north_m=0, cell_m=1, crs=CRS, name="x")


def test_faults_of_data_in_memory_are_those_of_the_readers() -> None:
    place = in_code(radio="no-such-radio")
    with pytest.raises(MeshplanError, match="no-such-radio"):
        meshplan.plan(place)
