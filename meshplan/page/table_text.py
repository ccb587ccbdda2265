"""Tables of the user rewritten cell by cell: every byte that is not part of a touched cell or row stays as it is.

The text is cut into cells by the rules that the reader follows (`inputs.site_files`: commas, semicolons, tabs or bars, quotation
marks doubled inside a quoted cell, lines that begin with # left out), and each cell keeps its place in the text.
"""

from __future__ import annotations

import codecs
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from meshplan.errors import InputError

_MARKS: Final = ",;\t|"
_UTF16: Final = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}


@dataclass(frozen=True)
class Cell:
    """One cell: what it says, and from where to where it stands in the text, quotation marks included."""

    value: str
    start: int
    end: int


@dataclass(frozen=True)
class Row:
    """One row of cells; `end` lies behind its line end."""

    cells: tuple[Cell, ...]
    start: int
    end: int

    @property
    def is_told(self) -> bool:
        """Whether the reader reads it: neither empty nor a comment."""
        return any(cell.value.strip() for cell in self.cells) and not self.cells[0].value.startswith("#")


@dataclass(frozen=True)
class Table:
    """A table with the place of each cell."""

    text: str
    mark: str
    """What stands between cells."""
    bom: bytes
    encoding: str
    line_end: str
    rows: tuple[Row, ...]
    """Every row, empty ones and comments too, so that the number of a row is that of the reader's messages."""

    @property
    def header(self) -> Row:
        """The row of headings."""
        return self.rows[self.told[0]]

    @property
    def told(self) -> tuple[int, ...]:
        """Places in `rows` of the headings and of each row that is read."""
        return tuple(place for place, row in enumerate(self.rows) if row.is_told)

    def headings(self) -> tuple[str, ...]:
        """Return the headings without blanks around them."""
        return tuple(cell.value.strip() for cell in self.header.cells)


def table_of(content: bytes, shown: str) -> Table:
    """Return a table with the places of its cells.

    Raises
    ------
    InputError
        Where the reader could not read it either, or where the text would not come back to the same bytes.
    """
    bom, encoding = _encoding_of(content)
    body = content[len(bom) :]
    try:
        text = body.decode(encoding)
    except UnicodeDecodeError as error:
        fix = "Save it as UTF-8 in your editor."
        raise InputError("cannot be changed here: its letters cannot all be read", where=shown, fix=fix) from error
    first = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    if not first:
        raise InputError("the file is empty", where=shown, fix="Write a header and one row for each site.")
    mark = max(_MARKS, key=first.count)
    rows = tuple(_rows(text, mark, shown))
    table = Table(text, mark, bom, encoding, _line_end(text), rows)
    if not table.told:
        raise InputError("the file holds nothing but separators", where=shown, fix="Write a header and one row for each site.")
    return table


def with_cells(table: Table, row: int, values: Mapping[str, str], shown: str) -> bytes:
    """Return the file with some cells of one row changed.

    Parameters
    ----------
    table : Table
    row : int
        Place in `table.rows`.
    values : mapping
        New text by heading as it stands in the file. A heading that is not there becomes a new last column.
    shown : str
        Name of the file.
    """
    changes: list[tuple[int, int, str]] = []
    headings = list(table.headings())
    new = [name for name in values if name not in headings]
    if new:
        end = table.header.cells[-1].end
        changes.append((end, end, "".join(table.mark + _written(name, table.mark) for name in new)))
    headings += new
    cells = table.rows[row].cells
    behind = ["" for _ in headings[len(cells) :]]
    for name, value in values.items():
        place = headings.index(name)
        if place < len(cells):
            if cells[place].value != value:
                changes.append((cells[place].start, cells[place].end, _written(value, table.mark, cells[place], table.text)))
        else:
            behind[place - len(cells)] = _written(value, table.mark)
    while behind and not behind[-1]:
        behind.pop()
    if behind:
        changes.append((cells[-1].end, cells[-1].end, "".join(table.mark + word for word in behind)))
    return _bytes(table, changes, shown)


def with_row(table: Table, values: Mapping[str, str], shown: str) -> bytes:
    """Return the file with one more row at its end; a heading that is not there becomes a new last column."""
    headings = list(table.headings())
    new = [name for name in values if name not in headings]
    changes: list[tuple[int, int, str]] = []
    if new:
        end = table.header.cells[-1].end
        changes.append((end, end, "".join(table.mark + _written(name, table.mark) for name in new)))
    words = [_written(values.get(name, ""), table.mark) for name in [*headings, *new]]
    last = table.rows[table.told[-1]]
    ended = table.text[last.start : last.end].endswith(("\n", "\r"))
    row = table.mark.join(words)
    changes.append((last.end, last.end, f"{row}{table.line_end}" if ended else f"{table.line_end}{row}"))
    return _bytes(table, changes, shown)


def without_row(table: Table, row: int, shown: str) -> bytes:
    """Return the file without one row."""
    gone = table.rows[row]
    return _bytes(table, [(gone.start, gone.end, "")], shown)


def _bytes(table: Table, changes: Sequence[tuple[int, int, str]], shown: str) -> bytes:
    text = table.text
    for start, end, words in sorted(changes, key=lambda change: change[0], reverse=True):
        text = text[:start] + words + text[end:]
    try:
        return table.bom + text.encode(table.encoding)
    except UnicodeEncodeError as error:
        letter = error.object[error.start]
        fix = f"Save the file as UTF-8 in your editor, or write it without '{letter}'."
        raise InputError(f"its letters (Windows-1252) have no '{letter}'", where=shown, fix=fix) from error


def _encoding_of(content: bytes) -> tuple[bytes, str]:
    """Return the mark at the start of a file and how its letters are written, as the reader judges it."""
    for bom, name in _UTF16.items():
        if content.startswith(bom):
            return bom, name
    bom = codecs.BOM_UTF8 if content.startswith(codecs.BOM_UTF8) else b""
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return b"", "cp1252"
    return bom, "utf-8"


def _line_end(text: str) -> str:
    for place, letter in enumerate(text):
        if letter == "\r":
            return "\r\n" if text[place + 1 : place + 2] == "\n" else "\r"
        if letter == "\n":
            return "\n"
    return "\n"


def _written(value: str, mark: str, before: Cell | None = None, text: str = "") -> str:
    """Return a cell as it is to stand in the file: quoted where it must be, or where the cell before was."""
    was_quoted = before is not None and text[before.start : before.end].startswith('"')
    needs = any(letter in value for letter in (mark, '"', "\n", "\r")) or value != value.strip(" ") or value.startswith("#")
    if was_quoted or needs:
        return '"' + value.replace('"', '""') + '"'
    return value


def _rows(text: str, mark: str, shown: str) -> Iterator[Row]:
    place = 0
    while place < len(text):
        start, cells = place, []
        if text[place] not in "\r\n":
            while True:
                cell, place = _cell(text, place, mark, shown)
                cells.append(cell)
                if place >= len(text) or text[place] != mark:
                    break
                place += 1
        place += 2 if text.startswith("\r\n", place) else 1 if place < len(text) else 0
        yield Row(tuple(cells), start, place)


def _cell(text: str, place: int, mark: str, shown: str) -> tuple[Cell, int]:
    """Return the cell that begins at a place, and the place behind it: a separator, a line end or the end."""
    while text.startswith(" ", place):
        place += 1
    start = place
    if not text.startswith('"', place):
        place = _first(text, place, lambda letter: letter == mark or letter in "\r\n")
        return Cell(text[start:place], start, place), place
    parts: list[str] = []
    while True:
        closing = text.find('"', place + 1)
        if closing < 0:
            raise _unclosed(shown)
        parts.append(text[place + 1 : closing])
        place = closing
        if not text.startswith('"', closing + 1):
            break
        place = closing + 1
    place += 1
    if place < len(text) and text[place] != mark and text[place] not in "\r\n":
        raise _unclosed(shown)
    return Cell('"'.join(parts), start, place), place


def _first(text: str, place: int, fits: Callable[[str], bool]) -> int:
    while place < len(text) and not fits(text[place]):
        place += 1
    return place


def _unclosed(shown: str) -> InputError:
    return InputError("cannot be read as a table", where=shown, fix="Look for a quotation mark that is not closed.")
