"""Changes saved from the map: rows that replace parts of the sites of the same names, and rows that are places of their own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, Final

from meshplan.errors import InputError, MeshplanError, nearest_name
from meshplan.inputs.columns import Column, is_empty, read_values, yes_or_no
from meshplan.inputs.site_files import SiteRow, SiteTable, read_site_file
from meshplan.inputs.sites import SiteList, sites_from_tables
from meshplan.inputs.user_files import optional_file
from meshplan.records import Role, Site

CHANGES_FILE: Final = "changes.csv"
"""Name in the property folder; the map saves trial changes under it."""

ADDED: Final = Column(
    "added",
    "yes for a place that the sites file does not have; otherwise the row changes the site of its name.",
    yes_or_no,
    default_words="no",
)

_POSITION: Final = ("lon_deg", "lat_deg", "x_m", "y_m")
_CHANGEABLE: Final = {item.name for item in fields(Site)} - {"name", "role", "where", *_POSITION}
_COMPUTED_BY_TABLES: Final = "=+-@\t\r"
"""What tables of the plan put an apostrophe before, so that a spreadsheet does not compute it."""


@dataclass
class Changes:
    """What the changes file says: its faults, and its rows as written, which the map keeps when it saves the file again."""

    faults: list[MeshplanError]
    rows: tuple[Mapping[str, str], ...] = ()


def apply_changes(folder: Path, sites: SiteList, crs: str | None) -> Changes:
    """Put the rows of changes.csv, if there is one, over the sites of the same name and role, and add its new places.

    Only the columns that a row fills in are taken over; each change is said among the assumptions.
    """
    path = folder / CHANGES_FILE
    try:
        if not optional_file(path, CHANGES_FILE):
            return Changes([])
    except MeshplanError as fault:
        return Changes([fault])
    table = read_site_file(path, CHANGES_FILE, crs, more_columns=(ADDED,))
    faults: list[MeshplanError] = []
    new, old = _split(table, faults)
    changes = sites_from_tables([replace(table, rows=old)], crs)
    faults.extend(changes.faults)
    sites.warnings.extend(table.warnings)
    sites.assumptions.extend(table.assumptions)
    faults.extend(_change_sites(sites, changes))
    faults.extend(_add_places(sites, SiteTable(table.word, rows=new, is_table=table.is_table), crs))
    return Changes(faults, tuple(_as_written(row) for row in table.rows))


def _split(table: SiteTable, faults: list[MeshplanError]) -> tuple[list[SiteRow], list[SiteRow]]:
    """Return the rows that are places of their own, and those that change a site."""
    new: list[SiteRow] = []
    old: list[SiteRow] = []
    for row in table.rows:
        said = read_values(row.raw, (ADDED,), row.where, faults, word=table.word)
        (new if said.get("added") else old).append(row)
    return new, old


def _as_written(row: SiteRow) -> dict[str, str]:
    return {name: str(value).strip() for name, value in row.raw.items() if not is_empty(value)}


def _change_sites(sites: SiteList, changes: SiteList) -> list[MeshplanError]:
    faults: list[MeshplanError] = []
    place = {(site.name, site.role): number for number, site in enumerate(sites.sites)}
    for change in changes.sites:
        number = place.get((change.name, change.role))
        if number is None:
            number = place.get((_unguarded(change.name), change.role))
        if number is None and change.role is Role.RELAY:
            # A sensor that forwards is drawn as a relay too: both are one device.
            number = place.get((change.name.removesuffix(f" ({Role.RELAY})"), Role.SENSOR))
        if number is None:
            known = [site.name for site in sites.sites if site.role is change.role]
            faults.append(
                InputError(
                    f"there is no {change.role.value} '{change.name}'.{nearest_name(change.name, known)}",
                    where=change.where,
                    fix=f"Name a site of the sites file, delete the row from {CHANGES_FILE}, or write yes in its column "
                    f"'{ADDED.name}' if it is a new place.",
                )
            )
            continue
        given = changes.given.get(change.name, frozenset())
        name = sites.sites[number].name
        names = [name for name in _CHANGEABLE & given if name != "role"]
        changed: dict[str, Any] = {name: getattr(change, name) for name in names}
        if given & set(_POSITION):
            changed |= {name: getattr(change, name) for name in _POSITION}
        others = sites.sites[number].mast_heights_agl_m
        only_height = "antenna_agl_m" in given and "mast_heights_agl_m" not in given
        if "antenna_agl_m" in given:
            changed["height_assumed"] = False
        if only_height:
            changed["mast_heights_agl_m"] = ()
        sites.sites[number] = replace(sites.sites[number], **changed)
        what = ", ".join(sorted({*names, *(["place"] if given & set(_POSITION) else [])}))
        dropped = " The heights offered in the sites file give way to this one." if only_height and others else ""
        sites.assumptions.append(f"{change.where}: {what} of {name} taken from {CHANGES_FILE}.{dropped}")
    return faults


def _add_places(sites: SiteList, table: SiteTable, crs: str | None) -> list[MeshplanError]:
    """Add new places to the sites; a name that is taken is a fault."""
    if not table.rows:
        return []
    table.rows = [replace(row, raw={**row.raw, "name": _unguarded(str(row.raw.get("name") or ""))}) for row in table.rows]
    new = sites_from_tables([table], crs)
    taken = {name.casefold(): (name, where) for name, where in sites.names}
    faults = list(new.faults)
    for name, where in new.names:
        earlier = taken.get(name.casefold())
        if earlier is not None:
            faults.append(
                InputError(
                    f"the new place '{name}' stands already in {earlier[1]}",
                    where=where,
                    fix=f"Give it another name, delete the row, or write no in its column '{ADDED.name}' to change that site.",
                )
            )
    for site in new.sites:
        sites.assumptions.append(f"{site.where}: {site.name}, a {site.role.value}, is a new place taken from {CHANGES_FILE}.")
    sites.sites.extend(new.sites)
    sites.names.extend(new.names)
    sites.given |= new.given
    sites.assumptions.extend(new.assumptions)
    return faults


def _unguarded(name: str) -> str:
    """Return a name without the apostrophe that keeps spreadsheets from computing it."""
    return name[1:] if name.startswith("'") and name[1:2] and name[1] in _COMPUTED_BY_TABLES else name
