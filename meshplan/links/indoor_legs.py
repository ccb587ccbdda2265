"""Links that stay inside one building: rooms and floors instead of two walls and open air."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from meshplan.links.uncertainty import OBSTRUCTED_MODEL_SPREAD_DB
from meshplan.links.walls import DEFAULT_WALL
from meshplan.propagation.buildings import INDOOR_ROOMS, indoor_floors_loss_db, indoor_loss_db
from meshplan.records import Cover

STOREY_M: Final = 2.8
"""Height from floor to floor of a home or an office (common practice, no source)."""

OWN_LIDS: Final = ("steel_lid", "soil_10_40cm")
"""Walls that close round the antenna itself, so that they count inside a building as well."""

RoomKind = Literal["home", "office", "hall", "open room"]

ROOM_BY_WALL: Final[dict[str, RoomKind]] = {
    "plasterboard": "home",
    "timber_dry": "home",
    "timber_wet": "home",
    "brick_single": "home",
    "brick_double": "home",
    "brick_triple": "home",
    "stone_500mm": "home",
    "traditional": "home",
    "thermally_efficient": "home",
    "foil_insulation": "home",
    "hollow_block": "office",
    "concrete_100mm": "office",
    "concrete_200mm": "office",
    "concrete_300mm": "office",
    "reinforced_concrete_200mm": "office",
    "glass_coated": "office",
    "steel_cladding": "hall",
    "steel_with_openings": "hall",
    "glass": "open room",
    "glasshouse_metal": "open room",
    "polytunnel": "open room",
    "polytunnel_wet": "open room",
}
"""What is likely inside, by the outer wall (own choice): the wall is all that a property tells of a building."""

ROOM_WORDS: Final[dict[RoomKind, str]] = {
    "home": "a home with rooms and floors",
    "office": "a building of rooms with solid walls",
    "hall": "a hall with machines and stores",
    "open room": "one open room",
}


@dataclass(frozen=True)
class IndoorLeg:
    """Loss of a link inside one building, all of it, with its spread."""

    room: RoomKind
    floors: int
    total_db: float
    spread_db: float
    source: str

    @property
    def words(self) -> str:
        """What was assumed, for people."""
        floors = f", {self.floors} floor{'s' if self.floors > 1 else ''} between them" if self.floors else ""
        return f"{ROOM_WORDS[self.room]}{floors}"


def room_kind(building: Cover) -> RoomKind:
    """Return what is likely inside a building."""
    return ROOM_BY_WALL.get(building.wall or DEFAULT_WALL, "home")


def indoor_leg(
    building: Cover, distance_m: float, rise_m: float, frequency_mhz: float, *, least_db: float = float("-inf")
) -> IndoorLeg:
    """Return the loss between two antennas inside one building.

    Parameters
    ----------
    building : Cover
    distance_m : float
        Straight distance with height.
    rise_m : float
        Difference of the antenna heights; in homes and offices it tells the floors between.
    frequency_mhz : float
    least_db : float
        Free-space loss: rooms that guide waves may lose less, which a plan does not count on.

    Notes
    -----
    Source
        Homes and buildings of rooms: ITU-R P.1238 up to edition 10, with floors. Halls and open rooms: ITU-R P.1238-11, industrial,
        without and with sight.
    """
    room = room_kind(building)
    if room in ("home", "office"):
        kind: Literal["residential", "office"] = "residential" if room == "home" else "office"
        floors = round(abs(rise_m) / STOREY_M)
        total = float(indoor_floors_loss_db(kind, distance_m, frequency_mhz, floors))
        return IndoorLeg(room, floors, max(total, least_db), OBSTRUCTED_MODEL_SPREAD_DB, f"ITU-R P.1238-10, {kind}")
    name = "industrial" if room == "hall" else "industrial_sight"
    total = float(indoor_loss_db(name, distance_m, frequency_mhz))
    title = "industrial" if room == "hall" else "industrial, in sight"
    return IndoorLeg(room, 0, max(total, least_db), INDOOR_ROOMS[name].spread_db, f"ITU-R P.1238-11, {title}")


def shares_building(inside_a: np.ndarray, inside_b: np.ndarray) -> np.ndarray:
    """Return which pairs of cover indices name one building."""
    return np.asarray((inside_a == inside_b) & (inside_a > 0))
