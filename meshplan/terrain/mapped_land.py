"""What a property's files account for: land that is mapped and empty is bare, land that is not mapped is not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
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


LARGE_PART: Final = 0.25
"""Share of the land beyond the reach of the cover files from which they are taken to show only a part of it (own choice)."""

EVERYTHING_MAPPED: Final = MappedLand()


def judge_mapped_land(
    settings: LandCoverSettings,
    cover_reach_m: Sequence[Box],
    places_m: Sequence[tuple[float, float]],
    boundary: shapely.Geometry | None = None,
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
    """
    if settings.mapped == "all":
        return EVERYTHING_MAPPED
    if settings.mapped == "nothing":
        return MappedLand((), settings.unmapped, "property.toml says that no file shows what stands on this land")
    if not cover_reach_m:
        return MappedLand((), settings.unmapped, "no cover file shows what stands on this land")
    shapes = [shapely.MultiPoint(list(places_m)).convex_hull, *([] if boundary is None else [boundary.convex_hull])]
    land = shapely.union_all(shapes).convex_hull.buffer(FULLY_UNMAPPED_M)
    reach = shapely.union_all([shapely.box(*box).buffer(FULLY_UNMAPPED_M, join_style="mitre") for box in cover_reach_m])
    outside = float(land.difference(reach).area / land.area)
    if outside < LARGE_PART:
        return EVERYTHING_MAPPED
    return MappedLand(
        tuple(cover_reach_m), settings.unmapped, f"{outside:.0%} of the land lies beyond the reach of the cover files"
    )
