"""Physical places: what stands on one post, or within arm's reach of it, is one place for mast, power, cost and failure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.records import Role, Site, Use

TOUCHING_M = 0.01
"""Rows this near are at one coordinate: seven decimals of a degree are 11 mm."""


def with_places(sites: Sequence[Site], same_place_m: float) -> tuple[tuple[Site, ...], tuple[str, ...]]:
    """Return the sites with the place that each candidate stands at, and a sentence for each place that several rows name.

    Gateway and relay candidates no further apart than `same_place_m` are one place, and so are chains of them. Sensors stand for
    themselves: a relay beside a sensor is a device of its own.

    Parameters
    ----------
    sites : sequence of Site
        Placed on the grid.
    same_place_m : float
        Rows at one coordinate are one place whatever it is.

    Raises
    ------
    InputError
        Where two devices must be used at one place.
    """
    candidates = [index for index, site in enumerate(sites) if site.role is not Role.SENSOR]
    placed = list(sites)
    if not candidates:
        return tuple(placed), ()
    at_m = np.array([(sites[index].x_m, sites[index].y_m) for index in candidates])
    label = _chains(at_m, max(same_place_m, TOUCHING_M))
    members: dict[int, list[Site]] = {}
    for index, number in zip(candidates, label.tolist(), strict=True):
        members.setdefault(number, []).append(sites[index])
    for index, number in zip(candidates, label.tolist(), strict=True):
        placed[index] = replace(sites[index], place=members[number][0].name)
    several = [group for group in members.values() if len(group) > 1]
    raise_faults([fault for group in several for fault in _forced_twice(group, same_place_m)])
    return tuple(placed), tuple(_report(group) for group in several if len({site.where for site in group}) > 1)


def _chains(at_m: NDArray[np.float64], reach_m: float) -> NDArray[np.intp]:
    """Return the first point of the chain that each belongs to, shape (n,); a chain is joined by steps of at most `reach_m`."""
    points = shapely.points(at_m)
    first, second = shapely.STRtree(points).query(points, predicate="dwithin", distance=1.001 * reach_m)
    near = ((at_m[first] - at_m[second]) ** 2).sum(axis=1) <= reach_m**2
    first, second = first[near], second[near]
    label = np.arange(len(points))
    while True:
        least = label.copy()
        np.minimum.at(least, first, label[second])
        least = least[least]  # what is joined to a point is joined to the first of its chain
        if np.array_equal(least, label):
            return label
        label = least


def _forced_twice(group: Sequence[Site], same_place_m: float) -> list[MeshplanError]:
    forced = [site for site in group if site.use is Use.FORCED]
    if len(forced) < 2:
        return []
    names = " and ".join(f"'{site.name}'" for site in forced)
    fix = "A place carries one device: force one of them only"
    if len({site.where for site in forced}) == 1:
        fix = "A place carries one device: write the one role that it must have"
    elif not _at_one_spot(forced):
        fix += f", or if they are two posts write requirement.same_place_m below {same_place_m:g}"
    return [InputError(f"{names} must both be used and stand at one place", where=forced[1].where, fix=f"{fix}.")]


def _at_one_spot(sites: Sequence[Site]) -> bool:
    first = sites[0]
    return all(np.hypot(site.x_m - first.x_m, site.y_m - first.y_m) <= TOUCHING_M for site in sites)


def _report(group: Sequence[Site]) -> str:
    names = [site.name for site in group]
    spot = "at one spot" if _at_one_spot(group) else "so near each other that they share their fate"
    powers = Counter(site.power.value for site in group)
    power = f" They name different power ({', '.join(sorted(powers))}): say what there is." if len(powers) > 1 else ""
    return f"{', '.join(names[:-1])} and {names[-1]} stand {spot}: one place with one mast, of which one device is used.{power}"
