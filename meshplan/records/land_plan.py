"""What `meshplan land` would ask for, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass

from meshplan.records.land import Box, LandFile, LandSource, MissingTile


@dataclass(frozen=True)
class Wish:
    """One file that is wanted from one address."""

    source: LandSource
    file: str
    """Where it goes, in the property folder."""
    address: str
    box: Box
    """Land that is asked for."""
    way: str
    """part, whole, question or search."""
    expected_mb: float
    by_hand: str
    """Address that a browser can open for the same."""
    tile: str = ""
    tile_box: Box | None = None


@dataclass(frozen=True)
class LandPlan:
    """What is there, what would be asked for, and what else covers this land."""

    property_name: str
    folder: str
    needed: Box
    """Land that a plan needs."""
    wide_m: float
    high_m: float
    spare_m: float
    """Land beyond it that is asked for too."""
    agent: str
    wishes: tuple[Wish, ...]
    there: tuple[LandFile, ...]
    changed: tuple[str, ...]
    """Files that were changed since they were fetched: left alone."""
    missing: tuple[MissingTile, ...]
    """Tiles that are known not to be there."""
    others: tuple[LandSource, ...]
    """Sources that cover this land and were not asked for."""
    most_mb: float


@dataclass(frozen=True)
class NotCome:
    """What was wanted and did not come."""

    wish: Wish
    where: str
    why: str
    fix: str
    no_way: bool
    """Whether the server was not reached at all."""


@dataclass(frozen=True)
class LandOutcome:
    """What came."""

    came: tuple[LandFile, ...]
    there: tuple[LandFile, ...]
    """What was there before."""
    by_hand: tuple[str, ...]
    """Files found in their place that were put there by hand."""
    missing: tuple[MissingTile, ...]
    not_come: tuple[NotCome, ...]
    notes: tuple[str, ...]
    lines: tuple[str, ...]
    """Lines of property.toml that name what is there."""
    received_bytes: int
    requests: int

    @property
    def files(self) -> tuple[LandFile, ...]:
        """All that is there now."""
        return tuple(sorted((*self.there, *self.came), key=lambda entry: entry.file))
