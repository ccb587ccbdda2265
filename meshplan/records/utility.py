"""Overhead wires and buried pipes: what a mast can fall on and a spade can hit."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import shapely

Hazard = Literal["overhead", "buried"]


@dataclass(frozen=True)
class UtilityKind:
    """A kind of wire or pipe and the distances that go with it."""

    words: str
    colour: str
    hazard: Hazard
    half_width_m: float = 0.0
    """How far its outermost wire hangs from the mapped line."""
    work_m: float = 0.0
    """Work nearer than this needs the word of its owner first."""
    dig_m: float = 0.0
    """The same for digging."""


@dataclass(frozen=True)
class Utility:
    """One wire, pole, station or pipe on the local metric grid."""

    name: str
    kind: UtilityKind
    geometry: shapely.Geometry
    voltage_v: float | None = None
    """None where it is not told."""

    @property
    def words(self) -> str:
        """Name, and voltage where it is told."""
        return self.name if self.voltage_v is None else f"{self.name}, {self.voltage_v / 1000.0:g} kV"


@dataclass(frozen=True)
class WireRules:
    """Least distances in the air, and what is added to them."""

    distances: tuple[tuple[float, float], ...]
    """Up to so many volts, so many metres, in rising order."""
    unknown_m: float
    map_error_m: float
    reach_m: float
    """How far an antenna, or a person with a tool, stands above mast or ladder."""

    def clear_m(self, voltage_v: float | None) -> float:
        """Return the least distance in the air to a bare wire; above the table that of its last row."""
        if voltage_v is None:
            return self.unknown_m
        return next((metres for up_to_v, metres in self.distances if voltage_v <= up_to_v), self.distances[-1][1])


@dataclass(frozen=True)
class MapWire:
    """A wire or pipe in longitude and latitude, for drawing: a path of one place is a pole, a closed one an area."""

    name: str
    words: str
    colour: str
    hazard: str
    voltage_v: float | None
    paths: tuple[tuple[tuple[float, float], ...], ...]
    half_width_m: float = 0.0
    work_m: float = 0.0
    clear_m: float = 0.0
    """Least distance in the air to it."""


@dataclass(frozen=True)
class WireNearby:
    """A wire or pipe that is too near to a device."""

    device: str
    wire: str
    hazard: str
    distance_m: float
    """Along the ground to its outermost wire, as mapped."""
    wanted_m: float
    """Distance that it should have."""
    could_fall: bool
    """Whether mast or ladder could fall on it, or what is on them come too near."""
    sentence: str


Utilities = Sequence[Utility]
