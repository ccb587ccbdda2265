"""The map as one file: folium gives the frame, the rest stands in the file itself, and the browser is told to allow no more."""

from __future__ import annotations

import base64
import hashlib
import html
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import folium
from branca.element import CssLink, Element, Figure, JavascriptLink
from folium.raster_layers import ImageOverlay
from folium.template import Template

from meshplan.assembly.page_records import MapLandscape, OnlineTiles
from meshplan.errors import InputError, MeshplanError
from meshplan.records import Plan
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.map.assets import OWN_SCRIPTS, figures_script, leaflet_script, leaflet_style, own_file
from meshplan.reporting.map.data import json_block, page_data
from meshplan.reporting.map.palette import COVERAGE_OPACITY
from meshplan.reporting.map.relief import RasterPicture, coverage_picture, relief_picture
from meshplan.reporting.map.skeleton import BODY, MAP_PLACE

LEAFLET_LINKS: Final = {"leaflet.js": "leaflet:script", "leaflet.css": "leaflet:style"}
"""The only links the page knows; their addresses are names, never fetched."""

_TILE_ADDRESS: Final = re.compile(
    r"(?P<origin>(?:https://[A-Za-z0-9.-]+|http://(?:localhost|127\.0\.0\.1))(?::\d+)?)/[^\s\"'<>;,]*$"
)


def write_map(plan: Plan, landscape: MapLandscape, path: Path, *, tiles: OnlineTiles | None = None) -> Path:
    """Write the interactive map of a plan as one self-contained HTML file and return its path.

    Parameters
    ----------
    plan : Plan
        All that is shown: the page computes no verdict of its own except where the user tries a change.
    landscape : MapLandscape
        Ground and cover on one grid, coverage layers, and the constants of the page's engine.
    path : Path
        File to write; replaced in one step.
    tiles : OnlineTiles, optional
        A background from the network. Without it the page cannot reach any network; with it only that one host, and only after
        the reader has switched the background on.
    """
    return write_text_atomically(path, render_map(plan, landscape, tiles=tiles))


def render_map(plan: Plan, landscape: MapLandscape, *, tiles: OnlineTiles | None = None) -> str:
    """Return the page. Same plan and landscape, same bytes."""
    tile_origin = check_tiles(tiles) if tiles else ""
    chart = _LeafletMap()
    relief = relief_picture(landscape.ground_amsl_m, landscape.grid)
    relief_layer = _overlay(relief, "relief", opacity=1.0).add_to(chart)
    coverage_layers = [
        _overlay(coverage_picture(layer, landscape.grid), "coverage", opacity=COVERAGE_OPACITY, show=False).add_to(chart)
        for layer in landscape.coverage
    ]
    figure = _PageFigure(title=plan.property_name)
    figure.tile_origin = tile_origin
    figure.add_child(chart)
    number_elements(figure)
    data = page_data(plan, landscape)
    data["map"] = {
        "name": chart.get_name(),
        "relief": relief_layer.get_name(),
        "coverage": [layer.get_name() for layer in coverage_layers],
        "bounds": relief.bounds,
        "tiles": asdict(tiles) if tiles else None,
    }
    figure.page_data = json_block(data)
    return figure.render()


class Raw(Element):
    """Text that goes into the page as it is. Other elements run their text through a template engine; names must never go there."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.text = text

    def render(self, **_: Any) -> str:
        """Return the text untouched."""
        return self.text


class _LeafletMap(folium.Map):
    """A map that asks for Leaflet and nothing else, without the viewport tag that forbids zooming."""

    default_js = [("leaflet", LEAFLET_LINKS["leaflet.js"])]  # noqa: RUF012 - folium reads lists here
    default_css = [("leaflet_css", LEAFLET_LINKS["leaflet.css"])]  # noqa: RUF012
    _template = Template(
        """
        {% macro html(this, kwargs) %}<div class="folium-map" id={{ this.get_name()|tojson }}></div>{% endmacro %}
        {% macro script(this, kwargs) %}
        var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }},
            {center: [0, 0], zoom: 15, zoomControl: false, zoomSnap: 0.25, zoomDelta: 0.5, maxZoom: 21, attributionControl: false});
        {% endmacro %}
        """
    )

    def __init__(self) -> None:
        super().__init__(location=[0.0, 0.0], tiles=None)


class _PageFigure(Figure):
    """A page that swaps the links it knows for the files themselves and refuses all others."""

    page_data = "{}"
    tile_origin = ""

    def render(self, **kwargs: Any) -> str:
        """Return the whole page, the security policy first in its head."""
        for child in self._children.values():
            child.render(**kwargs)
        for name, child in list(self.header._children.items()):
            if isinstance(child, JavascriptLink | CssLink):
                inlined(child)
                del self.header._children[name]
            elif name == "meta_http":
                del self.header._children[name]
        scripts = [
            leaflet_script(),
            self.script.render(**kwargs),
            "\n".join([figures_script(), *(own_file(name) for name in OWN_SCRIPTS)]),
        ]
        style = leaflet_style() + own_file("style.css")
        head = "\n".join(
            [
                f'<meta http-equiv="Content-Security-Policy" content="{content_policy(scripts, self.tile_origin)}">',
                '<meta charset="utf-8">',
                '<meta name="viewport" content="width=device-width, initial-scale=1">',
                f'<meta name="referrer" content="{"origin-when-cross-origin" if self.tile_origin else "no-referrer"}">',
                '<meta name="generator" content="meshplan">',
                f"<title>{html.escape(str(self.title))}: network plan</title>",
                f"<style>{style}</style>",
                self.header.render(**kwargs),
            ]
        )
        body = BODY.replace(MAP_PLACE, self.html.render(**kwargs))
        blocks = [f'<script type="application/json" id="plan-data">{self.page_data}</script>']
        blocks += [f"<script>{script}</script>" for script in scripts]
        return (
            f'<!DOCTYPE html>\n<html lang="en">\n<head>\n{head}\n</head>\n<body>{body}' + "\n".join(blocks) + "\n</body>\n</html>\n"
        )


def content_policy(scripts: list[str], tile_origin: str = "") -> str:
    """Return the policy that lets exactly these scripts run and nothing be fetched.

    Styles inside elements are needed by Leaflet, which places things by them.
    """
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(script.encode('utf-8')).digest()).decode('ascii')}'" for script in scripts
    )
    pictures = f"data: blob: {tile_origin}".strip()
    return (
        f"default-src 'none'; img-src {pictures}; style-src 'unsafe-inline'; script-src {hashes}; "
        "base-uri 'none'; form-action 'none'"
    )


def check_tiles(tiles: OnlineTiles) -> str:
    """Return the origin that tiles come from; an address that is none, or a missing attribution, is an error."""
    found = _TILE_ADDRESS.match(tiles.url)
    if found is None or not all(part in tiles.url for part in ("{z}", "{x}", "{y}")):
        raise InputError(
            f"'{tiles.url}' is no address of map tiles",
            where="tiles",
            fix="Write it like https://tiles.example.org/{z}/{x}/{y}.png, on one named host.",
        )
    if not tiles.attribution.strip():
        raise InputError(
            "the tiles have no attribution", where="tiles", fix="Name whose map it is; nearly every licence asks for it."
        )
    return found["origin"]


def inlined(link: JavascriptLink | CssLink) -> str:
    """Return which part of Leaflet a link stands for; a link that nobody knows is refused, since it would need the network."""
    known = {address: name for name, address in LEAFLET_LINKS.items()}
    if link.url not in known:
        raise MeshplanError(
            f"the page would need '{link.url}' from the network",
            where="map",
            fix="Report this: a library of the map asks for a file that is not built in.",
        )
    return known[link.url]


def number_elements(root: Element) -> None:
    """Give every element of the page a number in place of a random name, so that the same plan gives the same bytes."""
    counter = 0
    pending = [root]
    while pending:
        element = pending.pop(0)
        element._id = f"{counter:04d}"
        counter += 1
        pending.extend(element._children.values())


def _overlay(picture: RasterPicture, css_class: str, *, opacity: float, show: bool = True) -> ImageOverlay:
    return ImageOverlay(
        image=picture.uri,
        bounds=picture.bounds,
        opacity=opacity,
        pixelated=False,
        show=show,
        className=f"picture {css_class}",
        alt="",
    )
