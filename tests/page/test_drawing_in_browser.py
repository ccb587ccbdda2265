"""Shapes and places drawn, moved, cut, copied and snapped on the page; the readers read back what was drawn."""

from __future__ import annotations

import itertools
import json
from typing import Any

import pytest
from desk_browser import middle, on_land, page_of, until

from meshplan.inputs.property import read_property
from meshplan.page.desk import Desk

pytestmark = pytest.mark.browser


def features(desk: Desk, name: str = "cover.geojson") -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((desk.book.folder / name).read_text())["features"]
    return found


def draw(page: Any, role: str, *corners: tuple[float, float]) -> None:
    """Take a sign and click corners at shares of the sheet."""
    page.click(f"#sign-row [data-role={role}]")
    for across, down in corners:
        page.mouse.click(*on_land(page, across, down))


def test_a_line_is_copied_moved_whole_and_cut_in_two(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        draw(page, "hedge_evergreen", (0.6, 0.7), (0.7, 0.75), (0.8, 0.72))
        page.click("#end-line")
        until(lambda: desk.book.place == 1)
        first = features(desk)[0]["geometry"]["coordinates"]
        page.wait_for_selector("[data-peg=whole]")
        page.focus("[data-peg=whole]")
        page.keyboard.press("Shift+ArrowUp")
        until(lambda: desk.book.place == 2)
        moved = features(desk)[0]["geometry"]["coordinates"]
        assert [(b[1] - a[1]) * 111_320 for a, b in zip(first, moved, strict=True)] == pytest.approx([10] * 3, abs=0.05)
        assert [b[0] - a[0] for a, b in zip(first, moved, strict=True)] == pytest.approx([0] * 3, abs=1e-7)
        page.click("#copy")
        until(lambda: desk.book.place == 3)
        assert len(features(desk)) == 2
        page.wait_for_selector("#card-tab:has-text('feature 2')")
        page.focus("[data-peg='1']")
        page.keyboard.press("x")
        until(lambda: desk.book.place == 4)
        parts = [one["geometry"]["coordinates"] for one in features(desk)[1:]]
        assert [len(part) for part in parts] == [2, 2]
        assert parts[0][-1] == parts[1][0], "both keep the corner at which the line was cut"
        assert {cover.kind for cover in read_property(desk.book.folder).covers} == {"hedge_evergreen"}
        assert said == []


def test_an_area_is_cut_from_one_corner_to_another(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        draw(page, "orchard", (0.6, 0.6), (0.8, 0.6), (0.8, 0.8), (0.6, 0.8))
        page.click("#end-area")
        until(lambda: desk.book.place == 1)
        page.wait_for_selector("[data-peg='3']")
        page.focus("[data-peg='0']")
        page.keyboard.press("x")
        page.focus("[data-peg='1']")
        page.keyboard.press("x")
        assert "neighbours" in page.inner_text("#state")
        assert desk.book.place == 1
        page.focus("[data-peg='0']")
        page.keyboard.press("x")
        page.focus("[data-peg='2']")
        page.keyboard.press("x")
        until(lambda: desk.book.place == 2)
        outlines = [set(map(tuple, one["geometry"]["coordinates"][0])) for one in features(desk)]
        assert [len(outline) for outline in outlines] == [3, 3]
        assert len(outlines[0] & outlines[1]) == 2
        assert said == []


def test_corners_land_on_what_is_there_unless_alt_is_held(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        draw(page, "orchard", (0.6, 0.6), (0.8, 0.6), (0.8, 0.8))
        page.click("#end-area")
        until(lambda: desk.book.place == 1)
        page.wait_for_selector("[data-peg='2']")
        corner = features(desk)[0]["geometry"]["coordinates"][0][0]
        x, y = middle(page, "[data-peg='0']")
        page.click("#sign-row [data-role=hedge_deciduous]")
        page.mouse.click(x + 6, y - 5)
        page.mouse.click(x - 90, y - 60)
        page.click("#end-line")
        until(lambda: desk.book.place == 2)
        assert features(desk)[1]["geometry"]["coordinates"][0] == corner, "to the last digit"
        assert said == []


def test_a_house_gets_right_angles_and_a_wall_its_width_and_height(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        draw(page, "building", (0.60, 0.6), (0.75, 0.6), (0.755, 0.8), (0.61, 0.8))
        page.click("#end-area")
        until(lambda: desk.book.place == 1)
        outline = read_property(desk.book.folder).covers[0].geometry.exterior.coords
        legs = [(b[0] - a[0], b[1] - a[1]) for a, b in itertools.pairwise(outline[:3])]
        across = sum(p * q for p, q in zip(*legs, strict=True))
        length = [sum(part**2 for part in leg) ** 0.5 for leg in legs]
        assert abs(across) / (length[0] * length[1]) < 0.02, "the second wall stands at a right angle to the first"
        draw(page, "wall", (0.3, 0.85), (0.5, 0.85))
        page.click("#end-line")
        until(lambda: desk.book.place == 2)
        assert features(desk)[1]["properties"] == {"kind": "building", "name": "wall", "width_m": 0.4, "height_m": 2}
        wall = next(cover for cover in read_property(desk.book.folder).covers if cover.name == "wall")
        assert wall.height_m == 2
        assert wall.geometry.area / (wall.geometry.length / 2) == pytest.approx(0.4, abs=0.01), "as wide as a wall"
        assert page.inner_text("#count-wall") == "1"
        assert said == []


def test_ground_to_search_and_boundary_are_drawn_and_named_in_the_settings(desk: Desk) -> None:
    before = {path.name: path.read_bytes() for path in desk.book.folder.iterdir()}
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        draw(page, "search", (0.35, 0.3), (0.6, 0.3), (0.6, 0.6))
        page.click("#end-area")
        until(lambda: desk.book.place == 1)
        page.wait_for_selector("#search-generate_relays")
        page.fill("#search-generate_relays", "4")
        page.keyboard.press("Tab")
        until(lambda: desk.book.place == 2)
        found = read_property(desk.book.folder)
        assert found.settings.generate_relays == 4
        assert found.search_ground is not None
        draw(page, "boundary", (0.02, 0.05), (0.91, 0.05), (0.91, 0.95), (0.02, 0.9))
        page.click("#end-area")
        until(lambda: desk.book.place == 3)
        assert read_property(desk.book.folder).boundary is not None
        for place in (2, 1, 0):
            page.click("#back")
            until(lambda place=place: desk.book.place == place)
        assert {path.name: path.read_bytes() for path in desk.book.folder.iterdir()} == before
        assert said == []


def test_a_place_is_copied_with_its_columns_and_rubbed_out_by_a_key(desk: Desk) -> None:
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        page.evaluate("meshDesk.choose('North post')")
        page.click("#copy")
        until(lambda: desk.book.place == 1)
        sites = {site.name: site for site in read_property(desk.book.folder).sites}
        assert sites["North post 1"].cost == sites["North post"].cost == 150
        assert sites["North post 1"].role == "relay"
        page.wait_for_selector("[data-site='North post 1']")
        page.focus("[data-site='North post 1']")
        page.keyboard.press("Delete")
        until(lambda: desk.book.place == 2)
        assert {site.name for site in read_property(desk.book.folder).sites} == set(sites) - {"North post 1"}
        assert said == []
