"""Sources of land data: the packaged table, and what `land_sources.toml` in a property folder adds."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any, Final

from meshplan.errors import InputError, nearest_name
from meshplan.inputs.catalogue import COMMON_COLUMNS, read_rows
from meshplan.inputs.columns import Column, UnfitValueError, number, one_of, text, whole_number
from meshplan.records.land import Access, Gives, LandSource
from meshplan.sources import Standing

SOURCES_FILE: Final = "land_sources.toml"
_WHOLE_EARTH: Final = {"west": -180.0, "south": -90.0, "east": 180.0, "north": 90.0}
_KEY: Final = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")


def _key(value: object) -> str:
    """Parse a name that also names files."""
    words = str(value).strip()
    if _KEY.fullmatch(words) is None:
        raise UnfitValueError(f"'{words[:60]}' is no short name", "Write small letters a to z, digits and hyphens.")
    return words


def _names(value: object) -> tuple[str, ...]:
    """Parse one name or a list of them."""
    parts = value if isinstance(value, list) else [value]
    return tuple(text(120)(part) for part in parts)


LAND_COLUMNS: Final = (
    Column("name", "Short name, also of the files.", _key, required=True),
    *(column for column in COMMON_COLUMNS if column.name != "name"),
    Column("address_standing", "How well the address is known.", one_of([standing.value for standing in Standing])),
    Column("gives", "What it holds.", one_of([item.value for item in Gives]), required=True),
    Column("access", "How it is asked.", one_of([item.value for item in Access]), required=True),
    Column("address", "Its address.", text(1000), required=True),
    Column("licence", "Under which terms.", text(300), required=True),
    Column("credit", "The words that the licence asks for.", text(500), required=True),
    Column("west_deg", "Where it reaches.", number(-180, 180)),
    Column("south_deg", "Where it reaches.", number(-90, 90)),
    Column("east_deg", "Where it reaches.", number(-180, 180)),
    Column("north_deg", "Where it reaches.", number(-90, 90)),
    Column("cell_m", "Size of its cells.", number(0.05, 10_000)),
    Column("holds", "Bare earth, or with trees and roofs.", one_of(["ground", "surface"])),
    Column("height_datum", "What its heights count from.", text(120)),
    Column("height_epsg", "The same as a code.", whole_number(1, 100_000)),
    Column("crs", "Projection that its files must have.", text(120)),
    Column("unit", "Unit of its heights.", one_of(["m", "ft", "us-ft"])),
    Column("product", "Kind of elevation raster, as in property.toml.", text(60)),
    Column("legend", "What the classes of land cover mean, as in property.toml.", text(60)),
    Column("tile_deg", "Width of a tile.", number(0.01, 60)),
    Column("tile_corner", "Corner that a tile is named by.", one_of(["south-west", "north-west"])),
    Column("tile_list", "Address of the list of all tiles.", text(1000)),
    Column("where_missing", "Source to offer where a tile is withheld.", text(60)),
    Column("block_cells", "Cells along a block of its files.", whole_number(16, 16_384)),
    Column("block_mb", "Size of a block.", number(0.001, 100)),
    Column("most_mb", "Most that is taken from it.", number(0.001, 2000)),
    Column("collections", "Collections to search in.", _names),
    Column("assets", "Which file of each item of a catalogue.", _names),
    Column("note", "What users should know.", text(300)),
)


def read_land_sources(property_folder: Path | None = None) -> dict[str, LandSource]:
    """Return all sources by name; `land_sources.toml` in the property folder may add or replace some."""
    return read_rows(SOURCES_FILE, "source", LAND_COLUMNS, _source, property_folder)


def _source(values: dict[str, Any]) -> LandSource:
    where = f"{SOURCES_FILE}, source '{values['name']}'"
    values = {key: value for key, value in values.items() if value is not None}
    extent = tuple(values.pop(f"{side}_deg", whole) for side, whole in _WHOLE_EARTH.items())
    if extent[1] >= extent[3] or extent[0] >= extent[2]:
        raise InputError("west_deg or south_deg is not below east_deg or north_deg", where=where, fix="Correct the four corners.")
    values["gives"], values["access"] = Gives(values["gives"]), Access(values["access"])
    values["address_standing"] = Standing(values.get("address_standing", values["standing"]))
    if values["gives"] is Gives.ELEVATION and "holds" not in values:
        raise InputError("does not say what its heights hold", where=where, fix='Write holds = "ground" or holds = "surface".')
    known = {Gives.FEATURES: (Access.QUESTION, Access.FILE, Access.PAGE)}.get(
        values["gives"], (Access.TILES, Access.CATALOGUE, Access.FILE, Access.PAGE)
    )
    if values["access"] not in known:
        raise InputError(
            f"{values['gives']} is not fetched by access = '{values['access']}'",
            where=where,
            fix=f"Write access = one of: {', '.join(known)}.",
        )
    return LandSource(**values, extent=extent, own=values["standing"] is Standing.STATED)


def source_named(sources: dict[str, LandSource], name: str, gives: Gives, option: str) -> LandSource:
    """Return the source of a name; a name of none, or of one that gives something else, is a fault of the option."""
    fitting = [key for key, source in sources.items() if source.gives is gives]
    if "://" in name:
        raise InputError(
            f"'{name[:80]}' is an address, a name of a source is needed",
            where=option,
            fix=f"Describe it in {SOURCES_FILE} in the property folder, with its licence (`meshplan land --sources` shows how).",
        )
    if name not in sources:
        raise InputError(
            f"the source '{name[:60]}' is not known.{nearest_name(name, fitting)}",
            where=option,
            fix=f"Take one of: {', '.join(fitting)}, or none; or describe it in {SOURCES_FILE} in the property folder.",
        )
    if name not in fitting:
        raise InputError(f"'{name}' gives {sources[name].gives}", where=option, fix=f"Take one of: {', '.join(fitting)}, or none.")
    return sources[name]
