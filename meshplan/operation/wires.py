"""Masts and ladders near overhead wires, digging near pipes: who is too near, and in what words that is said.

Notes
-----
With H the height that can fall (mast or ladder with what stands above it), C the least distance in the air for the voltage and e
the error of the map, a place whose ground distance to the outermost wire is

- below H + C + e: what is put up there could fall on the wire, or bring somebody within C of it ("far enough that nothing comes
  within 10 ft of the wires if it falls": question pool of the US amateur examination 2022-26, T0B06);
- below 2 H + e, or below the distance within which work needs its owner's word: near (twice the height: several public installation
  texts).

Nothing here says that a place is safe: wires that nobody mapped are not known.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import shapely

from meshplan.records.device import RAISED_AGL_M
from meshplan.records.utility import Utility, WireNearby, WireRules

NOT_SAFE: Final = "Lines missing from the map are not absent from the land: look up before you work."
NONE_READ: Final = (
    "No map of power lines was read for this plan, so it warns of none: look up and around at every place before you carry a "
    "ladder or raise a mast."
)
FARTHEST_M: Final = 40.0
"""More than any distance for work, half width of a line, least distance in the air and error of the map together."""
MOST_SET_ASIDE: Final = 5
"""So many places that are left out of the choice are named."""
MOST_NAMED: Final = 3
"""Of one device so many wires are named, nearest first; the worst always."""


def fall_height_m(antenna_agl_m: float, rules: WireRules) -> float:
    """Return the height that can fall: the antenna's, and what stands above it where a mast or ladder is used."""
    return antenna_agl_m + rules.reach_m


def wires_nearby(
    device: str, x_m: float, y_m: float, antenna_agl_m: float, utilities: Sequence[Utility], rules: WireRules, *, digs: bool = True
) -> tuple[WireNearby, ...]:
    """Return the wires and pipes that are too near to an antenna, the worst first.

    Parameters
    ----------
    device : str
        Its name, for the record.
    x_m, y_m, antenna_agl_m : float
        Place on the grid, height above ground.
    utilities, rules
        What is mapped, and the distances.
    digs : bool
        Whether a post or mast is set in the ground there, so that buried pipes count.
    """
    here = shapely.Point(x_m, y_m)
    found = []
    for one in utilities:
        away_m = max(float(shapely.distance(here, one.geometry)) - one.kind.half_width_m, 0.0)
        near = _judged(device, one, away_m, antenna_agl_m, rules, digs)
        if near is not None:
            found.append(near)
    found.sort(key=lambda near: (not near.could_fall, near.hazard != "overhead", near.distance_m, near.wire))
    return tuple(found[:MOST_NAMED])


def _judged(device: str, one: Utility, away_m: float, antenna_agl_m: float, rules: WireRules, digs: bool) -> WireNearby | None:
    shown = f"{one.words} lies {away_m:.0f} m from here on the map"
    if one.kind.hazard == "buried":
        if not digs or away_m >= one.kind.dig_m:
            return None
        sentence = (
            f"Digging: {shown}, which is not exact. Ask its owner and the call-before-you-dig service before you set a post within "
            f"{one.kind.dig_m:g} m."
        )
        return WireNearby(device, one.words, one.kind.hazard, round(away_m, 1), one.kind.dig_m, could_fall=False, sentence=sentence)
    height_m, clear_m = fall_height_m(antenna_agl_m, rules), rules.clear_m(one.voltage_v)
    fall_m = height_m + clear_m + rules.map_error_m
    wanted_m = max(2.0 * height_m + rules.map_error_m, fall_m, one.kind.work_m)
    if away_m >= wanted_m:
        return None
    could_fall = away_m < fall_m
    unknown = "" if one.voltage_v is not None else ", voltage not told"
    ladder = "mast or ladder" if antenna_agl_m > RAISED_AGL_M else "pole, tool or person"
    if could_fall:
        sentence = (
            f"POWER LINE: {shown}{unknown}. A {ladder} with a top at {height_m:.1f} m could fall on it or come within {clear_m:g} "
            f"m of it. Choose another place, at least {wanted_m:.0f} m away; put nothing up here before its owner has agreed. "
            "No metal ladder."
        )
    else:
        sentence = (
            f"Power line: {shown}{unknown}; wanted are {wanted_m:.0f} m (twice the height of what is put up and "
            f"{rules.map_error_m:g} m for the map, or the {one.kind.work_m:g} m within which work needs its owner's word). Keep "
            "mast, ladder and cable away from it, and ask its owner first. No metal ladder."
        )
    return WireNearby(device, one.words, one.kind.hazard, round(away_m, 1), round(wanted_m, 1), could_fall, sentence)


class WireMap:
    """The wires and pipes of a property, found by place: what a device would meet is asked for many devices."""

    def __init__(self, utilities: Sequence[Utility], rules: WireRules) -> None:
        self._utilities, self._rules = tuple(utilities), rules
        self._tree = shapely.STRtree([one.geometry for one in self._utilities])

    def nearby(self, device: str, x_m: float, y_m: float, antenna_agl_m: float, *, digs: bool = True) -> tuple[WireNearby, ...]:
        """Return the same as `wires_nearby`, looking only at those within reach."""
        if not self._utilities:
            return ()
        reach_m = 2.0 * fall_height_m(antenna_agl_m, self._rules) + FARTHEST_M
        around = sorted(int(k) for k in self._tree.query(shapely.Point(x_m, y_m), predicate="dwithin", distance=reach_m))
        return wires_nearby(device, x_m, y_m, antenna_agl_m, [self._utilities[k] for k in around], self._rules, digs=digs)


def wires_note(nearby: Sequence[WireNearby], mapped: int, set_aside: Sequence[WireNearby] = ()) -> str:
    """Return what is said of wires on top of map and report: who is too near, by name; empty where nobody is.

    `set_aside` are the wires beside candidates that are left out of the choice for them.
    """
    overhead = [near for near in nearby if near.hazard == "overhead"]
    fall = list(dict.fromkeys(near.device for near in overhead if near.could_fall))
    close = [name for name in dict.fromkeys(near.device for near in overhead) if name not in fall]
    parts = []
    if fall:
        parts.append(f"WHAT IS PUT UP HERE COULD FALL ON A POWER LINE: {_worst_named(overhead, fall)}.")
    if close:
        parts.append(f"Near a power line, ask its owner first: {', '.join(close)}.")
    aside = [near for near in set_aside if near.could_fall]
    if aside:
        names = list(dict.fromkeys(near.device for near in aside))
        more = f"; and {len(names) - MOST_SET_ASIDE} more" if len(names) > MOST_SET_ASIDE else ""
        shown = _worst_named(aside, names[:MOST_SET_ASIDE]) + more
        parts.append(
            f"Left out of the choice, because what is put up there could fall on a power line and other places can serve the same "
            f'sensors: {shown}. Only with the word of its owner: use = "forced" in the sites takes such a place.'
        )
    return f"{' '.join(parts)} {mapped} wires, poles and pipes are mapped. {NOT_SAFE}" if parts else ""


def _worst_named(nearby: Sequence[WireNearby], names: Sequence[str]) -> str:
    worst = {name: next(near for near in nearby if near.device == name) for name in names}
    return "; ".join(f"{name} ({near.wire}, {near.distance_m:.0f} m)" for name, near in worst.items())
