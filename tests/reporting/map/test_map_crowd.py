"""Many marks on a small map: all can be seen and told apart, and no name hides one."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from map_browser import DESK, PHONE, OpenMap
from map_fixture import make_landscape, make_plan

from meshplan.records import Plan, Role
from meshplan.reporting.map import write_map

pytestmark = pytest.mark.browser

PLAN = make_plan()
SMALL_PHONE = (320, 640)
LAPTOPS = [(1366, 768), (1280, 720), (1366, 660)]

SHOWN = """() => [...document.querySelectorAll('.leaflet-marker-pane .mark')]
  .filter(m => getComputedStyle(m).display !== 'none').map(m => {
    const box = e => { const b = e.getBoundingClientRect(); return [b.left, b.top, b.right, b.bottom]; };
    const name = m.querySelector('.name'), stands = name && getComputedStyle(name).display !== 'none';
    return [m.dataset.site, box(m.querySelector('svg')), stands ? box(name) : null, name ? name.textContent : '']; })"""


def orchard() -> Plan:
    """Return the plan with four rows of beds between the sites, two hardly apart and two at the place of the gateway."""
    roof, like = PLAN.device("House roof"), PLAN.device("Stream level")
    beds = [
        replace(like, name=f"C{i:02d} bed soil", lat_deg=like.lat_deg + 0.0004 * (i % 5), lon_deg=like.lon_deg + 0.0007 * (i // 5))
        for i in range(20)
    ]
    near = [
        replace(like, name=f"N{i} near the roof", lat_deg=roof.lat_deg + 2e-5, lon_deg=roof.lon_deg + 3e-5 * i) for i in range(2)
    ]
    same = [replace(like, name=f"S{i} on the roof", lat_deg=roof.lat_deg, lon_deg=roof.lon_deg) for i in range(2)]
    return replace(PLAN, devices=(*PLAN.devices, *beds, *near, *same))


def shown(page: Any) -> list[tuple[str, tuple[float, ...], tuple[float, ...] | None, str]]:
    """Return of each mark on the page its site, its square, the box of its name and what that says."""
    page.evaluate("() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
    return [tuple(one) for one in page.evaluate(SHOWN)]


@pytest.fixture(params=[SMALL_PHONE, PHONE, DESK], ids=["small", "phone", "desk"])
def crowd(request: pytest.FixtureRequest, open_map: OpenMap, tmp_path: Path) -> Any:
    """Open the crowded map."""
    touch = {} if request.param == DESK else {"has_touch": True, "is_mobile": True}
    return open_map(write_map(orchard(), make_landscape(), tmp_path / "crowd.html"), request.param, **touch).page


def test_no_name_hides_a_mark(crowd: Any) -> None:
    marks = shown(crowd)
    named = 0
    for site, _, name, _ in marks:
        if name is None:
            continue
        named += 1
        for other, square, _, _ in marks:
            if other == site:
                continue
            middle, reach = np.array([(square[0] + square[2]) / 2, (square[1] + square[3]) / 2]), 0.33 * (square[2] - square[0])
            nearest = np.clip(middle, name[:2], name[2:])
            assert np.hypot(*(nearest - middle)) >= reach, f"the name of {site} hides {other}"
    assert named >= 4


def test_marks_that_nearly_coincide_fan_out(crowd: Any) -> None:
    """Two marks stand at least 13 px apart, middle to middle: each shows most of its sign and can be chosen."""
    middles = {site: ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2) for site, box, _, _ in shown(crowd)}
    assert len(middles) >= 24
    for (one, p), (other, q) in combinations(middles.items(), 2):
        assert np.hypot(p[0] - q[0], p[1] - q[1]) >= 13.0, f"{one} and {other}"


def test_a_mark_that_stands_aside_is_tied_to_its_place(crowd: Any) -> None:
    """Links still end at the place itself; a dot stands there with a line to the mark. Near enough, nothing is moved."""
    tied = crowd.evaluate("() => meshPage.map.getPane('tethers').querySelectorAll('path').length")
    assert tied >= 3 * 3, "three of the five at the roof, each with two strokes and a dot"
    crowd.evaluate("() => meshPage.map.setView(meshPage.placeOf(meshPage.devices.get('N0 near the roof')), 21, { animate: false })")
    shown(crowd)
    off = crowd.evaluate(
        """() => { const { map, markers } = meshPage, m = markers.get('N0 near the roof'), sheet = map.getContainer();
          const b = m.getElement().getBoundingClientRect(), c = sheet.getBoundingClientRect();
          const p = map.latLngToContainerPoint(m.getLatLng());
          return [b.x + b.width / 2 - c.x - sheet.clientLeft - p.x, b.y + b.height / 2 - c.y - sheet.clientTop - p.y]; }"""
    )
    assert np.hypot(*off) < 2.0


def test_gateways_keep_a_name_and_a_shortened_name_means_one_site(crowd: Any) -> None:
    names = {device.name for device in orchard().devices if device.in_plan or device.role is Role.SENSOR}
    told = {site: text for site, _, box, text in shown(crowd) if box is not None}
    assert "House roof" in told
    for site, text in told.items():
        if text.endswith("…"):
            assert [name for name in names if name.startswith(text[:-1])] == [site]
        else:
            assert text in (site, f"{site}: no route")


def test_a_name_comes_back_whole_where_there_is_room(open_map: OpenMap, tmp_path: Path) -> None:
    page = open_map(
        write_map(orchard(), make_landscape(), tmp_path / "whole.html"), SMALL_PHONE, has_touch=True, is_mobile=True
    ).page
    assert any(text.endswith("…") for _, _, _, text in shown(page)), "some are shortened at first"
    page.evaluate("() => meshPage.map.setView(meshPage.placeOf(meshPage.devices.get('C12 bed soil')), 21, { animate: false })")
    assert "C12 bed soil" in [text for _, _, box, text in shown(page) if box is not None]


@pytest.mark.parametrize("size", LAPTOPS)
def test_a_low_screen_opens_with_the_section_and_a_map_that_can_be_used(
    open_map: OpenMap, map_file: Path, size: tuple[int, int]
) -> None:
    page = open_map(map_file, size).page
    assert page.locator("#section .plot svg").is_visible()
    assert page.inner_text("#section h2").startswith("Most in doubt: ")
    plot = page.locator("#section .plot").bounding_box()
    assert plot["height"] >= 90
    drawn = page.eval_on_selector("#section .plot svg", "one => one.viewBox.baseVal.height / one.getBoundingClientRect().height")
    assert drawn == pytest.approx(1.0, abs=0.02), "letters keep their shape"
    words = page.locator("#section .walk").bounding_box()
    assert words["y"] + words["height"] <= size[1], "what the section says is seen whole"
    before = page.locator(".folium-map").bounding_box()
    assert before["height"] >= 0.55 * size[1]
    page.evaluate("key => meshPage.showLink(key)", PLAN.links[0].key)
    after = page.locator(".folium-map").bounding_box()
    assert abs(after["height"] - before["height"]) <= 64, "a line of words more or less: the map does not jump"


def test_where_there_is_no_room_the_section_waits_in_one_line(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file, (1200, 560)).page
    assert page.locator("#section .plot").count() == 0
    assert page.locator(".folium-map").bounding_box()["height"] >= 0.55 * 560
    page.click("#section button")
    assert page.locator("#section .plot svg").is_visible()


@pytest.mark.parametrize("size", [(320, 568), SMALL_PHONE, (360, 740), PHONE])
def test_on_a_phone_the_map_has_half_of_the_screen(open_map: OpenMap, map_file: Path, size: tuple[int, int]) -> None:
    page = open_map(map_file, size, has_touch=True, is_mobile=True).page
    assert page.locator(".folium-map").bounding_box()["height"] >= 0.5 * size[1]
    assert page.evaluate("document.documentElement.scrollWidth") == size[0]
    step = page.locator("#panel").bounding_box()
    assert step["height"] >= 100, "and the panel shows what to do next"


def test_a_phone_held_sideways_has_map_and_words_side_by_side(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file, (740, 360), has_touch=True, is_mobile=True).page
    sheet, panel = page.locator(".folium-map").bounding_box(), page.locator("#panel").bounding_box()
    assert sheet["height"] >= 0.7 * 360
    assert panel["x"] >= sheet["x"] + sheet["width"]
    assert panel["height"] >= 0.7 * 360
    assert page.evaluate("document.documentElement.scrollWidth") == 740
