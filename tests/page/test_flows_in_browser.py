"""Whole ways through the page, with the real planner: an empty folder to printed sheets by mouse, keys and finger; fifty edits put
back; three hundred sensors that stay smooth."""

from __future__ import annotations

import json
import statistics
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, ClassVar

import pytest
from desk_browser import middle, on_land, page_of, until
from open_desk import NoPlanner, open_desk
from small_property import bank, lay_small_property, lon_lat, usual_sites, write_raster

from meshplan.cli.open import run_command
from meshplan.page.desk import Desk
from meshplan.page.live import Live
from meshplan.page.strip import drawn_of, strip_of
from meshplan.reporting.map.data import json_block
from meshplan.workflow.plan import plan_property

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PAN_PX = 80
"""By which an arrow key moves the sheet (Leaflet's keyboardPanDelta)."""

SPOT = "(place) => { const at = meshDesk.map().latLngToContainerPoint(place); return [at.x, at.y]; }"
SIGNS = (("sensor", 90, 320), ("sensor", 330, 300), ("gateway", 120, 300), ("relay", 200, 270))
"""Of the holding's own story: a bank between the sensors, a post upon it."""


class Mouse:
    """Works the page by clicks."""

    options: ClassVar[dict[str, Any]] = {"wide": 1440, "high": 900}

    def __init__(self, page: Any) -> None:
        self.page = page

    def press(self, selector: str) -> None:
        self.page.click(selector)

    def write(self, selector: str, text: str) -> None:
        self.page.click(selector)
        self.page.keyboard.type(text)

    def choose_file(self, selector: str, path: Path) -> None:
        with self.page.expect_file_chooser() as chosen:
            self.press(selector)
        chosen.value.set_files(path)

    def where(self, x: float, y: float) -> tuple[float, float]:
        lon, lat = lon_lat(x, y)
        spot = self.page.evaluate(
            "([a, b]) => { const p = meshDesk.map().latLngToContainerPoint([a, b]); return [p.x, p.y]; }", [lat, lon]
        )
        box = self.page.locator("#land").bounding_box()
        return box["x"] + spot[0], box["y"] + spot[1]

    def set_sign(self, role: str, x: float, y: float) -> None:
        self.press(f"#sign-row [data-role={role}]")
        self.page.mouse.click(*self.where(x, y))


class Finger(Mouse):
    """Works a phone's page by taps."""

    options: ClassVar[dict[str, Any]] = {"wide": 390, "high": 844, "has_touch": True, "is_mobile": True}

    def press(self, selector: str) -> None:
        pane = {"#sign-row": "key", "#open-": "plan", "#make-": "card"}
        for beginning, name in pane.items():
            if selector.startswith(beginning):
                self.page.tap(f"#bar [data-pane={name}]")
        self.page.locator(selector).scroll_into_view_if_needed()
        self.page.tap(selector)

    def write(self, selector: str, text: str) -> None:
        self.page.tap(selector)
        self.page.keyboard.type(text)

    def set_sign(self, role: str, x: float, y: float) -> None:
        self.press(f"#sign-row [data-role={role}]")
        self.page.wait_for_timeout(200)
        self.page.touchscreen.tap(*self.where(x, y))


class Keys(Mouse):
    """Works the page by the keyboard alone."""

    def reach(self, selector: str) -> None:
        for _ in range(150):
            if self.page.evaluate("wanted => document.activeElement.matches(wanted)", selector):
                return
            self.page.keyboard.press("Tab")
        raise AssertionError(f"{selector} is not reached by Tab")

    def press(self, selector: str) -> None:
        self.reach(selector)
        self.page.keyboard.press("Enter")

    def write(self, selector: str, text: str) -> None:
        self.reach(selector)
        self.page.keyboard.type(text)

    def set_sign(self, role: str, x: float, y: float) -> None:
        self.press(f"#sign-row [data-role={role}]")
        self.reach("#land")
        centre = middle(self.page, "#land")
        for axis, (less, more) in enumerate((("ArrowLeft", "ArrowRight"), ("ArrowUp", "ArrowDown"))):
            away = self.where(x, y)[axis] - centre[axis]
            for _ in range(round(abs(away) / PAN_PX)):
                self.page.keyboard.press(more if away > 0 else less)
                self.page.wait_for_timeout(400)
        self.page.keyboard.press("Enter")


@pytest.mark.parametrize("hand", [Mouse, Keys, Finger])
def test_an_empty_folder_becomes_printed_sheets(hand: type[Mouse], tmp_path: Path) -> None:
    raster = write_raster(tmp_path / "ground.tif", bank())
    folder, results = tmp_path / "meadow", tmp_path / "results"
    lon, lat = lon_lat(300, 300)
    with (
        open_desk(folder, live=Live, command=run_command, results=results) as (_, desk),
        page_of(desk, **hand.options) as (page, said),
    ):
        page.set_default_timeout(60_000)
        one = hand(page)
        one.write("#begin-name", "Meadow")
        one.write("#begin-country", "europe")
        one.write("#begin-place", f"{lat:.5f}, {lon:.5f}")
        one.press("#begin-sheet")
        page.wait_for_selector("#choose-files")
        one.choose_file("#choose-files", raster)
        page.wait_for_selector("img.relief")
        page.wait_for_timeout(1500)
        steps = desk.book.place
        for i, (role, x, y) in enumerate(
            [("sensor", 90, 320), ("sensor", 330, 300), ("gateway", 120, 300), ("relay", 200, 270)], 1
        ):
            one.set_sign(role, x, y)
            until(lambda i=i: desk.book.place == steps + i)
            page.wait_for_timeout(300)
        page.wait_for_selector("#cells .cell:has-text('2 of 2')", timeout=150_000)
        page.wait_for_timeout(1000)
        plan = plan_property(folder).plan
        assert f"{len(plan.routes)} of 2" in page.inner_text("#cells .cell")
        one.press("#open-hand-out")
        page.wait_for_selector("#make-sheets")
        one.press("#make-sheets")
        page.wait_for_selector("[data-output=sheets] .output-state:has-text('Made.')", timeout=240_000)
        assert "meshplan sheets" in page.inner_text("[data-output=sheets] code")
        assert list(results.rglob("sheets.html")), "sheets to print"
        assert list(results.rglob("map.html"))
        assert said == []


EDITS = 50


def test_fifty_mixed_edits_are_put_back_to_the_byte(desk: Desk) -> None:
    folder = desk.book.folder
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with page_of(desk) as (page, said):
        page.wait_for_selector("html[data-drawn]")
        for i in range(EDITS):
            kind, done = i % 5, desk.book.place
            if kind == 0:
                page.click("#sign-row [data-role=relay]")
                page.mouse.click(*on_land(page, 0.3 + 0.004 * i, 0.85))
            elif kind == 1:
                page.evaluate("meshDesk.choose('House')")
                page.fill("#field-antenna_agl_m", str(5 + i))
                page.keyboard.press("Tab")
            elif kind == 2:
                page.click("#sign-row [data-role=hedge_deciduous]")
                page.mouse.click(*on_land(page, 0.6, 0.3 + 0.01 * i))
                page.mouse.click(*on_land(page, 0.8, 0.31 + 0.01 * i))
                page.click("#end-line")
            elif kind == 3:
                page.fill("#shape-height_m", f"{2 + i / 10:g}")
                page.keyboard.press("Tab")
            else:
                page.click("#open-terms")
                page.wait_for_selector("#term-requirement\\.budget")
                page.fill("#term-requirement\\.budget", str(1000 + i))
                page.keyboard.press("Tab")
            until(lambda done=done: desk.book.place == done + 1)
            page.wait_for_selector(f"#steps li[value='{done + 1}']")
            if kind == 2:
                page.wait_for_selector("#shape-height_m")
            if kind == 4:
                page.click("#close-card")
        after = {path.name: path.read_bytes() for path in folder.iterdir()}
        for left in range(EDITS - 1, -1, -1):
            page.click("#back")
            until(lambda left=left: desk.book.place == left)
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
        page.wait_for_selector("#again:not([disabled])")
        for done in range(1, EDITS + 1):
            page.click("#again")
            until(lambda done=done: desk.book.place == done)
        assert {path.name: path.read_bytes() for path in folder.iterdir()} == after
        assert [words for words in said if "422" not in words] == []


FRAMES = """() => {
    window.frames_ms = [];
    let last = performance.now();
    const tick = (now) => { window.frames_ms.push(now - last); last = now; requestAnimationFrame(tick); };
    requestAnimationFrame(tick);
}"""


@contextmanager
def many(tmp_path: Path, sensors: int) -> Iterator[tuple[Desk, Any]]:
    rows = [row for row in usual_sites() if row["role"] != "sensor"]
    rows += [
        {"name": f"S{i:03d}", "role": "sensor", "x": 40 + 130 * (i % 20) / 20, "y": 60 + 30 * (i // 20), "antenna_agl_m": 1.0}
        for i in range(sensors)
    ]
    folder = lay_small_property(tmp_path / f"holding{sensors}", sites=rows)
    planned = plan_property(folder)
    drawn, strip = json_block(drawn_of(planned)).encode(), strip_of(planned.plan, None) | {"clock": 0}
    with (
        open_desk(folder, live=lambda place, events: NoPlanner(place, events, strip, drawn)) as (_, desk),
        page_of(desk) as (page, said),
    ):
        page.wait_for_selector("html[data-drawn]")
        page.wait_for_timeout(3000)
        yield desk, page
        assert said == []


def test_three_hundred_sensors_stay_smooth_while_one_is_dragged(tmp_path: Path) -> None:
    """Median frame below 50 ms, or below three times that of a map with two sensors where the machine itself is slow."""
    medians = {}
    for sensors, name in ((2, "S001"), (300, "S150")):
        with many(tmp_path, sensors) as (desk, page):
            x, y = middle(page, f"[data-site={name}]")
            page.mouse.move(x, y)
            page.mouse.down()
            page.evaluate(FRAMES)
            for i in range(1, 61):
                page.mouse.move(x + i, y + i / 2)
            medians[sensors] = statistics.median(page.evaluate("() => window.frames_ms.slice(3)"))
            page.mouse.up()
            until(lambda: desk.book.place == 1)
    print(json.dumps(medians))
    assert medians[300] < max(50, 3 * medians[2]), medians
