"""Sites files of every format, as rows of raw values: tables, map files, and what a phone records."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.columns import Column, is_empty, match_headings
from meshplan.inputs.decimal_commas import with_points
from meshplan.inputs.site_columns import ROLE_WORDS, SITE_COLUMNS
from meshplan.inputs.user_files import content_of, present_file
from meshplan.inputs.vector import WGS84, Feature, no_degrees, point_mover, read_features
from meshplan.records import Role

TABLE_SUFFIXES = (".csv", ".tsv", ".txt")
_NO_TEXT = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
"""How workbooks of spreadsheet programs begin, the newer and the older kind."""
PHONE_SUFFIXES = (".gpx", ".kml", ".kmz")
_PHONE_FIELDS = tuple(
    re.findall(
        r"\w+",
        """
        ele time magvar geoidheight cmt src link1_href link1_text link1_type link2_href link2_text link2_type fix sat hdop vdop
        pdop ageofdgpsdata dgpsid timestamp begin end altitudemode tessellate extrude visibility draworder icon snippet
        description desc sym type fid styleurl id
        """,
    )
)
"""Written by recorders and map programs beside what is read."""
_ROLE_PATTERN = re.compile(
    r"\b(" + "|".join(sorted([*ROLE_WORDS, *(role.value for role in Role)], key=len, reverse=True)) + r")s?\b",
    re.IGNORECASE,
)
_PLAIN_ROLE_PATTERN = re.compile(r"\b(gateway|gw|relay|repeater|sensor|node)s?\b", re.IGNORECASE)
"""In free text only words that mean nothing else."""
_TEXT_PAIR = re.compile(r"^\s*([A-Za-z_][\w ]*?)\s*[=:]\s*(.+?)\s*$")


@dataclass(frozen=True)
class SiteRow:
    """One row: raw values by column name, and the position if the format keeps it apart."""

    where: str
    raw: dict[str, object]
    lon_lat_deg: tuple[float, float] | None = None
    notes: tuple[str, ...] = ()
    """What was guessed of this row alone."""
    joined: bool = False
    """Whether a row of a table has added its cells to this marked place."""
    stated_amsl_m: float | None = None
    """Height of the place itself as the recorder wrote it."""


@dataclass
class SiteTable:
    """All rows of one file, and what was noticed on the way."""

    word: str
    """What this format calls a column."""
    rows: list[SiteRow] = field(default_factory=list)
    faults: list[MeshplanError] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)
    by_phone: bool = False
    """Whether a phone or map program marked the places (GPX, KML)."""
    is_table: bool = False


NO_SITE_YET = "there is a header but no site"
EMPTY_FIX = "Write a header and one row for each site."


def read_site_file(
    path: Path, shown: str, default_crs: str | None, *, beside_phone: bool = False, more_columns: Sequence[Column] = ()
) -> SiteTable:
    """Return the rows of a sites file; what is wrong stands in `faults`.

    With `beside_phone` there is a file of marked places as well: a table may then leave out role and position. `more_columns` are
    those that only this file has; their cells stay raw.
    """
    fault = present_file(path, shown, "sites")
    if fault is not None:
        return SiteTable("column", faults=[fault])
    if path.suffix.lower() in TABLE_SUFFIXES:
        return _read_table(path, shown, beside_phone=beside_phone, more_columns=more_columns)
    return _read_map_file(path, shown, default_crs)


def _read_table(path: Path, shown: str, *, beside_phone: bool = False, more_columns: Sequence[Column] = ()) -> SiteTable:
    table = SiteTable("column", is_table=True)
    try:
        written = content_of(path, shown)
    except MeshplanError as fault:
        table.faults.append(fault)
        return table
    if written[:4] in _NO_TEXT:
        table.faults.append(InputError("is a workbook or an archive, not text", where=shown, fix="Save the table as CSV."))
        return table
    content, note = _decode(written, shown)
    if note:
        table.assumptions.append(note)
    lines = content.splitlines()
    first = next((line for line in lines if line.strip() and not line.startswith("#")), "")
    if not first:
        table.faults.append(InputError("the file is empty", where=shown, fix=EMPTY_FIX))
        return table
    delimiter = max(",;\t|", key=first.count)
    try:
        rows = list(csv.reader(io.StringIO(content, newline=""), delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error as error:
        table.faults.append(
            InputError(f"cannot be read as a table ({error})", where=shown, fix="Look for a quotation mark that is not closed.")
        )
        return table
    numbered = [
        (number, row)
        for number, row in enumerate(rows, start=1)
        if any(cell.strip() for cell in row) and not row[0].startswith("#")
    ]
    if not numbered:
        table.faults.append(InputError("the file holds nothing but separators", where=shown, fix=EMPTY_FIX))
        return table
    header_number, header = numbered[0]
    header = [cell.strip() for cell in header]
    columns = [_optional(column) if beside_phone and column.name == "role" else column for column in SITE_COLUMNS]
    columns += more_columns
    headings = match_headings(header, columns, f"{shown}, row {header_number}")
    table.faults.extend(headings.faults)
    table.warnings.extend(headings.warnings)
    if not beside_phone:
        table.faults.extend(_position_columns(set(headings.columns.values()), f"{shown}, row {header_number}"))
    if len(numbered) == 1:
        table.faults.append(InputError(NO_SITE_YET, where=shown, fix="Write one row for each site below the header."))
    for number, row in numbered[1:]:
        where = f"{shown}, row {number}"
        if len(row) > len(header) and any(cell.strip() for cell in row[len(header) :]):
            table.faults.append(
                InputError(
                    f"there are {len(row)} values for {len(header)} columns",
                    where=where,
                    fix="Write numbers with a decimal point, and put text that holds "
                    f"{_mark_name(delimiter)} between quotation marks.",
                )
            )
            continue
        by_heading = dict(zip(header, row, strict=False))
        table.rows.append(SiteRow(where, {column: by_heading.get(heading) for heading, column in headings.columns.items()}))
    cells, notes = with_points([(row.where, row.raw) for row in table.rows], delimiter, shown)
    table.rows = [replace(row, raw=raw) for row, raw in zip(table.rows, cells, strict=True)]
    table.assumptions.extend(notes)
    return table


def _mark_name(delimiter: str) -> str:
    return {",": "a comma", ";": "a semicolon", "\t": "a tab", "|": "a bar"}[delimiter]


def _decode(content: bytes, shown: str) -> tuple[str, str]:
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return content.decode("utf-16", errors="replace"), ""
    try:
        return content.decode("utf-8-sig"), ""
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace"), f"{shown}: is not UTF-8 text, read as Windows-1252 (Latin)."


def _position_columns(columns: set[str], where: str) -> list[MeshplanError]:
    """Return the fault of a table that says no position."""
    if {"lon_deg", "lat_deg"} <= columns or {"x_m", "y_m"} <= columns:
        return []
    half = columns & {"lon_deg", "lat_deg", "x_m", "y_m"}
    partner = {"lon_deg": "lat_deg", "lat_deg": "lon_deg", "x_m": "y_m", "y_m": "x_m"}
    if half:
        missing = " and ".join(f"'{partner[name]}'" for name in sorted(half))
        return [InputError(f"column {missing} is missing", where=where, fix=f"Add {missing}.")]
    return [
        InputError(
            "no columns say where the sites are",
            where=where,
            fix="Add 'lon_deg' and 'lat_deg', decimal degrees of WGS 84.",
        )
    ]


def _read_map_file(path: Path, shown: str, default_crs: str | None) -> SiteTable:
    phone = path.suffix.lower() in PHONE_SUFFIXES
    table = SiteTable("field", by_phone=phone)
    try:
        file = read_features(
            path,
            shown,
            key="sites",
            default_crs=default_crs,
            layers=("waypoints",) if path.suffix.lower() == ".gpx" else None,
        )
    except FaultList as faults:
        table.faults.extend(faults.faults)
        return table
    except MeshplanError as fault:
        table.faults.append(fault)
        return table
    table.warnings.extend(file.warnings)
    needed = [column for column in SITE_COLUMNS if column.name not in ("role", "name")] if phone else list(SITE_COLUMNS)
    named = [column for column in SITE_COLUMNS if phone and column.name in ("role", "name")]
    headings = match_headings(
        file.headings,
        [*needed, *(_optional(column) for column in named)],
        shown,
        ignored=_PHONE_FIELDS if phone else ("fid", "ogc_fid", "objectid"),
        word="field",
    )
    table.faults.extend(headings.faults)
    table.warnings.extend(headings.warnings)
    skipped = 0
    for feature in file.features:
        geometry = feature.geometry
        if geometry is not None and geometry.geom_type == "MultiPoint" and len(geometry.geoms) == 1:
            geometry = geometry.geoms[0]
        if geometry is None or geometry.is_empty:
            table.faults.append(InputError("has no position", where=feature.where, fix="Give it a point, or remove it."))
        elif geometry.geom_type != "Point":
            skipped += 1
        elif (wrong := no_degrees(feature)) is not None:
            table.faults.append(wrong)
        else:
            raw = {column: feature.attributes.get(heading) for heading, column in headings.columns.items()}
            notes = _add_texts(raw, feature, table) if phone else ()
            lon_deg, lat_deg = point_mover(feature.crs, WGS84)(geometry.x, geometry.y)
            stated_m = _stated_height_m(feature) if phone else None
            table.rows.append(SiteRow(feature.where, raw, (float(lon_deg), float(lat_deg)), notes, stated_amsl_m=stated_m))
    if skipped:
        table.warnings.append(f"{shown}: {skipped} lines or areas are not points and are not read as sites.")
    if not table.rows and not table.faults:
        table.faults.append(InputError("holds no points", where=shown, fix="Mark each site as a waypoint or draw it as a point."))
    return table


def _stated_height_m(feature: Feature) -> float | None:
    """Return the height above sea level that a recorder wrote (ele of GPX, altitude of KML); 0 stands for none there."""
    fields = {key.casefold(): value for key, value in feature.attributes.items()}
    if str(fields.get("altitudemode") or "").casefold().startswith("relative"):
        return None  # above the ground, not above the sea
    ele = fields.get("ele")
    written = ele if isinstance(ele, float) else feature.z
    return written if written is not None and math.isfinite(written) and written != 0.0 else None


def _optional(column: Column) -> Column:
    return replace(column, required=False)


def _add_texts(raw: dict[str, object], feature: Feature, table: SiteTable) -> tuple[str, ...]:
    """Take columns from "key: value" lines of a description, and the role from its words; return what the role rests on."""
    texts = {key.casefold(): str(value) for key, value in feature.attributes.items() if not is_empty(value)}
    described = "\n".join(texts.get(key, "") for key in ("desc", "description", "cmt"))
    described = re.sub(r"<[^>]+>", "\n", described)
    pairs: dict[str, object] = {found[1]: found[2] for line in re.split(r"[\n;]", described) if (found := _TEXT_PAIR.match(line))}
    matched = match_headings(tuple(pairs), SITE_COLUMNS, feature.where, word="line")
    table.warnings.extend(f"{fault.where}: {fault.problem}" for fault in matched.faults if "not known" in fault.problem)
    for heading, column in matched.columns.items():
        if is_empty(raw.get(column)):
            raw[column] = pairs[heading]
    if is_empty(raw.get("name")):
        raw["name"] = feature.where.rsplit(", ", 1)[1]
        table.assumptions.append(f"{feature.where}: has no name and is called '{raw['name']}'.")
    if not is_empty(raw.get("role")):
        return ()
    for source in ("type", "sym", "name", "desc", "description", "cmt"):
        pattern = _ROLE_PATTERN if source in ("type", "sym") else _PLAIN_ROLE_PATTERN
        found = pattern.search(texts.get(source, ""))
        if found:
            word = found[1].casefold()
            raw["role"] = ROLE_WORDS.get(word) or Role(word)
            return (f"{feature.where}: '{raw['name']}' is taken as a {raw['role']}, because its {source} says '{found[0]}'.",)
    raw["role"] = Role.SENSOR
    return (f"{feature.where}: '{raw['name']}' says no role and is taken as a sensor.",)
