"""A table of details beside the places a phone marked: rows of the same names add their columns to them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from meshplan.errors import InputError, nearest_name
from meshplan.inputs.columns import is_empty
from meshplan.inputs.site_files import SiteRow, SiteTable

_PLACE = ("lon_deg", "lat_deg", "x_m", "y_m")


def join_tables(tables: Sequence[SiteTable]) -> list[SiteTable]:
    """Return tables in which each row of a plain table that bears the name of a phone's place has gone into that place.

    Positions stay those of the phone. Rows without a partner that have a position and a role of their own stay sites; others are
    told, and a name that looks misspelt is a fault, because its details would be lost.
    """
    phones = [table for table in tables if table.by_phone]
    if not phones:
        return list(tables)
    places = {str(row.raw.get("name", "")).strip().casefold(): (table, row) for table in phones for row in table.rows}
    details: dict[str, SiteRow] = {}
    result: dict[int, SiteTable] = {}
    for table in tables:
        if not table.by_phone and table.is_table:
            result[id(table)] = _without_partners(table, places, details, phones)
    lacking = []
    for table in phones:
        rows = []
        for row in table.rows:
            detail = details.get(str(row.raw.get("name", "")).strip().casefold())
            rows.append(row if detail is None else _joined(row, detail))
            if detail is None:
                lacking.append(str(row.raw.get("name", "")))
        result[id(table)] = replace(table, rows=rows)
    joined = [result.get(id(table), table) for table in tables]
    if details and lacking:
        files = ", ".join(dict.fromkeys(row.where.rsplit(", ", 1)[0] for row in details.values()))
        listed = ", ".join(lacking[:8]) + (f" and {len(lacking) - 8} more" if len(lacking) > 8 else "")
        first = next(number for number, table in enumerate(joined) if table.by_phone)
        reported = f"{files}: no row for {len(lacking)} marked place{'s' if len(lacking) > 1 else ''} ({listed})."
        joined[first] = replace(joined[first], warnings=[*joined[first].warnings, reported])
    return joined


def _without_partners(
    table: SiteTable, places: dict[str, tuple[SiteTable, SiteRow]], details: dict[str, SiteRow], phones: Sequence[SiteTable]
) -> SiteTable:
    """Return what is left of a table when the rows that belong to a phone's places have gone to `details`."""
    rows, faults, warnings = [], list(table.faults), list(table.warnings)
    shown = ", ".join(dict.fromkeys(row.where.rsplit(", ", 1)[0] for phone in phones for row in phone.rows))
    for row in table.rows:
        name = str(row.raw.get("name") or "").strip()
        key = name.casefold()
        if key in places and key not in details:
            details[key] = row
            continue
        whole = _has_place(row) and not is_empty(row.raw.get("role"))
        if whole or not name or key in places:
            rows.append(row)
            continue
        hint = nearest_name(name, [str(place.raw.get("name", "")) for _, place in places.values()])
        problem = f"'{name}' is no place of {shown} and has no position and role of its own"
        if hint:
            faults.append(
                InputError(f"{problem}.{hint}", where=row.where, fix="Write the name as it was marked, or remove the row.")
            )
        else:
            warnings.append(f"{row.where}: {problem}: it is not used.")
    return replace(table, rows=rows, faults=faults, warnings=warnings)


def _joined(place: SiteRow, detail: SiteRow) -> SiteRow:
    """Return a marked place with the cells of its row; the role guessed from its words gives way to a stated one."""
    given = {name: value for name, value in detail.raw.items() if not is_empty(value) and name not in ("name", *_PLACE)}
    notes = () if "role" in given else place.notes
    cells = ", ".join(name for name in given)
    reported = f"{place.where}: '{place.raw['name']}' takes {cells} from {detail.where}." if given else ""
    over = [
        f"{name} = {place.raw[name]}"
        for name, value in given.items()
        if name != "role" and not is_empty(place.raw.get(name)) and str(place.raw[name]).strip() != str(value).strip()
    ]
    if over:
        reported = f"{reported[:-1]}; what the place itself says gives way ({', '.join(over)})."
    moved = f"{detail.where}: its position is not used, {place.where} says it." if _has_place(detail) else ""
    return replace(
        place,
        where=f"{place.where} and {detail.where}" if given else place.where,
        raw=place.raw | given,
        notes=(*notes, *(line for line in (reported, moved) if line)),
        joined=True,
    )


def _has_place(row: SiteRow) -> bool:
    return any(all(not is_empty(row.raw.get(name)) for name in pair) for pair in (("lon_deg", "lat_deg"), ("x_m", "y_m")))
