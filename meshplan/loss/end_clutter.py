"""What stands around one end of a link and is in no layer: named for a site, or assumed for land that nobody mapped."""

from __future__ import annotations

from typing import Final

from meshplan.propagation.clutter import CLUTTER_HEIGHT_M, LAND_CLASSES, LEAFLESS_SHARE, STREET_WIDTH_M
from meshplan.records.clutter import EndClutter

CLASS_OF_KIND: Final = {
    "open": "open",
    "rural": "rural",
    "suburban": "suburban",
    "urban": "urban",
    "dense_urban": "dense urban",
    "trees_forest": "woodland",
}
"""The class of unmapped land that each word of the column `clutter` means."""


def named_clutter(kind: str, *, unmapped_share: float = 0.0, clearing_m: float = 0.0) -> EndClutter:
    """Return what the column `clutter` says: tops of ITU-R P.2108-1 §3.1, or those of its class for "rural"."""
    land = LAND_CLASSES[CLASS_OF_KIND[kind]]
    tops = (CLUTTER_HEIGHT_M[kind],) if kind in CLUTTER_HEIGHT_M else land.tops_m
    spread = land.model_spread_db if unmapped_share > 0.0 else 0.0
    leafless = LEAFLESS_SHARE if kind in ("rural", "suburban") else 1.0
    return EndClutter(kind, True, tops, unmapped_share, spread, leafless, max(STREET_WIDTH_M, clearing_m))


def assumed_clutter(land_class: str, unmapped_share: float, *, clearing_m: float = 0.0) -> EndClutter | None:
    """Return what is taken to stand around an end on unmapped land; None where the land is mapped."""
    if unmapped_share <= 0.0:
        return None
    land = LAND_CLASSES[land_class]
    tops = tuple(unmapped_share * top for top in land.tops_m)
    width = max(STREET_WIDTH_M, clearing_m)
    return EndClutter(land_class, False, tops, unmapped_share, land.model_spread_db, land.leafless_share, width)
