"""The page's own files: what it shares with the offline map, what is its own, and the library that draws; no secret and no data."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Final

from meshplan.reporting.map.assets import leaflet_script, leaflet_style, own_file

SHARED: Final = ("parts.js",)
"""Modules of the offline map that the page runs unchanged."""
OWN: Final = ("wire.js", "sheet.js", "card.js", "desk.js")
"""In the order in which the page runs them."""


@cache
def page_html() -> str:
    """Return the page; every script and style is a file of this server."""
    scripts = "\n".join(f'<script src="/paper/{name}" defer></script>' for name in ("leaflet.js", *SHARED, *OWN))
    return _own("desk.html").replace("<!-- scripts -->", scripts)


@cache
def paper_file(name: str) -> tuple[str, str] | None:
    """Return a file of the page with its kind; None where there is none of that name."""
    if name == "leaflet.js":
        return leaflet_script(), "text/javascript"
    if name == "leaflet.css":
        return leaflet_style(), "text/css"
    if name in SHARED:
        return own_file(name), "text/javascript"
    if name in OWN:
        return _own(name), "text/javascript"
    if name == "desk.css":
        return _own(name), "text/css"
    return None


def _own(name: str) -> str:
    return files("meshplan.page").joinpath("static", name).read_text(encoding="utf-8")
