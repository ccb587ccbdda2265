"""What stands around one end of a link and is in no layer: named for a site, or assumed for land that nobody mapped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from meshplan.propagation.clutter import CLUTTER_HEIGHT_M, LAND_CLASSES, LEAFLESS_SHARE, STREET_WIDTH_M

CLASS_OF_KIND: Final = {
    "open": "open",
    "rural": "rural",
    "suburban": "suburban",
    "urban": "urban",
    "dense_urban": "dense urban",
    "trees_forest": "woodland",
}
"""The class of unmapped land that each word of the column `surroundings` means."""

KIND_WORDS: Final = {"dense_urban": "dense urban", "trees_forest": "trees"}


@dataclass(frozen=True)
class Surroundings:
    """Tops around an antenna, and what is not known of them.

    `tops_m` holds the equally likely heights of the tops, low, middle and high: three for a class of unmapped land, one that is
    named for a site, none where nothing stands. `share` tells how far the land there counts as unmapped; the tops hold it already.
    """

    kind: str
    """Word of the column, or key of `LAND_CLASSES`."""
    told: bool
    """Whether the user named it for this site; otherwise it is assumed."""
    tops_m: tuple[float, ...]
    share: float
    model_spread_db: float
    """Least spread of the method on this land, 0 where the land is mapped."""
    leafless_share: float
    """Share of the loss at this end that stays without leaves."""
    street_width_m: float
    """Width of the street or clearing around the antenna, as ITU-R P.2108-1 §3.1 takes it."""

    @property
    def low_middle_high_m(self) -> tuple[float, float, float]:
        """The three tops; alike where one is named, zero where nothing stands."""
        if not self.tops_m:
            return (0.0, 0.0, 0.0)
        return (self.tops_m[0], self.tops_m[len(self.tops_m) // 2], self.tops_m[-1])

    @property
    def is_one_named_height(self) -> bool:
        """Whether the tops are one height that somebody named: no chance of open ground between, and a spread of its own."""
        return self.told and len(self.tops_m) == 1

    @property
    def words(self) -> str:
        """What it is, for people."""
        return KIND_WORDS.get(self.kind, self.kind)


def named_surroundings(kind: str, *, unmapped_share: float = 0.0, clearing_m: float = 0.0) -> Surroundings:
    """Return what the column `surroundings` says: tops of ITU-R P.2108-1 §3.1, or those of its class for "rural"."""
    land = LAND_CLASSES[CLASS_OF_KIND[kind]]
    tops = (CLUTTER_HEIGHT_M[kind],) if kind in CLUTTER_HEIGHT_M else land.tops_m
    spread = land.model_spread_db if unmapped_share > 0.0 else 0.0
    leafless = LEAFLESS_SHARE if kind in ("rural", "suburban") else 1.0
    return Surroundings(kind, True, tops, unmapped_share, spread, leafless, max(STREET_WIDTH_M, clearing_m))


def assumed_surroundings(land_class: str, unmapped_share: float, *, clearing_m: float = 0.0) -> Surroundings | None:
    """Return what is taken to stand around an end on unmapped land; None where the land is mapped."""
    if unmapped_share <= 0.0:
        return None
    land = LAND_CLASSES[land_class]
    tops = tuple(unmapped_share * top for top in land.tops_m)
    width = max(STREET_WIDTH_M, clearing_m)
    return Surroundings(land_class, False, tops, unmapped_share, land.model_spread_db, land.leafless_share, width)
