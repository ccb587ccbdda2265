"""Forms of the page, made from the tables that the readers use: a new column or key appears here by itself."""

from __future__ import annotations

import math
from typing import Any, Final

from meshplan.inputs.columns import Column, Entry
from meshplan.inputs.cover_columns import COVER_COLUMNS
from meshplan.inputs.settings_file import settings_keys
from meshplan.inputs.site_columns import SITE_COLUMNS
from meshplan.kinds import COVER_KINDS

UNIT_ENDINGS: Final = {
    "_m": "m",
    "_db": "dB",
    "_dbm": "dBm",
    "_dbi": "dBi",
    "_mhz": "MHz",
    "_deg": "degrees",
    "_bps": "bit/s",
    "_s": "s",
    "_c": "°C",
    "_years": "years",
    "_hours": "hours",
    "_bytes": "bytes",
    "_per_kwh": "a kWh",
    "_per_m": "a metre",
}
"""Units as they stand at the end of names (DEVELOPERS.md, units live in names)."""

_TITLES: Final = {
    "lon_deg": "Longitude",
    "lat_deg": "Latitude",
    "x_m": "Easting",
    "y_m": "Northing",
    "antenna_agl_m": "Antenna height",
    "mast_heights_agl_m": "Mast heights",
    "azimuth_deg": "Direction",
    "crs": "Projection",
    "indoors": "Behind walls",
}
"""Titles that no rule makes of the name."""


def forms() -> dict[str, list[dict[str, Any]]]:
    """Return the fields of sites, of shapes and of the settings."""
    return {
        "site": [_of_column(column) for column in SITE_COLUMNS],
        "cover": [_of_column(column) for column in COVER_COLUMNS],
        "settings": [
            {
                **_field(key.dotted.rsplit(".", maxsplit=1)[-1], key.meaning, key.entry, ""),
                "key": key.dotted,
                "required": key.required,
                "default": key.default,
                "usual": "" if key.default in (None, []) else _shown(key.default),
                "allowed": key.allowed,
                "table": key.dotted.rpartition(".")[0],
                "table_meaning": key.table_meaning,
            }
            for key in settings_keys()
        ],
    }


def kinds() -> list[dict[str, Any]]:
    """Return the kinds of cover that can be drawn, with the width of a line where one needs none stated."""
    return [
        {"name": kind.name, "words": kind.words, "colour": kind.colour, "width_m": kind.line_width_m}
        for kind in COVER_KINDS.values()
    ]


def title_of(name: str) -> str:
    """Return the title of a field: its name without the unit, in words."""
    unit = unit_of(name)
    bare = next(
        (name.removesuffix(ending) for ending, word in UNIT_ENDINGS.items() if word == unit and name.endswith(ending)), name
    )
    words = (bare or name).replace("_", " ")
    return _TITLES.get(name, words[0].upper() + words[1:])


def unit_of(name: str) -> str:
    """Return the unit that a name ends with; the longest ending counts."""
    endings = [ending for ending in UNIT_ENDINGS if name.endswith(ending)]
    return UNIT_ENDINGS[max(endings, key=len)] if endings else ""


def _of_column(column: Column) -> dict[str, Any]:
    return {
        **_field(column.name, column.meaning, column.entry, column.unit),
        "required": column.required,
        "default": None,
        "usual": "" if column.required else column.default_text,
        "allowed": column.allowed,
    }


def _field(name: str, meaning: str, entry: Entry, unit: str) -> dict[str, Any]:
    return {
        "key": name,
        "title": title_of(name),
        "unit": unit or unit_of(name),
        "meaning": meaning,
        "kind": entry.kind,
        "low": _finite(entry.low),
        "high": _finite(entry.high),
        "above_low": entry.above_low,
        "choices": list(entry.choices),
        "longest": entry.longest,
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value


def _shown(value: Any) -> str:
    if isinstance(value, list):
        return ", ".join(str(item) for item in value)
    return f"{value:.6g}" if isinstance(value, float) else str(value)
