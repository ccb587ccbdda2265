"""Power lines of an extract from the file to map, sheets, report and exports; candidates beside them come last and say so."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import pyogrio
import pytest
from osm_extract import Extract
from small_property import lay_small_property, usual_sites

from meshplan.inputs.osm_file import read_osm
from meshplan.inputs.osm_utilities import osm_utilities
from meshplan.operation.wires import NONE_READ, NOT_SAFE
from meshplan.reporting.sheets import write_sheets
from meshplan.workflow.check import check_property
from meshplan.workflow.found_beside_wires import CAUTION
from meshplan.workflow.plan import Planned, plan_property, write_plan
from meshplan.workflow.prepare import read_base


def wires() -> Extract:
    """A line 12 m east of South post, a pole line far off, a pipe past the bed, a mast of a line under construction."""
    made = Extract()
    made.line([(212, 100), (212, 500)], {"power": "line", "voltage": "110000;20000", "operator": "not to be read"})
    made.line([(500, 0), (500, 600)], {"power": "minor_line"})
    made.line([(84, 200), (84, 400)], {"man_made": "pipeline", "substance": "gas"})
    made.line([(590, 0), (590, 100)], {"power": "construction", "construction": "line"})
    made.node((212, 300), power="tower")
    made.box(560, 560, 590, 590, {"power": "substation"})
    made.line([(0, 20), (600, 20)], {"power": "cable"})
    made.line([(0, 30), (600, 30)], {"railway": "rail", "electrified": "contact_line", "voltage": "15000"})
    return made


def test_tags_become_a_layer_of_their_own(tmp_path: Path) -> None:
    """Tag:power=line, power=minor_line, power=tower, power=cable, Key:voltage, Tag:man_made=pipeline, Key:electrified."""
    found = osm_utilities(read_osm(wires().write(tmp_path / "cover.osm"), "cover.osm"), "cover.osm").items
    told = {(one.kind.words, one.kind.hazard, one.voltage_v) for one in found}
    assert told == {
        ("power line", "overhead", 110_000.0),
        ("power line", "overhead", None),
        ("minor power line", "overhead", None),
        ("pipeline", "buried", None),
        ("power tower", "overhead", None),
        ("substation or power plant", "overhead", None),
        ("buried power cable", "buried", None),
        ("contact line of a railway", "overhead", 15_000.0),
    }
    assert len(found) == 8


def test_the_order_of_the_file_does_not_matter(tmp_path: Path) -> None:
    made, turned = wires(), wires()
    turned.nodes.reverse()
    turned.ways.reverse()
    first, second = (
        osm_utilities(read_osm(one.write(tmp_path / name), name), name).items for one, name in ((made, "a.osm"), (turned, "b.osm"))
    )
    assert [one.name for one in first] == [one.name for one in second]
    assert [one.geometry for one in first] == [one.geometry for one in second]


@pytest.fixture(scope="module")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    folder = lay_small_property(tmp_path_factory.mktemp("wires"))
    wires().write(folder / "cover.osm")
    return plan_property(folder)


def test_every_mast_beside_a_line_gets_the_caution_by_name(planned: Planned) -> None:
    plan = planned.plan
    post = plan.device("South post")
    assert "power line 1001, 110 kV lies 9 m from here" in post.cautions[0]
    assert post.cautions[0].startswith("POWER LINE")
    near = {(one.device, one.could_fall) for one in plan.wires_nearby if one.hazard == "overhead"}
    assert near == {("South post", True), ("North post", True)}
    assert "South post (power line 1001, 110 kV, 9 m)" in plan.wires_note
    assert plan.cautions[0] == NOT_SAFE
    bed = next(one for one in plan.wires_nearby if one.device == "Bed")
    assert bed.hazard == "buried"


def test_map_report_sheets_and_exports_show_the_lines(planned: Planned, tmp_path: Path) -> None:
    write_plan(planned, tmp_path)
    page = (tmp_path / "map.html").read_text(encoding="utf-8")
    report = re.sub(r"<[^>]+>", "", (tmp_path / "report.html").read_text(encoding="utf-8"))
    for text in (page, report):
        assert "COULD FALL ON A POWER LINE" in text
        assert "© OpenStreetMap contributors" in text
        assert "power line 1001" in text
    assert "not to be read" not in page
    features = json.loads((tmp_path / "plan.geojson").read_text(encoding="utf-8"))["features"]
    drawn = [one for one in features if one["properties"]["layer"] == "wire"]
    assert {one["properties"]["name"] for one in drawn} >= {"power line 1001", "pipeline 1003"}
    assert next(one for one in drawn if one["properties"]["name"] == "power line 1001")["properties"]["voltage_v"] == 110_000
    assert "wires" in [str(name) for name, _ in pyogrio.list_layers(tmp_path / "exports" / "plan.gpkg")]
    assert "power line 1001" in (tmp_path / "exports" / "plan.kml").read_text(encoding="utf-8")
    with (tmp_path / "tables" / "wires_nearby.csv").open(encoding="utf-8-sig") as stream:
        rows = list(csv.DictReader(stream))
    assert any(row["device"] == "South post" and row["could_fall"].casefold() in ("true", "yes", "1") for row in rows)


def test_the_report_says_where_the_cover_comes_from_with_its_share(planned: Planned, tmp_path: Path) -> None:
    shares = {one.source: one.share_of_land for one in planned.plan.cover_sources}
    assert sum(shares.values()) == pytest.approx(1.0, abs=1e-3)
    write_plan(planned, tmp_path)
    report = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "What stands on the land is known from" in report
    assert all(source in report for source in shares)


def test_a_check_names_the_places_beside_a_line(planned: Planned) -> None:
    said = check_property(planned.prepared.found.folder).text()
    assert "COULD FALL ON A POWER LINE" in said
    assert "South post (power line 1001, 110 kV, 9 m)" in said


def test_extracts_that_overlap_count_their_features_once(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path, settings='cover = ["a.osm", "b.osm"]\n')
    wires().write(folder / "a.osm")
    more = wires()
    more.line([(300, 100), (300, 300)], {"barrier": "hedge"})
    more.write(folder / "b.osm")
    found = read_base(folder).found
    names = [one.name for one in found.utilities]
    assert len(names) == len(set(names)) >= 3
    assert any(line.startswith("b.osm: ") and "features stand in another extract as well" in line for line in found.assumptions)
    assert [cover.kind for cover in found.covers] == ["hedge_deciduous"]


def test_without_a_map_of_lines_that_is_said_first(tmp_path: Path) -> None:
    plan = plan_property(lay_small_property(tmp_path)).plan
    assert plan.cautions[0] == NONE_READ
    assert plan.wires == ()
    assert plan.wires_note == ""


def test_an_extract_without_lines_is_no_safety(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path)
    made = Extract()
    made.box(0, 280, 100, 380, {"natural": "wood"})
    made.write(folder / "cover.osm")
    plan = plan_property(folder).plan
    assert plan.cautions[0] == NOT_SAFE
    assert any("no sign that there are none" in line for line in plan.assumptions)
    wires().write(folder / "cover.osm")
    assert not any("not understood" in line for line in read_base(folder).found.assumptions)


def test_candidates_of_the_planner_shun_a_line_and_say_so(tmp_path: Path) -> None:
    """Along a line on the crest: places off it come first; those within reach of a fall carry the caution."""
    rows = [row for row in usual_sites() if row["role"] != "relay"]
    plain = read_base(lay_small_property(tmp_path / "a", sites=rows, settings="generate_relays = 6\n"))
    folder = lay_small_property(tmp_path / "b", sites=rows, settings="generate_relays = 6\n")
    made = Extract()
    made.line([(200, 0), (200, 600)], {"power": "line"})
    made.write(folder / "cover.osm")
    base = read_base(folder)

    def on_the_crest(sites: tuple) -> int:  # type: ignore[type-arg]
        x_m = [site.x_m - 485_200.0 for site in sites if site.where == "found on the land"]
        return sum(abs(x) < 20.0 for x in x_m)

    assert on_the_crest(base.found.sites) <= on_the_crest(plain.found.sites)
    found = [site for site in base.found.sites if site.where == "found on the land"]
    for site in found:
        beside = abs(site.x_m - 485_200.0) < 3.0 + 8.0 + 2.0 + 6.1 + 5.0
        assert site.note.startswith(CAUTION) == beside, site.name
    assert any(not site.note.startswith(CAUTION) for site in found)


def test_sheets_carry_the_caution(planned: Planned, tmp_path: Path) -> None:
    write_sheets(planned.plan, tmp_path)
    assert "could fall on it" in (tmp_path / "sheets.html").read_text(encoding="utf-8")
