"""The interactive map: a plan and its land in, one HTML file out that needs no network."""

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
