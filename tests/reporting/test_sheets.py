"""The packet for the field: one page a site, the plan's own numbers on it, and a table for the readings."""

from __future__ import annotations

import csv
import html
import io
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree.ElementTree import fromstring

import pytest
import segno
from browser_fixture import offline_page
from loaded_modules import loaded_by
from plan_fixture import HOSTILE_NAMES, make_device, make_link, make_plan

from meshplan.inputs.cautions import read_caution_rules
from meshplan.inputs.measurements import read_readings
from meshplan.operation.cautions import cautions_for, plan_cautions
from meshplan.operation.parts import parts_list
from meshplan.records import MapShape, Plan, Power, Purpose, Role, Site
from meshplan.reporting.plan_files import write_plan_json
from meshplan.reporting.sheets import write_sheets
from meshplan.reporting.sheets.entries import order_of_work, site_sheets
from meshplan.reporting.sheets.overview import MOST_OUTLINES, overview_svg
from meshplan.reporting.sheets.packet import sheets_html
from meshplan.reporting.sheets.readings import COLUMNS, readings_csv
from meshplan.reporting.sheets.site_page import fit_to_page, geo_uri, site_page
from meshplan.settings import CostSettings

RULES = read_caution_rules()


def dressed(plan: Plan) -> Plan:
    """Return the plan with the cautions and parts that a real one has."""
    devices = tuple(replace(device, cautions=cautions_for(device, RULES)) for device in plan.devices)
    return replace(plan, devices=devices, cautions=plan_cautions(RULES), parts=parts_list(devices, CostSettings()))


def crowded_plan() -> Plan:
    """Return a plan that asks the most of a page: a busy gateway, every caution, long names and notes."""
    plan = dressed(make_plan())
    house = plan.device("house")
    long_name = "the very far corner of the old orchard meadow {}"
    sensors = tuple(
        make_device(long_name.format(i), Role.SENSOR, 90 + 25 * (i % 8), 100 + 30 * (i // 8), 1.0 + 0.1 * i) for i in range(30)
    )
    links = tuple(make_link(sensor, house, 3.0 + i, 9.0 if i % 3 else 0.0, chosen=True) for i, sensor in enumerate(sensors))
    worst = replace(
        plan.device("far gate"),
        name="steel water tank, hives, electric fence",
        antenna_agl_m=8.0,
        power=Power.PANEL,
        azimuth_deg=20.0,
    )
    many = cautions_for(replace(worst, purpose=Purpose.CONTROL), RULES)
    assert len(many) >= 12
    noted = "Behind the milking parlour, left of the second gate; ask for the key, mind the dog. " * 2
    devices = tuple(
        replace(one, cautions=many, note=noted, reason="without it half of the sensors are cut off") for one in plan.devices
    )
    loses_service = {**plan.loses_service, "house": tuple(sensor.name for sensor in sensors)}
    return replace(plan, devices=(*devices, *sensors), links=(*plan.links, *links), loses_service=loses_service)


class _Text(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def read(page: str) -> tuple[str, list[str]]:
    parser = _Text()
    parser.feed(page)
    return " ".join(" ".join(parser.words).split()), parser.tags


def test_gateways_come_first_then_the_hardest(plan: Plan) -> None:
    sheets = site_sheets(plan)
    assert [sheet.device.name for sheet in sheets] == ["house", "ridge post", "spring", "orchard", "tank", "far gate"]
    assert [sheet.number for sheet in sheets] == [1, 2, 3, 4, 5, 6]


def test_a_candidate_that_was_not_used_has_no_sheet(plan: Plan) -> None:
    assert "barn" not in {sheet.device.name for sheet in site_sheets(plan)}


def test_each_end_reads_its_own_bearing_and_level(plan: Plan) -> None:
    sheets = {sheet.device.name: sheet for sheet in site_sheets(plan)}
    link = plan.link("spring--ridge post")
    at_spring = sheets["spring"].links[0]
    at_ridge = next(entry for entry in sheets["ridge post"].links if entry.link.key == link.key)
    assert at_spring.bearing_deg == link.bearing_deg
    assert at_ridge.bearing_deg == pytest.approx((link.bearing_deg + 180) % 360)
    bare = link.season("bare")
    assert at_spring.seasons[0].here_dbm == bare.received_at_a_dbm
    assert at_ridge.seasons[0].here_dbm == bare.received_at_b_dbm
    assert at_ridge.seasons[0].here_stop_dbm == pytest.approx(bare.received_at_b_dbm - bare.spread.total_db)


def test_the_sheet_says_what_to_expect_and_when_to_stop(plan: Plan) -> None:
    sheets = site_sheets(dressed(plan))
    words, _ = read(site_page(sheets[2], dressed(plan), len(sheets)))
    bare = plan.link("spring--ridge post").season("bare")
    level, spread = round(bare.received_at_a_dbm), round(bare.spread.total_db)
    stop = round(bare.received_at_a_dbm - bare.spread.total_db)
    assert f"expect −{-level} ± {spread} dBm; below −{-stop} stop and look" in words
    assert "Send 100 packets each way." in words
    assert "29° (north-north-east)" not in words
    assert "209° (south-south-west)" in words
    assert "1.0 m above ground" in words
    assert "brick-lined, keep the lid shut" in words


def test_pass_marks_follow_the_most_demanding_reading_carried(plan: Plan) -> None:
    marks = {sheet.device.name: sheet.pass_mark for sheet in site_sheets(plan)}
    assert marks["orchard"] == "95 or more of 100 arrive"
    assert marks["spring"].startswith("all 100 arrive, each within 3 tries")
    assert marks["ridge post"] == marks["spring"], "the relay carries the alarm of the spring"
    calm = replace(plan, devices=tuple(replace(one, purpose=Purpose.TREND) for one in plan.devices))
    assert {sheet.pass_mark for sheet in site_sheets(calm)} == {"95 or more of 100 arrive"}


def test_only_the_cautions_of_this_site_are_printed(plan: Plan) -> None:
    full = dressed(plan)
    sheets = {sheet.device.name: sheet for sheet in site_sheets(full)}
    tank, _ = read(site_page(sheets["tank"], full, 6))
    orchard, _ = read(site_page(sheets["orchard"], full, 6))
    assert "it must fail safe" in tank
    assert "it must fail safe" not in orchard
    assert "Lightning" not in orchard


def test_a_sensor_without_route_has_its_trial_links(plan: Plan) -> None:
    sheet = next(sheet for sheet in site_sheets(plan) if sheet.device.name == "far gate")
    assert not sheet.part_of_plan
    assert [entry.link.key for entry in sheet.links] == ["far gate--ridge post"]
    words, _ = read(site_page(sheet, plan, 6))
    assert "Trial links, not part of the plan" in words
    assert "Not served by this plan: the ridge stands in the way." in words


def test_a_site_without_any_link_still_prints(plan: Plan) -> None:
    lonely = replace(plan, links=(), routes=(), unserved=())
    for sheet in site_sheets(lonely):
        words, tags = read(site_page(sheet, lonely, 6))
        assert "No link of this plan ends here" in words
        assert tags.count("td") >= 4
    assert order_of_work(lonely, site_sheets(lonely)) == ()


def test_an_empty_plan_prints_a_cover(plan: Plan) -> None:
    empty = replace(plan, devices=(), links=(), routes=(), unserved=(), loses_service={}, parts=())
    words, _ = read(sheets_html(empty))
    assert "no gateways, no relays, 0 of no sensors served" in words
    assert "No devices to show." in words


def test_the_order_of_work_starts_with_the_hardest_link(plan: Plan) -> None:
    steps = order_of_work(plan, site_sheets(plan))
    chances = [step.link.chance for step in steps]
    assert chances == sorted(chances)
    assert [step.link.key for step in steps][:2] == ["spring--ridge post", "orchard--house"]
    assert steps[0].sheets == (2, 3)


def test_the_sum_of_parts_is_the_sum_of_its_lines(plan: Plan) -> None:
    full = dressed(plan)
    page = sheets_html(full)
    shown = re.search(r"id=.sum-with-spares.>([^<]+)<", page)
    assert shown is not None
    total = sum((line.quantity + line.spares) * line.unit_cost for line in full.parts if line.unit_cost is not None)
    assert float(re.sub(r"[^0-9.]", "", shown[1])) == pytest.approx(total, abs=0.005)


def test_the_code_holds_the_place(plan: Plan) -> None:
    device = plan.device("spring")
    assert geo_uri(device) == f"geo:{device.lat_deg:.6f},{device.lon_deg:.6f}"
    page = sheets_html(plan)
    drawn = segno.make(geo_uri(device), error="m", micro=False).svg_inline(border=2, omitsize=True, svgclass=None, lineclass=None)
    path = re.search(r'd="([^"]+)"', drawn)
    assert path is not None
    assert path[1] in page


def test_readings_have_a_row_for_each_direction_of_each_link_on_the_sheets(plan: Plan) -> None:
    rows = list(csv.DictReader(io.StringIO(readings_csv(plan, site_sheets(plan)))))
    assert tuple(rows[0]) == COLUMNS
    on_sheets = {entry.link.key for sheet in site_sheets(plan) for entry in sheet.links}
    assert {row["link"] for row in rows} == on_sheets
    assert {(row["a"], row["b"]) for row in rows} == {
        pair for key in on_sheets for pair in [(plan.link(key).a, plan.link(key).b), (plan.link(key).b, plan.link(key).a)]
    }
    assert all(row["power_dbm"] == "" and row["radio"] == plan.radio.key for row in rows)


def test_a_filled_table_is_never_written_over(plan: Plan, tmp_path: Path) -> None:
    for _ in range(2):
        names = {path.name for path in write_sheets(plan, tmp_path)}
        assert names == {"sheets.html", "readings.csv"}, "an empty table may be written anew"
    (tmp_path / "readings.csv").write_text((tmp_path / "readings.csv").read_text().replace(",,,,", ",,-91,,", 1))
    assert {path.name for path in write_sheets(plan, tmp_path)} == {"sheets.html", "readings-new.csv"}
    (tmp_path / "readings.csv").write_text("a day's work")
    assert {path.name for path in write_sheets(plan, tmp_path)} == {"sheets.html", "readings-new.csv"}
    assert (tmp_path / "readings.csv").read_text() == "a day's work"


def test_same_plan_same_page(plan: Plan) -> None:
    assert sheets_html(plan) == sheets_html(make_plan())


def test_hostile_names_are_text_and_nothing_is_fetched(hostile_plan: Plan) -> None:
    page = sheets_html(dressed(hostile_plan))
    words, tags = read(page)
    assert not {"script", "img", "link", "iframe", "b b"} & set(tags)
    assert HOSTILE_NAMES["spring"] in words
    assert HOSTILE_NAMES["house"] in words
    assert page.index("Content-Security-Policy") < page.index("<title>") < page.index("<style>")
    assert not re.search(r'(?:src|href)="', page)
    assert '<html lang="en">' in page


def test_the_map_shows_every_device_once_and_the_lines_of_the_plan(plan: Plan) -> None:
    drawing = overview_svg(plan, numbers={sheet.device.name: sheet.number for sheet in site_sheets(plan)})
    for sheet in site_sheets(plan):
        assert drawing.count(f">{sheet.number} {html.escape(sheet.device.name)}<") == 1
    assert drawing.count('stroke-width="2.4"') == len(plan.chosen_links)
    assert ">N<" in drawing
    assert "250 m" in drawing


def test_the_scale_bar_is_true(plan: Plan) -> None:
    drawing = overview_svg(plan)
    bar = re.search(r'<rect x="14" y="\d+" width="([\d.]+)"', drawing)
    signs = re.findall(r'<path d="M([\d.]+) ([\d.]+)L([\d.]+) ([\d.]+)" fill="none" stroke="#0', drawing)
    link = plan.chosen_links[0]
    x0, y0, x1, y1 = (float(value) for value in signs[0])
    units_per_m = ((x1 - x0) ** 2 + (y1 - y0) ** 2) ** 0.5 / link.distance_m
    assert bar is not None
    assert 2 * float(bar[1]) / 250 == pytest.approx(units_per_m, rel=0.005)


def test_a_crowded_map_never_writes_over_its_labels() -> None:
    drawing = overview_svg(crowded_plan())
    boxes = []
    for x, y, anchor, words in re.findall(
        r'<text x="([\d.]+)" y="([\d.]+)" text-anchor="(\w+)" stroke="#ffffff"[^>]*>([^<]*)<', drawing
    ):
        wide = 5.9 * len(html.unescape(words)) + 4
        left = {"start": float(x), "end": float(x) - wide, "middle": float(x) - wide / 2}[anchor]
        boxes.append((left, float(y) - 10, left + wide, float(y) + 3))
    assert len(boxes) > 10
    for i, one in enumerate(boxes):
        for other in boxes[i + 1 :]:
            assert not (one[0] < other[2] and other[0] < one[2] and one[1] < other[3] and other[1] < one[3])


def test_a_busy_gateway_keeps_to_its_hardest_links() -> None:
    plan = crowded_plan()
    sheet = site_sheets(plan)[0]
    assert sheet.device.name == "house"
    layout = fit_to_page(sheet)
    assert len(sheet.links) == len([link for link in plan.chosen_links if "house" in (link.a, link.b)])
    assert len(layout.table) + len(layout.brief) + layout.left_out == len(sheet.links)
    assert [entry.link.chance for entry in sheet.links] == sorted(entry.link.chance for entry in sheet.links)
    assert all(len(entry.seasons) == 1 for entry in sheet.links)


def test_a_gateway_of_twenty_names_every_peer() -> None:
    plan = make_plan()
    sensors = tuple(make_device(f"S{i}", Role.SENSOR, 90 + 25 * i, 100, 1.0) for i in range(20))
    links = tuple(make_link(sensor, plan.device("house"), 3.0, 0.0, chosen=True) for sensor in sensors)
    full = dressed(replace(plan, devices=(*plan.devices, *sensors), links=(*plan.links, *links)))
    page = site_page(site_sheets(full)[0], full, 26)
    assert all(f">{sensor.name}</b>" in page for sensor in sensors)


def pdf_pages(data: bytes) -> int:
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", data))


@pytest.mark.browser
@pytest.mark.parametrize("case", ["plain", "hostile", "lonely", "crowded"])
def test_every_site_is_exactly_one_page_of_a4(case: str, tmp_path: Path) -> None:
    plan = {
        "plain": lambda: dressed(make_plan()),
        "hostile": lambda: dressed(make_plan(names=HOSTILE_NAMES)),
        "lonely": lambda: replace(dressed(make_plan()), links=(), routes=()),
        "crowded": crowded_plan,
    }[case]()
    write_sheets(plan, tmp_path)
    with offline_page(tmp_path / "sheets.html") as (page, trouble):
        page.emulate_media(media="print")
        sizes = "s => [s.id, s.scrollHeight, s.clientHeight, s.scrollWidth, s.clientWidth]"
        sheets = page.evaluate(f"[...document.querySelectorAll('.sheet')].map({sizes})")
        assert len(sheets) == len(site_sheets(plan))
        for name, tall, room, wide, across in sheets:
            assert tall <= room, f"{name} is {tall - room} px too tall"
            assert wide <= across, f"{name} is {wide - across} px too wide"
        whole = pdf_pages(page.pdf(prefer_css_page_size=True, print_background=True))
        page.evaluate("document.querySelectorAll('.sheet').forEach(s => s.remove())")
        cover = pdf_pages(page.pdf(prefer_css_page_size=True, print_background=True))
        assert whole - cover in (len(sheets), len(sheets) - 1), "the cover alone ends on its own page break"
        assert page.evaluate("window.hurt") is None
        assert trouble == []


@pytest.mark.browser
def test_sheets_read_on_a_phone_without_sideways_scrolling(tmp_path: Path) -> None:
    write_sheets(dressed(make_plan()), tmp_path)
    with offline_page(tmp_path / "sheets.html", width=390, height=780) as (page, trouble):
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
        assert trouble == []


def as_sites(plan: Plan) -> list[Site]:
    """Return the devices of a plan as the sites that the reader of readings knows."""
    return [Site(one.name, one.role, one.lon_deg, one.lat_deg, one.x_m, one.y_m, one.antenna_agl_m) for one in plan.devices]


def test_a_filled_table_is_read_back_with_the_same_names(plan: Plan, tmp_path: Path) -> None:
    write_sheets(plan, tmp_path)
    path = tmp_path / "readings.csv"
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig"))))
    for i, row in enumerate(rows):
        row.update(date_time="2026-07-04 10:30", season="leaf", power_dbm=f"-{90 + i}.5", sent="100", received="97")
    rows[-1].update(power_dbm="not heard", received="0")
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
    found = read_readings([path], as_sites(plan), seasons=("bare", "leaf"), radios=(plan.radio.key,)).readings
    assert [(reading.a.name, reading.b.name) for reading in found] == [(row["a"], row["b"]) for row in rows]
    first = plan.link(rows[0]["link"])
    assert (found[0].a.antenna_agl_m, found[0].b.antenna_agl_m) == (first.antenna_a_agl_m, first.antenna_b_agl_m)
    assert (found[1].a.antenna_agl_m, found[1].b.antenna_agl_m) == (first.antenna_b_agl_m, first.antenna_a_agl_m)
    assert [reading.power_dbm for reading in found][:2] == [-90.5, -91.5]
    assert all(reading.sent == 100 and reading.season == "leaf" for reading in found)
    assert not found[-1].heard


def test_readings_name_the_sites_of_the_property_not_the_devices(plan: Plan) -> None:
    devices = tuple(replace(one, site="house roof") if one.name == "house" else one for one in plan.devices)
    rows = list(csv.DictReader(io.StringIO(readings_csv(replace(plan, devices=devices), ()))))
    ends = {row["a"] for row in rows} | {row["b"] for row in rows}
    assert "house roof" in ends
    assert "house" not in ends


def test_sheets_load_nothing_that_computes(plan: Plan, tmp_path: Path) -> None:
    """Paper is written from plan.json alone."""
    write_plan_json(plan, tmp_path / "plan.json")
    assert loaded_by("sheets", str(tmp_path / "plan.json")) == []


def test_very_many_outlines_are_drawn_as_squares(plan: Plan) -> None:
    """A hundred thousand trees make no drawing of 20 MB: the largest stay outlines, the rest are cells of the picture."""
    west, south = (min(getattr(device, name) for device in plan.devices) for name in ("lon_deg", "lat_deg"))
    east, north = (max(getattr(device, name) for device in plan.devices) for name in ("lon_deg", "lat_deg"))
    trees = []
    for i in range(6000):
        x, y = west + (east - west) * (i % 80) / 80, south + (north - south) * (i // 80) / 75
        ring = ((x, y), (x + 1e-6, y), (x + 1e-6, y + 1e-6), (x, y + 1e-6), (x, y))
        trees.append(MapShape("building", f"hut {i}", 3.0, (ring,)))
    drawing = overview_svg(replace(plan, shapes=(*plan.shapes, *trees)))
    assert drawing.count(">hut ") == MOST_OUTLINES - len(plan.shapes)
    assert drawing.count("<title>building, small pieces</title>") == 1
    assert all(f"<title>{shape.name}</title>" in drawing for shape in plan.shapes if shape.kind != "boundary")
    squares = drawing.split("<title>building, small pieces</title>")[0].rsplit('d="', 1)[1].split('"')[0]
    assert 100 < squares.count("z") <= 6000
    fromstring(drawing)
