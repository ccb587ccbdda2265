"""Make outputs/examples/: the pictures and tables that README.md shows, and one example map. Needs Chromium.

Run from the repository root: `.venv/bin/python .ci/make_examples.py`. With `--tables`,
the comparison tables (outputs/examples/radio_classes_compared.md, their summary in README.md) are replaced in place.
"""

from __future__ import annotations

import re
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, sync_playwright

from meshplan.reporting.comparison_text import comparison_markdown, summary_markdown
from meshplan.reporting.profile_chart import write_profile_svg
from meshplan.workflow import compare_radios, plan_property, write_plan, write_plan_sheets

ROOT = Path(__file__).resolve().parents[1]
EXAMPLES = ROOT / "outputs" / "examples"
DEMOS = {
    "ossaby_terrace": "hillside garden",
    "mirrowick_bottom": "valley farm",
    "pellimoor_orchard": "orchard on flat land",
}
SHOWN = "mirrowick_bottom"
SHOWN_LINK = ("B18 pump kiosk", "Ridge post")
COUNTRIES = {"europe": "Europe", "united-states": "United States"}
FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def main() -> int:
    """Plan the demos and take the pictures."""
    browser_path = shutil.which("chromium") or shutil.which("chromium-browser")
    if browser_path is None:
        print("Chromium is missing: apt-get install chromium", file=sys.stderr)
        return 2
    EXAMPLES.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=browser_path, args=list(FLAGS))
        for demo in DEMOS:
            folder = Path(scratch) / demo
            planned = plan_property(ROOT / "sample_sites" / demo)
            write_plan(planned, folder)
            write_plan_sheets(planned.plan, folder)
            take(browser, folder / "map.html", EXAMPLES / f"{demo}_map.png", 1280, 800)
            if demo == SHOWN:
                shutil.copyfile(folder / "map.html", EXAMPLES / f"{demo}_map.html")
                a, b = SHOWN_LINK
                link = next(link for link in planned.plan.links if link.a == a and link.b.startswith(b))
                write_profile_svg(link, planned.plan, EXAMPLES / "profile.svg")
                take(browser, folder / "map.html", EXAMPLES / f"{demo}_phone.png", 390, 780)
                take(browser, folder / "sheets.html", EXAMPLES / "sheet.png", 900, 1240, sheet=True)
            print(f"{demo}: done")
        browser.close()
    if "--tables" in sys.argv:
        replace_tables()
    return 0


def take(browser: Any, page_path: Path, picture: Path, width: int, height: int, *, sheet: bool = False) -> None:
    """Save what a window of some size shows of a page."""
    context = browser.new_context(viewport={"width": width, "height": height}, offline=True)
    page: Page = context.new_page()
    page.goto(page_path.as_uri())
    if sheet:
        page.emulate_media(media="print")
        page.locator("section.sheet").first.screenshot(path=picture)
    else:
        page.wait_for_selector("html[data-ready=yes]", state="attached")
        page.screenshot(path=picture)
    context.close()


def replace_tables() -> None:
    """Plan every demo with every class under two countries' rules; put one summary into README.md and all rows beside it."""
    every, summary = EXAMPLES / "radio_classes_compared.md", {}
    text = every.read_text(encoding="utf-8")
    for demo, kind in DEMOS.items():
        for country, rules in COUNTRIES.items():
            comparison = compare_radios(ROOT / "sample_sites" / demo, overrides={"country": country})
            summary[f"{kind}, {rules}"] = comparison
            text = between_marks(text, f"table {demo} {country}", comparison_markdown(comparison))
    every.write_text(text, encoding="utf-8")
    readme = ROOT / "README.md"
    readme.write_text(
        between_marks(readme.read_text(encoding="utf-8"), "table summary", summary_markdown(summary)), encoding="utf-8"
    )


def between_marks(text: str, mark: str, table: str) -> str:
    """Return a text in which a table stands between its two marks."""
    text, found = re.subn(
        rf"(<!-- {mark} -->\n).*?(<!-- end {mark} -->)", lambda m: f"{m[1]}\n{table}\n\n{m[2]}", text, flags=re.DOTALL
    )
    print(f"{mark}: {'replaced' if found else 'no place for it'}")
    return text


if __name__ == "__main__":
    sys.exit(main())
