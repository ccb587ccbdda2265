"""What the tags of an OpenStreetMap extract mean: the packaged table `osm_keys.toml` as records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final, Literal

from meshplan.inputs.catalogue import packaged
from meshplan.kinds import COVER_KINDS
from meshplan.sources import Standing

Shape = Literal["area", "line", "point"]
Tags = Mapping[str, str]

TABLE: Final = "osm_keys.toml"
LEAFY: Final = ("wood", "hedge")
"""Kinds of the table that become deciduous or evergreen."""
WALL: Final = "wall"
OPEN: Final = "open"
UNJUDGED: Final = "unjudged"


@dataclass(frozen=True)
class OsmMeaning:
    """One row of the table."""

    key: str
    values: tuple[str, ...]
    takes: tuple[Shape, ...]
    kind: str
    means: str
    source: str
    standing: Standing
    also: tuple[tuple[str, tuple[str, ...]], ...] = ()
    height_m: float = 0.0
    width_m: float | None = None
    wall: str | None = None
    most_m: float = 100.0
    outline: bool = False
    """Whether of an area only the outline is meant."""
    crop_unknown: bool = False

    def fits(self, tags: Tags, shape: Shape) -> bool:
        """Whether tags and shape of a feature are those of the row."""
        value = tags.get(self.key)
        if value is None or shape not in self.takes:
            return False
        given = [part.strip() for part in value.split(";")]
        if self.values == ("*",):
            return "no" not in given
        return any(part in self.values for part in given) and all(
            any(part.strip() in values for part in tags.get(key, "").split(";")) for key, values in self.also
        )


@dataclass(frozen=True)
class HeightRules:
    """How a building without a tagged height gets one."""

    level_m: float
    roof_level_m: float
    pitched_share: float
    pitched_most_m: float
    flat_roofs: tuple[str, ...]
    most_building_m: float


@cache
def osm_meanings() -> tuple[OsmMeaning, ...]:
    """Return all rows in their order."""
    return tuple(
        OsmMeaning(
            **{
                **row,
                "values": tuple(row["values"]),
                "takes": tuple(row["takes"]),
                "also": tuple((key, tuple(values)) for key, values in row.get("also", {}).items()),
                "standing": Standing(row["standing"]),
            }
        )
        for row in packaged(TABLE)["feature"]
    )


@cache
def height_rules() -> HeightRules:
    """Return the rules for buildings."""
    rules = {key: value for key, value in packaged(TABLE)["height"].items() if key != "source"}
    return HeightRules(**{**rules, "flat_roofs": tuple(rules["flat_roofs"])})


@cache
def material_walls() -> Mapping[str, str]:
    """Return walls by the values of building:material."""
    return dict(packaged(TABLE)["material"])


def known_keys() -> frozenset[str]:
    """Return the keys by which the table tells what a thing is."""
    return frozenset(meaning.key for meaning in osm_meanings())


def meaning_of(tags: Tags, shape: Shape) -> OsmMeaning | None:
    """Return the first row that fits; None where none does."""
    return next((meaning for meaning in osm_meanings() if meaning.fits(tags, shape)), None)


def leafy_kind(kind: str, tags: Tags) -> str:
    """Return the kind of cover of a row: woods and hedges by their leaves (Key:leaf_cycle, leaf_type; deciduous if not told)."""
    if kind not in LEAFY:
        return kind
    cycle = tags.get("leaf_cycle", "")
    needles = tags.get("leaf_type", "") == "needleleaved" or tags.get("wood", "") in ("coniferous", "evergreen")
    evergreen = cycle in ("evergreen", "semi_evergreen") or (needles and cycle not in ("deciduous", "semi_deciduous", "mixed"))
    found = f"{kind}_{'evergreen' if evergreen else 'deciduous'}"
    assert found in COVER_KINDS
    return found
