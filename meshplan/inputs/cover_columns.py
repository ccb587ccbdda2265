"""Kinds of cover and the fields of a cover file, written once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from meshplan.inputs.columns import Column, describe_columns, number, number_list, one_of, text
from meshplan.inputs.walls import WALL_WORDS, WALLS


@dataclass(frozen=True)
class CoverKind:
    """A kind of cover with what is assumed where the file is silent. Heights and widths: common practice, no source."""

    name: str
    height_m: float
    line_width_m: float | None
    """Width of a line of this kind; None makes width_m necessary."""
    seasonal: bool = False
    """Whether its height is expected to change through the year."""


COVER_KINDS: Final = {
    kind.name: kind
    for kind in (
        CoverKind("wood_deciduous", 15.0, 8.0),
        CoverKind("wood_evergreen", 15.0, 8.0),
        CoverKind("hedge_deciduous", 2.0, 2.0),
        CoverKind("hedge_evergreen", 2.0, 2.0),
        CoverKind("orchard", 3.5, 4.0),
        CoverKind("vines", 1.8, 1.0),
        CoverKind("maize", 2.5, None, seasonal=True),
        CoverKind("cereal", 0.9, None, seasonal=True),
        CoverKind("grass", 0.3, None),
        CoverKind("building", 5.0, None),
        CoverKind("water", 0.0, None),
    )
}

WOOD_NOUNS: Final = ("wood", "woods", "woodland", "forest", "trees", "grove", "copse")
LEAF_TREES: Final = ("oak", "beech", "birch", "ash", "alder", "hazel", "poplar", "willow", "larch", "maple", "lime", "chestnut")
NEEDLE_TREES: Final = ("pine", "spruce", "fir", "cedar", "yew")

HEDGE_NOUNS: Final = ("hedge", "hedges", "hedgerow")
HEDGE_LEAF: Final = ("deciduous", *LEAF_TREES, "hornbeam", "hawthorn", "blackthorn", "mixed")
HEDGE_GREEN: Final = ("evergreen", *NEEDLE_TREES, "conifer", "laurel", "holly", "box", "cypress")

PLAIN_WORDS: Final = {
    "wood": "wood_deciduous",
    "woods": "wood_deciduous",
    "woodland": "wood_deciduous",
    "forest": "wood_deciduous",
    "trees": "wood_deciduous",
    "tree": "wood_deciduous",
    "broadleaf": "wood_deciduous",
    **{f"{kind} {word}": "wood_deciduous" for kind in ("deciduous", "broadleaf", "broadleaved", "mixed") for word in WOOD_NOUNS},
    **{f"{tree} {word}": "wood_deciduous" for tree in LEAF_TREES for word in WOOD_NOUNS},
    **{f"{kind} {word}": "wood_evergreen" for kind in ("evergreen", "conifer", "coniferous") for word in WOOD_NOUNS},
    **{f"{tree} {word}": "wood_evergreen" for tree in NEEDLE_TREES for word in WOOD_NOUNS},
    "deciduous": "wood_deciduous",
    "evergreen": "wood_evergreen",
    **{f"{kind} {word}": "hedge_deciduous" for kind in HEDGE_LEAF for word in HEDGE_NOUNS},
    **{f"{kind} {word}": "hedge_evergreen" for kind in HEDGE_GREEN for word in HEDGE_NOUNS},
    "conifers": "wood_evergreen",
    "conifer": "wood_evergreen",
    "pine": "wood_evergreen",
    "hedge": "hedge_deciduous",
    "hedgerow": "hedge_deciduous",
    "scrub": "hedge_deciduous",
    "windbreak": "wood_deciduous",
    "shelter belt": "wood_deciduous",
    "fruit trees": "orchard",
    "vineyard": "vines",
    "corn": "maize",
    "wheat": "cereal",
    "barley": "cereal",
    "grain": "cereal",
    "meadow": "grass",
    "pasture": "grass",
    "lawn": "grass",
    "house": "building",
    "shed": "building",
    "barn": "building",
    "greenhouse": "building",
    "glasshouse": "building",
    "pond": "water",
    "lake": "water",
    "river": "water",
    "stream": "water",
}
"""Words people use, with the kind they are taken for; every use is reported as an assumption."""

KIND_WALLS: Final = {"greenhouse": "glasshouse_metal", "glasshouse": "glasshouse_metal"}
"""Words that say the wall as well."""

_kind = one_of(tuple(COVER_KINDS), PLAIN_WORDS)


def _kind_and_word(value: Any) -> tuple[str, str]:
    return _kind(value), str(value).strip()


_MONTHS = ("January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November", "December")
_month_height = number(0, 100, unit="m")
MONTH_COLUMNS: Final = tuple(
    Column(f"h{index:02d}", f"Height in {name}.", _month_height, unit="m", default_words="height_m", allowed="0 to 100")
    for index, name in enumerate(_MONTHS, start=1)
)

COVER_COLUMNS: Final = (
    Column(
        "kind",
        "What stands there. Plain words such as wood, hedge, house are understood, and what they are taken for is reported.",
        _kind_and_word,
        required=True,
        allowed=", ".join(COVER_KINDS),
        aliases=("type", "cover", "landuse", "class"),
    ),
    Column("name", "Name, used in messages and on the map.", text(80), default_words="kind and number", aliases=("id", "label")),
    Column(
        "height_m",
        "Height above the ground, at full growth.",
        number(0, 100, unit="m"),
        unit="m",
        default_words="assumed by kind and reported",
        allowed="0 to 100",
        aliases=("height", "h_m", "height_agl_m"),
    ),
    Column(
        "width_m",
        "Width of a line, or diameter of a point.",
        number(0.1, 1000, unit="m"),
        unit="m",
        default_words="assumed by kind and reported",
        allowed="0.1 to 1000",
        aliases=("width",),
    ),
    Column(
        "heights_by_month_m",
        "Twelve heights, January first: 0; 0; 0; 0; 0.3; 1.2; 2.2; 2.5; 2.4; 0; 0; 0. Or one field h01 … h12 for each month.",
        number_list(0, 100, unit="m", count=12),
        unit="m",
        default_words="height_m all year",
        allowed="0 to 100",
        aliases=("months", "monthly_heights_m"),
    ),
    *MONTH_COLUMNS,
    Column(
        "wall",
        "Wall type of a building.",
        one_of(WALLS, WALL_WORDS),
        default_words="not known, reported",
        allowed=", ".join(WALLS),
        aliases=("walls", "wall_type"),
    ),
    Column(
        "row_azimuth_deg",
        "Direction of the rows of an orchard, vines or maize, clockwise from true north.",
        number(-360, 360, unit="degrees"),
        unit="degrees",
        default_words="not known",
        allowed="-360 to 360",
        aliases=("row_azimuth", "rows_deg"),
    ),
)


def describe_cover_columns() -> str:
    """Return the manual of a cover file."""
    return describe_columns("Fields of a cover file", COVER_COLUMNS)
