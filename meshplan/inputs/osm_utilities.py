"""Overhead wires and buried pipes of an OpenStreetMap extract, by the packaged table `utilities.toml`."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Final

import numpy as np
import shapely

from meshplan.inputs.catalogue import packaged
from meshplan.inputs.osm_file import OsmExtract, shape_of
from meshplan.inputs.osm_table import OsmMeaning, Shape, Tags
from meshplan.inputs.osm_values import highest_voltage_v
from meshplan.inputs.vector import WGS84, move_geometry
from meshplan.records.utility import Utility, UtilityKind, WireRules
from meshplan.sources import Standing

TABLE: Final = "utilities.toml"
STATES: Final = ("construction", "disused", "abandoned")
"""A line in these states is treated as live (`construction:power=line`, or `power=construction` with `construction=line`)."""
KEYS: Final = ("power", "railway", "communication", "man_made")


@dataclass(frozen=True)
class FoundUtilities:
    """Wires and pipes of an extract in degrees, and what is to be told of them."""

    items: tuple[Utility, ...]
    notes: tuple[str, ...]


@cache
def _rows() -> tuple[tuple[OsmMeaning, UtilityKind], ...]:
    rows = []
    for row in packaged(TABLE)["utility"]:
        kind = UtilityKind(
            words=row["words"],
            colour=row["colour"],
            hazard=row["hazard"],
            half_width_m=row.get("half_width_m", 0.0),
            work_m=row.get("work_m", 0.0),
            dig_m=row.get("dig_m", 0.0),
        )
        meaning = OsmMeaning(
            key=row["key"],
            values=tuple(row["values"]),
            takes=tuple(row["takes"]),
            kind=row["hazard"],
            means=row["means"],
            source=row["source"],
            standing=Standing(row["standing"]),
            also=tuple((key, tuple(values)) for key, values in row.get("also", {}).items()),
        )
        rows.append((meaning, kind))
    return tuple(rows)


@cache
def wire_rules() -> WireRules:
    """Return the packaged distances."""
    table = packaged(TABLE)
    distances = tuple(sorted((float(row["up_to_v"]), float(row["metres"])) for row in table["distance"]))
    return WireRules(distances, table["unknown_m"], table["map_error_m"], table["reach_m"])


def osm_utilities(extract: OsmExtract, shown: str) -> FoundUtilities:
    """Return all wires and pipes of an extract: poles, lines, areas, each by number, in whatever order the file has them."""
    items: list[Utility] = []
    untold = 0
    for one in extract.features:
        tags = as_if_live(one.tags)
        shape = shape_of(one.geometry)
        kind = None if shape is None else next((kind for meaning, kind in _rows() if meaning.fits(tags, shape)), None)
        if kind is None:
            untold += "power" in tags and shape is None
            continue
        voltage_v = highest_voltage_v(tags["voltage"]) if "voltage" in tags else None
        items.append(Utility(f"{kind.words} {one.where.rsplit(' ', 1)[1]}", kind, one.geometry, voltage_v))
    items.sort(key=lambda item: (int(shapely.get_dimensions(item.geometry)), _number(item.name), item.name))
    return FoundUtilities(tuple(items), tuple(_words(items, untold, shown)))


def _number(name: str) -> int:
    last = name.rpartition(" ")[2]
    return int(last) if last.removeprefix("-").isdecimal() else 0


def is_utility(tags: Tags, shape: Shape) -> bool:
    """Whether tags and shape are those of a wire or pipe."""
    return any(meaning.fits(as_if_live(tags), shape) for meaning, _ in _rows())


def as_if_live(tags: Tags) -> Tags:
    """Return the tags with lines under construction or out of use as if they were live."""
    found = dict(tags)
    for state in STATES:
        for key in KEYS:
            if f"{state}:{key}" in found:
                found.setdefault(key, found[f"{state}:{key}"])
            elif found.get(key) == state and state in found:
                found[key] = found[state]
    return found


def _words(items: Sequence[Utility], untold: int, shown: str) -> list[str]:
    if not items:
        return [f"{shown}: no wires and no pipes are mapped in it, which is no sign that there are none."]
    kinds = Counter(item.kind.words for item in items)
    listed = ", ".join(f"{number} × {words}" for words, number in sorted(kinds.items()))
    lost = f" {untold} more have no sound shape." if untold else ""
    return [f"{shown}: wires and pipes, a layer of their own: {listed}.{lost}"]


def utilities_on_grid(items: Sequence[Utility], crs: str, land: shapely.Geometry) -> tuple[Utility, ...]:
    """Return the wires and pipes that reach the land, in a metric projection."""
    if not items:
        return ()
    shapes = np.empty(len(items), dtype=object)
    shapes[:] = [item.geometry for item in items]
    moved = move_geometry(shapes, WGS84, crs)
    return tuple(replace(item, geometry=shape) for item, shape in zip(items, moved, strict=True) if shapely.intersects(shape, land))
