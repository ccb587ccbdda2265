"""`property.toml`: read, checked against the models of meshplan.settings, and told about in plain words."""

from __future__ import annotations

import os
import re
import textwrap
import tomllib
import typing
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import annotated_types
from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from meshplan.errors import InputError, MeshplanError, MissingFileError, nearest_name, raise_faults
from meshplan.inputs.columns import Entry, UnfitValueError, as_number, plain
from meshplan.inputs.user_files import (
    NestedTooDeepError,
    NumberTooLongError,
    content_of,
    optional_file,
    reason,
    short,
    toml_of,
)
from meshplan.settings import PropertySettings

SETTINGS_FILE = "property.toml"
_LINE = re.compile(r"\(at line (\d+), column (\d+)\)")


def read_settings(folder: Path, overrides: Mapping[str, Any] | None = None) -> PropertySettings:
    """Return the settings of a property folder.

    `overrides` may hold nested tables or dotted keys ("terrain.cell_m"); they replace what the file says.
    """
    path = folder / SETTINGS_FILE
    try:
        there, is_folder, has_settings = folder.exists(), folder.is_dir(), os.path.lexists(path)
    except (OSError, ValueError) as error:
        fix = "Name the folder that holds property.toml."
        raise InputError(f"is no folder that can be opened ({reason(error)})", where=short(folder), fix=fix) from error
    if not there:
        raise MissingFileError("there is no such folder", where=str(folder), fix="Name the folder that holds property.toml.")
    if not is_folder:
        raise InputError("is no folder", where=str(folder), fix="Name the folder that holds property.toml.")
    if not has_settings:
        raise MissingFileError(
            f"there is no {SETTINGS_FILE}",
            where=str(folder),
            fix=f'Write a text file {SETTINGS_FILE} with at least the line: name = "My farm"',
        )
    document = _parse(path)
    changed = _with_overrides(document, overrides or {})
    return settings_from(changed, set(_dotted(overrides or {})))


def _parse(path: Path) -> dict[str, Any]:
    optional_file(path, SETTINGS_FILE)
    try:
        return toml_of(content_of(path, SETTINGS_FILE).decode("utf-8-sig"))
    except (NestedTooDeepError, NumberTooLongError) as error:
        fix = 'Write key = value, text between quotation marks: name = "My farm".'
        raise InputError(f"cannot be read ({error})", where=SETTINGS_FILE, fix=fix) from error
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", where=SETTINGS_FILE, fix="Save it as UTF-8 in your editor.") from error
    except tomllib.TOMLDecodeError as error:
        found = _LINE.search(str(error))
        line = f", line {found[1]}" if found else ""
        reason = _LINE.sub("", str(error)).replace("(at end of document)", "at the end of the file").strip()
        raise InputError(
            f"cannot be read ({reason[:1].lower()}{reason[1:]})",
            where=f"{SETTINGS_FILE}{line}",
            fix='Write key = value, text between quotation marks: name = "My farm".',
        ) from error


def _with_overrides(document: dict[str, Any], overrides: Mapping[str, Any]) -> dict[str, Any]:
    changed = {**document}
    for dotted, value in _dotted(overrides).items():
        *tables, key = dotted.split(".")
        place = changed
        for table in tables:
            below = place.get(table)
            place[table] = {**below} if isinstance(below, dict) else {}
            place = place[table]
        place[key] = value
    return changed


def _dotted(table: Mapping[str, Any], prefix: str = "") -> dict[str, Any]:
    flat: dict[str, Any] = {}
    for key, value in table.items():
        if isinstance(value, Mapping):
            flat.update(_dotted(value, f"{prefix}{key}."))
        else:
            flat[f"{prefix}{key}"] = value
    return flat


def settings_from(document: Mapping[str, Any], overridden: set[str] | None = None) -> PropertySettings:
    """Return checked settings, or raise all faults of the document together."""
    try:
        return PropertySettings.model_validate(document)
    except ValidationError as error:
        faults = [_translated(detail, overridden or set()) for detail in error.errors()]
        raise_faults(faults)
        raise AssertionError("unreachable") from error


def _translated(detail: ErrorDetails, overridden: set[str]) -> MeshplanError:
    dotted = ".".join(f"[{part + 1}]" if isinstance(part, int) else str(part) for part in detail["loc"]).replace(".[", "[")
    where = f"option '{dotted}'" if dotted in overridden else f"{SETTINGS_FILE}, key '{dotted}'"
    names = [str(part) for part in detail["loc"] if isinstance(part, str)]
    if detail["type"] == "extra_forbidden":
        problem, fix = _unknown_key(names)
    else:
        problem, fix = _unfit_value(names, dotted, detail)
    return InputError(problem, where=where, fix=fix)


def _unknown_key(names: list[str]) -> tuple[str, str]:
    model = _model_at(names[:-1])
    known = list(model.model_fields) if model else []
    table = f" in [{'.'.join(names[:-1])}]" if len(names) > 1 else ""
    return f"this key is not known.{nearest_name(names[-1], known)}", f"Known keys{table}: {', '.join(known)}."


def _unfit_value(names: list[str], dotted: str, detail: ErrorDetails) -> tuple[str, str]:
    """Return what is wrong with a value and what to write."""
    field = _field_at(names)
    meaning = _one_line(field.description) if field and field.description else ""
    value, kind = detail["input"], detail["type"]
    shown = f"'{short(value)}'" if isinstance(value, str) else short(value)
    allowed = allowed_values(field) if field else ""
    fix = f"Allowed: {allowed}." if allowed else f"It means: {meaning}"
    answers = {
        "missing": ("is missing", f"Add it: {meaning}"),
        "not_printable": ("holds characters that cannot be printed", "Write plain text."),
        "string_too_short": ("is empty", f"Give it: {meaning}"),
        "int_from_float": (f"{shown} is not a whole number", fix),
        "string": (f"{shown} is not text", f"Write text between quotation marks. {meaning}"),
        "tuple": (f"{shown} is neither text nor a list", fix),
        "greater_than": (f"{shown} is too small", fix),
        "less_than": (f"{shown} is too large", fix),
        "model": (f"{shown} is not a table", f"Write [{dotted}] with one key on each line below."),
    }
    if kind.startswith(("float_", "int_p", "int_t")):
        try:
            as_number(value, unit="m" if names[-1].endswith("_m") else "")
        except UnfitValueError as unfit:
            return unfit.problem, unfit.fix
    if kind == "literal_error":
        words = _literals(field.annotation) if field else []
        return f"{shown} is not known.{nearest_name(str(value), words)}", fix
    for start, answer in answers.items():
        if kind.startswith(start):
            return answer
    return f"{shown} does not fit ({_one_line(detail['msg'])})", fix


def _one_line(words: str) -> str:
    return " ".join(words.split())


def _models_in(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in typing.get_args(annotation):
        yield from _models_in(part)


def _model_at(names: list[str]) -> type[BaseModel] | None:
    model: type[BaseModel] | None = PropertySettings
    for name in names:
        field = model.model_fields.get(name) if model else None
        model = next(_models_in(field.annotation), None) if field else None
    return model


def _field_at(names: list[str]) -> FieldInfo | None:
    model = _model_at(names[:-1])
    return model.model_fields.get(names[-1]) if model and names else None


def _literals(annotation: Any) -> list[str]:
    if typing.get_origin(annotation) is Literal:
        return [str(word) for word in typing.get_args(annotation)]
    return [word for part in typing.get_args(annotation) for word in _literals(part)]


def allowed_values(field: FieldInfo) -> str:
    """Return the allowed values of a key in words; empty if anything goes."""
    words = _literals(field.annotation)
    if words:
        return ", ".join(f'"{word}"' for word in words)
    limits: dict[str, float] = {}
    for item in field.metadata:
        for name in ("ge", "gt", "le", "lt"):
            bound = getattr(item, name, None)
            if bound is not None and isinstance(item, annotated_types.BaseMetadata):
                limits[name] = float(bound)
    parts = []
    if "ge" in limits and "le" in limits:
        parts.append(f"{plain(limits['ge'])} to {plain(limits['le'])}")
    else:
        limit_words = {"ge": "at least", "gt": "more than", "le": "at most", "lt": "less than"}
        parts.extend(f"{limit_words[name]} {plain(limits[name])}" for name in ("ge", "gt", "le", "lt") if name in limits)
    return " and ".join(parts)


@dataclass(frozen=True)
class SettingsKey:
    """One key of `property.toml`, as a form needs it."""

    dotted: str
    meaning: str
    entry: Entry
    default: Any
    """None where it has none of its own, or must be given."""
    required: bool
    allowed: str
    table_meaning: str = ""
    """Of the table that it stands in."""


def settings_keys() -> tuple[SettingsKey, ...]:
    """Return every key of `property.toml` that holds a value or a list of texts, made from the models."""
    return tuple(_keys(PropertySettings, "", ""))


def _keys(model: type[BaseModel], prefix: str, table_meaning: str) -> Iterator[SettingsKey]:
    below: list[tuple[str, FieldInfo, type[BaseModel]]] = []
    for name, field in model.model_fields.items():
        table = next(_models_in(field.annotation), None)
        if table is not None:
            if not field.metadata:
                below.append((name, field, table))
            continue  # lists of tables, such as rasters, are no single values
        default = None if field.is_required() else field.default
        yield SettingsKey(
            dotted=f"{prefix}{name}",
            meaning=_one_line(field.description or ""),
            entry=_entry_of(field),
            default=list(default) if isinstance(default, tuple) else default,
            required=field.is_required(),
            allowed=allowed_values(field),
            table_meaning=table_meaning,
        )
    for name, field, table in below:
        yield from _keys(table, f"{prefix}{name}.", _one_line(field.description or ""))


def _entry_of(field: FieldInfo) -> Entry:
    """Return what may be entered for a key, from its type and limits."""
    kinds = set(_plain_types(field.annotation))
    words = tuple(_literals(field.annotation))
    if tuple in kinds:
        return Entry("several of", choices=words)
    if words:
        return Entry("one of", choices=words)
    limits = {name: getattr(item, name) for item in field.metadata for name in ("ge", "gt", "le", "lt") if hasattr(item, name)}
    low, high = (limits.get(first, limits.get(second)) for first, second in (("ge", "gt"), ("le", "lt")))
    for kind, name in ((bool, "yes or no"), (int, "whole number"), (float, "number")):
        if kind in kinds:
            return Entry(name, low, high, above_low="gt" in limits)
    return Entry("text")


def _plain_types(annotation: Any) -> Iterator[Any]:
    origin = typing.get_origin(annotation)
    yield origin if origin is not None else annotation
    for part in typing.get_args(annotation):
        yield from _plain_types(part)


def describe_settings() -> str:
    """Return the manual of `property.toml` as plain text, made from the models."""
    title = "Keys of property.toml"
    return "\n".join([title, "=" * len(title), "", *_described(PropertySettings, "")]) + "\n"


def _described(model: type[BaseModel], prefix: str) -> Iterator[str]:
    tables: list[tuple[str, FieldInfo, type[BaseModel]]] = []
    for name, field in model.model_fields.items():
        below = next(_models_in(field.annotation), None)
        if below is not None and not field.metadata:
            tables.append((name, field, below))
            continue
        default = "required" if field.is_required() else _default_words(field.default)
        yield f"{prefix}{name} — {default}"
        yield from textwrap.wrap(_one_line(field.description or ""), 100, initial_indent="    ", subsequent_indent="    ")
        allowed = allowed_values(field)
        if allowed:
            yield f"    Allowed: {allowed}"
        if below is not None:
            yield f"    Each may be a file name, or a table [[{prefix}{name}]] with:"
            for line in _described(below, ""):
                yield f"    {line}"
    for name, field, below in tables:
        yield ""
        yield f"[{prefix}{name}]  {_one_line(field.description or '')}"
        yield from _described(below, f"{prefix}{name}.")


def _default_words(value: object) -> str:
    if value is None or value == ():
        return "optional"
    if isinstance(value, tuple):
        return "default: " + ", ".join(f'"{item}"' for item in value)
    if isinstance(value, str):
        return f'default: "{value}"'
    return "default: " + (plain(float(value)) if isinstance(value, int | float) else str(value))
