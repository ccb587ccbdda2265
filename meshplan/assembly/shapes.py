"""Cover and boundary as outlines in longitude and latitude."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import shapely
from pyproj import Transformer

from meshplan.grid import Grid
from meshplan.records import MapShape
from meshplan.records.utility import MapWire, Utilities, WireRules
from meshplan.terrain.landscape import Landscape

NOT_MAPPED: Final = "not_mapped"
"""Kind of an outline of land of which no file says what stands there."""

Ring = tuple[tuple[float, float], ...]


def map_shapes(landscape: Landscape, boundary: shapely.Geometry | None) -> tuple[MapShape, ...]:
    """Return the boundary, land that nothing maps beside land that is mapped, and all cover as outlines.

    Lines wind as RFC 7946 asks, outer rings counter-clockwise.
    """
    to_degrees = Transformer.from_crs(landscape.grid.crs, "EPSG:4326", always_xy=True)
    shapes: list[MapShape] = []
    if boundary is not None:
        shapes.extend(_outlines("boundary", "property boundary", 0.0, boundary, to_degrees))
    grid, mapped = landscape.grid, landscape.mapped
    for part in mapped.unmapped_outlines((grid.west_m, grid.south_m, grid.east_m, grid.north_m)):
        shapes.extend(_outlines(NOT_MAPPED, f"not mapped, taken for {mapped.unmapped}", 0.0, part, to_degrees))
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


def map_wires(utilities: Utilities, grid: Grid, rules: WireRules | None) -> tuple[MapWire, ...]:
    """Return wires and pipes as paths in longitude and latitude; a pole is a path of one place."""
    to_degrees = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True)
    found = []
    for one in utilities:
        lines = [shapely.boundary(part) if part.geom_type == "Polygon" else part for part in _parts(one.geometry)]
        paths = tuple(_ring(line, to_degrees) for line in _parts(lines))
        found.append(
            MapWire(
                name=one.name,
                words=one.words,
                colour=one.kind.colour,
                hazard=one.kind.hazard,
                voltage_v=one.voltage_v,
                paths=paths,
                half_width_m=one.kind.half_width_m,
                work_m=one.kind.work_m,
                clear_m=0.0 if rules is None else rules.clear_m(one.voltage_v),
            )
        )
    return tuple(found)


def _parts(geometry: object) -> list[shapely.Geometry]:
    """Return all simple parts of a geometry or of several."""
    parts = list(shapely.get_parts(geometry))
    return parts if all("Multi" not in part.geom_type and "Collection" not in part.geom_type for part in parts) else _parts(parts)


def _ring(ring: shapely.Geometry, to_degrees: Transformer) -> Ring:
    x, y = ring.xy
    lon, lat = to_degrees.transform(list(x), list(y))
    return tuple((round(float(a), 7), round(float(b), 7)) for a, b in zip(lon, lat, strict=True))
