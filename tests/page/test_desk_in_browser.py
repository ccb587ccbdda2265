"""The desk around the sheet: ink and pencil, answers in the hand, sections, files that come, pictures pinned, fingers and keys."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from desk_browser import HOSTILE, middle, on_land, page_of, until
from open_desk import NoPlanner, open_desk
from PIL import Image
from small_property import bank, lay_small_property, lon_lat, usual_sites, write_raster

from meshplan.page.desk import Desk
from meshplan.page.strip import drawn_of, strip_of
from meshplan.reporting.map.data import json_block
from meshplan.workflow.plan import plan_property

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def other_plan(tmp_path_factory: pytest.TempPathFactory) -> tuple[bytes, dict[str, Any]]:
    """What the planner says once South post is gone: North post takes its place, and costs more."""
    rows = [row | ({"name": HOSTILE} if row["name"] == "Bed" else {}) for row in usual_sites() if row["name"] != "South post"]
    planned = plan_property(lay_small_property(tmp_path_factory.mktemp("other") / "holding", sites=rows))
    return json_block(drawn_of(planned)).encode(), strip_of(planned.plan, None) | {"clock": 1}


def tell_plan(desk: Desk, plan: tuple[bytes, dict[str, Any]]) -> None:
    desk.live.drawn, desk.live.strip = plan
    desk.events.tell("plan", {"clock": 1, "strip": plan[1]})


def test_what_is_inked_stays_until_one_inks_what_is_in_pencil(desk: Desk, other_plan: tuple[bytes, dict[str, Any]]) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        assert "2 of 2" in page.inner_text("#cells")
        assert page.locator(".pencil-line, #ink").count() == 0
        desk.events.tell("stage", {"clock": 1, "stage": "Searching"})
        page.wait_for_selector("#cells.old")
        desk.events.tell("seeking", {"clock": 1, "cost": 300.0, "gap": 0.125, "bound": 262.5})
        page.wait_for_selector("text=at most 12.5 % dearer than the best")
        tell_plan(desk, other_plan)
        page.wait_for_selector("#ink")
        cells = page.inner_text("#cells")
        assert "1 of 2" in cells, "the route that was inked went over South post"
        assert "lost: Trough" in cells
        assert "2 of 2" in page.inner_text(".pencilled-cell")
        assert "North post" in page.inner_text(".pencilled-cell")
        assert page.locator(".pencil-line").count() == 2
        assert page.locator(".mark.pencilled[data-site='North post']").count() == 1
        assert page.locator(".mark.unserved[data-site=Trough]").count() == 1
        page.click("#ink")
        page.wait_for_selector("#ink", state="detached")
        assert "2 of 2" in page.inner_text("#cells")
        assert page.locator(".pencil-line, .mark.unserved").count() == 0
        assert [words for words in said if "422" not in words] == [], "this desk has no planner to write the plan"
        page.reload()
        page.wait_for_selector("html[data-drawn]")
        assert page.locator(".pencil-line, #ink").count() == 0, "ink outlasts a reload"


def test_an_inked_link_that_the_newest_plan_does_not_list_is_answered_by_the_page(
    desk: Desk, other_plan: tuple[bytes, dict[str, Any]]
) -> None:
    told = json.loads(other_plan[0])
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        over = """([data, chance]) => { const route = data.routes.find(one => one.sensor === "Trough");
            const ink = {...meshInk.taken(data), cost: 1};
            ink.routes.Trough = {...route, links: ["Trough ~ House"], devices: ["Trough", "House"]};
            const shown = meshInk.over(data, ink, () => chance);
            return [shown.served.includes("Trough"), shown.kept.map(one => [one.a, one.b, one.chance])]; }"""
        required = told["required_chance"]
        assert page.evaluate(over, [told, required + 0.01]) == [True, [["Trough", "House", pytest.approx(required + 0.01)]]]
        assert page.evaluate(over, [told, required - 0.01]) == [False, []]
        assert page.evaluate(over, [told, None]) == [False, []], "what the page cannot tell is not taken for served"
        assert said == []


def test_a_link_answers_while_its_place_is_in_the_hand_and_nothing_is_torn_away(
    desk: Desk, other_plan: tuple[bytes, dict[str, Any]]
) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.wait_for_timeout(1500)
        drawn = int(page.evaluate("document.documentElement.dataset.drawn"))
        x, y = middle(page, "[data-site=Trough]")
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x - 100, y + 30, steps=5)
        page.wait_for_selector("#hint:has-text('%')")
        assert "from where it stood" in page.inner_text("#hint")
        assert desk.book.place == 0, "nothing is written while it is held"
        tell_plan(desk, other_plan)
        page.wait_for_timeout(300)
        assert int(page.evaluate("document.documentElement.dataset.drawn")) == drawn, "a plan that comes in waits"
        page.mouse.up()
        until(lambda: desk.book.place == 1)
        page.wait_for_selector(f"html[data-drawn='{drawn + 1}']")
        assert said == []


def test_two_places_anywhere_are_cut_by_the_maps_own_section(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.click("#open-trial")
        page.wait_for_selector("#section .plot svg")
        assert "Path loss" in page.inner_text("#card")
        assert "meshplan profile holding A B" in page.inner_text("#card")
        before = page.inner_text("#trial-loss")
        page.mouse.click(*on_land(page, 0.75, 0.5))
        page.wait_for_function("was => document.getElementById('trial-loss').textContent !== was", arg=before)
        page.keyboard.press("Escape")
        page.wait_for_selector("#section", state="hidden")
        assert desk.book.place == 0, "a section changes nothing"
        assert said == []


def test_keep_both_leaves_theirs_and_writes_mine_beside_it(desk: Desk) -> None:
    path = desk.book.folder / "sites.csv"
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.evaluate("meshDesk.choose('North post')")
        page.route("**/ask/sheet", lambda route: route.abort())  # this page does not hear of it in time
        with page.expect_event("requestfailed"):
            path.write_text(path.read_text().replace(",150", ",160"))
        page.unroute("**/ask/sheet")
        page.fill("#field-cost", "140")
        page.keyboard.press("Tab")
        page.wait_for_selector("#both")
        page.click("#both")
        beside = path.with_name("sites.mine.csv")
        until(beside.exists)
        assert ",160" in path.read_text()
        assert ",140" in beside.read_text()
        page.wait_for_selector("#both", state="detached")
        assert [words for words in said if "409" not in words and "Failed to" not in words] == []


DROP = """([name, text]) => {
    const data = new DataTransfer();
    data.items.add(new File([text], name));
    for (const kind of ["dragenter", "dragover", "drop"])
        document.body.dispatchEvent(new DragEvent(kind, {bubbles: true, cancelable: true, dataTransfer: data}));
}"""


def test_each_dropped_file_says_what_became_of_it(desk: Desk) -> None:
    names = {path.name for path in desk.book.folder.iterdir()}
    lon, lat = lon_lat(300, 350)
    hedge = {"type": "Feature", "properties": {"kind": "hedge"}, "geometry": {"type": "LineString", "coordinates": [
        [lon, lat], [lon + 0.001, lat]]}}  # fmt: skip
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.evaluate(DROP, ["archive.zip", "PK"])
        page.wait_for_selector(".arrivals .refused:has-text('archive.zip')")
        page.evaluate(DROP, [f"{HOSTILE}.csv", "name,role"])
        page.wait_for_selector(".arrivals .refused >> nth=1")
        assert page.locator("img[src=x]").count() == 0
        assert {path.name for path in desk.book.folder.iterdir()} == names
        page.evaluate(DROP, ["lanes.geojson", json.dumps({"type": "FeatureCollection", "features": [hedge]})])
        page.wait_for_selector(".arrivals .taken")
        until(lambda: desk.book.place == 1)
        assert (desk.book.folder / "lanes.geojson").exists()
        page.wait_for_selector("#steps li:has-text('lanes.geojson added')")
        assert [words for words in said if "422" not in words] == []


def test_a_photo_is_pinned_by_clicks_on_it_and_on_the_sheet(desk: Desk) -> None:
    stream = io.BytesIO()
    Image.fromarray(np.full((300, 400, 3), 128, np.uint8)).save(stream, "PNG")
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.set_input_files("#file-input", {"name": "photo.png", "mimeType": "image/png", "buffer": stream.getvalue()})
        page.wait_for_function("() => document.querySelector('.photo') && document.querySelector('.photo').naturalWidth === 400")
        assert page.is_disabled("#pin-down")
        for i, ((px, py), (across, down)) in enumerate(
            [((0.1, 0.1), (0.3, 0.3)), ((0.9, 0.1), (0.7, 0.3)), ((0.1, 0.9), (0.3, 0.72))]
        ):
            page.locator(".photo").scroll_into_view_if_needed()
            box = page.locator(".photo").bounding_box()
            page.mouse.click(box["x"] + box["width"] * px, box["y"] + box["height"] * py)
            page.mouse.click(*on_land(page, across, down))
            page.wait_for_selector(f".sheet-pin >> nth={i}")
        page.wait_for_selector("#pin-down:not([disabled])")
        page.click("#pin-down")
        until((desk.book.folder / "photo.png").exists)
        page.wait_for_selector("img.under")
        page.wait_for_selector("#card :text('Pinned by 3 points')")
        page.click("#back")
        until(lambda: not (desk.book.folder / "photo.png").exists())
        page.wait_for_selector("img.under", state="detached")
        assert said == []


NAMELESS = """() => [...document.querySelectorAll('button, input, select, textarea, summary, [role=button], [tabindex="0"]')]
    .filter(one => one.offsetParent && !one.closest('[aria-hidden=true]'))
    .filter(one => !((one.getAttribute('aria-label') || '') + one.textContent
        + [...(one.labels || [])].map(label => label.textContent)).trim())
    .map(one => one.outerHTML.slice(0, 120))"""
TWICE = """() => { const ids = [...document.querySelectorAll('[id]')].map(one => one.id);
    return ids.filter((id, i) => ids.indexOf(id) !== i); }"""
SMALL = """() => [...document.querySelectorAll('button, input, select, summary')].filter(one => one.offsetParent)
    .filter(one => one.getBoundingClientRect().height < 43.5 && !one.closest('p.soft') && one.type !== 'range')
    .map(one => one.id || one.textContent)"""


@pytest.mark.parametrize("wide", [1440, 390, 320])
def test_everything_has_a_name_and_fits_the_screen(wide: int, desk: Desk) -> None:
    narrow = wide < 861
    with page_of(desk, wide=wide, high=844, has_touch=narrow) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        views = ["key", "card", "book", "plan"] if narrow else [""]
        page.evaluate("meshDesk.choose('House')")
        for open_view in ("", "#open-hand-out", "#open-terms", "#open-files", "#open-places", "#open-picture"):
            if open_view:
                if narrow:
                    page.click("#bar [data-pane=plan]")
                page.click(open_view)
            for view in views:
                if view:
                    page.click(f"#bar [data-pane={view}]")
                assert page.evaluate(NAMELESS) == []
                assert page.evaluate(TWICE) == []
                assert page.evaluate("document.documentElement.scrollWidth") == wide
                assert page.evaluate("getComputedStyle(document.body).overflow") == "hidden"
                if narrow:
                    assert page.evaluate(SMALL) == []
        assert said == []


def test_a_shape_is_drawn_by_a_finger_and_its_peg_dragged(desk: Desk) -> None:
    with page_of(desk, wide=390, high=844, has_touch=True, is_mobile=True) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.tap("#sign-row [data-role=orchard]")
        for across, down in ((0.3, 0.5), (0.55, 0.5), (0.55, 0.75)):
            page.touchscreen.tap(*on_land(page, across, down))
        assert "m²" in page.inner_text("#hint") or " ha" in page.inner_text("#hint")
        page.tap("#end-area")
        until(lambda: desk.book.place == 1)
        page.wait_for_selector("[data-peg='2']")
        was = json.loads((desk.book.folder / "cover.geojson").read_text())["features"][0]["geometry"]["coordinates"][0]
        x, y = middle(page, "[data-peg='2']")
        finger = page.context.new_cdp_session(page)
        touch = lambda kind, *points: finger.send(  # noqa: E731 - one line of the driver's own words
            "Input.dispatchTouchEvent", {"type": kind, "touchPoints": [{"x": a, "y": b} for a, b in points]}
        )
        centre = page.evaluate("[meshDesk.map().getCenter().lat, meshDesk.map().getCenter().lng]")
        touch("touchStart", (x, y))
        for step in range(1, 6):
            touch("touchMove", (x + 6 * step, y + 3 * step))
        touch("touchEnd")
        until(lambda: desk.book.place == 2)
        now = json.loads((desk.book.folder / "cover.geojson").read_text())["features"][0]["geometry"]["coordinates"][0]
        assert now[2][0] > was[2][0]
        assert now[:2] == was[:2]
        assert page.evaluate("[meshDesk.map().getCenter().lat, meshDesk.map().getCenter().lng]") == centre, "the map did not pan"
        assert said == []


def test_a_peg_in_the_hand_is_not_torn_away_by_a_plan_that_comes(desk: Desk, other_plan: tuple[bytes, dict[str, Any]]) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.click("#sign-row [data-role=orchard]")
        for across, down in ((0.3, 0.5), (0.55, 0.5), (0.55, 0.75)):
            page.mouse.click(*on_land(page, across, down))
        page.keyboard.press("Enter")
        until(lambda: desk.book.place == 1)
        page.wait_for_selector("[data-peg='2']")
        drawn = page.get_attribute("html", "data-drawn")
        x, y = middle(page, "[data-peg='2']")
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 20, y + 10, steps=4)
        desk.events.tell("stage", {"clock": 1, "stage": "Searching"})
        page.wait_for_selector("#cells.old")
        tell_plan(desk, other_plan)
        page.wait_for_selector("#cells:not(.old)")
        assert page.get_attribute("html", "data-drawn") == drawn, "the sheet waits while a corner is in the hand"
        page.mouse.move(x + 40, y + 20, steps=4)
        page.mouse.up()
        until(lambda: desk.book.place == 2)
        until(lambda: page.get_attribute("html", "data-drawn") != drawn)
        assert said == []


def test_an_empty_folder_begins_with_a_name_a_place_and_a_raster(tmp_path: Path) -> None:
    raster = write_raster(tmp_path / "ground.tif", bank())
    folder = tmp_path / "meadow"
    lon, lat = lon_lat(300, 300)
    with open_desk(folder, live=NoPlanner) as (_, desk), page_of(desk) as (page, said):
        assert "There is no ground yet" in page.inner_text("#blank-note")
        assert not folder.exists(), "nothing is written before one begins"
        page.fill("#begin-name", "Meadow")
        page.fill("#begin-place", "somewhere")
        page.keyboard.press("Tab")
        assert "no latitude" in page.inner_text("#begin-place-words")
        page.fill("#begin-place", f"{lat:.5f}, {lon:.5f}")
        page.fill("#begin-country", "atlantis")
        page.click("#begin-sheet")
        page.wait_for_selector("[data-key=country] .fault:has-text('atlantis')")
        assert not folder.exists()
        page.fill("#begin-country", "europe")
        page.click("#begin-sheet")
        page.wait_for_selector("#choose-files")
        assert {path.name for path in folder.iterdir()} == {"property.toml", "sites.csv"}
        page.set_input_files("#file-input", str(raster))
        page.wait_for_selector(".arrivals .taken")
        page.wait_for_selector("img.relief")
        assert "Set the first sensor" in page.inner_text("#state")
        assert 'elevation = "ground.tif"' in (folder / "property.toml").read_text()
        assert [words for words in said if "422" not in words] == []
