"""The page in a real browser, under its strict policy: places moved by mouse and keys, forms, undo, two pages, hostile names."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from desk_browser import HOSTILE, page_of, until
from one_browser import started_browser
from open_desk import open_desk
from small_property import lay_small_property

from meshplan.inputs.property import read_property
from meshplan.page.desk import Desk
from meshplan.page.live import Live
from meshplan.workflow.plan import plan_property

pytestmark = pytest.mark.browser


def site(desk: Desk, name: str) -> Any:
    return next(site for site in read_property(desk.book.folder).sites if site.name == name)


def test_a_place_is_dragged_and_put_back_to_the_byte(desk: Desk) -> None:
    path = desk.book.folder / "sites.csv"
    before = path.read_bytes()
    with page_of(desk) as (page, said):
        assert page.url == f"http://127.0.0.1:{desk.port}/", "the key is gone from the address"
        assert page.evaluate("document.cookie") == ""
        page.wait_for_selector("html[data-drawn]")
        box = page.locator("[data-site=Trough]").bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + 30, y + 50, steps=6)
        page.mouse.move(x + 40, y + 60)
        page.mouse.up()
        until(lambda: desk.book.place == 1)
        assert site(desk, "Trough").lat_deg < site(desk, "House").lat_deg
        assert path.read_bytes().count(b"\n") == before.count(b"\n")
        page.wait_for_selector("#steps li.done")
        assert page.inner_text("#steps li.done").startswith("Trough moved ")
        page.click("#back")
        until(lambda: desk.book.place == 0)
        assert path.read_bytes() == before
        page.wait_for_selector("#steps li.put-back")
        page.click("#again")
        until(lambda: desk.book.place == 1)
        assert said == [], "no violation of the policy, no fault, no request elsewhere"


def test_arrow_keys_move_a_place_metre_by_metre(desk: Desk) -> None:
    was = site(desk, "Trough")
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.focus("[data-site=Trough]")
        for _ in range(3):
            page.keyboard.press("ArrowRight")
        page.keyboard.press("Shift+ArrowUp")
        until(lambda: desk.book.place == 1)
        now = site(desk, "Trough")
        assert now.x_m - was.x_m == pytest.approx(3, abs=0.2)
        assert now.y_m - was.y_m == pytest.approx(10, abs=0.2)
        assert len(desk.book.steps) == 1, "one step for one move"
        assert said == []


def test_a_wrong_value_stands_beside_its_field_and_the_offer_is_taken(desk: Desk) -> None:
    before = (desk.book.folder / "sites.csv").read_bytes()
    with page_of(desk) as (page, said):
        page.evaluate("meshDesk.choose('House')")
        page.fill("#field-antenna_agl_m", "30 ft")
        page.keyboard.press("Tab")
        page.wait_for_selector("[data-key=antenna_agl_m] .fault button")
        assert "'30 ft' is not in metres" in page.inner_text("[data-key=antenna_agl_m] .fault")
        assert page.get_attribute("#field-antenna_agl_m", "aria-invalid") == "true"
        assert (desk.book.folder / "sites.csv").read_bytes() == before
        page.click("text=Take 9.14")
        until(lambda: desk.book.place == 1)
        assert site(desk, "House").antenna_agl_m == 9.14
        assert [words for words in said if "422" not in words] == []


def test_a_sign_is_taken_from_the_key_and_set_and_rubbed_out(desk: Desk) -> None:
    before = (desk.book.folder / "sites.csv").read_bytes()
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.click("#sign-row [data-role=sensor]")
        page.mouse.click(500, 420)
        until(lambda: desk.book.place == 1)
        page.wait_for_selector("[data-site='Sensor 1']")
        assert site(desk, "Sensor 1").role == "sensor"
        page.focus("#sign-row [data-role=relay]")
        page.keyboard.press("Space")
        page.keyboard.press("Enter")
        until(lambda: desk.book.place == 2)
        page.wait_for_selector("#card h2:has-text('Relay 1')")
        page.click("#rub-out")
        until(lambda: desk.book.place == 3)
        for _ in range(3):
            page.keyboard.press("Control+z")
            page.wait_for_timeout(400)
        until(lambda: desk.book.place == 0)
        assert (desk.book.folder / "sites.csv").read_bytes() == before
        assert said == []


def test_a_line_and_an_area_are_drawn_bent_and_put_back_to_nothing(desk: Desk) -> None:
    folder = desk.book.folder
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.click("#sign-row [data-role=hedge_deciduous]")
        for x, y in ((300, 300), (360, 330), (420, 300)):
            page.mouse.click(x, y)
        assert " m" in page.inner_text("#hint")
        page.keyboard.press("Enter")
        until(lambda: desk.book.place == 1)
        shape = json.loads((folder / "cover.geojson").read_text())["features"][0]
        assert (shape["properties"], shape["geometry"]["type"]) == ({"kind": "hedge_deciduous"}, "LineString")
        assert len(shape["geometry"]["coordinates"]) == 3
        page.wait_for_selector(".peg.corner >> nth=2")
        page.focus("[aria-label^='corner 2 of 3']")
        page.keyboard.press("ArrowUp")
        until(lambda: desk.book.place == 2)
        bent = json.loads((folder / "cover.geojson").read_text())["features"][0]["geometry"]["coordinates"]
        assert (bent[1][1] - shape["geometry"]["coordinates"][1][1]) * 111_320 == pytest.approx(1, abs=0.05)
        assert [bent[0], bent[2]] == [shape["geometry"]["coordinates"][0], shape["geometry"]["coordinates"][2]]
        page.wait_for_selector("#shape-height_m")
        page.fill("#shape-height_m", "3.5")
        page.keyboard.press("Tab")
        until(lambda: desk.book.place == 3)
        page.click("#sign-row [data-role=wood_deciduous]")
        for x, y in ((500, 400), (560, 400), (560, 450), (500, 401)):
            page.mouse.click(x, y)
        until(lambda: desk.book.place == 4)
        covers = {cover.kind: cover for cover in read_property(folder).covers}
        assert set(covers) == {"hedge_deciduous", "wood_deciduous"}
        assert covers["hedge_deciduous"].height_m == 3.5
        assert covers["wood_deciduous"].geometry.is_valid
        page.wait_for_selector(".peg.bend >> nth=2")
        box = page.locator(".peg.bend").first.bounding_box()
        page.mouse.move(box["x"] + 14, box["y"] + 14)
        page.mouse.down()
        page.mouse.move(box["x"] + 20, box["y"] - 16, steps=4)
        page.mouse.up()
        until(lambda: desk.book.place == 5)
        page.wait_for_selector("[aria-label^='corner 4 of 4']")
        page.focus("[aria-label^='corner 4 of 4']")
        page.keyboard.press("Delete")
        until(lambda: desk.book.place == 6)
        for place in range(5, -1, -1):
            page.click("#back")
            until(lambda place=place: desk.book.place == place)
            page.wait_for_timeout(200)
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
        assert said == []


def test_a_shape_is_drawn_by_keys_alone_and_laid_back_by_escape(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.focus("#sign-row [data-role=building]")
        page.keyboard.press("Enter")
        page.focus("#land")
        for key in ("ArrowRight", "ArrowDown", ""):
            page.keyboard.press("Space")
            if key:
                page.keyboard.press(key)
                page.wait_for_timeout(400)
        page.keyboard.press("Enter")
        until(lambda: desk.book.place == 1)
        assert read_property(desk.book.folder).covers[0].kind == "building"
        page.click("#sign-row [data-role=boundary]")
        page.mouse.click(300, 300)
        page.keyboard.press("Escape")
        assert page.get_attribute("#sign-row [data-role=boundary]", "aria-pressed") == "false"
        page.mouse.click(300, 300)
        page.wait_for_timeout(300)
        assert desk.book.place == 1
        assert said == []


def test_terms_are_set_in_the_settings_file_and_what_does_not_fit_is_told(desk: Desk) -> None:
    path = desk.book.folder / "property.toml"
    before = path.read_text()
    with page_of(desk) as (page, said):
        page.click("#open-terms")
        page.fill("[id='term-requirement.hop_limit']", "30")
        page.keyboard.press("Tab")
        fault = "[id='term-requirement.hop_limit-fault']"
        page.wait_for_function("s => document.querySelector(s).textContent", arg=fault)
        assert "30 is too large" in page.inner_text(fault)
        assert "1 to 8" in page.inner_text(fault)
        assert path.read_text() == before
        page.fill("[id='term-requirement.hop_limit']", "2")
        page.keyboard.press("Tab")
        until(lambda: desk.book.place == 1)
        assert path.read_text() == before + "\n[requirement]\nhop_limit = 2\n"
        page.fill("#term-seasons", "bare, leaf")
        page.keyboard.press("Tab")
        until(lambda: desk.book.place == 2)
        assert 'seasons = ["bare", "leaf"]' in path.read_text()
        page.click("#back")
        until(lambda: desk.book.place == 1)
        page.click("#back")
        until(lambda: desk.book.place == 0)
        assert path.read_text() == before
        assert [words for words in said if "422" not in words] == []


@pytest.mark.parametrize(("choice", "kept"), [("theirs", "theirs"), ("mine", "mine")])
def test_where_somebody_else_changed_the_same_cell_one_chooses(choice: str, kept: str, desk: Desk) -> None:
    path = desk.book.folder / "sites.csv"
    rows = path.read_text().splitlines()
    rows[0] += ",note"
    rows[2] += ",first"
    path.write_text("\n".join(rows) + "\n")
    until(lambda: desk.book.place == 1)
    with page_of(desk) as (page, said):
        page.evaluate("meshDesk.choose('Trough')")
        page.wait_for_selector("#field-note")
        assert page.input_value("#field-note") == "first"
        page.route("**/ask/sheet", lambda route: route.abort())  # this page does not hear of it in time
        with page.expect_event("requestfailed"):
            path.write_text(path.read_text().replace("first", "theirs"))
        assert desk.book.place == 2
        page.unroute("**/ask/sheet")
        page.fill("#field-note", "mine")
        page.keyboard.press("Tab")
        page.wait_for_selector("#theirs")
        assert "note is 'theirs' now, it was 'first'" in page.inner_text("body")
        assert "theirs" in path.read_text(), "nothing is written before one has chosen"
        page.click(f"#{choice}")
        page.wait_for_function("kept => document.getElementById('field-note').value === kept", arg=kept)
        until(lambda: f",{kept}\n" in path.read_text())
        page.wait_for_selector("#theirs", state="detached")
        assert [words for words in said if "409" not in words and "Failed to" not in words] == []


def test_two_pages_see_each_others_steps_and_names_stay_text(desk: Desk) -> None:
    with page_of(desk) as (one, said), page_of(desk) as (other, more):
        for page in (one, other):
            page.wait_for_selector("html[data-drawn]")
        one.evaluate("name => meshDesk.choose(name)", HOSTILE)
        one.fill("#field-note", "<script>1</script>")
        one.keyboard.press("Tab")
        other.wait_for_selector("#steps li.done")
        assert HOSTILE in other.inner_text("#steps")
        other.click("#back")
        one.wait_for_selector("#steps li.put-back")
        assert one.title() == "Smallholt: working sheet"
        assert one.locator("img[src=x]").count() == 0
        assert said == more == []


def test_a_used_address_says_so_and_shows_nothing(desk: Desk) -> None:
    context = started_browser().new_context()
    page = context.new_page()
    key = desk.keys.fresh()
    assert desk.keys.exchange(key, "") is not None
    page.goto(f"http://127.0.0.1:{desk.port}/#key={key}")
    page.wait_for_function("() => document.getElementById('state').textContent")
    assert page.inner_text("#state") == "Somebody opened this address before you."
    assert page.inner_text("#title") == "…"
    assert page.locator("[data-site], #sign-row button, #steps li").count() == 0
    context.close()


def test_another_port_of_this_machine_gets_nothing_with_the_cookie(desk: Desk) -> None:
    """A page on another port is sent our cookie by the browser; neither its questions nor a frame come through."""
    from loopback import serving

    with serving() as stranger:
        stranger.files["/evil.html"] = b"<title>x</title>"
        with page_of(desk) as (page, _):
            page.wait_for_selector("html[data-drawn]")
            evil = page.context.new_page()
            evil.goto(f"{stranger.url}/evil.html")
            address = f"http://127.0.0.1:{desk.port}"
            told = evil.evaluate(
                """async (address) => {
                    const tries = [fetch(address + "/ask/sheet", {credentials: "include"}),
                        fetch(address + "/do/back", {method: "POST", mode: "no-cors", credentials: "include", body: '{"v":1}'})];
                    const ends = await Promise.allSettled(tries);
                    return [ends[0].status, sessionStorage.length];
                }""",
                address,
            )
            assert told == ["rejected", 0]
            asked = next(asked for asked in stranger.log if asked.path == "/evil.html")
            assert f"meshplan_{desk.port}" in asked.headers.get("Cookie", ""), "ports share cookies: the reason for the second key"
            assert desk.book.clock == 0


@pytest.mark.slow
def test_the_plan_follows_a_move(laid: tuple[Path, bytes, dict[str, Any]], tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    with open_desk(folder, live=Live) as (_, desk), page_of(desk) as (page, said):
        page.set_default_timeout(150_000)
        page.wait_for_selector("html[data-drawn]")
        assert "2 of 2" in page.inner_text("#cells")
        box = page.locator("[data-site=House]").bounding_box()
        page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.mouse.down()
        page.mouse.move(box["x"] + 30, box["y"] + 90, steps=6)
        page.mouse.up()
        page.wait_for_selector("html[data-drawn='2']")
        plan = plan_property(folder).plan
        assert desk.live.drawn is not None
        drawn = json.loads(desk.live.drawn)
        assert [link["key"] for link in drawn["links"]] == [link.key for link in plan.links], (
            "what is shown is what a full run says"
        )
        assert drawn["proof"]["cost"] == plan.proof.cost
        assert said == []
