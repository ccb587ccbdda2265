"""What stands around one end of a link and is in no layer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

KIND_WORDS: Final = {"dense_urban": "dense urban", "trees_forest": "trees"}


@dataclass(frozen=True)
class EndClutter:
    """Tops around an antenna, and what is not known of them.

    `tops_m` holds the equally likely heights of the tops, low, middle and high: three for a class of unmapped land, one that is
    named for a site, none where nothing stands. `share` tells how far the land there counts as unmapped; the tops hold it already.
    """

    kind: str
    """Word of the column, or key of `LAND_CLASSES`."""
    named: bool
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
        return self.named and len(self.tops_m) == 1

    @property
    def words(self) -> str:
        """What it is, for people."""
        return KIND_WORDS.get(self.kind, self.kind)
