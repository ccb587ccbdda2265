"""Tables of readings from anywhere: separators, encodings, and which heading means what."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

from meshplan.errors import InputError, MeshplanError, nearest_name
from meshplan.inputs.columns import fold, heading_names, is_empty
from meshplan.inputs.decimal_commas import with_points
from meshplan.inputs.measurement_columns import READING_COLUMNS

_IGNORED = frozenset(fold(name) for name in ("link", "id", "distance_m", "packet_id", "sf", "bandwidth_khz"))


@dataclass
class ReadingTable:
    """Rows of one file by column name, and what was noticed."""

    shown: str
    rows: list[tuple[str, dict[str, object]]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    unfilled: int = 0


def read_table(
    content: bytes, shown: str, renamed: Mapping[str, str], faults: list[MeshplanError], *, heard_by: str | None = None
) -> ReadingTable:
    """Return the rows of a table under our column names; those without a receiver get `heard_by`."""
    table = ReadingTable(shown)
    try:
        written = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig")
    except UnicodeDecodeError:
        written = content.decode("cp1252", errors="replace")
        table.notes.append(f"{shown}: is not UTF-8 text, read as Windows-1252 (Latin).")
    first = next((line for line in written.splitlines() if line.strip() and not line.startswith("#")), "")
    delimiter = max(",;\t|", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(written, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error as error:
        faults.append(InputError(f"cannot be read as a table ({error})", where=shown, fix="Look for an open quotation mark."))
        return table
    numbered = [(n, row) for n, row in enumerate(rows, start=1) if any(c.strip() for c in row) and not row[0].startswith("#")]
    if not numbered:
        faults.append(InputError("the file is empty", where=shown, fix="Write a header and one row for each reading."))
        return table
    header_number, header = numbered[0]
    names = _match(header, f"{shown}, row {header_number}", renamed, table, faults, heard_by)
    for n, row in numbered[1:]:
        where = f"{shown}, row {n}"
        if len(row) > len(header) and any(c.strip() for c in row[len(header) :]):
            faults.append(
                InputError(
                    f"there are {len(row)} values for {len(header)} columns",
                    where=where,
                    fix="Write numbers with a decimal point, and put text with commas between quotation marks.",
                )
            )
            continue
        raw = {name: row[i].strip() if i < len(row) else None for i, name in names.items()}
        table.rows.append((where, {name: _unguarded(value) for name, value in raw.items()}))
    cells, notes = with_points(table.rows, delimiter, shown)
    table.rows = [(where, raw) for (where, _), raw in zip(table.rows, cells, strict=True)]
    table.notes.extend(notes)
    if heard_by is not None:
        _hear(table, heard_by)
    return table


def _hear(table: ReadingTable, receiver: str) -> None:
    """Name the receiver of the rows that name none."""
    silent = [raw for _, raw in table.rows if all(is_empty(raw.get(name)) for name in ("b", "b_lon_deg", "b_lat_deg"))]
    for raw in silent:
        raw["b"] = receiver.strip()
    if silent:
        rows = "1 row names" if len(silent) == 1 else f"{len(silent)} rows name"
        table.notes.append(f"{table.shown}: {rows} no receiver and were heard by {receiver.strip()}, as --to says.")


def _unguarded(value: str | None) -> str | None:
    """Return a cell without the apostrophe that keeps spreadsheets from computing it; a name may well begin with one."""
    return value[1:] if value and value[0] == "'" and value[1:2] in ("=", "+", "-", "@") else value


def _match(
    header: Sequence[str],
    where: str,
    renamed: Mapping[str, str],
    table: ReadingTable,
    faults: list[MeshplanError],
    heard_by: str | None,
) -> dict[int, str]:
    """Return which heading feeds which column. Foreign tables have many headings: unknown ones are only told."""
    exact, known = heading_names(READING_COLUMNS)
    known |= {fold(heading): name for heading, name in renamed.items()}
    for heading, name in renamed.items():
        if name not in exact.values():
            fix = f"Use one of: {', '.join(exact.values())}."
            faults.append(InputError(f"'{name}' is no column of readings.{nearest_name(name, exact)}", where=where, fix=fix))
        if fold(heading) not in {fold(h) for h in header}:
            faults.append(InputError(f"there is no column '{heading}'", where=where, fix="Name a heading of the file."))
    ranked = sorted(
        range(len(header)), key=lambda i: (fold(header[i]) not in {fold(h) for h in renamed}, fold(header[i]) not in exact, i)
    )
    names: dict[int, str] = {}
    unknown: list[int] = []
    for i in ranked:
        known_name = known.get(fold(header[i]))
        if known_name is not None and known_name not in names.values():
            names[i] = known_name
        elif known_name is not None:
            table.notes.append(f"{where}: column '{header[i]}' is not read, because '{known_name}' is there.")
        elif fold(header[i]) and fold(header[i]) not in _IGNORED:
            unknown.append(i)
    for i in sorted(unknown):
        close = get_close_matches(fold(header[i]), [k for k, name in known.items() if name not in names.values()], 1, 0.87)
        if close:
            problem = f"column '{header[i]}' is not known. Did you mean '{close[0]}'?"
            faults.append(InputError(problem, where=where, fix="Rename the column, or remove it."))
        else:
            table.notes.append(f"{where}: column '{header[i]}' is not known and is not read.")
    _needed(set(names.values()) | ({"b"} if heard_by is not None else set()), where, faults)
    return names


def _ends_fix(names: set[str]) -> str:
    """Return how to name the ends; a phone's log has one receiver for all rows."""
    fix = "Add columns a and b, with names or coordinates."
    if names & {"b", "b_lon_deg"} or not names & {"a", "a_lon_deg", "date_time"}:
        return fix
    return f"{fix} If one gateway heard all of it, name it once: --to NAME."


def _needed(names: set[str], where: str, faults: list[MeshplanError]) -> None:
    """Add the faults of a table that cannot hold a reading."""
    if not names & {"b", "b_lon_deg"} or (not names & {"a", "a_lon_deg", "date_time"}):
        faults.append(InputError("the two ends of a link are not named", where=where, fix=_ends_fix(names)))
    for end in ("a", "b"):
        if len(names & {f"{end}_lon_deg", f"{end}_lat_deg"}) == 1:
            faults.append(InputError(f"only half a position of {end}", where=where, fix="Give longitude and latitude."))
    if not names & {"power_dbm", "rssi_dbm", "snr_db", "received", "heard", "received_percent"}:
        faults.append(InputError("nothing measured is in it", where=where, fix="Add power_dbm, snr_db, or sent and received."))
