"""What `meshplan land` left in a property folder, read back; and the credits that the files in use ask for."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from meshplan.errors import InputError
from meshplan.inputs.user_files import MOST_TEXT_BYTES, NestedTooDeepError, NumberTooLongError, content_of, json_of, optional_file
from meshplan.records.codec import record_from_values
from meshplan.records.land import LandRecord

LAND_FOLDER: Final = "land"
RECORD_FILE: Final = f"{LAND_FOLDER}/provenance.json"
FORMAT: Final = "meshplan land"
FORMAT_VERSION: Final = 1
_FIX: Final = f"Take {RECORD_FILE} away and run `meshplan land` again: files in their places are taken as put there by hand."


def read_land_record(folder: Path) -> LandRecord:
    """Return the record of a folder; an empty one where there is none."""
    path = folder / RECORD_FILE
    if not optional_file(path, RECORD_FILE):
        return LandRecord()
    try:
        document = json_of(content_of(path, RECORD_FILE).decode("utf-8"))
    except (json.JSONDecodeError, UnicodeDecodeError, NestedTooDeepError, NumberTooLongError) as error:
        raise InputError("cannot be read (it is no such record)", where=RECORD_FILE, fix=_FIX) from error
    if not isinstance(document, dict) or document.get("format") != FORMAT or document.get("format_version") != FORMAT_VERSION:
        raise InputError(f"is no record of format {FORMAT_VERSION}", where=RECORD_FILE, fix=_FIX)
    record = record_from_values(document.get("record"), LandRecord, where=RECORD_FILE, fix=_FIX)
    for words in _texts(record):
        if not words.isprintable():
            raise InputError("holds characters that cannot be printed", where=RECORD_FILE, fix=_FIX)
    for name in (*(entry.file for entry in record.files), *(name for search in record.searches for name in search.files)):
        if Path(name).is_absolute() or ".." in Path(name).parts or not name.startswith(f"{LAND_FOLDER}/"):
            raise InputError("names a file outside its folder", where=RECORD_FILE, fix=_FIX)
    return record


def part_name(file: str) -> str:
    """Return where the beginning of a file is kept while the rest has not come; no reader takes such a name."""
    return f"{file}.part"


def read_part(folder: Path, file: str, address: str) -> tuple[str, bytes]:
    """Return the state and the bytes of a file that has begun to come from an address; both empty where none has."""
    path = folder / part_name(file)
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_TEXT_BYTES:
            return "", b""
        head, _, data = path.read_bytes().partition(b"\n")
        known = json_of(head.decode("utf-8"))
    except (OSError, ValueError, NestedTooDeepError, NumberTooLongError):
        return "", b""
    if not isinstance(known, dict) or known.get("address") != address or not isinstance(known.get("etag"), str):
        return "", b""
    etag = known["etag"]
    return (etag, data) if etag.startswith('"') and etag.isprintable() and etag.isascii() else ("", b"")


def _texts(record: LandRecord) -> Iterable[str]:
    for entry in (*record.files, *record.missing, *record.searches):
        yield from (value for value in vars(entry).values() if isinstance(value, str))


def file_hash(path: Path) -> str:
    """Return the SHA-256 of a file."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def credits_of(folder: Path, names: Iterable[str]) -> tuple[str, ...]:
    """Return the credit of each source whose files are among these, with its licence, each once.

    A file that was changed since it was fetched still comes from its source.
    """
    used = set(names)
    record = read_land_record(folder)
    return tuple(dict.fromkeys(f"{entry.credit} ({entry.licence})" for entry in record.files if entry.file in used))
