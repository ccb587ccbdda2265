"""Places that a reader adds on the map: who hears them, what they would cost, and rows that the planner takes."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from map_browser import DESK, PHONE, Opened, OpenMap
from map_fixture import FREE_MAST_M, MAST_PER_M, NEW_COST, PANEL_COST, make_landscape, make_plan

from meshplan.records import MapShape, Plan, Role
from meshplan.reporting.map import write_map

pytestmark = pytest.mark.browser
PLAN = make_plan()


@pytest.fixture
def desk(open_map: OpenMap, map_file: Path) -> Opened:
    return open_map(map_file, DESK)


def rows(page: Any) -> list[dict[str, str]]:
    """Return the changes file as the page offers it."""
    return list(csv.DictReader(io.StringIO(page.input_value("#change-text"))))


def click_at(page: Any, name: str, east: float = 30.0, north: float = 20.0) -> None:
    """Click beside a device, so many pixels east and north of it."""
    x, y = page.evaluate(
        """name => { const { map } = meshPage, place = meshPage.placeOf(meshPage.devices.get(name));
          map.panTo(place, { animate: false });
          const at = map.latLngToContainerPoint(place), box = map.getContainer().getBoundingClientRect();
          return [box.x + at.x, box.y + at.y]; }""",
        name,
    )
    page.mouse.click(x + east, y - north)


def test_a_click_adds_a_sensor_with_its_best_receiver_its_year_and_its_cost(desk: Opened) -> None:
    page = desk.page
    page.click("#open-add")
    click_at(page, "Yard weather")
    assert page.inner_text(".view-title") == "Add a place", "a click sets the place and opens nothing"
    best = page.evaluate(
        """() => { const one = [...meshChanges.added.values()][0];
          return meshAdd.receivers(one).filter(o => o.used && !o.trial.unknown).map(o => [o.name, o.worst])
            .sort((p, q) => q[1] - p[1])[0]; }"""
    )
    words = " ".join(page.inner_text("#add-best").split())
    assert words.startswith(f"{best[0]} hears it best: ")
    assert re.search(r"works in (over |under )?\d+ % in its worst season, “(leaf|bare)”", words)
    assert page.eval_on_selector_all("[data-season]", "all => all.map(one => one.dataset.season)") == ["bare", "leaf"]
    assert page.inner_text("#add-cost").startswith(f"Costs {NEW_COST[Role.SENSOR]:.0f} ")
    (row,) = rows(page)
    assert (row["name"], row["role"], row["added"], row["purpose"]) == ("New sensor 1", "sensor", "yes", "trend")
    near = PLAN.device("Yard weather")
    assert float(row["lon_deg"]) > near.lon_deg
    assert float(row["lat_deg"]) > near.lat_deg
    page.select_option("#add-purpose", "alarm")
    page.fill("#height-N", "2.5")
    page.fill("#add-name", "Pond level")
    (row,) = rows(page)
    assert (row["name"], row["antenna_agl_m"], row["purpose"]) == ("Pond level", "2.5", "alarm")


def test_a_new_place_has_the_figures_of_a_site_that_stands_there(desk: Opened) -> None:
    """The same functions as for a moved site: a sensor added where one was moved to, equipped alike, has its chance and margin."""
    chances = desk.page.evaluate(
        """() => { const place = L.latLng(meshPage.placeOf(meshPage.devices.get("Yard weather"))),
            moved = L.latLng(place.lat + 2e-4, place.lng);
          const end = meshTrial.endAt(meshPage.ends.get("Yard weather"), moved, 1, true);
          const roof = meshTrial.standing("House roof");
          const was = meshTrial.compute({ name: "Yard weather", label: "", place: moved, end, moved: true }, roof);
          meshPage.tryAdd();
          const one = [...meshChanges.added.values()][0];
          one.place = moved; one.heightM = 1;
          const is = meshAdd.receivers(one).find(o => o.name === "House roof").trial;
          return [was, is].map(t => t.seasons.map(s => [s.chance, s.marginDb, s.lossDb])); }"""
    )
    assert np.array(chances[0]) == pytest.approx(np.array(chances[1]), abs=1e-9)


def test_a_candidate_tells_whom_it_would_hear_and_what_its_mast_costs(desk: Opened) -> None:
    page = desk.page
    page.click("#open-add")
    click_at(page, "Far meadow", east=-12, north=-12)
    page.select_option("#add-role", "gateway")
    page.select_option("#add-power", "panel")
    page.fill("#height-N", "8")
    words = " ".join(page.inner_text("#add-best").split())
    found = re.search(r"hear (\d+) sensors? of 5, (\d+) of them without a route now", words)
    assert found, words
    assert int(found[2]) == 1
    first = page.locator("#trial-result [data-partner]").first
    assert first.get_attribute("data-partner") == "Far meadow", "those without a route first"
    cost = NEW_COST[Role.GATEWAY] + PANEL_COST + MAST_PER_M * (8 - FREE_MAST_M)
    assert page.inner_text("#add-cost").startswith(f"Costs {cost:.0f} ")
    assert f"{MAST_PER_M * (8 - FREE_MAST_M):.0f}" in page.inner_text("#add-cost")
    (row,) = rows(page)
    assert (row["name"], row["role"], row["power"], row["purpose" if "purpose" in row else "name"]) == (
        "New gateway 1",
        "gateway",
        "panel",
        "New gateway 1",
    )
    page.select_option("#add-role", "relay")
    assert "hears it best" in page.inner_text("#add-best")
    assert rows(page)[0]["name"] == "New relay 1"
    assert rows(page)[0]["antenna_agl_m"] == "3"


def test_moves_heights_and_new_places_stand_in_one_file_and_stay_in_sight(desk: Opened) -> None:
    page = desk.page
    page.evaluate("meshPage.trySite('House roof')")
    page.fill("#height-M", "12")
    page.click("#open-add")
    click_at(page, "Yard weather")
    page.click("#add-another")
    click_at(page, "Stream level")
    page.fill("#add-name", "=Stream 2")
    kept = rows(page)
    assert [(row["name"], row["antenna_agl_m"], row["added"]) for row in kept] == [
        ("House roof", "12", ""),
        ("New sensor 1", "1", "yes"),
        ("'=Stream 2", "1", "yes"),
    ]
    page.keyboard.press("Escape")
    assert "3 changes are tried and not in this plan" in page.inner_text("#tried")
    assert rows(page) == kept
    assert page.locator("[data-added='New sensor 1']").is_visible()
    page.locator("[data-added='New sensor 1']").press("Enter")
    assert page.input_value("#add-name") == "New sensor 1"
    page.click("#take-out")
    assert [row["name"] for row in rows(page)] == ["House roof", "'=Stream 2"]


def test_a_place_that_nobody_set_leaves_no_trace(desk: Opened) -> None:
    page = desk.page
    page.click("#open-add")
    page.keyboard.press("Escape")
    assert page.locator("#tried").count() == 0
    assert page.evaluate("meshChanges.added.size") == 0


@pytest.mark.parametrize(
    ("name", "words"),
    [("", "Give it a name"), ("yard WEATHER", "already"), ("pond\u202elevel", "cannot be printed"), ("  House roof ", "already")],
)
def test_a_name_that_the_reader_would_refuse_is_refused_here(desk: Opened, name: str, words: str) -> None:
    page = desk.page
    page.click("#open-add")
    click_at(page, "Yard weather")
    page.fill("#add-name", name)
    assert words in page.inner_text("#add-fault")
    assert rows(page) == []
    page.fill("#add-name", "Pond")
    assert page.locator("#add-fault").count() == 0
    assert len(rows(page)) == 1


def test_outside_the_boundary_or_the_land_a_place_is_refused(open_map: OpenMap, tmp_path: Path) -> None:
    house = PLAN.device("House roof")
    corners = ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))
    ring = tuple((house.lon_deg + east * 2e-3, house.lat_deg + north * 2e-3) for east, north in corners)
    plan = replace(PLAN, shapes=(MapShape("boundary", "fence", 0.0, (ring,)),))
    page = open_map(write_map(plan, make_landscape(plan), tmp_path / "fence.html"), DESK).page
    page.click("#open-add")
    click_at(page, "House roof")
    assert page.locator("#add-fault").count() == 0
    click_at(page, "Far meadow")
    assert "outside the boundary" in page.inner_text("#add-fault")
    assert rows(page) == []
    page.evaluate("meshPage.trySite('House roof')")
    click_at(page, "Far meadow")
    assert "outside the boundary" in page.inner_text("#trial-result")


def test_rows_that_the_plan_was_made_with_are_saved_again(open_map: OpenMap, tmp_path: Path) -> None:
    """Else the second changes.csv would silently undo the first."""
    house, yard = PLAN.device("House roof"), PLAN.device("Yard weather")
    earlier = (
        {
            "name": "House roof",
            "role": "gateway",
            "lon_deg": "1.5",
            "lat_deg": "2.5",
            "antenna_agl_m": "8",
            "note": "kept",
        },
        {"name": "Yard weather", "role": "sensor", "x_m": "480330", "y_m": "4680160", "added": "yes", "purpose": "trend"},
    )
    file = write_map(PLAN, replace(make_landscape(), changes=earlier), tmp_path / "again.html")
    page = open_map(file, DESK).page
    page.evaluate("meshPage.trySite('Stream level')")
    page.fill("#height-M", "3")
    kept = {row["name"]: row for row in rows(page)}
    assert set(kept) == {"House roof", "Yard weather", "Stream level"}
    assert kept["House roof"]["note"] == "kept"
    assert (kept["Yard weather"]["added"], kept["Yard weather"]["x_m"]) == ("yes", "480330")
    page.evaluate("meshPage.trySite('Yard weather')")
    click_at(page, "Yard weather")
    moved = {row["name"]: row for row in rows(page)}["Yard weather"]
    assert (moved["added"], moved.get("x_m", "")) == ("yes", "")
    assert float(moved["lon_deg"]) > yard.lon_deg
    page.evaluate("meshPage.trySite('House roof')")
    page.fill("#height-M", "11")
    raised = {row["name"]: row for row in rows(page)}["House roof"]
    assert (raised["antenna_agl_m"], raised["lon_deg"]) == ("11", "1.5"), "only what changed changes"
    assert house.antenna_agl_m == 8.0


def test_a_place_that_the_planner_found_becomes_a_place_of_its_own(open_map: OpenMap, tmp_path: Path) -> None:
    """No sites file has a row of it: as a change of a site the planner would refuse it."""
    land = make_landscape()
    assert land.engine is not None
    ends = tuple(replace(end, is_found=end.name == "Ridge post", power="panel") for end in land.engine.ends)
    file = write_map(PLAN, replace(land, engine=replace(land.engine, ends=ends)), tmp_path / "found.html")
    page = open_map(file, DESK).page
    page.evaluate("meshPage.trySite('Ridge post')")
    page.fill("#height-M", "6")
    (row,) = rows(page)
    assert row["name"] == "Ridge post (moved)"
    assert (row["added"], row["power"], row["antenna_agl_m"]) == ("yes", "panel", "6")


def test_moving_alone_leaves_the_heights_that_the_sites_file_offers(desk: Opened) -> None:
    desk.page.evaluate("meshPage.trySite('House roof')")
    click_at(desk.page, "House roof")
    (row,) = rows(desk.page)
    assert row["antenna_agl_m"] == ""
    desk.page.fill("#height-M", "9")
    assert rows(desk.page)[0]["antenna_agl_m"] == "9"


def test_a_place_is_added_by_keyboard_alone(desk: Opened) -> None:
    page = desk.page
    page.focus("#open-add")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.classList.contains('view-title')")
    before = page.evaluate("() => { const { lat, lng } = [...meshChanges.added.values()][0].place; return [lat, lng]; }")
    page.focus("[data-trial=N]")
    page.keyboard.press("Shift+ArrowUp")
    (row,) = rows(page)
    assert (float(row["lat_deg"]) - before[0]) * 111_320 == pytest.approx(50, abs=1), "ten cells of 5 m"
    page.focus("#add-name")
    page.keyboard.press("Control+A")
    page.keyboard.type("Orchard gate")
    page.keyboard.press("Escape")
    assert "Orchard gate" in page.inner_text("#tried")


def test_a_place_is_added_by_touch_and_what_hears_it_stays_in_view(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file, PHONE, has_touch=True, is_mobile=True).page
    page.tap("#open-add")
    box = page.locator(".folium-map").bounding_box()
    page.touchscreen.tap(box["x"] + 0.4 * box["width"], box["y"] + 0.6 * box["height"])
    (row,) = rows(page)
    assert row["added"] == "yes"
    headline, panel = page.locator("#add-best").bounding_box(), page.locator("#panel").bounding_box()
    assert panel["y"] <= headline["y"]
    assert headline["y"] + headline["height"] <= PHONE[1]
    assert page.evaluate("document.documentElement.scrollWidth") == PHONE[0]


def test_without_figures_of_new_places_none_can_be_added(open_map: OpenMap, tmp_path: Path) -> None:
    plan: Plan = PLAN
    land = make_landscape()
    assert land.engine is not None
    file = write_map(plan, replace(land, engine=replace(land.engine, new_places=())), tmp_path / "none.html")
    assert not open_map(file, DESK).page.is_visible("#open-add")


@pytest.mark.parametrize("size", [DESK, PHONE])
def test_what_is_tried_is_never_under_the_section(open_map: OpenMap, map_file: Path, size: tuple[int, int]) -> None:
    page = open_map(map_file, size).page
    for show in ("meshPage.trySite('Yard weather')", "document.getElementById('open-trial').click()", "meshPage.tryAdd()"):
        page.evaluate("meshPage.showOverview()")
        page.evaluate(show)
        box = page.locator(".folium-map").bounding_box()
        for mark in page.locator("[data-trial]").all():
            at = mark.bounding_box()
            x, y = at["x"] + at["width"] / 2, at["y"] + at["height"] / 2
            assert box["x"] < x < box["x"] + box["width"], show
            assert box["y"] < y < box["y"] + box["height"], show
