"""Outlines for the map: all corners are turned into degrees at once, and stand as they would one by one."""

from __future__ import annotations

from types import SimpleNamespace
from typing import cast

import numpy as np
import shapely
from pyproj import Transformer
from shapely.geometry.polygon import orient

from meshplan.assembly.shapes import map_shapes
from meshplan.records import Cover
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED

CRS = "EPSG:32627"


def test_outlines_are_those_of_each_polygon_by_itself() -> None:
    random = np.random.default_rng(7)
    geometries: list[shapely.Geometry] = []
    for x, y, size in random.uniform((484_000, 5_316_000, 3), (487_000, 5_319_000, 60), (40, 3)):
        box = shapely.box(x, y, x + size, y + size)
        holed = box.difference(shapely.box(x + size / 4, y + size / 4, x + size / 2, y + size / 2))
        geometries += [box, holed, shapely.reverse(holed), shapely.union(holed, shapely.box(x + 100, y, x + 109, y + 9))]
    geometries += [shapely.Polygon(), shapely.LineString([(484_000, 5_316_000), (484_001, 5_316_000)])]
    covers = [Cover(f"piece {i}", "building", one, float(i), (i + 1.0,) * 12 if i % 2 else ()) for i, one in enumerate(geometries)]
    grid = SimpleNamespace(crs=CRS, west_m=484_000.0, south_m=5_316_000.0, east_m=487_000.0, north_m=5_319_000.0)
    landscape = cast("Landscape", SimpleNamespace(covers=tuple(covers), grid=grid, mapped=EVERYTHING_MAPPED))
    boundary = shapely.box(483_000, 5_315_000, 488_000, 5_320_000)

    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    expected = []
    named = [("property boundary", 0.0, boundary), *((c.name, c.height_m + i % 2, c.geometry) for i, c in enumerate(covers))]
    for name, height_m, geometry in named:
        for part in shapely.get_parts(geometry):
            if part.geom_type == "Polygon" and not part.is_empty:
                wound = orient(part, 1.0)
                rings = [[to_degrees.transform(*corner) for corner in ring.coords] for ring in (wound.exterior, *wound.interiors)]
                expected.append((name, height_m, tuple(tuple((round(a, 7), round(b, 7)) for a, b in ring) for ring in rings)))
    found = map_shapes(landscape, boundary)
    assert [(one.name, one.height_m, one.rings) for one in found] == expected
    assert len(found) == 1 + 40 * 5
    assert {len(one.rings) for one in found} == {1, 2}
    assert map_shapes(cast("Landscape", SimpleNamespace(covers=(), grid=landscape.grid, mapped=EVERYTHING_MAPPED)), None) == ()
