"""What stands in the way of a link, in words."""

from __future__ import annotations

import numpy as np

from meshplan.kinds import COVER_KINDS
from meshplan.propagation.fresnel import fresnel_radius_m
from meshplan.records import Clearance, Cover
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles

CLEAR_SHARE = 0.6
"""Part of the first Fresnel zone's half-width that counts as clear where it is free (ITU-R P.530-19 §2.2)."""

CLEAR, IN_THE_ZONE, BLOCKED, NOT_KNOWN = "clear", "in the zone", "blocked", "not known"
"""Kinds of clearance: what the tightest place does to the first Fresnel zone."""

RIDGE_RISE_M = 3.0
"""Ground this much above both ends is called a ridge (own choice of words)."""


def describe_clearance(
    profiles: Profiles,
    landscape: Landscape,
    *,
    share: float,
    clearance_m: float,
    index: int,
    frequency_mhz: float,
    ground_limited: bool,
    first_name: str,
) -> Clearance:
    """Return the clearance of one path with its tightest place named.

    Parameters
    ----------
    profiles : Profiles
        One path.
    landscape : Landscape
    share, clearance_m, index
        Least clearance in first Fresnel radii and in metres, and its sample; index −1 for a path without an inside.
    frequency_mhz : float
    ground_limited : bool
        Whether smooth ground alone costs something.
    first_name : str
        Device that distances are counted from.
    """
    hole = hole_words(profiles, first_name)
    if hole:
        return Clearance(NOT_KNOWN, 0.0, 0.0, 0.0, "", f"Not known: {hole}.")
    if index < 0 or not np.isfinite(share):
        return Clearance(CLEAR, 1.0, 0.0, 0.0, "", "The two stand side by side.")
    at_m = float(profiles.along_m[0, index])
    zone_m = float(fresnel_radius_m(1, at_m, float(profiles.distance_m[0]) - at_m, frequency_mhz))
    what = _name_at(profiles, landscape, index)
    kind, sentence = clearance_words(
        share, clearance_m, zone_m, f"{what} {at_m:.0f} m from {first_name}", ground_limited=ground_limited
    )
    return Clearance(kind, share, clearance_m, at_m, what, sentence)


def hole_words(profiles: Profiles, first_name: str) -> str:
    """Return where the elevation data say nothing on one path, in words; empty where they know all of it."""
    unknown = np.flatnonzero(~np.isfinite(profiles.ground_amsl_m[0]))
    if not unknown.size:
        return ""
    first_m, last_m = (float(profiles.along_m[0, index]) for index in (unknown[0], unknown[-1]))
    return f"the elevation data have a hole on the way, {first_m:.0f} to {last_m:.0f} m from {first_name}"


def clearance_words(share: float, clearance_m: float, zone_m: float, place: str, *, ground_limited: bool) -> tuple[str, str]:
    """Return the kind of a clearance and a sentence; the page's `clearanceWords` says the same.

    Parameters
    ----------
    share, clearance_m : float
        Least clearance in first Fresnel radii and in metres; negative where something stands above the straight line.
    zone_m : float
        Radius of the first Fresnel zone there.
    place : str
        What is there, and where.
    ground_limited : bool
        Whether smooth ground alone costs something.
    """
    low = " The antennas are low for this distance: the ground itself takes power." if ground_limited else ""
    if share < 0.0:
        return BLOCKED, f"Blocks the line: {place} stands {-clearance_m:.1f} m above the straight line.{low}"
    filled = f"{100.0 * (1.0 - share):.0f} % of the zone's half-width ({max(zone_m - clearance_m, 0.0):.1f} of {zone_m:.1f} m)"
    below = f"stays {clearance_m:.1f} m below the straight line"
    if share < CLEAR_SHARE:
        return IN_THE_ZONE, f"Reaches into the first Fresnel zone: {place} {below} and fills {filled}.{low}"
    if share < 1.0:
        fine = f"up to {100.0 * (1.0 - CLEAR_SHARE):.0f} % does no harm"
        named = filled.replace("the zone's", "the first Fresnel zone's")
        return CLEAR, f"Clear enough: {place} {below} and fills {named}; {fine}.{low}"
    return CLEAR, f"Clear: the nearest thing, {place}, {below}, outside the first Fresnel zone.{low}"


def clearance_label(kind: str, clearance_m: float) -> str:
    """Return a clearance in a few words, for the mark at the tightest place of a drawing."""
    size = f"{abs(clearance_m):.1f} m"
    if kind == BLOCKED:
        return f"{size} above the line"
    return f"{size} below the line, in the zone" if kind == IN_THE_ZONE else f"{size} below the line"


def _name_at(profiles: Profiles, landscape: Landscape, index: int) -> str:
    cover_number = int(profiles.cover_index[0, index])
    if cover_number:
        return cover_words(landscape.covers[cover_number - 1])
    ground = profiles.ground_amsl_m[0]
    rise_m = float(ground[index] - max(ground[0], ground[-1]))
    return "ridge" if rise_m >= RIDGE_RISE_M else "ground"


def cover_words(cover: Cover) -> str:
    """Return the name of a cover as people would say it."""
    word = COVER_KINDS[cover.kind].words if cover.kind in COVER_KINDS else cover.kind
    if not cover.name or cover.name == cover.kind:
        return word
    return cover.name if word in cover.name.casefold() else f"{word} '{cover.name}'"
