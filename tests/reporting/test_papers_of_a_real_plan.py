"""A demo property, planned by the whole chain, on every kind of paper: nothing of a real plan breaks a page or a file."""

from __future__ import annotations

import json
from pathlib import Path

import pyogrio
import pytest
from browser_fixture import offline_page
from test_report import Page, look_up

from meshplan.inputs.measurements import read_readings
from meshplan.inputs.plan_file import read_plan_json
from meshplan.records import Role
from meshplan.records.codec import json_text, plan_to_json
from meshplan.reporting.exports import write_exports
from meshplan.reporting.profile_text import budget_rows
from meshplan.reporting.report import write_report
from meshplan.reporting.sheets import write_sheets
from meshplan.reporting.sheets.entries import site_sheets
from meshplan.workflow.plan import Planned, plan_property

PROPERTY = Path(__file__).resolve().parents[2] / "sample_sites" / "ossaby_terrace"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def planned() -> Planned:
    """Return the hillside garden, planned."""
    return plan_property(PROPERTY)


@pytest.fixture(scope="module")
def folder(planned: Planned, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with all that reporting writes but the map."""
    place = tmp_path_factory.mktemp("papers")
    write_exports(planned.plan, place)
    write_sheets(planned.plan, place)
    write_report(planned.plan, place / "report.html")
    return place


def test_the_plan_file_is_stable(planned: Planned, folder: Path) -> None:
    plan = read_plan_json(folder / "plan.json")
    assert json_text(plan_to_json(plan)) == (folder / "plan.json").read_text(encoding="utf-8")
    assert len(plan.links) == len(planned.plan.links)


def test_every_real_budget_is_itemised_to_the_last_tenth(planned: Planned) -> None:
    assert planned.plan.chosen_links
    for link in planned.plan.links:
        for forward in (True, False):
            rows = budget_rows(link, forward=forward)
            assert "not itemised" not in [name for name, _ in rows], link.key
            for i, result in enumerate(link.seasons):
                received = result.received_at_b_dbm if forward else result.received_at_a_dbm
                assert sum(round(10 * (cells[i] or 0)) for _, cells in rows) == round(10 * round(received, 1))


def test_every_device_of_the_plan_has_its_parts(planned: Planned) -> None:
    plan = planned.plan
    needed = {device.name for device in plan.devices if device.in_plan}
    assert {name for line in plan.parts for name in line.devices} == needed
    total = sum(line.quantity * line.unit_cost for line in plan.parts if line.unit_cost is not None)
    assert total == pytest.approx(sum(device.cost for device in plan.devices if device.in_plan))


def test_every_figure_of_the_report_is_in_the_plan(folder: Path) -> None:
    page = Page((folder / "report.html").read_text(encoding="utf-8"))
    document = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    figures = [(path, raw) for path, raw, _ in page.fields if raw is not None]
    assert len(figures) > 50
    for path, raw in figures:
        assert float(raw) == look_up(document, path), path


def test_exports_open(folder: Path, planned: Planned) -> None:
    assert pyogrio.read_info(folder / "plan.gpkg", layer="links")["features"] == len(planned.plan.links)
    assert pyogrio.read_info(folder / "plan.geojson")["crs"] == "EPSG:4326"


def test_the_table_for_readings_knows_the_sites_of_the_property(folder: Path, planned: Planned) -> None:
    path = folder / "readings.csv"
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    header = lines[0].split(",")
    filled = [lines[0]]
    for line in lines[1:]:
        cells = line.split(",")
        cells[header.index("power_dbm")] = "-95"
        filled.append(",".join(cells))
    copy = folder / "filled.csv"
    copy.write_text("\n".join(filled), encoding="utf-8")
    found = read_readings([copy], planned.prepared.found.sites, radios=(planned.plan.radio.key,)).readings
    assert len(found) == len(lines) - 1
    assert all(reading.a.site and reading.b.site for reading in found)


@pytest.mark.browser
def test_every_site_of_the_real_plan_is_one_page(folder: Path, planned: Planned) -> None:
    with offline_page(folder / "sheets.html") as (page, trouble):
        page.emulate_media(media="print")
        sheets = page.evaluate(
            "[...document.querySelectorAll('.sheet')].map(s => [s.scrollHeight - s.clientHeight, s.scrollWidth - s.clientWidth])"
        )
        assert len(sheets) == len(site_sheets(planned.plan))
        assert all(tall <= 0 and wide <= 0 for tall, wide in sheets)
        assert trouble == []


def test_every_sensor_has_a_sheet(planned: Planned) -> None:
    shown = {sheet.device.name for sheet in site_sheets(planned.plan)}
    assert {device.name for device in planned.plan.devices if device.role is Role.SENSOR} <= shown
