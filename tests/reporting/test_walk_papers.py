"""Where to measure next on paper, in the table and on the phone; and what else the field tells back."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path

import pytest
from browser_fixture import offline_page
from plan_fixture import HOSTILE_NAMES, make_plan

from meshplan.errors import MeshplanError
from meshplan.inputs.measurements import read_readings
from meshplan.inputs.walk_file import WALK_FILE, read_walk
from meshplan.records import Plan, RadioRecord, Role, Site
from meshplan.records.measurement import ExpectedLevel, ReadingToTake, SurveyWalk, WalkStop
from meshplan.reporting.report import report_html
from meshplan.reporting.sheets import write_sheets
from meshplan.reporting.sheets.entries import site_sheets
from meshplan.reporting.sheets.packet import sheets_html
from meshplan.reporting.sheets.readings import readings_csv
from meshplan.reporting.sheets.walk_page import expected_words, stop_numbers, walk_summary
from meshplan.reporting.walk_files import GPX_FILE, walk_gpx, write_walk

LEVELS = (ExpectedLevel("bare", -91.2, -91.4, 7.6), ExpectedLevel("leaf", -97.0, -95.0, 8.4))


def make_walk(plan: Plan, *, names: dict[str, str] | None = None) -> SurveyWalk:
    """Return a walk from the house to the spring and back."""
    house, spring = (plan.device((names or {}).get(name, name)) for name in ("house", "spring"))
    reading = ReadingToTake(
        f"{spring.name} ~ {house.name}", spring.name, house.name, 1.2, 6.0, plan.radio.key, 271.0, 640.0, LEVELS, True
    )
    stop = WalkStop(
        spring.name, spring.lon_deg, spring.lat_deg, 702.0, 88.0, "…", 0.31, (f"{spring.name} to {house.name}",), (reading,)
    )
    start = (house.lon_deg, house.lat_deg)
    way = (start, (spring.lon_deg, spring.lat_deg), start)
    return SurveyWalk(plan.property_name, "Chosen before any reading.", house.name, *start, (stop,), way, 640.0, 1342.0, 0.31)


@pytest.fixture
def plan() -> Plan:
    """Return the plan of the fixtures."""
    return make_plan()


def test_a_walk_reads_back_as_it_was_written(plan: Plan, tmp_path: Path) -> None:
    walk = make_walk(plan)
    assert {path.name for path in write_walk(walk, tmp_path)} == {WALK_FILE, GPX_FILE}
    back = read_walk(tmp_path / WALK_FILE)
    assert back is not None
    assert back.stops[0].readings == walk.stops[0].readings
    assert back.length_m == walk.length_m
    assert [point for corner in back.way for point in corner] == pytest.approx([p for corner in walk.way for p in corner], abs=1e-6)
    assert read_walk(tmp_path / "none.json") is None


@pytest.mark.parametrize(
    "words", ["{", '{"format": "meshplan plan"}', '{"format": "meshplan walk", "format_version": 1, "walk": {}}']
)
def test_a_broken_walk_says_how_to_make_a_new_one(words: str, tmp_path: Path) -> None:
    (tmp_path / WALK_FILE).write_text(words, encoding="utf-8")
    with pytest.raises(MeshplanError, match="--next 5"):
        read_walk(tmp_path / WALK_FILE)


def test_each_stop_says_where_how_and_what_for(plan: Plan) -> None:
    page = sheets_html(plan, make_walk(plan))
    start = page.index("Where to measure next")
    section = page[start : page.index('id="sheet-1"')]
    words = re.sub(r"<[^>]+>", " ", section)
    assert "1. spring" in words
    assert "702 m on foot, setting out towards 88° (east)" in words
    assert "Settles 31 % of what is open, most of all spring to house." in words
    assert "271° (west)" in words
    assert 'aria-label="QR code"' in section
    assert section.count("class='fill'") == 3
    assert "Where to measure next" not in sheets_html(plan)


def test_expectations_name_seasons_only_where_they_differ() -> None:
    one = make_walk(make_plan()).stops[0].readings[0]
    assert expected_words(one) == ("bare: −91 ± 8", "leaf: −97 here, −95 there ± 8")
    alike = replace(one, expected=tuple(replace(LEVELS[0], season=name) for name in ("bare", "leaf")))
    assert expected_words(alike) == ("−91 ± 8",)


def test_a_walk_without_stops_says_so(plan: Plan) -> None:
    empty = replace(make_walk(plan), stops=(), way=(), notes=("No decision is open.",))
    assert walk_summary(empty).endswith("No place is worth a walk now.")
    assert "No decision is open." in sheets_html(plan, empty)
    assert "<trk>" not in walk_gpx(empty)


def test_links_of_the_walk_stand_first_in_the_table_and_only_once(plan: Plan) -> None:
    walk = make_walk(plan)
    rows = list(csv.DictReader(io.StringIO(readings_csv(plan, site_sheets(plan), walk))))
    assert [(row["a"], row["b"]) for row in rows[:2]] == [("spring", "house"), ("house", "spring")]
    assert (rows[0]["a_antenna_agl_m"], rows[0]["b_antenna_agl_m"]) == ("1.2", "6.0")
    assert (rows[1]["a_antenna_agl_m"], rows[1]["b_antenna_agl_m"]) == ("6.0", "1.2")
    keys = [row["link"] for row in rows]
    assert all(keys.count(key) == 2 for key in keys)


def test_the_numbers_of_stops_find_their_devices_on_the_map(plan: Plan) -> None:
    devices = tuple(replace(one, site="well") if one.name == "spring" else one for one in plan.devices)
    walk = make_walk(plan)
    renamed = replace(walk, stops=tuple(replace(stop, name="well") for stop in walk.stops))
    assert stop_numbers(renamed, replace(plan, devices=devices)) == {"spring": 1}


@pytest.mark.browser
def test_the_walk_prints_and_fits_a_phone(tmp_path: Path) -> None:
    hostile = make_plan(names=HOSTILE_NAMES)
    walk = make_walk(hostile, names=HOSTILE_NAMES)
    write_sheets(hostile, tmp_path, walk=walk)
    with offline_page(tmp_path / "sheets.html", width=390, height=780) as (page, trouble):
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        page.emulate_media(media="print")
        page.set_viewport_size({"width": 820, "height": 1200})
        wide = page.evaluate("(() => { const w = document.querySelector('.walk'); return w.scrollWidth - w.clientWidth; })()")
        assert wide <= 0
        assert page.evaluate("window.hurt") is None
        assert trouble == []


def test_the_pdf_holds_the_walk_too(plan: Plan, tmp_path: Path) -> None:
    pytest.importorskip("reportlab")
    from meshplan.reporting.sheets.pdf import sheets_pdf

    def pages(data: bytes) -> int:
        return len(re.findall(rb"/Type\s*/Page\b(?!s)", data))

    walk = make_walk(plan)
    assert pages(sheets_pdf(plan, walk)) == pages(sheets_pdf(plan)) + 1
    long = replace(walk, stops=walk.stops * 12)
    assert pages(sheets_pdf(plan, long)) > pages(sheets_pdf(plan, walk))
    assert sheets_pdf(plan, walk) == sheets_pdf(plan, walk)


def test_names_that_look_like_formulas_come_back_as_they_were(plan: Plan, tmp_path: Path) -> None:
    """The table guards them with an apostrophe; a name that begins with one of its own keeps it."""
    names = {"spring": "=spring", "house": "'t huis"}
    devices = tuple(replace(one, name=names.get(one.name, one.name)) for one in plan.devices)
    links = tuple(replace(one, a=names.get(one.a, one.a), b=names.get(one.b, one.b)) for one in plan.links)
    renamed = replace(plan, devices=devices, links=links)
    written = readings_csv(renamed, ())
    rows = list(csv.DictReader(io.StringIO(written)))
    for row in rows:
        row.update(season="leaf", power_dbm="-90")
    assert any("'=spring" in (row["a"], row["b"]) for row in rows)
    path = tmp_path / "readings.csv"
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    sites = [Site(one.name, one.role, one.lon_deg, one.lat_deg, one.x_m, one.y_m, one.antenna_agl_m) for one in devices]
    ends = {end.name for reading in read_readings([path], sites).readings for end in (reading.a, reading.b)}
    assert {"=spring", "'t huis"} <= ends


def test_readings_name_the_class_that_both_ends_carry(plan: Plan) -> None:
    other = replace(plan.radio, key="css-868-sf7", frequency_mhz=868.1)
    assert isinstance(other, RadioRecord)
    devices = tuple(
        replace(one, radio=f"{plan.radio.key}+css-868-sf7" if one.role is not Role.SENSOR else "css-868-sf7")
        for one in plan.devices
    )
    rows = list(csv.DictReader(io.StringIO(readings_csv(replace(plan, devices=devices, more_radios=(other,)), ()))))
    sensors = {one.name for one in devices if one.role is Role.SENSOR}
    assert {row["radio"] for row in rows if row["a"] in sensors or row["b"] in sensors} == {"css-868-sf7"}


def test_the_report_tells_what_safety_and_more_hops_cost(plan: Plan) -> None:
    words = re.sub(r"<[^>]+>", "", report_html(plan))
    assert "A route for each sensor when any one relay fails: 362 EUR" in words
    assert "A hop limit of 4 would change nothing." in words


def test_an_assumption_is_told_once(plan: Plan) -> None:
    twice = "Frequency 869.5 MHz taken."
    radio = replace(plan.radio, assumptions=(twice, "check noise figure 7 dB"))
    page = report_html(replace(plan, radio=radio, assumptions=(*plan.assumptions, twice)))
    assert page.count(twice) == 1
    assert "Check noise figure 7 dB." in page
