"""Write files so that a stop at any moment leaves the old file or the new one, never half of one."""

from __future__ import annotations

import csv
import io
import math
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from meshplan.errors import MeshplanError

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def write_bytes_atomically(path: Path, data: bytes) -> Path:
    """Write a file beside its place and move it there in one step; return its path."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    except OSError as error:
        raise _cannot_write(path, error) from error
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        _give_usual_rights(part)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise _cannot_write(path, error) from error
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return path


def write_text_atomically(path: Path, text: str) -> Path:
    """Write UTF-8 text with line feeds in one step; return the path."""
    return write_bytes_atomically(path, text.encode("utf-8"))


@contextmanager
def all_or_nothing(folder: Path) -> Iterator[Path]:
    """Give a scratch folder; when the block ends well its files take their places in `folder`, else none does.

    Files of the same names are replaced; others in the folder are left alone.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(dir=folder, prefix=".meshplan.", suffix=".part"))
    except OSError as error:
        raise _cannot_write(folder, error) from error
    try:
        yield scratch
        for part in sorted(path for path in scratch.rglob("*") if path.is_file()):
            target = folder / part.relative_to(scratch)
            try:
                target.parent.mkdir(parents=True, exist_ok=True)
                _give_usual_rights(part)
                part.replace(target)
            except OSError as error:
                raise _cannot_write(target, error) from error
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


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


def _give_usual_rights(path: Path) -> None:
    """Give the file the rights any new file would have; temporary files are private by default."""
    mask = os.umask(0)
    os.umask(mask)
    path.chmod(0o666 & ~mask)


def _cannot_write(path: Path, error: OSError) -> MeshplanError:
    return MeshplanError(
        f"cannot be written: {error.strerror or error}",
        where=str(path),
        fix="Choose a folder you may write to, or close the program that holds the file.",
    )
