"""Trial changes copied out of the map: rows that replace parts of the sites of the same names."""

from __future__ import annotations

from dataclasses import fields, replace
from pathlib import Path
from typing import Final

from meshplan.errors import InputError, MeshplanError, nearest_name
from meshplan.inputs.site_files import read_site_file
from meshplan.inputs.sites import SiteList, sites_from_tables
from meshplan.inputs.user_files import optional_file
from meshplan.records import Role, Site

CHANGES_FILE: Final = "changes.csv"
"""Name in the property folder; the map saves trial changes under it."""

_POSITION: Final = ("lon_deg", "lat_deg", "x_m", "y_m")
_CHANGEABLE: Final = {item.name for item in fields(Site)} - {"name", "role", "where", *_POSITION}


def apply_changes(folder: Path, sites: SiteList, crs: str | None) -> list[MeshplanError]:
    """Put the rows of changes.csv, if there is one, over the sites of the same name and role; return what is wrong with it.

    Only the columns that a row fills in are taken over; each change is said among the assumptions.
    """
    path = folder / CHANGES_FILE
    try:
        if not optional_file(path, CHANGES_FILE):
            return []
    except MeshplanError as fault:
        return [fault]
    changes = sites_from_tables([read_site_file(path, CHANGES_FILE, crs)], crs)
    faults = list(changes.faults)
    place = {(site.name, site.role): number for number, site in enumerate(sites.sites)}
    for change in changes.sites:
        number = place.get((change.name, change.role))
        if number is None and change.name.startswith("'"):
            number = place.get((change.name[1:], change.role))
        if number is None and change.role is Role.RELAY:
            # A sensor that forwards is drawn as a relay too: both are one device.
            number = place.get((change.name.removesuffix(f" ({Role.RELAY})"), Role.SENSOR))
        if number is None:
            known = [site.name for site in sites.sites if site.role is change.role]
            faults.append(
                InputError(
                    f"there is no {change.role.value} '{change.name}'.{nearest_name(change.name, known)}",
                    where=change.where,
                    fix=f"Name a site of the sites file, or delete the row from {CHANGES_FILE}.",
                )
            )
            continue
        given = changes.given.get(change.name, frozenset())
        name = sites.sites[number].name
        names = [name for name in _CHANGEABLE & given if name != "role"]
        changed = {name: getattr(change, name) for name in names}
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
