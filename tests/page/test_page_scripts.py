"""The page's scripts keep their rules: one file asks the server, nothing turns text into markup or code, no style stands inside."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from meshplan.page.paper import OWN, SHARED, page_html, paper_file

STATIC = Path(__file__).resolve().parents[2] / "meshplan" / "page" / "static"
SCRIPTS = sorted(STATIC.glob("*.js"))


def test_every_file_is_served_and_no_other() -> None:
    assert {path.name for path in STATIC.iterdir()} == {*OWN, "desk.css", "desk.html"}
    for name in (*OWN, *SHARED, "leaflet.js", "figures.js", "leaflet.css", "map.css", "desk.css"):
        assert paper_file(name) is not None
        assert name in page_html()
    assert paper_file("desk.html") is None


@pytest.mark.parametrize("path", SCRIPTS, ids=lambda path: path.name)
def test_a_script_makes_no_markup_and_no_code_of_text(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for word in ("innerHTML", "outerHTML", "insertAdjacentHTML", "document.write", "eval(", "new Function", 'setAttribute("style"'):
        assert word not in text
    assert not re.search(r"\bstyle: ?[`\"']", text), "a style attribute breaks the policy"
    assert not re.search(r"https?://", text), "no address of a network"
    if path.name != "wire.js":
        for word in ("fetch(", "XMLHttpRequest", "EventSource", "WebSocket", "sendBeacon"):
            assert word not in text
    assert text.splitlines()[1] == '"use strict";'
    assert max(len(line) for line in text.splitlines()) <= 132
