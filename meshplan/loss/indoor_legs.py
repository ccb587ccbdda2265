"""Links that stay inside one building: rooms and floors instead of two walls and open air."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from meshplan.kinds import WALL_KINDS, RoomKind
from meshplan.loss.path_loss import BUILDING_PATHS, PathLosses, PathSettings
from meshplan.loss.uncertainty import OBSTRUCTED_MODEL_SPREAD_DB
from meshplan.loss.walls import DEFAULT_WALL
from meshplan.propagation.buildings import INDOOR_ROOMS, indoor_floors_loss_db, indoor_loss_db
from meshplan.records import Cover
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape
from meshplan.units import Array

STOREY_M: Final = 2.8
"""Height from floor to floor of a home or an office (common practice, no source)."""

OWN_LIDS: Final = tuple(name for name, wall in WALL_KINDS.items() if wall.lid)
"""Walls that close round the antenna itself, so that they count inside a building as well."""

ROOM_BY_WALL: Final = {name: wall.inside for name, wall in WALL_KINDS.items() if wall.inside is not None}
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


def indoor_legs(
    stations: Sequence[Station],
    pairs: NDArray[np.intp],
    distance_m: Array,
    landscape: Landscape,
    settings: PathSettings,
    losses: PathLosses,
) -> dict[int, IndoorLeg]:
    """Return the links whose two ends stand inside the same building."""
    inside = np.array([station.inside for station in stations], dtype=np.intp)
    legs = {}
    for row in np.flatnonzero(shares_building(inside[pairs[:, 0]], inside[pairs[:, 1]])):
        a, b = (stations[i] for i in pairs[row])
        rise_m = abs(a.antenna_agl_m - b.antenna_agl_m)
        slant_m = float(np.hypot(distance_m[row], rise_m))
        building = landscape.covers[a.inside - 1]
        least_db = float(losses.free_space_db[row])
        legs[int(row)] = indoor_leg(building, slant_m, rise_m, settings.frequency_mhz, least_db=least_db)
    return legs


def with_indoor_legs(losses: PathLosses, legs: dict[int, IndoorLeg]) -> PathLosses:
    """Return the losses with rooms in place of ground, walls and plants where a link stays inside a building."""
    if not legs:
        return losses
    rows = np.array(list(legs), dtype=np.intp)

    def without(values: NDArray[Any], value: object = 0.0) -> NDArray[Any]:
        changed = values.copy()
        changed[..., rows] = value
        return changed

    parts = losses.terrain_parts
    names = ("total_db", "bullington_actual_db", "bullington_smooth_db", "smooth_earth_db", "spherical_db", "plane_db")
    rooms_db = np.array([leg.total_db for leg in legs.values()]) - losses.free_space_db[rows]
    return replace(
        losses,
        terrain_db=without(losses.terrain_db),
        behind_hill_db=without(losses.behind_hill_db),
        terrain_parts=replace(parts, **{name: without(getattr(parts, name)) for name in names}),
        building_db=without(losses.building_db, rooms_db),
        building_path=without(losses.building_path, BUILDING_PATHS.index("inside the same building")),
        vegetation_db=without(losses.vegetation_db),
        vegetation_path=without(losses.vegetation_path, 0),
        vegetation_spread_db=without(losses.vegetation_spread_db),
        bypass_saved_db=without(losses.bypass_saved_db),
        clutter_db=without(losses.clutter_db),
        clutter_spread_a_db=without(losses.clutter_spread_a_db),
        clutter_spread_b_db=without(losses.clutter_spread_b_db),
        cover_depth_m={kind: without(depth) for kind, depth in losses.cover_depth_m.items()},
    )
