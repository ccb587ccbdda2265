"""Something that stands on the ground."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import shapely


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

    @property
    def is_building(self) -> bool:
        """Whether it stops radio like a solid body."""
        return self.kind == "building"

    def height_in_month_m(self, month: int) -> float:
        """Return the height in a month 1…12."""
        return self.heights_by_month_m[month - 1] if self.heights_by_month_m else self.height_m
