"""Cover and boundary as outlines in longitude and latitude."""

from __future__ import annotations

import itertools
from collections.abc import Iterable

import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import Transformer

from meshplan.grid import Grid
from meshplan.records import MapShape
from meshplan.records.utility import MapWire, Utilities, WireRules
from meshplan.terrain.landscape import Landscape

Ring = tuple[tuple[float, float], ...]


def map_shapes(landscape: Landscape, boundary: shapely.Geometry | None) -> tuple[MapShape, ...]:
    """Return the boundary and all cover as outlines; lines wind as RFC 7946 asks, outer rings counter-clockwise."""
    named = [] if boundary is None else [("boundary", "property boundary", 0.0)]
    named += [(cover.kind, cover.name, max((cover.height_m, *cover.heights_by_month_m))) for cover in landscape.covers]
    drawn = [] if boundary is None else [boundary]
    polygons, owners = shapely.get_parts([*drawn, *(cover.geometry for cover in landscape.covers)], return_index=True)
    wanted = (shapely.get_type_id(polygons) == shapely.GeometryType.POLYGON) & ~shapely.is_empty(polygons)
    outlines = _outlines(polygons[wanted], Transformer.from_crs(landscape.grid.crs, "EPSG:4326", always_xy=True))
    drawn_named = [named[owner] for owner in owners[wanted].tolist()]
    return tuple(MapShape(kind, name, height_m, rings) for (kind, name, height_m), rings in zip(drawn_named, outlines, strict=True))


def _outlines(polygons: NDArray[np.object_], to_degrees: Transformer) -> Iterable[tuple[Ring, ...]]:
    """Yield the rings of each polygon, the outer one first; all corners are turned into degrees at once."""
    rings, polygon_of = shapely.get_rings(shapely.orient_polygons(polygons), return_index=True)
    places = _degrees(shapely.get_coordinates(rings), to_degrees)
    ends = np.cumsum(shapely.get_num_coordinates(rings)).tolist()
    cut = [places[start:end] for start, end in itertools.pairwise([0, *ends])]
    last = np.cumsum(np.bincount(polygon_of, minlength=len(polygons))).tolist()
    return (tuple(cut[start:end]) for start, end in itertools.pairwise([0, *last]))


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
    return _degrees(shapely.get_coordinates(ring), to_degrees)


def _degrees(corners: NDArray[np.float64], to_degrees: Transformer) -> Ring:
    lon, lat = to_degrees.transform(corners[:, 0], corners[:, 1])
    return tuple((round(a, 7), round(b, 7)) for a, b in zip(lon.tolist(), lat.tolist(), strict=True))
