"""Kinds of cover and the fields of a cover file, written once."""

from __future__ import annotations

from typing import Final

from meshplan.inputs.columns import Column, Entry, FormedParser, describe_columns, number, number_list, one_of, text
from meshplan.inputs.walls import WALL_WORDS, WALLS
from meshplan.kinds import COVER_KINDS, WALL_KINDS

PLAIN_WORDS: Final = {
    word: kind.name
    for kind in COVER_KINDS.values()
    for word in (
        *kind.also_called,
        *(f"{before} {noun}" for before in (*kind.adjectives, *kind.trees) for noun in kind.nouns),
    )
}
"""Words people use, with the kind they are taken for; every use is reported as an assumption."""

KIND_WALLS: Final = {word: name for name, wall in WALL_KINDS.items() for word in wall.buildings}
"""Words that say the wall as well."""

_kind = one_of(tuple(COVER_KINDS), PLAIN_WORDS)


def _kind_and_word(value: object) -> tuple[str, str]:
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
        FormedParser(_kind_and_word, Entry("one of", choices=tuple(COVER_KINDS))),
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
