"""Kinds of cover and of walls, read once from the packaged tables: one row there is all that meshplan knows of a kind."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import MISSING, dataclass, fields
from importlib.resources import files
from typing import Any, Final, Literal, TypeVar, cast

from meshplan.errors import MeshplanError
from meshplan.sources import Standing

Row = TypeVar("Row")
Triple = tuple[float, float, float]
"""Figures at 433, 868 and 2450 MHz."""

RoomKind = Literal["home", "office", "hall", "open room"]


@dataclass(frozen=True)
class PlantKind:
    """What a kind of plant does to a ray; figures in leaf at 433, 868 and 2450 MHz."""

    form: Literal["woodland", "row", "slab"]
    """"woodland" saturates by P.833, "row" is one row of it, "slab" grows in proportion up to `most_db`."""
    db_per_m: Triple
    most_db: Triple
    bare_factor: float
    """Share of the loss left without leaves; 0 where the crop is gone."""
    wet_add: float
    """Share of the loss that wet leaves add."""
    spread_share: float
    """Standard deviation as a share of the loss, on top of nothing; at least `least_spread_db`."""
    least_spread_db: float
    standing: Standing
    source: str
    along_db_per_m: Triple | None = None
    """dB/m along the rows, if it is planted in rows."""


@dataclass(frozen=True)
class CoverKind:
    """A kind of cover: its words and colour, what is assumed where a file is silent, and what it does to a ray."""

    name: str
    words: str
    colour: str
    height_m: float
    line_width_m: float | None = None
    """Width of a line of this kind; None makes width_m necessary."""
    seasonal: bool = False
    """Whether its height is expected to change through the year."""
    also_called: tuple[str, ...] = ()
    nouns: tuple[str, ...] = ()
    """What people call it after an adjective or a tree."""
    adjectives: tuple[str, ...] = ()
    trees: tuple[str, ...] = ()
    """Words that mean this kind before one of `nouns`."""
    heights_by_month_m: tuple[float, ...] = ()
    """Of a field crop, January first, in a temperate northern year."""
    plant: PlantKind | None = None
    """None where it costs a ray nothing, or stops it like a building."""

    @property
    def is_field_crop(self) -> bool:
        """Whether its seasons are told by its height, not by its leaves."""
        return bool(self.heights_by_month_m)

    @property
    def sheds_leaves(self) -> bool:
        """Whether it stands bare for a part of the year."""
        return self.plant is not None and self.plant.bare_factor < 1.0 and not self.is_field_crop


@dataclass(frozen=True)
class WallKind:
    """A kind of wall, roof, cladding or lid."""

    name: str
    standing: Standing
    low_db: Triple | None = None
    high_db: Triple | None = None
    """Range of the loss at 433, 868 and 2450 MHz; None for whole buildings of ITU-R P.2109."""
    inside: RoomKind | None = None
    """What is likely behind it."""
    lid: bool = False
    """Whether it closes round the antenna itself."""
    also_called: tuple[str, ...] = ()
    buildings: tuple[str, ...] = ()
    """Words for a building that say this wall as well."""
    note: str = ""

    @property
    def range_db(self) -> tuple[tuple[float, float], ...]:
        """Lowest and highest loss at each of the three frequencies; empty for whole buildings."""
        if self.low_db is None:
            return ()
        return tuple(zip(self.low_db, self.high_db or self.low_db, strict=True))


def cover_kinds(text: str, file: str = "cover_kinds.toml") -> dict[str, CoverKind]:
    """Return all kinds of cover in the text of a table, by name and in its order."""

    def kind(name: str, row: dict[str, Any]) -> CoverKind:
        plant = row.pop("plant", None)
        if plant is not None:
            plant = _record(PlantKind, plant, f"{file}, [{name}.plant]")
        return _record(CoverKind, {**row, "name": name, "plant": plant}, f"{file}, [{name}]")

    return _rows(text, kind)


def wall_kinds(text: str, file: str = "walls.toml") -> dict[str, WallKind]:
    """Return all kinds of wall in the text of a table, by name and in its order."""
    return _rows(text, lambda name, row: _record(WallKind, {**row, "name": name}, f"{file}, [{name}]"))


def _rows(text: str, kind: Callable[[str, dict[str, Any]], Row]) -> dict[str, Row]:
    return {name: kind(name, dict(row)) for name, row in tomllib.loads(text).items()}


def _record(kind: type[Row], row: Mapping[str, Any], where: str) -> Row:
    """Return a row as a record; a field that is missing, unknown or no number where one belongs is named."""
    known = {field.name: field for field in fields(cast(Any, kind))}
    needed = [name for name, field in known.items() if field.default is MISSING]
    wrong = [f"has no {name}" for name in needed if name not in row]
    wrong += [f"has a {name}, which means nothing" for name in row if name not in known]
    values: dict[str, Any] = {}
    for name, value in row.items():
        wanted = str(known[name].type) if name in known else ""
        if wanted.startswith("Triple"):
            wrong += [] if _is_triple(value) else [f"{name} is not three numbers"]
        elif wanted.startswith("float"):
            wrong += [] if value is None or _is_number(value) else [f"{name} is no number"]
        values[name] = Standing(value) if name == "standing" else tuple(value) if isinstance(value, list) else value
    if wrong:
        raise MeshplanError("; ".join(wrong), where=where, fix="Write these fields as the comment on top of the file says.")
    return kind(**values)


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _is_triple(value: object) -> bool:
    return isinstance(value, list) and len(value) == 3 and all(map(_is_number, value))


def _packaged(name: str) -> str:
    return files("meshplan").joinpath("data", name).read_text(encoding="utf-8")


COVER_KINDS: Final = cover_kinds(_packaged("cover_kinds.toml"))
PLANT_KINDS: Final = {name: kind.plant for name, kind in COVER_KINDS.items() if kind.plant is not None}
"""Those that a ray loses in, with what it loses."""
FIELD_CROPS: Final = tuple(name for name, kind in COVER_KINDS.items() if kind.is_field_crop)
"""Kinds whose seasons are told by their height, not by their leaves."""

WALL_KINDS: Final = wall_kinds(_packaged("walls.toml"))
