"""The catalogue in the terminal: classes in a table, or one of them in full with the origin of every figure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from typing import Any

from meshplan.records.radio import Figure

Catalogue = Mapping[str, Any]


def catalogue_text(catalogue: Catalogue, *, in_full: bool) -> str:
    """Return the entries as text, one line each or all figures of each."""
    if in_full:
        return "\n\n".join(_in_full(key, entry) for key, entry in catalogue.items())
    width = max((len(key) for key in catalogue), default=0)
    return "\n".join(f"{key:<{width}}  {entry.title}" for key, entry in catalogue.items())


def catalogue_rows(catalogue: Catalogue) -> dict[str, Any]:
    """Return the entries for scripts, every field of each."""
    return {key: _plain(entry) for key, entry in catalogue.items()}


def _in_full(key: str, entry: Any) -> str:
    lines = [f"{key}: {entry.title}"]
    _describe(entry, lines, "  ")
    return "\n".join(lines)


def _describe(entry: Any, lines: list[str], indent: str) -> None:
    for item in fields(entry):
        value = getattr(entry, item.name)
        name = item.name.replace("_", " ")
        if isinstance(value, Figure):
            bounds = f" ({value.low:g} to {value.high:g})" if value.low is not None and value.high is not None else ""
            check = ", check" if value.needs_check else ""
            lines.append(f"{indent}{name}: {value.value:g}{bounds}   [{value.standing.value}{check}; {value.source}]")
        elif is_dataclass(value) and not isinstance(value, type):
            lines.append(f"{indent}{name}:")
            _describe(value, lines, indent + "  ")
        elif isinstance(value, tuple) and value and is_dataclass(value[0]):
            for part in value:
                lines.append(f"{indent}{name} {getattr(part, 'name', getattr(part, 'key', ''))}".rstrip() + ":")
                _describe(part, lines, indent + "  ")
        elif value not in (None, "", ()):
            lines.append(f"{indent}{name}: {_words(value)}")


def _words(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, Enum):
        return str(value.value)
    if isinstance(value, tuple):
        return ", ".join(_words(part) for part in value)
    return f"{value:g}" if isinstance(value, float) else str(value)


def _plain(value: object) -> object:
    if is_dataclass(value) and not isinstance(value, type):
        return {item.name: _plain(getattr(value, item.name)) for item in fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple | list):
        return [_plain(part) for part in value]
    return value if isinstance(value, bool | int | float | str | type(None)) else str(value)
