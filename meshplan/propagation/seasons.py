"""The year as numbers: how much leaf is on, how high crops stand, what lies on antennas."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from meshplan.errors import InputError, nearest_name
from meshplan.kinds import COVER_KINDS, FIELD_CROPS

SNOW_ON_ANTENNA_DB: Final = 5.0
"""Loss at each end with snow or ice on the antenna (planning figure, common practice; 3–10 dB reported at 2.4 GHz)."""

WET_ANTENNA_DB: Final = 1.0
"""Loss at each end with drops on antenna and box (planning figure from memory; 1–3 dB, either sign, reported)."""

_CLIMATES = ("north", "south")
Hemisphere = Literal["north", "south"]


@dataclass(frozen=True)
class Season:
    """One state of the year."""

    name: str
    month: int
    """1 January to 12 December, as the calendar of the place says."""
    leaf_share: float
    """0 bare to 1 in full leaf."""
    wet: bool
    snow: bool
    note: str = ""

    @property
    def antenna_loss_db(self) -> float:
        """Loss at each end from what lies on the antenna."""
        if self.snow:
            return SNOW_ON_ANTENNA_DB
        return WET_ANTENNA_DB if self.wet else 0.0


MONTH_WORDS: Final = (
    *("January", "February", "March", "April", "May", "June"),
    *("July", "August", "September", "October", "November", "December"),
)


def season_words(name: str) -> str:
    """Return a season's name as people read it, on every screen and sheet; each command takes the words as well as the name."""
    return next((month for month in MONTH_WORDS if name and month[:3] == name), name.replace("_", " "))


LEAF_SHARE_BY_MONTH: Final = (0.0, 0.0, 0.1, 0.5, 1.0, 1.0, 1.0, 1.0, 1.0, 0.8, 0.3, 0.0)
"""Leaf of deciduous plants in a temperate northern year (common practice, no source)."""

CROP_HEIGHT_BY_MONTH_M: Final = {name: COVER_KINDS[name].heights_by_month_m for name in FIELD_CROPS}
"""Crop heights in a temperate northern year: autumn-sown cereal, hay meadow (common practice, no source; override)."""


def northern_month(month: int, hemisphere: Hemisphere = "north") -> int:
    """Return the month of a northern year that has the same season; months count from 1.

    A month outside 1–12 or an unknown hemisphere is an InputError.
    """
    if not 1 <= month <= 12:
        raise InputError(
            f"{month} is not a month", where="argument 'month'", fix="Give a number from 1 (January) to 12 (December)."
        )
    if hemisphere not in _CLIMATES:
        raise InputError(
            f"'{hemisphere}' is not a hemisphere.{nearest_name(hemisphere, _CLIMATES)}",
            where="argument 'hemisphere'",
            fix="Use north or south.",
        )
    return month if hemisphere == "north" else (month + 5) % 12 + 1


def leaf_share(month: int, hemisphere: Hemisphere = "north") -> float:
    """Return how much leaf deciduous plants carry in a month, 0 bare to 1 full."""
    return LEAF_SHARE_BY_MONTH[northern_month(month, hemisphere) - 1]


def crop_height_m(crop: str, month: int, hemisphere: Hemisphere = "north", heights_m: tuple[float, ...] | None = None) -> float:
    """Return how high a crop stands in a month.

    Parameters
    ----------
    crop : str
        A key of `CROP_HEIGHT_BY_MONTH_M`; ignored when `heights_m` is given.
    month : int
        1–12 in the calendar of the place.
    hemisphere : "north" or "south"
        Shifts the built-in table by six months; the user's own heights are never shifted.
    heights_m : tuple of 12 floats or None
        The user's own heights, January first.
    """
    if heights_m is not None:
        if len(heights_m) != 12:
            raise InputError(
                f"{len(heights_m)} crop heights", where="argument 'heights_m'", fix="Give twelve heights in metres, January first."
            )
        northern_month(month, hemisphere)
        return heights_m[month - 1]
    if crop not in CROP_HEIGHT_BY_MONTH_M:
        raise InputError(
            f"no heights by month are known for '{crop}'.{nearest_name(crop, CROP_HEIGHT_BY_MONTH_M)}",
            where="argument 'crop'",
            fix="Give twelve heights in metres, January first.",
        )
    return CROP_HEIGHT_BY_MONTH_M[crop][northern_month(month, hemisphere) - 1]


def usual_seasons(hemisphere: Hemisphere = "north") -> tuple[Season, ...]:
    """Return the five states every plan is looked at in: bare, leaf, tall crops, wet leaves, snow."""
    shift = 0 if hemisphere == "north" else 6
    northern_month(1, hemisphere)

    def month(northern: int) -> int:
        return (northern - 1 + shift) % 12 + 1

    return (
        Season("bare", month(1), 0.0, wet=False, snow=False, note="no leaves, fields empty"),
        Season("leaf", month(5), 1.0, wet=False, snow=False, note="trees in leaf, crops low"),
        Season("tall_crop", month(8), 1.0, wet=False, snow=False, note="trees in leaf, crops at full height"),
        Season("wet", month(10), 1.0, wet=True, snow=False, note="wet leaves, maize harvested"),
        Season("snow", month(2), 0.0, wet=False, snow=True, note="no leaves, snow on antennas"),
    )


def months_of_year(hemisphere: Hemisphere = "north") -> tuple[Season, ...]:
    """Return the twelve months as seasons, dry and without snow, for the calendar of a link."""
    return tuple(
        Season(name[:3], month, leaf_share(month, hemisphere), wet=False, snow=False)
        for month, name in enumerate(MONTH_WORDS, start=1)
    )
