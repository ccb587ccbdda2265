"""The map for readers who use a keyboard, a screen reader or large text: WCAG 2.2 AA by axe-core, and checks of our own."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tarfile
from pathlib import Path
from typing import Any

import pytest
from map_browser import DESK, PHONE, OpenMap

AXE = "axe-core@4.10.3"
AXE_SHA256 = "880970c081707360e64f34cea25ff91892f5bc95675b0776925b9709dd8a68bb"
"""Of axe.min.js; used by this test only (licence MPL-2.0), never part of a map."""

pytestmark = pytest.mark.browser

VIEWS = {
    "overview": "meshPage.showOverview()",
    "site": "meshPage.showSite('Ridge post')",
    "sensor": "meshPage.showSite('Wood edge')",
    "link": "meshPage.showLink('Wood edge--Ridge post')",
    "two points": "document.getElementById('open-trial').click()",
    "trial": "meshPage.trySite('Far meadow')",
    "help": "document.getElementById('open-help').click()",
}

DOCUMENTED = {
    # Sites that stand near each other overlap when zoomed out; the table of sites is the equivalent (WCAG 2.2, 2.5.8 exception).
    "target-size": ".mark",
}


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return the checker's script from the package index; skipped where npm or the index cannot be reached."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("axe-core comes by npm, which is not on this machine")
    folder = tmp_path_factory.mktemp("axe")
    got = subprocess.run([npm, "pack", AXE, "--silent"], cwd=folder, capture_output=True, text=True, check=False, timeout=120)
    if got.returncode != 0:
        if os.environ.get("CI"):
            pytest.fail(f"npm could not fetch {AXE}: {got.stderr[-300:]}")
        pytest.skip(f"{AXE} cannot be fetched here")
    with tarfile.open(next(folder.glob("*.tgz"))) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        script = member.read()
    assert hashlib.sha256(script).hexdigest() == AXE_SHA256
    return script.decode("utf-8")


@pytest.mark.parametrize("size", [DESK, PHONE], ids=["desk", "phone"])
def test_axe_finds_nothing(open_map: OpenMap, map_file: Path, axe: str, size: tuple[int, int]) -> None:
    page = open_map(map_file, size, bypass_csp=True).page
    page.add_script_tag(content=axe)
    for view, show in VIEWS.items():
        page.evaluate(show)
        found = page.evaluate(
            "() => axe.run(document, { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'] })"
        )
        faults = [
            (rule["id"], node["html"][:160], node.get("failureSummary", "")[:300])
            for rule in found["violations"]
            for node in rule["nodes"]
            if not is_documented(page, rule["id"], node["target"][0])
        ]
        assert faults == [], f"{view}: {faults}"
        assert len(found["passes"]) > 15, "the checker looked at the page"


def is_documented(page: Any, rule: str, target: str) -> bool:
    where = DOCUMENTED.get(rule)
    inside = "([target, where]) => Boolean(document.querySelector(target)?.closest(where))"
    return bool(where and page.evaluate(inside, [target, where]))


def test_the_checker_can_say_no(open_map: OpenMap, map_file: Path, axe: str) -> None:
    page = open_map(map_file, bypass_csp=True).page
    page.add_script_tag(content=axe)
    page.evaluate("document.getElementById('ledger').insertAdjacentHTML('beforeend', '<button></button>')")
    found = page.evaluate("() => axe.run(document)")
    assert "button-name" in [rule["id"] for rule in found["violations"]]


def test_the_first_tab_offers_to_skip_the_map(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file).page
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "ledger"


def test_focus_is_always_visible(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file).page
    for _ in range(25):
        page.keyboard.press("Tab")
        seen = page.evaluate(
            """() => { const now = document.activeElement, style = getComputedStyle(now);
              return [now.outerHTML.slice(0, 80), style.outlineStyle, style.outlineWidth]; }"""
        )
        assert seen[1] != "none", seen[0]
        assert float(seen[2].removesuffix("px")) >= 2, seen[0]


def test_headings_and_regions_are_named(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file).page
    assert page.locator("h1").count() == 1
    for region in page.locator("section").all():
        assert region.get_attribute("aria-label")
    assert page.locator("[aria-live=polite]").count() >= 1


def test_text_may_be_twice_as_large(open_map: OpenMap, map_file: Path) -> None:
    """WCAG 2.2, 1.4.4 and 1.4.10: at 200 % a desktop page is as narrow as 640 px and still needs no sideways scrolling."""
    page = open_map(map_file, (640, 400)).page
    assert page.evaluate("document.documentElement.scrollWidth") <= 640
    assert page.is_visible("text=Links of the plan, weakest first")
