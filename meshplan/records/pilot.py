"""The nouns of a pilot: the few links to try before anything is bought."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class PilotLevel:
    """What a link should show in one class of radio and one season, and what follows from the reading."""

    radio: str
    season: str
    expected_dbm: float
    spread_db: float
    good_from_dbm: float
    """From this median on the link is as good as proven."""
    fails_below_dbm: float
    """Below this one it is as good as lost."""
    chance: float
    """As planned, in the worst season."""


@dataclass(frozen=True)
class PilotLink:
    """One link to try."""

    link: str
    a: str
    b: str
    a_lon_deg: float
    a_lat_deg: float
    b_lon_deg: float
    b_lat_deg: float
    a_antenna_agl_m: float
    b_antenna_agl_m: float
    distance_m: float
    bearing_deg: float
    in_plan: bool
    why: str
    carries: tuple[str, ...]
    """Sensors whose route goes over it, or would."""
    levels: tuple[PilotLevel, ...]


@dataclass(frozen=True)
class Pilot:
    """The links to try in their order, and when to stop."""

    property_name: str
    radios: tuple[str, ...]
    links: tuple[PilotLink, ...]
    stop_rule: tuple[str, ...]
    notes: tuple[str, ...]
    share: float
    """Of the wrong decisions that are open, what these readings are expected to save."""
