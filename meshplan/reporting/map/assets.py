"""Text and pictures that go into the page: Leaflet from its installed package, our own scripts and style."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import cache
from importlib.resources import files
from typing import Final

from meshplan.assembly.page_figures import page_figures
from meshplan.errors import MeshplanError
from meshplan.reporting.map.pack import VOID_STEP

LEAFLET_PACKAGE: Final = "js_lib_leaflet"
LEAFLET_SHA256: Final = {
    "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
    "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
    "images/layers.png": "1dbbe9d028e292f36fcba8f8b3a28d5e8932754fc2215b9ac69e4cdecf5107c6",
    "images/layers-2x.png": "066daca850d8ffbef007af00b06eac0015728dee279c51f3cb6c716df7c42edf",
    "images/marker-icon.png": "574c3a5cca85f4114085b6841596d62f00d7c892c7b03f28cbfa301deb1dc437",
}
"""Leaflet 1.9.4 as published; anything else is refused, because it would run in every map."""

OWN_SCRIPTS: Final = (
    "formulas.js",
    "links.js",
    "terrain.js",
    "parts.js",
    "chart.js",
    "season.js",
    "views.js",
    "changes.js",
    "wires.js",
    "trial.js",
    "add.js",
    "kept.js",
    "names.js",
    "layers.js",
    "key.js",
    "section.js",
    "gather.js",
    "panel.js",
    "reach.js",
    "script.js",
)
"""In the order in which the page runs them."""

_VML_RULE: Final = re.compile(r"\.lvml\s*\{[^}]*\}")
_CSS_URL: Final = re.compile(r"url\((?P<path>[^)]+)\)")


def check_asset(name: str, content: bytes) -> bytes:
    """Return `content` if it is the published file of that name, else say which file differs."""
    if hashlib.sha256(content).hexdigest() != LEAFLET_SHA256[name]:
        raise MeshplanError(
            f"the installed map library is not the published one: '{name}' has changed",
            where="package django-js-lib-leaflet",
            fix="Reinstall it: pip install --force-reinstall django-js-lib-leaflet==1.9.4.1",
        )
    return content


@cache
def leaflet_file(name: str) -> bytes:
    """Return one published file of Leaflet, checked against its hash."""
    folder = files(LEAFLET_PACKAGE) / "static" / LEAFLET_PACKAGE
    return check_asset(name, folder.joinpath(*name.split("/")).read_bytes())


@cache
def leaflet_script() -> str:
    """Return Leaflet's script with its licence header, without the link to its source map."""
    text = _text("leaflet.js")
    return re.sub(r"\n//# sourceMappingURL=.*\s*$", "\n", text)


@cache
def leaflet_style() -> str:
    """Return Leaflet's style sheet with its pictures inside."""
    text = _VML_RULE.sub("", _text("leaflet.css"))
    return _CSS_URL.sub(lambda found: f"url({data_uri(leaflet_file(found['path']), 'image/png')})", text)


def _text(name: str) -> str:
    """Return a file as text with the line ends that a browser makes of it, which its hash in the security policy counts."""
    return leaflet_file(name).decode("utf-8").replace("\r\n", "\n")


@cache
def own_file(name: str) -> str:
    """Return one of the page's own scripts or style sheets."""
    return files("meshplan.reporting.map").joinpath(name).read_text(encoding="utf-8")


@cache
def figures_script() -> str:
    """Return the constants that all other scripts of the page read, as the script that runs before them."""
    figures = {**page_figures(), "void_step": VOID_STEP}
    return f"const meshFigures = Object.freeze({json.dumps(figures, allow_nan=False)});\n"


def data_uri(content: bytes, media_type: str) -> str:
    """Return bytes as a data URI."""
    return f"data:{media_type};base64,{base64.b64encode(content).decode('ascii')}"
