"""Write files so that a stop at any moment leaves the old file or the new one, never half of one."""

from __future__ import annotations

import csv
import io
import math
import os
import tempfile
from collections.abc import Iterable, Sequence
from pathlib import Path

from meshplan.reporting.file_sets import cannot_write, force_to_disk, give_usual_rights, is_scratch

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_bytes_atomically(path: Path, data: bytes) -> Path:
    """Write a file beside its place, force it to the disk and move it there in one step; return its path.

    A file of a set (`file_sets.all_or_nothing`) is written plainly: the set takes care of it.
    """
    if is_scratch(path):
        return _write_plainly(path, data)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    except OSError as error:
        raise cannot_write(path, error) from error
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        give_usual_rights(part)
        force_to_disk(part)
        part.replace(path)
        force_to_disk(path.parent)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise cannot_write(path, error) from error
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return path


def _write_plainly(path: Path, data: bytes) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise cannot_write(path, error) from error
    return path


def write_text_atomically(path: Path, text: str) -> Path:
    """Write UTF-8 text with line feeds in one step; return the path."""
    return write_bytes_atomically(path, text.encode("utf-8"))


def csv_text(header: Sequence[str], rows: Iterable[Sequence[object]]) -> str:
    """Return a table as CSV text (RFC 4180 quoting, line feeds). None is an empty cell.

    A text that a spreadsheet would take for a formula gets an apostrophe in front, which spreadsheets read as "this is text".
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_cell(value) for value in row])
    return stream.getvalue()


def spreadsheet_safe(text: str) -> str:
    """Return the text, with an apostrophe in front where a spreadsheet would otherwise compute it."""
    return f"'{text}" if text.startswith(_FORMULA_STARTS) else text


def _cell(value: object) -> object:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return spreadsheet_safe(value) if isinstance(value, str) else value
