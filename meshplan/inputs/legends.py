"""Legends of land-cover rasters: which value means what, packaged and of the property folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from meshplan.inputs.catalogue import read_tables
from meshplan.inputs.figure_tables import Table
from meshplan.kinds import COVER_KINDS

TABLE: Final = "land_cover_legends.toml"
OWN_LEGENDS: Final = "legends.toml"
OPEN, BUILT, NONE = "open", "built", "none"
_NO_COVER: Final = (OPEN, BUILT, NONE)
_LEAFY: Final = {"wood": "wood_deciduous", "hedge": "hedge_deciduous"}


@dataclass(frozen=True)
class LegendClass:
    """What one value means."""

    kind: str
    height_m: float
    means: str


@dataclass(frozen=True)
class Legend:
    """One product of land cover."""

    key: str
    title: str
    files: tuple[str, ...]
    share_right: float
    credit: str
    classes: Mapping[int, LegendClass]


def read_legends(folder: Path | None) -> dict[str, Legend]:
    """Return all legends by key, those of the property folder too."""
    return read_tables(folder, TABLE, OWN_LEGENDS, "legends", _legend)


def _legend(key: str, table: Table) -> Legend:
    table.allow("title", "files", "share_right", "credit", "classes")
    classes: dict[int, LegendClass] = {}
    raw = table.entry.get("classes")
    for value, row in (raw if isinstance(raw, dict) else {}).items():
        kind = row.get("kind") if isinstance(row, dict) else None
        height_m: Any = row.get("height_m", 0.0) if isinstance(row, dict) else None
        known = kind in (*COVER_KINDS, *_LEAFY, *_NO_COVER)
        sound = isinstance(height_m, int | float) and not isinstance(height_m, bool) and 0.0 <= height_m <= 100.0
        if not str(value).isdigit() or not known or not sound:
            kinds = ", ".join((*_LEAFY, *_NO_COVER, *COVER_KINDS))
            fix = f'Write a line such as 10 = {{ kind = "wood", height_m = 12 }}; kinds: {kinds}.'
            table.fault(f"class {value} is not understood.", fix, "classes")
            continue
        classes[int(value)] = LegendClass(_LEAFY.get(str(kind), str(kind)), float(height_m), str(row.get("means", kind)))
    if not classes:
        table.fault("'classes' is missing.", 'Write a line for each value: 10 = { kind = "wood", height_m = 12 }.', "classes")
    return Legend(
        key=key,
        title=table.text("title"),
        files=table.texts("files"),
        share_right=table.number("share_right", 0.0, 1.0, 0.0),
        credit=table.text("credit", ""),
        classes=classes,
    )
