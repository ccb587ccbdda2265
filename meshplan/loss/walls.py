"""What a building costs a ray, by the wall word of the property folder."""

from __future__ import annotations

from typing import Final

from meshplan.kinds import WALL_KINDS
from meshplan.propagation.buildings import entry_loss_db, wall_loss_db, wall_spread_db

WHOLE_BUILDINGS: Final = tuple(name for name, wall in WALL_KINDS.items() if wall.low_db is None)
"""Words for a whole building whose walls nobody described; ITU-R P.2109 gives their entry loss."""

DEFAULT_WALL: Final = "traditional"


def enclosure_loss_db(wall: str, frequency_mhz: float) -> float:
    """Return the median loss between the inside of a building and the air outside.

    Parameters
    ----------
    wall : str
        A key of `kinds.WALL_KINDS`.
    frequency_mhz : float

    Notes
    -----
    Source
        ITU-R P.2109 for whole buildings, the planning table of `propagation.buildings` for known walls.
    """
    if wall in WHOLE_BUILDINGS:
        return float(entry_loss_db(wall, frequency_mhz))
    return float(wall_loss_db(wall, frequency_mhz))


def enclosure_spread_db(wall: str, frequency_mhz: float) -> float:
    """Return the standard deviation that goes with `enclosure_loss_db`."""
    if wall in WHOLE_BUILDINGS:
        upper = float(entry_loss_db(wall, frequency_mhz, not_exceeded_share=0.841))
        return upper - float(entry_loss_db(wall, frequency_mhz))
    return float(wall_spread_db(wall, frequency_mhz))


def enclosure_source(wall: str) -> str:
    """Return the origin of the loss as it stands in a budget."""
    if wall in WHOLE_BUILDINGS:
        return "ITU-R P.2109"
    return "wall table, check on site"
