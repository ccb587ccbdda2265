"""Names of wall types that a user may write; their losses belong to meshplan.propagation.buildings, a test keeps the two alike."""

from __future__ import annotations

from typing import Final

WALLS: Final = (
    "plasterboard",
    "timber_dry",
    "timber_wet",
    "brick_single",
    "brick_double",
    "brick_triple",
    "hollow_block",
    "concrete_100mm",
    "concrete_200mm",
    "concrete_300mm",
    "reinforced_concrete_200mm",
    "stone_500mm",
    "glass",
    "glass_coated",
    "foil_insulation",
    "steel_cladding",
    "steel_with_openings",
    "polytunnel",
    "polytunnel_wet",
    "glasshouse_metal",
    "steel_lid",
    "soil_10_40cm",
    "traditional",
    "thermally_efficient",
)

WALL_WORDS: Final = {
    "timber": "timber_dry",
    "wood": "timber_dry",
    "wooden": "timber_dry",
    "drywall": "plasterboard",
    "brick": "brick_double",
    "block": "hollow_block",
    "concrete": "concrete_200mm",
    "reinforced_concrete": "reinforced_concrete_200mm",
    "stone": "stone_500mm",
    "window": "glass",
    "coated_glass": "glass_coated",
    "foil": "foil_insulation",
    "foil_insulated": "foil_insulation",
    "steel": "steel_cladding",
    "metal": "steel_cladding",
    "sheet_metal": "steel_cladding",
    "tunnel": "polytunnel",
    "greenhouse": "glasshouse_metal",
    "glasshouse": "glasshouse_metal",
    "soil": "soil_10_40cm",
    "ground": "soil_10_40cm",
    "pit": "steel_lid",
}
"""Plain words with the wall they are taken for; every use is reported as an assumption."""


def wall_note(where: str, word: object, taken: str | None) -> list[str]:
    """Return the assumption behind a plain word for a wall; none where the exact name was written."""
    written = "_".join(str(word).casefold().replace("-", " ").split())
    return [f"{where}: wall '{word}' is taken as {taken}."] if taken and written != taken else []
