"""What stands in the way of a link, in words."""

from __future__ import annotations

import numpy as np

from meshplan.records import Clearance, Cover
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles

CLEAR_SHARE = 0.6
"""Share of the first Fresnel zone that counts as clear (ITU-R P.530)."""

RIDGE_RISE_M = 3.0
"""Ground this much above both ends is called a ridge (own choice of words)."""

KIND_WORDS = {
    "wood_deciduous": "wood",
    "wood_evergreen": "wood",
    "hedge_deciduous": "hedge",
    "hedge_evergreen": "hedge",
    "orchard": "orchard",
    "vines": "vines",
    "maize": "maize",
    "cereal": "cereal crop",
    "grass": "grass",
    "building": "building",
    "water": "water",
}


def describe_clearance(
    profiles: Profiles,
    landscape: Landscape,
    *,
    share: float,
    clearance_m: float,
    index: int,
    obstacle_db: float,
    ground_limited: bool,
    obstructed_from_db: float,
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
    obstacle_db : float
        What obstacles above smooth ground cost.
    ground_limited : bool
        Whether smooth ground alone costs something.
    obstructed_from_db : float
        Loss from which obstacles are to blame.
    first_name : str
        Device that distances are counted from.
    """
    if index < 0 or not np.isfinite(share):
        return Clearance("clear", 1.0, 0.0, 0.0, "", "The two stand side by side.")
    at_m = float(profiles.along_m[0, index])
    what = _name_at(profiles, landscape, index)
    place = f"{what} {at_m:.0f} m from {first_name}"
    if obstacle_db > obstructed_from_db:
        stands = f"stands {-clearance_m:.1f} m above" if clearance_m < 0.0 else f"stays only {clearance_m:.1f} m below"
        return Clearance("obstructed", share, clearance_m, at_m, what, f"Obstructed: {place} {stands} the straight line.")
    if ground_limited:
        sentence = (
            f"Nothing stands in the way, but the antennas are low for this distance: the ground itself takes power "
            f"(nearest: {place}, {abs(clearance_m):.1f} m {'above' if clearance_m < 0 else 'below'} the straight line)."
        )
        return Clearance("ground-limited", share, clearance_m, at_m, what, sentence)
    sentence = f"Clear: the nearest thing, {place}, stays {clearance_m:.1f} m below the straight line."
    return Clearance("clear", share, clearance_m, at_m, what, sentence)


def _name_at(profiles: Profiles, landscape: Landscape, index: int) -> str:
    cover_number = int(profiles.cover_index[0, index])
    if cover_number:
        return cover_words(landscape.covers[cover_number - 1])
    ground = profiles.ground_amsl_m[0]
    rise_m = float(ground[index] - max(ground[0], ground[-1]))
    return "ridge" if rise_m >= RIDGE_RISE_M else "ground"


def cover_words(cover: Cover) -> str:
    """Return the name of a cover as people would say it."""
    word = KIND_WORDS.get(cover.kind, cover.kind)
    if not cover.name or cover.name == cover.kind:
        return word
    return cover.name if word in cover.name.casefold() else f"{word} '{cover.name}'"
