"""The map in a notebook's frame, in a real browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from one_browser import started_browser
from small_property import lay_small_property

import meshplan

pytestmark = pytest.mark.browser

GROWN = "const f = document.querySelector('iframe'); f.style.width = '1000px'; f.style.height = '600px'"
ZOOM = "[meshPage.map.getZoom(), meshPage.map.getSize().x]"


def test_a_frame_that_gets_its_size_late_shows_the_whole_property(tmp_path: Path) -> None:
    page_of_plan = meshplan.plan(lay_small_property(tmp_path / "holding")).map()
    alone = page_of_plan.save(tmp_path / "map.html")
    framed = page_of_plan._repr_html_().replace("width:100%;height:640px", "width:0;height:0")
    assert "width:0" in framed
    (tmp_path / "framed.html").write_text(f"<!doctype html><body>{framed}", encoding="utf-8")
    page = started_browser().new_page(viewport={"width": 1000, "height": 600})
    faults: list[str] = []
    page.on("pageerror", lambda error: faults.append(str(error)))
    page.goto(alone.as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    wanted = page.evaluate(ZOOM)
    page.goto((tmp_path / "framed.html").as_uri())
    frame = page.frames[1]
    frame.wait_for_selector("html[data-ready=yes]", state="attached")
    page.evaluate(GROWN)
    found = []
    for _ in range(100):
        found = frame.evaluate(ZOOM)
        if found == wanted:
            break
        page.wait_for_timeout(100)
    assert found == wanted
    page.close()
    assert faults == []
