"""Fields of a record that are figures for users: tables, exports and the map list them by themselves."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, Final


@dataclass(frozen=True)
class Figure:
    """A figure: the field that holds it, what people call it, the type of its column, and whether the map lists it."""

    name: str
    words: str
    column: str
    on_map: bool


_COLUMNS: Final = {"float": "float64", "int": "int64", "bool": "bool"}


def figure(words: str, default: Any, *, on_map: bool = True) -> Any:
    """Return a field of a record that users see.

    Parameters
    ----------
    words : str
        What the figure is, with its unit, as it stands beside it on the map.
    default : Any
        Its value where nothing is known.
    on_map : bool
        False where the map has a sentence of its own for it.
    """
    return field(default=default, metadata={"figure": words, "on_map": on_map})


def figures_of(record: type) -> tuple[Figure, ...]:
    """Return the figures of a kind of record, in the order of its fields."""
    return tuple(
        Figure(one.name, one.metadata["figure"], _COLUMNS.get(str(one.type).partition(" ")[0], "str"), one.metadata["on_map"])
        for one in fields(record)
        if "figure" in one.metadata
    )
