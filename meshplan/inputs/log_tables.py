"""Logs of any form, read in portions: CSV, JSON lines, SQLite, Parquet. Each portion is a frame of raw cells by heading."""

from __future__ import annotations

import csv
import itertools
import json
import re
import sqlite3
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

import pandas as pd

from meshplan.errors import InputError, MeshplanError, MissingPackageError
from meshplan.inputs.user_files import present_file, reason, short

PORTION: Final = 100_000
"""Rows held as text at a time, about 60 MB."""
HEAD_BYTES: Final = 65_536
SQLITE_MARK: Final = b"SQLite format 3\x00"
PARQUET_MARK: Final = b"PAR1"
LONGEST_LINE: Final = 1_000_000
DEEPEST: Final = 6


class LogTable:
    """One log file, and what was noticed while it was read."""

    def __init__(self, path: Path, shown: str, *, table: str = "", wanted: Sequence[str] = ()) -> None:
        fault = present_file(path, shown, "log")
        if fault is not None:
            raise type(fault)(fault.problem, where=fault.where, fix="Name a log that a gateway or broker kept.")
        self.path, self.shown, self.table, self.wanted = path, shown, table, tuple(wanted)
        self.broken = 0
        """Rows that could not be read."""
        self.first_broken = ""
        with path.open("rb") as stream:
            self.head = stream.read(HEAD_BYTES)

    @property
    def kind(self) -> str:
        """What the file is, by its first bytes: sqlite, parquet, json or csv."""
        if self.head.startswith(SQLITE_MARK):
            return "sqlite"
        if self.head.startswith(PARQUET_MARK):
            return "parquet"
        start = self.head.removeprefix(b"\xef\xbb\xbf").lstrip()
        if start[:1] == b"[":
            raise InputError(
                "this is one JSON list",
                where=self.shown,
                fix="Write one object a line (JSON lines), so that it can be read in portions.",
            )
        return "json" if start[:1] == b"{" else "csv"

    def portions(self) -> Iterator[pd.DataFrame]:
        """Return frames of cells as text or numbers, by heading as it is written."""
        with _told(self.shown):
            yield from {"sqlite": self._sqlite, "parquet": self._parquet, "json": self._json, "csv": self._csv}[self.kind]()

    def _csv(self) -> Iterator[pd.DataFrame]:
        encoding = _encoding(self.head)
        lines = [line for line in self.head.decode(encoding, errors="replace").splitlines() if line.strip()]
        skipped = len(list(itertools.takewhile(lambda line: line.startswith("#"), lines)))
        if skipped == len(lines):
            raise InputError("there is no heading in it", where=self.shown, fix="Write a row of headings first.")
        delimiter = max(",;\t|", key=lines[skipped].count)
        headings = next(csv.reader([lines[skipped]], delimiter=delimiter))
        seen = [heading for heading in set(headings) if headings.count(heading) > 1 and heading.strip()]
        if seen:
            raise InputError(
                f"'{short(sorted(seen)[0])}' stands twice among the headings", where=self.shown, fix="Keep one of the columns."
            )
        row = skipped + 1
        frames = pd.read_csv(
            self.path, sep=delimiter, dtype=str, chunksize=PORTION, encoding=encoding, encoding_errors="replace", engine="c",
            on_bad_lines="warn", keep_default_na=False, comment="#", skipinitialspace=True, index_col=False, low_memory=False,
        )  # fmt: skip
        while True:
            with warnings.catch_warnings(record=True) as told:
                warnings.simplefilter("always")
                frame = next(frames, None)
            for warning in told:
                lines_told = re.findall(r"line (\d+)", str(warning.message))
                self.broken += len(lines_told)
                self.first_broken = self.first_broken or (f"row {lines_told[0]}, too many values" if lines_told else "")
            if frame is None:
                return
            frame.index = range(row + 1, row + 1 + len(frame))
            row += len(frame)
            yield frame

    def _json(self) -> Iterator[pd.DataFrame]:
        rows: list[dict[str, Any]] = []
        numbers: list[int] = []
        with self.path.open("rb") as stream:
            number = 0
            while line := stream.readline(LONGEST_LINE):
                number += 1
                if not line.strip():
                    continue
                try:
                    document = json.loads(line)
                    found = list(_flat(document)) if isinstance(document, dict) else []
                except (ValueError, RecursionError):
                    found = []
                if not found:
                    self.broken += 1
                    self.first_broken = self.first_broken or f"row {number}, no JSON object"
                rows += found
                numbers += [number] * len(found)
                if len(rows) >= PORTION:
                    yield pd.DataFrame(rows, index=numbers)
                    rows, numbers = [], []
        if rows:
            yield pd.DataFrame(rows, index=numbers)

    def _sqlite(self) -> Iterator[pd.DataFrame]:
        base = sqlite3.connect(f"{self.path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)
        base.text_factory = lambda raw: raw.decode("utf-8", errors="replace")
        try:
            tables = [row[0] for row in base.execute("SELECT name FROM sqlite_master WHERE type IN ('table','view') ORDER BY name")]
            tables = [name for name in tables if not name.startswith("sqlite_")]
            name = self._table_of(tables)
            rows = base.execute(f"SELECT * FROM {_quoted(name)}")
            headings = [column[0] for column in rows.description]
            row = 0
            while part := rows.fetchmany(PORTION):
                frame = pd.DataFrame(part, columns=headings, index=range(row + 1, row + 1 + len(part)), dtype=object)
                row += len(part)
                yield frame
        finally:
            base.close()

    def _table_of(self, tables: Sequence[str]) -> str:
        if not tables:
            raise InputError("there is no table in it", where=self.shown, fix="Name the file with the log.")
        if self.table:
            if self.table in tables:
                return self.table
            fix = f"It has: {', '.join(map(short, tables[:10]))}."
            raise InputError(f"there is no table '{short(self.table)}'", where=self.shown, fix=fix)
        if len(tables) == 1:
            return tables[0]
        fix = f"Say which holds the log: --table {short(tables[0])} (it has: {', '.join(map(short, tables[:10]))})."
        raise InputError(f"there are {len(tables)} tables in it", where=self.shown, fix=fix)

    def _parquet(self) -> Iterator[pd.DataFrame]:
        try:
            from pyarrow import parquet  # noqa: PLC0415 - an extra
        except ImportError as error:
            raise MissingPackageError(
                "reading Parquet needs one more package",
                where=self.shown,
                fix="Install it: pip install 'meshplan[parquet]', or export the log as CSV.",
            ) from error
        row = 0
        with parquet.ParquetFile(self.path) as file:
            for part in file.iter_batches(batch_size=PORTION):
                frame = part.to_pandas()
                frame.index = range(row + 1, row + 1 + len(frame))
                row += len(frame)
                yield frame


class _told:  # noqa: N801 - used as a word in a with statement
    """Turn what libraries raise about a broken file into words."""

    def __init__(self, shown: str) -> None:
        self.shown = shown

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: object) -> None:
        if error is None or isinstance(error, MeshplanError | GeneratorExit) or not isinstance(error, Exception):
            return
        if isinstance(error, OSError) and error.strerror:
            raise InputError(f"cannot be read ({reason(error)})", where=self.shown, fix="Look whether you may read it.") from error
        words = short(" ".join(str(error).split()), 120)
        raise InputError(
            f"cannot be read to its end ({words})",
            where=self.shown,
            fix="Look for an open quotation mark or a file that was cut off, or export the log again.",
        ) from error


def _encoding(head: bytes) -> str:
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    try:
        head[: len(head) - 4].decode("utf-8")
    except UnicodeDecodeError as error:
        return "utf-8" if error.start > len(head) - 8 else "cp1252"
    return "utf-8-sig"


def _quoted(name: str) -> str:
    escaped = name.replace('"', '""')
    return f'"{escaped}"'


def _flat(document: dict[str, Any], before: str = "", depth: int = 0) -> Iterator[dict[str, Any]]:
    """Return the rows of one object: keys of objects inside it joined by dots, one row for each object of a list in it."""
    plain: dict[str, Any] = {}
    lists: list[list[dict[str, Any]]] = []
    for key, value in document.items():
        name = f"{before}{key}"
        if isinstance(value, dict) and depth < DEEPEST:
            inside = list(_flat(value, f"{name}.", depth + 1))
            if len(inside) == 1:
                plain |= inside[0]
            elif inside:
                lists.append(inside)
        elif isinstance(value, list) and value and all(isinstance(each, dict) for each in value) and depth < DEEPEST:
            lists.append([row for each in value for row in _flat(each, f"{name}.", depth + 1)])
        elif not isinstance(value, dict | list):
            plain[name] = value
    if not lists:
        yield plain
        return
    for row in lists[0]:
        yield plain | row
