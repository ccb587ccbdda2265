"""The page's own files: what it shares with the offline map, what is its own, and the library that draws; no secret and no data."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from importlib.resources import files
from typing import Final

from meshplan.reporting.map.assets import figures_script, leaflet_script, leaflet_style, own_file

FIGURES: Final = "figures.js"
SHARED: Final = (
    "formulas.js",
    "links.js",
    "terrain.js",
    "parts.js",
    "chart.js",
    "season.js",
    "views.js",
    "layers.js",
    "section.js",
    "changes.js",
    "wires.js",
    "trial.js",
)
"""Modules of the offline map that the page runs unchanged."""
OWN: Final = (
    "wire.js",
    "ink.js",
    "snap.js",
    "live.js",
    "sheet.js",
    "shapes.js",
    "draft.js",
    "signs.js",
    "slip.js",
    "card.js",
    "terms.js",
    "book.js",
    "files.js",
    "pictures.js",
    "handout.js",
    "begin.js",
    "desk.js",
)
"""In the order in which the page runs them."""


@cache
def page_html() -> str:
    """Return the page; every script and style is a file of this server."""
    scripts = "\n".join(f'<script src="/paper/{name}" defer></script>' for name in ("leaflet.js", FIGURES, *SHARED, *OWN))
    return _own("desk.html").replace("<!-- scripts -->", scripts)


@cache
def paper_file(name: str) -> tuple[str, str] | None:
    """Return a file of the page with its kind; None where there is none of that name."""
    styles: dict[str, Callable[[], str]] = {
        "leaflet.css": leaflet_style,
        "map.css": lambda: own_file("style.css"),
        "desk.css": lambda: _own("desk.css"),
    }
    scripts: dict[str, Callable[[], str]] = {"leaflet.js": leaflet_script, FIGURES: figures_script}
    if name in styles:
        return styles[name](), "text/css"
    if name in scripts:
        return scripts[name](), "text/javascript"
    if name in SHARED:
        return own_file(name), "text/javascript"
    return (_own(name), "text/javascript") if name in OWN else None


def _own(name: str) -> str:
    return files("meshplan.page").joinpath("static", name).read_text(encoding="utf-8")
