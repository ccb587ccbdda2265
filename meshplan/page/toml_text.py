"""`property.toml` rewritten key by key: comments, order, blank lines and line ends stay (tomlkit keeps them)."""

from __future__ import annotations

import codecs
import tomllib
from collections.abc import Mapping, MutableMapping, Sequence
from typing import Any, Final

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from meshplan.errors import InputError
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.inputs.user_files import NestedTooDeepError, NumberTooLongError, toml_of

_FIX: Final = "Change it in your editor."


def settings_document(content: bytes) -> dict[str, Any]:
    """Return what the file says as plain tables, lists and values.

    Raises
    ------
    InputError
        Where it is no TOML.
    """
    try:
        return toml_of(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", where=SETTINGS_FILE, fix="Save it as UTF-8 in your editor.") from error
    except (tomllib.TOMLDecodeError, NestedTooDeepError, NumberTooLongError) as error:
        fix = 'Write key = value, text between quotation marks: name = "My farm".'
        raise InputError(f"cannot be read ({error})", where=SETTINGS_FILE, fix=fix) from error


def with_key(content: bytes, dotted: str, value: Any) -> bytes:
    """Return the file with one key set, or taken out where `value` is None.

    The result is read once more and compared: nothing but that key may have changed its meaning.
    """
    before = settings_document(content)
    bom = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    text = content[len(bom) :].decode("utf-8")
    wanted = _with(before, dotted.split("."), value)
    if wanted == before:
        return content
    try:
        document = tomlkit.parse(text)
        _set(document, dotted.split("."), value)
        written = tomlkit.dumps(document)
    except (TOMLKitError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError("this key cannot be changed here", where=f"{SETTINGS_FILE}, key '{dotted}'", fix=_FIX) from error
    changed = bom + _same_line_ends(text, written).encode("utf-8")
    if settings_document(changed) != wanted:
        raise InputError("this key cannot be changed without others", where=f"{SETTINGS_FILE}, key '{dotted}'", fix=_FIX)
    return changed


def with_listed(content: bytes, dotted: str, name: str, *, without: Sequence[str] = ()) -> bytes:
    """Return the file with one more name in a list of files, and some names taken out of it.

    A single name becomes a list of two; where the list is one of tables, such as [[elevation]], a table is added.
    """
    before = settings_document(content)
    keys = dotted.split(".")
    now: Any = before
    for part in keys:
        now = now.get(part) if isinstance(now, Mapping) else None
    listed = [now] if isinstance(now, str | Mapping) else list(now or [])
    names = [one.get("file") if isinstance(one, Mapping) else one for one in listed]
    if name in names and not set(without) & set(names):
        return content
    tables = any(isinstance(one, Mapping) for one in listed)
    if not isinstance(now, list) or set(without) & set(names):
        if tables:
            raise InputError("this key cannot be changed here", where=f"{SETTINGS_FILE}, key '{dotted}'", fix=_FIX)
        kept = [one for one in names if one not in (*without, name)]
        return with_key(content, dotted, name if not kept else [*kept, name])
    bom = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    text = content[len(bom) :].decode("utf-8")
    entry: Any = {"file": name} if tables else name
    wanted = _with(before, keys, [*listed, entry])
    try:
        document: Any = tomlkit.parse(text)
        there = document
        for part in keys:
            there = there[part]
        if tables:
            more: Any = tomlkit.table() if isinstance(there, AoT) else tomlkit.inline_table()
            more["file"] = name
            entry = more
        there.append(entry)
        written = tomlkit.dumps(document)
    except (TOMLKitError, KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError("this key cannot be changed here", where=f"{SETTINGS_FILE}, key '{dotted}'", fix=_FIX) from error
    changed = bom + _same_line_ends(text, written).encode("utf-8")
    if settings_document(changed) != wanted:
        raise InputError("this key cannot be changed without others", where=f"{SETTINGS_FILE}, key '{dotted}'", fix=_FIX)
    return changed


def _with(document: Mapping[str, Any], keys: list[str], value: Any) -> dict[str, Any]:
    """Return a copy of the document with one key set or taken out, without tables that this leaves empty where it made them."""
    changed = dict(document)
    first, *rest = keys
    if rest:
        below = document.get(first, {})
        if not isinstance(below, Mapping):
            where = f"{SETTINGS_FILE}, key '{first}'"
            raise InputError(f"'{first}' holds a value, no table", where=where, fix=_FIX)
        if value is None and first not in document:
            return changed
        changed[first] = _with(below, rest, value)
    elif value is None:
        changed.pop(first, None)
    else:
        changed[first] = value
    return changed


def _set(document: MutableMapping[str, Any], keys: list[str], value: Any) -> None:
    *tables, key = keys
    place = document
    for name in tables:
        if name not in place:
            place[name] = tomlkit.table()
        place = place[name]
    if value is None:
        place.pop(key, None)
    else:
        place[key] = value


def _same_line_ends(before: str, written: str) -> str:
    """Give lines that were added the line end of the file."""
    if "\r\n" not in before:
        return written
    return written.replace("\r\n", "\n").replace("\n", "\r\n") if before.count("\n") == before.count("\r\n") else written
