"""The interactive map: a plan and its land in, one HTML file out that needs no network.

The page and its frame are imported when they are first asked for: colours are wanted without them.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from meshplan.assembly.page_data import map_landscape, page_engine
    from meshplan.assembly.page_records import (
        CoverageLayer,
        MapLandscape,
        MeasuredPoint,
        NewPlace,
        OnlineTiles,
        PageCover,
        PageEnd,
        PageEngine,
        PageNewPlace,
    )
    from meshplan.reporting.map.page import render_map, write_map

__all__ = [
    "CoverageLayer",
    "MapLandscape",
    "MeasuredPoint",
    "NewPlace",
    "OnlineTiles",
    "PageCover",
    "PageEnd",
    "PageEngine",
    "PageNewPlace",
    "map_landscape",
    "page_engine",
    "render_map",
    "write_map",
]

_HOME = {
    "map_landscape": "meshplan.assembly.page_data",
    "page_engine": "meshplan.assembly.page_data",
    "render_map": "meshplan.reporting.map.page",
    "write_map": "meshplan.reporting.map.page",
}


def __getattr__(name: str) -> Any:
    if name in __all__:
        return getattr(import_module(_HOME.get(name, "meshplan.assembly.page_records")), name)
    raise AttributeError(f"module 'meshplan.reporting.map' has no attribute '{name}'")
