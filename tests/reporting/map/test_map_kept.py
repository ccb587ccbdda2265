"""Checks of two places that a reader keeps, and the section that the map opens on."""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

import pytest
from map_browser import DESK, PHONE, Opened, OpenMap
from map_fixture import make_plan

pytestmark = pytest.mark.browser
PLAN = make_plan()


@pytest.fixture
def desk(open_map: OpenMap, map_file: Path) -> Opened:
    return open_map(map_file, DESK)


def test_a_check_of_two_places_is_kept_and_comes_back_after_a_reload(desk: Opened) -> None:
    page = desk.page
    page.click("#open-trial")
    page.select_option("#kind-A", "Yard weather")
    page.select_option("#kind-B", "Barn loft")
    page.fill("#height-A", "3.5")
    margin = page.inner_text("#trial-margin")
    page.click("#keep-check")
    page.click("#keep-check")
    assert "kept already" in page.inner_text("#live")
    page.keyboard.press("Escape")
    assert page.locator("#kept li").count() == 1
    words = page.inner_text("#kept li")
    assert words.startswith("Yard weather (3.5 m) → Barn loft (5 m)")
    assert "works in" in words
    page.reload()
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    assert page.inner_text("#kept li") == words
    page.click("#kept li button")
    assert (page.input_value("#kind-A"), page.input_value("#kind-B"), page.input_value("#height-A")) == (
        "Yard weather",
        "Barn loft",
        "3.5",
    )
    assert page.inner_text("#trial-margin") == margin
    page.keyboard.press("Escape")
    page.click("#kept li button:has-text('Forget')")
    assert page.locator("#kept").count() == 0
    assert page.url == desk.file.as_uri()
    del desk.requests[1:]  # the reload asked for the file again


def test_a_kept_point_keeps_its_place(desk: Opened) -> None:
    page = desk.page
    page.click("#open-trial")
    box = page.locator(".folium-map").bounding_box()
    page.mouse.click(box["x"] + 0.5 * box["width"], box["y"] + 0.6 * box["height"])
    loss = page.inner_text("#trial-loss")
    page.click("#keep-check")
    page.keyboard.press("Escape")
    assert "point A" in page.inner_text("#kept li")
    page.reload()
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    page.click("#kept li button")
    assert page.inner_text("#trial-loss") == loss
    del desk.requests[1:]


@pytest.mark.parametrize(
    "checks",
    [
        "no json",
        '{"a": 1}',
        '[["css-868-sf7",["<img src=x>",3],["House roof",3]]]',
        '[["other",["House roof",3],["Yard weather",3]]]',
        '[["css-868-sf7",["House roof",-3],["Yard weather",3]]]',
        '[["css-868-sf7",["House roof",3,null,"x"],["Yard weather",3]]]',
        "[null,7]",
    ],
)
def test_an_address_that_holds_no_check_of_this_plan_is_passed_over(desk: Opened, checks: str) -> None:
    page = desk.page
    page.evaluate("hash => { history.replaceState(null, '', hash); }", f"#checks={quote(checks)}")
    page.reload()
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    assert page.locator("#kept").count() == 0
    assert page.inner_text("#title") == PLAN.property_name
    del desk.requests[1:]


def test_the_map_opens_with_the_section_of_what_is_most_in_doubt(open_map: OpenMap, map_file: Path) -> None:
    """On a desk; on a phone the words come first, and the section is one tap away."""
    missed = PLAN.unserved[0]
    title = f"Most in doubt: {missed.sensor} to {missed.nearest}"
    low = open_map(map_file, (1024, 700)).page
    assert low.inner_text("#section h2") == title
    assert low.locator("#section svg").count() == 0, "one line where the map would have to give way"
    low.click("#section button")
    assert low.is_visible("#section svg .fresnel")
    page = open_map(map_file, (1440, 900)).page
    assert page.is_visible("#section svg .fresnel")
    assert page.inner_text("#section h2") == title
    assert page.evaluate("meshPage.picked") is None, "nothing is chosen yet"
    page.click("#section button:has-text('Close')")
    assert not page.is_visible("#section")
    page.evaluate("meshPage.showSite('House roof')")
    page.keyboard.press("Escape")
    assert not page.is_visible("#section"), "who closed it does not want it back"
    phone = open_map(map_file, PHONE, has_touch=True, is_mobile=True).page
    assert not phone.is_visible("#section")
