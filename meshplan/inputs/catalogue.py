"""Reads catalogues: what ships with meshplan, and what a file in the property folder adds to it or replaces.

There are two forms. A *catalogue of tables* (`[classes.my-radio]`) gives every figure a standing and a source and may start an
entry from another. A *catalogue of rows* (`[[antenna]]`) has one standing and source a row and is described by columns. All
faults of a file are told at once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final, TypeVar

from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.inputs.columns import Column, one_of, read_values, text
from meshplan.inputs.figure_tables import USER_SOURCE, Table, TableFile, inherit, read_toml
from meshplan.inputs.user_files import optional_file
from meshplan.sources import Standing

Entry = TypeVar("Entry")

COMMON_COLUMNS: Final = (
    Column("name", "Short name used in property files.", text(60), required=True),
    Column("title", "Words for people.", text(120)),
    Column("source", "Where the figures come from.", text(300)),
    Column("standing", "How well they are known.", one_of([standing.value for standing in Standing])),
)
"""What every row of a catalogue of rows may say."""


def packaged(name: str, shown: str = "") -> dict[str, Any]:
    """Return a document that ships with meshplan."""
    return read_toml(files("meshplan") / "data" / name, shown or name)


def of_the_property(folder: Path | None, name: str) -> dict[str, Any] | None:
    """Return the document of that name in the property folder, None if there is none."""
    path = None if folder is None else Path(folder) / name
    return read_toml(path, name) if path is not None and optional_file(path, name) else None


def read_tables(
    folder: Path | None, packaged_name: str, user_name: str, heading: str, build: Callable[[str, Table], Entry | None]
) -> dict[str, Entry]:
    """Return a catalogue of tables by key: the packaged one, merged with the user's file of the same form."""
    entries, sources, built_before = packaged_tables(packaged_name, heading, build)
    document = of_the_property(folder, user_name)
    if document is None:
        return dict(built_before)
    user = TableFile(user_name, document, packaged=False, sources=sources)
    own = {key: entry for key, entry in inherit(user, heading, base=entries).items() if not user.is_broken(key)}
    result = {**built_before, **_built(user, heading, own, build)}
    raise_faults(user.faults)
    return result


@cache
def packaged_tables(
    name: str, heading: str, build: Callable[[str, Table], Any]
) -> tuple[dict[str, dict[str, Any]], dict[str, str], dict[str, Any]]:
    """Return the entries of a packaged table as written, its sources, and the records; read once, and not to be changed."""
    base = TableFile(name, packaged(name), packaged=True)
    entries = inherit(base, heading)
    found = _built(base, heading, entries, build)
    raise_faults(base.faults)
    return entries, base.sources, found


def _built(
    file: TableFile, heading: str, entries: dict[str, dict[str, Any]], build: Callable[[str, Table], Entry | None]
) -> dict[str, Entry]:
    """Return the records of the entries without faults."""
    found = {}
    for key, entry in entries.items():
        before = len(file.faults)
        table = Table(file, f"{heading}.{key}", entry)
        table.check_key(key)
        built = build(key, table)
        if built is not None and len(file.faults) == before:
            found[key] = built
    return found


def read_rows(
    file_name: str,
    heading: str,
    columns: Sequence[Column],
    build: Callable[[dict[str, Any]], Entry],
    property_folder: Path | None,
) -> dict[str, Entry]:
    """Return a catalogue of rows by name: the packaged ones, and those that the property folder's file adds or replaces."""
    entries: dict[str, Entry] = {}
    faults: list[MeshplanError] = []
    for document in (packaged(file_name, f"meshplan/data/{file_name}"), of_the_property(property_folder, file_name) or {}):
        tables = document.get(heading, [])
        if not isinstance(tables, list):
            faults.append(InputError(f"'{heading}' is no list", where=file_name, fix=f"Write [[{heading}]] before each entry."))
            continue
        for index, table in enumerate(tables, start=1):
            entry = _row(table, f"{file_name}, [[{heading}]] {index}", columns, build, faults)
            if entry is not None:
                entries[str(table["name"])] = entry
    raise_faults(faults)
    return entries


def _row(
    table: Any, where: str, columns: Sequence[Column], build: Callable[[dict[str, Any]], Entry], faults: list[MeshplanError]
) -> Entry | None:
    found: list[MeshplanError] = []
    names = [column.name for column in columns]
    raw = table if isinstance(table, dict) else {}
    for key in raw:
        if key not in names:
            found.append(
                InputError(
                    f"this key is not known.{nearest_name(key, names)}",
                    where=f"{where}, key '{key}'",
                    fix=f"Known keys: {', '.join(names)}.",
                )
            )
    values = read_values({**dict.fromkeys(names), **raw}, columns, where, found, word="key")
    for column in columns:
        if column.name == "horizontal_beamwidth_deg" and values.get("pattern") == "sector" and column.name not in values:
            found.append(InputError("is missing", where=f"{where}, key '{column.name}'", fix="A sector antenna needs it."))
    faults.extend(found)
    if found:
        return None
    values.setdefault("title", values["name"].replace("_", " "))
    values.setdefault("source", USER_SOURCE)
    values["standing"] = Standing(values.get("standing", Standing.STATED))
    return build(values)
