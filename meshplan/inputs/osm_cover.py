"""Cover from an OpenStreetMap extract: tags to kinds, heights by rule, and a count of what was not understood."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import shapely

from meshplan.inputs.columns import plain
from meshplan.inputs.cover import RawCover
from meshplan.inputs.osm_file import OsmExtract, OsmFeature, shape_of
from meshplan.inputs.osm_table import (
    LEAFY,
    OPEN,
    UNJUDGED,
    WALL,
    OsmMeaning,
    Shape,
    height_rules,
    known_keys,
    leafy_kind,
    material_walls,
    meaning_of,
)
from meshplan.inputs.osm_utilities import is_utility
from meshplan.inputs.osm_values import length_m, storeys
from meshplan.inputs.vector import WGS84, Feature, move_geometry
from meshplan.kinds import COVER_KINDS
from meshplan.records import Origin

CREDIT: Final = "© OpenStreetMap contributors, openstreetmap.org/copyright (ODbL 1.0)"
"""Must stand on what is shown and travel with the data that is handed on."""

WALL_COUNTS_FROM_M: Final = 2.0
"""Lower walls shade no antenna that is worth planning (own choice)."""
_WIDEST_M: Final = 60.0
"""A tagged width or crown above this is not believed (own choice)."""
_SHOWN_VALUES: Final = 5
_BUILDING_KEYS: Final = ("building", "building:part")
_LEAST_LEFT: Final = 0.02
"""Share of an outline that its parts must leave free for it to stand there as well (own choice: slivers of drawing)."""
_MEASURED_WITH: Final = "+proj=aeqd +lat_0={lat} +lon_0={lon} +datum=WGS84 +units=m"


@dataclass
class OsmLand:
    """What an extract says of the land."""

    raw: list[RawCover] = field(default_factory=list)
    accounted: list[shapely.Geometry] = field(default_factory=list)
    """Areas in degrees of which the extract says what stands there, bare ones too."""
    notes: list[str] = field(default_factory=list)


@dataclass
class _Counts:
    taken: Counter[str] = field(default_factory=Counter)
    usual: dict[str, float] = field(default_factory=dict)
    heights: Counter[Origin] = field(default_factory=Counter)
    odd: Counter[str] = field(default_factory=Counter)
    low_walls: int = 0
    crops: int = 0
    roofs: int = 0
    nothing: int = 0
    unknown: Counter[str] = field(default_factory=Counter)
    other: Counter[str] = field(default_factory=Counter)
    """Features by a key that the table does not hold."""
    broken: int = 0


def osm_cover(extract: OsmExtract, shown: str) -> OsmLand:
    """Return the cover of an extract, with what it accounts for and what is to be told of it."""
    land, counts = OsmLand(notes=list(extract.notes)), _Counts()
    for one in _buildings_by_parts(extract.features):
        shape = shape_of(one.geometry)
        if shape is None:
            counts.broken += 1
            continue
        _take(one, shape, land, counts)
    land.notes += _words(shown, counts)
    return land


def _take(one: OsmFeature, shape: Shape, land: OsmLand, counts: _Counts) -> None:
    meaning = meaning_of(one.tags, shape)
    if meaning is None:
        keys = sorted(known_keys() & set(one.tags))
        if is_utility(one.tags, shape):
            return
        if not keys:
            counts.other[min(one.tags)[:30]] += 1
        else:
            counts.unknown[f"{keys[0]}={one.tags[keys[0]]}"[:40]] += 1
        return
    geometry = one.geometry if one.geometry.is_valid else _mended(one.geometry, shape)
    if geometry.is_empty or (shape == "area" and not geometry.area > 0.0):
        counts.broken += 1
        return
    if meaning.outline and shape == "area":
        _add(one, meaning, shapely.boundary(geometry), "line", land, counts)
        rest = OsmFeature(one.where, {key: value for key, value in one.tags.items() if key != meaning.key}, geometry)
        if meaning_of(rest.tags, shape) is not None:
            _take(rest, shape, land, counts)
        return
    if shape == "area" and meaning.kind != UNJUDGED:
        land.accounted.append(geometry)
    if meaning.kind in (OPEN, UNJUDGED):
        counts.nothing += 1
        return
    _add(one, meaning, geometry, shape, land, counts)


def _mended(geometry: shapely.Geometry, shape: Shape) -> shapely.Geometry:
    """Return a sound geometry of the same kind, without what else mending leaves; perhaps an empty one."""
    parts = shapely.get_parts(shapely.get_parts(shapely.make_valid(geometry)))
    return shapely.union_all([part for part in parts if shape_of(part) == shape])


def _add(one: OsmFeature, meaning: OsmMeaning, geometry: shapely.Geometry, shape: Shape, land: OsmLand, counts: _Counts) -> None:
    number = one.where.rsplit(" ", 1)[1]
    height_m, origin = _height(one.tags, meaning, geometry, counts)
    kind, wall = leafy_kind(meaning.kind, one.tags), None
    if meaning.kind == WALL:
        if origin is not Origin.MAPPED_HEIGHT or height_m < WALL_COUNTS_FROM_M:
            counts.low_walls += 1
            return
        kind, wall = "building", material_walls().get(one.tags.get("material", one.tags.get("wall", "")))
    elif kind == "building":
        wall = material_walls().get(one.tags.get("building:material", one.tags.get("material", "")), meaning.wall)
        counts.roofs += one.tags.get("building") in ("roof", "carport")
    words = meaning.kind if meaning.kind in (*LEAFY, WALL) else COVER_KINDS[kind].words
    values: dict[str, Any] = {"name": f"{words} {number}", "kind": kind, "height_m": height_m, "origin": origin}
    if wall is not None:
        values["wall"] = wall
    if shape != "area":
        values["width_m"] = _width(one.tags, meaning, counts)
    counts.taken[words] += 1
    counts.crops += meaning.crop_unknown
    if kind != "water":
        counts.heights[origin] += 1
        if origin is Origin.MAPPED_USUAL:
            before = counts.usual.get(words)
            counts.usual[words] = height_m if before is None else max(before, height_m)
    land.raw.append(RawCover(Feature(one.where, geometry, WGS84, {}), values, geometry))


def _height(tags: Any, meaning: OsmMeaning, geometry: shapely.Geometry, counts: _Counts) -> tuple[float, Origin]:
    rules = height_rules()
    most_m = rules.most_building_m if meaning.kind == "building" else meaning.most_m
    if meaning.kind != "water":
        for key in ("height", "est_height"):
            if key in tags:
                given = length_m(tags[key])
                if given is not None and 0.0 < given <= most_m:
                    return given, Origin.MAPPED_HEIGHT
                counts.odd[f"{key}={tags[key]}"[:30]] += 1
    if meaning.key in _BUILDING_KEYS and "building:levels" in tags:
        levels = storeys(tags["building:levels"])
        if levels:
            return round(
                min(levels * rules.level_m + _roof_m(tags, geometry, counts), rules.most_building_m), 2
            ), Origin.MAPPED_STOREYS
        counts.odd[f"building:levels={tags['building:levels']}"[:30]] += 1
    return meaning.height_m, Origin.MAPPED_USUAL


def _roof_m(tags: Any, geometry: shapely.Geometry, counts: _Counts) -> float:
    """Return the height of a roof above the full storeys."""
    rules = height_rules()
    for key, read, factor in (("roof:height", length_m, 1.0), ("roof:levels", storeys, rules.roof_level_m)):
        if key in tags:
            given = read(tags[key])
            if given is not None and given * factor <= 50.0:
                return given * factor
            counts.odd[f"{key}={tags[key]}"[:30]] += 1
    shape = tags.get("roof:shape", "flat")
    if shape in rules.flat_roofs or "Polygon" not in geometry.geom_type:
        return 0.0
    return min(rules.pitched_share * 0.5 * _short_side_m(geometry), rules.pitched_most_m)


def _short_side_m(geometry: shapely.Geometry) -> float:
    centre = geometry.centroid
    local = move_geometry(geometry, WGS84, _MEASURED_WITH.format(lat=round(centre.y, 3), lon=round(centre.x, 3)))
    corners = shapely.get_coordinates(local.minimum_rotated_rectangle)
    return float(min(np.hypot(*(corners[1] - corners[0])), np.hypot(*(corners[2] - corners[1])))) if len(corners) >= 4 else 0.0


def _width(tags: Any, meaning: OsmMeaning, counts: _Counts) -> float:
    for key in ("width", "diameter_crown"):
        if key in tags:
            given = length_m(tags[key])
            if given is not None and 0.1 <= given <= _WIDEST_M:
                return given
            counts.odd[f"{key}={tags[key]}"[:30]] += 1
    return meaning.width_m if meaning.width_m is not None else COVER_KINDS[leafy_kind(meaning.kind, tags)].line_width_m or 2.0


def _buildings_by_parts(features: Sequence[OsmFeature]) -> Iterator[OsmFeature]:
    """Yield the features; of a building with parts that have heights of their own, only what these leave free of it."""
    parts = [one for one in features if "building:part" in one.tags and "building" not in one.tags and _is_sound_area(one)]
    if not parts:
        yield from features
        return
    tree = shapely.STRtree([part.geometry for part in parts])
    for one in features:
        if "building" not in one.tags or not _is_sound_area(one):
            yield one
            continue
        inside = [parts[int(k)].geometry for k in tree.query(one.geometry, predicate="intersects")]
        left = shapely.difference(one.geometry, shapely.union_all(inside)) if inside else one.geometry
        if not inside or left.area > _LEAST_LEFT * one.geometry.area:
            yield OsmFeature(one.where, one.tags, left if inside else one.geometry)


def _is_sound_area(one: OsmFeature) -> bool:
    return shape_of(one.geometry) == "area" and bool(one.geometry.is_valid)


def _words(shown: str, counts: _Counts) -> Iterator[str]:
    """Tell what was taken and what was not, in a few lines whatever the size of the extract."""
    if not counts.taken:
        yield f"{shown}: nothing that stands on the land was found in it. THAT IS NO PROOF that nothing does: much is not mapped."
    else:
        kinds = ", ".join(f"{number} × {words}" for words, number in sorted(counts.taken.items()))
        yield f"{shown}: taken from OpenStreetMap as cover: {kinds}. What is not mapped there is not absent from the land."
    known = [f"{counts.heights[origin]} {words}" for origin, words in _HEIGHT_WORDS.items() if counts.heights[origin]]
    if known:
        usual = ", ".join(f"{words} {plain(height)} m" for words, height in sorted(counts.usual.items()))
        usual = f" ({usual}; common practice, no source)" if usual else ""
        yield f"{shown}: heights: {', '.join(known)}{usual}."
    if counts.crops:
        yield (
            f"{shown}: {counts.crops} fields do not say their crop: taken as cereal all year; maize would be 2.5 m high. "
            "Draw such fields in a cover file of your own."
        )
    if counts.roofs:
        yield f"{shown}: {counts.roofs} roofs on posts are taken as solid buildings, the worst case."
    if counts.low_walls:
        yield f"{shown}: {counts.low_walls} walls without a tagged height of {plain(WALL_COUNTS_FROM_M)} m or more are not counted."
    for found, what in (
        (counts.odd, "values were not understood or not believed, and the usual figure is taken"),
        (counts.other, "features have only keys that say nothing of the land to this tool"),
        (counts.unknown, "features have a tag or a shape that was not understood, and are left out"),
    ):
        if found:
            yield f"{shown}: {sum(found.values())} {what}: {_some(found)}."
    if counts.broken:
        yield f"{shown}: {counts.broken} features have no sound shape and are left out."


_HEIGHT_WORDS: Final = {
    Origin.MAPPED_HEIGHT: "as tagged",
    Origin.MAPPED_STOREYS: "from storeys of 3 m",
    Origin.MAPPED_USUAL: "assumed by kind",
}


def _some(found: Counter[str]) -> str:
    ordered = sorted(found.items(), key=lambda item: (-item[1], item[0]))
    shown = ", ".join(f"{value} ({number})" if number > 1 else value for value, number in ordered[:_SHOWN_VALUES])
    return shown + (f" and {len(ordered) - _SHOWN_VALUES} others" if len(ordered) > _SHOWN_VALUES else "")
