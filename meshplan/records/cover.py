"""Something that stands on the ground."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import shapely


class Origin(StrEnum):
    """Where a piece of cover and its height come from, most trusted first."""

    DRAWN = "drawn in your cover files"
    DRAWN_USUAL = "drawn in your cover files, height usual for its kind"
    SURFACE = "drawn or mapped, height from the surface less the ground"
    MAPPED_HEIGHT = "OpenStreetMap, height as tagged"
    MAPPED_STOREYS = "OpenStreetMap, height from storeys"
    MAPPED_USUAL = "OpenStreetMap, height usual for its kind"
    CANOPY_HEIGHT = "drawn, mapped or of a land-cover class, height from the canopy-height raster"
    CANOPY = "canopy-height raster alone"
    CLASSES = "land-cover raster, height usual for its class"
    SEEN_ABOVE = "surface less ground, kind not known"

    @property
    def layer(self) -> int:
        """Which of two pieces has a cell: the greater number, whatever the heights; alike within one layer."""
        return _LAYERS[self]

    @property
    def height_is_usual(self) -> bool:
        """Whether its height was told by nobody, so that what is measured there goes before it."""
        return self in (Origin.DRAWN_USUAL, Origin.MAPPED_STOREYS, Origin.MAPPED_USUAL, Origin.CLASSES)


_LAYERS = {
    Origin.DRAWN: 4,
    Origin.DRAWN_USUAL: 4,
    Origin.SURFACE: 3,
    Origin.MAPPED_HEIGHT: 3,
    Origin.MAPPED_STOREYS: 3,
    Origin.MAPPED_USUAL: 3,
    Origin.CANOPY_HEIGHT: 3,
    Origin.CANOPY: 2,
    Origin.CLASSES: 1,
    Origin.SEEN_ABOVE: 0,
}


@dataclass(frozen=True)
class Cover:
    """Something that stands on the ground: a wood, hedge, crop, building or water.

    `geometry` is a shapely polygon on the local metric grid; lines come in widened to their width. `heights_by_month_m` has 12
    values, January first; without it `height_m` holds all year.
    """

    name: str
    kind: str
    geometry: shapely.Geometry
    height_m: float
    heights_by_month_m: tuple[float, ...] = ()
    wall: str | None = None
    row_azimuth_deg: float | None = None
    where: str = ""
    origin: Origin = Origin.DRAWN

    @property
    def is_building(self) -> bool:
        """Whether it stops radio like a solid body."""
        return self.kind == "building"

    def height_in_month_m(self, month: int) -> float:
        """Return the height in a month 1…12."""
        return self.heights_by_month_m[month - 1] if self.heights_by_month_m else self.height_m
