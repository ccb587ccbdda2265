"""Colours, dashes and marks of the map, each chosen to survive colour blindness and a black-and-white printer."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from meshplan.kinds import COVER_KINDS

PAPER: Final = "#f6f1e6"
INK: Final = "#23211c"
ALARM: Final = "#8c0f2b"


@dataclass(frozen=True)
class VerdictStyle:
    """How a verdict is drawn: a colour, a dash in pixels, and a mark that reads without either."""

    colour: str
    dash: str
    mark: str


VERDICT_STYLES: Final[dict[str, VerdictStyle]] = {
    "ample": VerdictStyle("#0a3a6b", "", "full"),
    "good": VerdictStyle("#3a8fb0", "14 4", "ring"),
    "thin": VerdictStyle("#d07a00", "7 5", "half"),
    "failing": VerdictStyle("#8c0f2b", "2 5", "cross"),
    "not sure": VerdictStyle("#72706d", "9 4 2 4", "query"),
}
"""Own measurement: least CAM02-UCS distances and contrasts are asserted in tests/reporting/map/test_map_palette.py."""

BOUNDARY: Final = "#4a443b"
OTHER_COVER: Final = "#9a9176"
NOT_MAPPED: Final = "#5f5a52"
"""Edge and hatching of land that no file maps."""

RELIEF_TINTS: Final = (
    (0.00, (226, 229, 208)),
    (0.35, (239, 234, 214)),
    (0.70, (236, 223, 196)),
    (1.00, (224, 209, 186)),
)
"""Height tint from the lowest to the highest ground, as (share, red-green-blue); pale, so that links stand out."""

COVERAGE_RAMP: Final = ("#0a3a6b", "#3a8fb0", "#d07a00", "#8c0f2b", "#72706d", "#4a443b")
"""Colours of coverage classes whose names are no verdicts."""


def cover_colour(kind: str) -> str:
    """Return the fill of a kind of cover, as its table has it; of the boundary; or of what no table knows."""
    if kind in COVER_KINDS:
        return COVER_KINDS[kind].colour
    return {"boundary": BOUNDARY, "not_mapped": NOT_MAPPED}.get(kind, OTHER_COVER)


def class_colour(name: str, index: int) -> str:
    """Return the colour of a coverage class."""
    style = VERDICT_STYLES.get(name)
    return style.colour if style else COVERAGE_RAMP[index % len(COVERAGE_RAMP)]


COVERAGE_OPACITY: Final = 0.55
"""How thickly a coverage layer lies on the land."""

LAND_UNDER: Final = "#ece4d0"
"""Middle of the relief's tints, on which a coverage colour is seen."""


def seen_colour(colour: str) -> str:
    """Return a coverage colour as it looks on the map, blended with the land below; for its swatch in the key."""
    top, below = red_green_blue(colour), red_green_blue(LAND_UNDER)
    mixed = (round(COVERAGE_OPACITY * a + (1.0 - COVERAGE_OPACITY) * b) for a, b in zip(top, below, strict=True))
    return "#" + "".join(f"{value:02x}" for value in mixed)


def red_green_blue(colour: str) -> tuple[int, int, int]:
    """Return the three bytes of a colour written as #rrggbb."""
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)
