"""Names of wall types that a user may write; their losses belong to meshplan.propagation."""

from __future__ import annotations

from typing import Final

WALLS: Final = (
    "plasterboard",
    "timber",
    "brick",
    "hollow_block",
    "concrete",
    "reinforced_concrete",
    "stone",
    "glass",
    "coated_glass",
    "foil_insulated",
    "steel_cladding",
    "polytunnel",
    "glasshouse",
    "traditional",
    "thermally_efficient",
)

WALL_ALIASES: Final = {
    "wood": "timber",
    "wooden": "timber",
    "drywall": "plasterboard",
    "block": "hollow_block",
    "steel": "steel_cladding",
    "metal": "steel_cladding",
    "sheet metal": "steel_cladding",
    "greenhouse": "glasshouse",
    "window": "glass",
}
