"""A property folder as a document of things: sites, shapes, settings, which file holds each, and what is wrong with them."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.cover import boundary_of, read_cover_features
from meshplan.inputs.land_extent import place_of
from meshplan.inputs.osm_file import is_extract
from meshplan.inputs.property import SEARCH_WORDS
from meshplan.inputs.property_files import NO_ELEVATION, NO_SITES, PropertyFiles, find_files
from meshplan.inputs.settings_file import SETTINGS_FILE, read_settings
from meshplan.inputs.site_changes import apply_changes
from meshplan.inputs.site_files import NO_SITE_YET, TABLE_SUFFIXES, SiteTable, read_site_file
from meshplan.inputs.sites import missing_roles, sites_from_tables
from meshplan.inputs.vector import VectorFile, parse_crs, read_features
from meshplan.page.edits import cells_of, column_of
from meshplan.page.shape_text import shapes_of
from meshplan.page.table_text import table_of
from meshplan.page.toml_text import settings_document
from meshplan.records import Site
from meshplan.settings import PropertySettings

NOT_YET: Final = frozenset({NO_SITES, NO_SITE_YET, NO_ELEVATION})
"""Faults of a folder that somebody has begun and not finished."""
SHAPE_SUFFIXES: Final = (".geojson", ".json")
_WHERE: Final = re.compile(
    r"^(?P<file>[^,]+?)(?:, (?:row|feature|line|waypoint) (?P<row>\d+))?(?:, (?:column|field|key) '(?P<key>[^']*)')?$"
)
_WGS84_NAMES: Final = ("CRS84", "EPSG::4326", "EPSG:4326")


@dataclass(frozen=True)
class Reading:
    """What the readers say of a folder: its settings and files where they can be told, and all faults."""

    settings: PropertySettings | None
    files: PropertyFiles | None
    tables: tuple[SiteTable, ...]
    faults: tuple[MeshplanError, ...]
    sites: tuple[Site, ...] = ()
    """Sites that could be read, each with the place of its row."""
    wants: tuple[MeshplanError, ...] = ()
    """What is still missing before there can be a plan: no fault of what is there."""

    @property
    def crs(self) -> str | None:
        """Projection that property.toml names for positions in metres."""
        return self.settings.crs if self.settings is not None else None


def read_names(folder: Path) -> PropertyFiles | None:
    """Return which files make up a folder; None where property.toml cannot be read."""
    try:
        return find_files(folder, read_settings(folder))
    except MeshplanError:
        return None


def read_quickly(folder: Path) -> Reading:
    """Return what the readers say of everything but rasters: they are the same that every command uses."""
    try:
        settings = read_settings(folder)
        files = find_files(folder, settings)
    except FaultList as several:
        return Reading(None, None, (), several.faults)
    except MeshplanError as fault:
        return Reading(None, None, (), (fault,))
    faults: list[MeshplanError] = list(files.faults)
    crs = settings.crs
    if crs is not None:
        try:
            parse_crs(crs, f"{SETTINGS_FILE}, key 'crs'")
        except MeshplanError as fault:
            faults.append(fault)
            crs = None
    marked = any(name.casefold().endswith((".gpx", ".kml", ".kmz")) for name in files.sites)
    tables = tuple(read_site_file(folder / name, name, crs, beside_phone=marked) for name in files.sites)
    read: tuple[Site, ...] = ()
    try:
        sites = sites_from_tables(list(tables), crs, crs_at_fault=settings.crs is not None and crs is None)
        read = tuple(sites.sites)
        faults += [*sites.faults, *apply_changes(folder, sites, crs).faults]
    except FaultList as several:
        faults += several.faults
    except MeshplanError as fault:
        faults.append(fault)
    drawn = [name for name in files.cover if not is_extract(name)]
    cover = _vector_files(folder, drawn, "cover", crs, faults)
    faults += read_cover_features(cover).faults
    boundary = _vector_files(folder, files.boundary, "boundary", crs, faults)
    if boundary:
        faults += boundary_of(boundary)[1]
    search = _vector_files(folder, files.search_ground, "search_ground", crs, faults)
    if search:
        faults += boundary_of(search, words=SEARCH_WORDS)[1]
    wants = [fault for fault in faults if fault.problem in NOT_YET]
    faults = [fault for fault in faults if fault.problem not in NOT_YET]
    if read or not faults:
        found = settings.generate_gateways != 0
        wants += missing_roles(read, ", ".join(files.sites) or "sites.csv", may_be_found=found)
    return Reading(settings, files, tables, tuple(faults), read, tuple(wants))


def _vector_files(
    folder: Path, names: Sequence[str], key: str, crs: str | None, faults: list[MeshplanError]
) -> list[tuple[str, VectorFile]]:
    found = []
    for name in names:
        try:
            found.append((name, read_features(folder / name, name, key=key, default_crs=crs)))
        except FaultList as several:
            faults += several.faults
        except MeshplanError as fault:
            faults.append(fault)
    return found


def faults_as_data(error: MeshplanError | Sequence[MeshplanError]) -> list[dict[str, Any]]:
    """Return faults with file, row and key apart, so that each can stand beside its field."""
    several = error.faults if isinstance(error, FaultList) else [error] if isinstance(error, MeshplanError) else error
    return [_fault(fault) for fault in several]


def _fault(fault: MeshplanError) -> dict[str, Any]:
    found = _WHERE.match(fault.where)
    place = found.groupdict() if found else {}
    row = place.get("row")
    return {
        "where": fault.where,
        "file": place.get("file") or "",
        "row": int(row) if row else None,
        "key": place.get("key") or "",
        "problem": fault.problem,
        "fix": fault.fix,
    }


def things_of(folder: Path) -> dict[str, Any]:
    """Return everything that the folder says, each thing with the file it stands in.

    Of a folder that nobody has begun there is nothing but that (`new`), and what lies in it already.
    """
    if not os.path.lexists(folder / SETTINGS_FILE):
        return {**_NOTHING, "new": True, "there": present_names(folder)}
    reading = read_quickly(folder)
    settings: dict[str, Any] = {}
    with suppress(OSError, InputError):  # told among the faults
        settings = settings_document((folder / SETTINGS_FILE).read_bytes())
    files, sites, shapes = reading.files, [], []
    described: dict[str, list[dict[str, Any]]] = {}
    if files is not None:
        for name, table in zip(files.sites, reading.tables, strict=True):
            rows, why = _sites(folder, name, table)
            sites += rows
            described.setdefault("sites", []).append({"file": name, "why_not": why})
        for use, names in (("cover", files.cover), ("boundary", files.boundary), ("search_ground", files.search_ground)):
            for name in names:
                found, why = _shapes(folder, name, use)
                shapes += found
                described.setdefault(use, []).append({"file": name, "why_not": why})
        described["elevation"] = [{"file": raster.file, "why_not": "Rasters are not changed here."} for raster in files.elevation]
    at = {site.where: site for site in reversed(reading.sites)}
    for thing in sites:
        site = at.get(thing.pop("where"))
        thing["place"] = None if site is None else {"lon_deg": site.lon_deg, "lat_deg": site.lat_deg}
        thing["role"] = "" if site is None else site.role.value
    return {
        "new": False,
        "where": _where(reading),
        "settings": settings,
        "files": described,
        "sites": sites,
        "shapes": shapes,
        "faults": faults_as_data(reading.faults),
        "wants": faults_as_data(reading.wants),
    }


_NOTHING: Final[dict[str, Any]] = {"where": None, "settings": {}, "files": {}, "sites": [], "shapes": [], "faults": [], "wants": []}


def present_names(folder: Path) -> list[str]:
    """Return the names of the files in a folder, without hidden ones; none where there is no folder."""
    try:
        return sorted(entry.name for entry in os.scandir(folder) if entry.is_file() and not entry.name.startswith("."))
    except OSError:
        return []


def _where(reading: Reading) -> dict[str, float] | None:
    with suppress(MeshplanError):
        if reading.settings is not None and (place := place_of(reading.settings)) is not None:
            return {"lon_deg": place[0], "lat_deg": place[1]}
    return None


def _sites(folder: Path, name: str, read: SiteTable) -> tuple[list[dict[str, Any]], str]:
    """Return the sites of a file, and why they cannot be changed here; an empty text where they can."""
    if Path(name).suffix.casefold() not in TABLE_SUFFIXES:
        rows = [
            {"file": name, "row": None, "where": row.where, "values": {key: _text(value) for key, value in row.raw.items()}}
            for row in read.rows
        ]
        return rows, "Only tables of sites are changed here; other files stay as a phone or map program wrote them."
    try:
        table = table_of((folder / name).read_bytes(), name)
    except InputError as fault:
        return [], f"{fault.problem}. {fault.fix}"
    except OSError:
        return [], "It cannot be read."
    headings = column_of(table, name)
    return [
        {"file": name, "row": row + 1, "where": f"{name}, row {row + 1}", "values": cells_of(table, row, headings)}
        for row in table.told[1:]
    ], ""


def _text(value: object) -> str:
    return "" if value is None else str(value)


def _shapes(folder: Path, name: str, use: str) -> tuple[list[dict[str, Any]], str]:
    if Path(name).suffix.casefold() not in SHAPE_SUFFIXES:
        return [], "Only GeoJSON is changed here; other files stay as they are."
    try:
        shapes = shapes_of((folder / name).read_bytes(), name)
    except InputError as fault:
        return [], f"{fault.problem}. {fault.fix}"
    except OSError:
        return [], "It cannot be read."
    if '"crs"' in shapes.text and not any(word in shapes.text for word in _WGS84_NAMES):
        return [], "It is in another projection than WGS 84; export it in degrees to change it here."
    return [
        {
            "file": name,
            "feature": place + 1,
            "mark": shapes.mark_of(place),
            "use": use,
            "values": feature.value.get("properties") or {},
            "geometry": feature.value.get("geometry"),
        }
        for place, feature in enumerate(shapes.features)
    ], ""
