"""Cover and boundary as outlines in longitude and latitude."""

from __future__ import annotations

from collections.abc import Iterable

import shapely
from pyproj import Transformer

from meshplan.records import MapShape
from meshplan.terrain.landscape import Landscape

Ring = tuple[tuple[float, float], ...]


def map_shapes(landscape: Landscape, boundary: shapely.Geometry | None) -> tuple[MapShape, ...]:
    """Return the boundary and all cover as outlines; lines wind as RFC 7946 asks, outer rings counter-clockwise."""
    to_degrees = Transformer.from_crs(landscape.grid.crs, "EPSG:4326", always_xy=True)
    shapes: list[MapShape] = []
    if boundary is not None:
        shapes.extend(_outlines("boundary", "property boundary", 0.0, boundary, to_degrees))
    for cover in landscape.covers:
        height_m = max((cover.height_m, *cover.heights_by_month_m))
        shapes.extend(_outlines(cover.kind, cover.name, height_m, cover.geometry, to_degrees))
    return tuple(shapes)


def _outlines(kind: str, name: str, height_m: float, geometry: shapely.Geometry, to_degrees: Transformer) -> Iterable[MapShape]:
    for polygon in shapely.get_parts(geometry):
        if polygon.geom_type != "Polygon" or polygon.is_empty:
            continue
        wound = shapely.geometry.polygon.orient(polygon, 1.0)
        rings = tuple(_ring(ring, to_degrees) for ring in (wound.exterior, *wound.interiors))
        yield MapShape(kind, name, height_m, rings)


def _ring(ring: shapely.Geometry, to_degrees: Transformer) -> Ring:
    x, y = ring.xy
    lon, lat = to_degrees.transform(list(x), list(y))
    return tuple((round(float(a), 7), round(float(b), 7)) for a, b in zip(lon, lat, strict=True))
