"""What a property's files account for: land that is mapped and empty is bare, land that is not mapped is not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import shapely
from numpy.typing import ArrayLike

from meshplan.settings import LandCoverSettings
from meshplan.units import Array

Box = tuple[float, float, float, float]
"""West, south, east, north on the local metric grid."""

FULLY_UNMAPPED_M: Final = 100.0
"""So far outside the mapped boxes an end counts as wholly unmapped; in between the assumed tops grow with the distance, so that no
figure jumps at the border (own choice: what stands within some 100 m of an antenna decides)."""


@dataclass(frozen=True)
class MappedLand:
    """Where the files of a property show all that stands, and what is taken to stand elsewhere.

    `boxes` is None where everything is mapped, empty where nothing is. `unmapped` is a key of `propagation.clutter.LAND_CLASSES`.
    `why` tells people how that was judged.
    """

    boxes: tuple[Box, ...] | None = None
    unmapped: str = "rural"
    why: str = ""
    by_squares: bool = False
    """Whether each box was judged by itself, from open data, so that a surface raster fills what they leave."""

    @property
    def everything(self) -> bool:
        """Whether no class is needed anywhere."""
        return self.boxes is None

    def unmapped_share(self, x_m: ArrayLike, y_m: ArrayLike) -> Array:
        """Return how far the surroundings of places count as unmapped: 0 inside a mapped box, 1 from `FULLY_UNMAPPED_M` outside."""
        x, y = np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float)
        if self.boxes is None:
            return np.zeros(np.broadcast(x, y).shape)
        away_m = np.full(np.broadcast(x, y).shape, np.inf)
        for west, south, east, north in self.boxes:
            aside = np.maximum(np.maximum(west - x, x - east), 0.0)
            beyond = np.maximum(np.maximum(south - y, y - north), 0.0)
            away_m = np.minimum(away_m, np.hypot(aside, beyond))
        return np.asarray(np.clip(away_m / FULLY_UNMAPPED_M, 0.0, 1.0))

    def unmapped_outlines(self, land: Box) -> tuple[shapely.Geometry, ...]:
        """Return the parts of a box of land that no box accounts for, as polygons; none where all of it is unmapped, or nothing."""
        if not self.boxes:
            return ()
        left = shapely.box(*land).difference(shapely.union_all([shapely.box(*box) for box in self.boxes]))
        return tuple(part for part in shapely.get_parts(left) if part.geom_type == "Polygon" and part.area >= LEAST_DRAWN_M2)


LEAST_DRAWN_M2: Final = 25.0
"""Smaller parts are the rounding of edges, and are not drawn (own choice)."""

LARGE_PART: Final = 0.25
"""Share of the land beyond the reach of the cover files from which they are taken to show only a part of it (own choice)."""

LEAST_PART: Final = 0.01
"""The same where open data tell of every square: less is the rounding of edges (own choice)."""

EVERYTHING_MAPPED: Final = MappedLand()


def judge_mapped_land(
    settings: LandCoverSettings,
    cover_reach_m: Sequence[Box],
    places_m: Sequence[tuple[float, float]],
    boundary: shapely.Geometry | None = None,
    accounted_m: Sequence[Box] | None = None,
) -> MappedLand:
    """Return what the cover files account for.

    Parameters
    ----------
    settings : LandCoverSettings
        "all" and "nothing" are taken at their word. "judged": without cover files nothing is mapped; with them everything is,
        unless a `LARGE_PART` of the land around sites and boundary lies beyond their reach: then what lies within it.
    cover_reach_m : sequence of boxes
        One for each cover file.
    places_m : sequence of (x, y)
        Sites.
    boundary : polygon, optional
        Outline of the property.
    accounted_m : sequence of boxes, optional
        Squares for which open data account, where such are read. They hold what somebody mapped and nothing about the land in
        between, so each square counts by itself; cover files that were drawn for this property keep their rule.
    """
    if settings.mapped == "all":
        return EVERYTHING_MAPPED
    if settings.mapped == "nothing":
        return MappedLand((), settings.unmapped, "property.toml says that no file shows what stands on this land")
    if not cover_reach_m and not accounted_m:
        return MappedLand((), settings.unmapped, "no cover file shows what stands on this land")
    shapes = [shapely.MultiPoint(list(places_m)).convex_hull, *([] if boundary is None else [boundary.convex_hull])]
    land = shapely.union_all(shapes).convex_hull.buffer(FULLY_UNMAPPED_M)
    reach = shapely.union_all([shapely.box(*box).buffer(FULLY_UNMAPPED_M, join_style="mitre") for box in cover_reach_m])
    outside = float(land.difference(reach).area / land.area)
    if cover_reach_m and outside < LARGE_PART:
        return EVERYTHING_MAPPED
    if accounted_m is not None:
        return _by_squares((*cover_reach_m, *accounted_m), land, settings.unmapped)
    return MappedLand(
        tuple(cover_reach_m), settings.unmapped, f"{100.0 * outside:.0f} % of the land lies beyond the reach of the cover files"
    )


def _by_squares(boxes: Sequence[Box], land: shapely.Geometry, unmapped: str) -> MappedLand:
    """Return land that is mapped only where a box says so."""
    known = shapely.union_all([shapely.box(*box) for box in boxes])
    outside = float(land.difference(known).area / land.area)
    if outside < LEAST_PART:
        return EVERYTHING_MAPPED
    why = f"on {100.0 * outside:.0f} % of the land no cover file, no open data and no surface raster show what stands"
    return MappedLand(tuple(boxes), unmapped, why, by_squares=True)


def with_seen(mapped: MappedLand, seen: Box, land: Box) -> MappedLand:
    """Return mapped land with what a surface raster shows of a piece of land."""
    if mapped.boxes is None or not mapped.by_squares:
        return mapped if mapped.boxes is None else replace(mapped, boxes=(*mapped.boxes, seen))
    return _by_squares((*mapped.boxes, seen), shapely.box(*land), mapped.unmapped)
