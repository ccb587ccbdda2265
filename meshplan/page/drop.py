"""What a dropped file is, judged by the readers that would read it, and how it comes into the folder."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

import numpy as np
import shapely

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.columns import fold, heading_names
from meshplan.inputs.file_content import raster_drivers
from meshplan.inputs.measurement_columns import READING_COLUMNS
from meshplan.inputs.osm_file import is_extract, read_osm
from meshplan.inputs.property_files import RASTER_SUFFIXES, VECTOR_SUFFIXES, find_files, is_cover_raster
from meshplan.inputs.raster import open_header
from meshplan.inputs.settings_file import SETTINGS_FILE, read_settings
from meshplan.inputs.site_columns import SITE_COLUMNS
from meshplan.inputs.site_files import NO_SITE_YET, read_site_file
from meshplan.inputs.sites import sites_from_tables
from meshplan.inputs.user_files import content_of
from meshplan.inputs.vector import WGS84, move_geometry, read_features
from meshplan.page.book import MOST_WATCHED_BYTES, safe_place
from meshplan.page.picture_files import IMAGE_SUFFIXES, WORLD_SUFFIXES, Judged, judge_image, judge_overlay, judge_picture_raster
from meshplan.page.toml_text import settings_document, with_listed
from meshplan.page.tray import Received
from meshplan.settings import RasterSettings

Use = Literal["sites", "cover", "boundary", "elevation", "classes", "canopy", "picture", "world", "readings"]
KEYS: Final[Mapping[str, str]] = {
    "sites": "sites",
    "cover": "cover",
    "boundary": "boundary",
    "search_ground": "search_ground",
    "elevation": "elevation",
    "classes": "land_cover.classes",
    "canopy": "land_cover.canopy",
}
"""Key of property.toml that names the files of a use; the others need none."""
WORDS: Final[Mapping[str, str]] = {
    "sites": "places of sensors, gateways and relays",
    "cover": "woods, hedges, crops, buildings and water",
    "boundary": "the outline of the property",
    "search_ground": "ground in which the planner looks for relay places",
    "elevation": "heights of the land",
    "classes": "classes of land cover",
    "canopy": "heights of trees",
    "picture": "a picture to draw on",
    "world": "the place of a picture",
    "readings": "readings from the field",
}
MOST_MEMBERS: Final = 2_000
MOST_UNPACKED_BYTES: Final = 200_000_000
MOST_RATIO: Final = 200.0
"""Limits of an archive (.kmz): more members, more bytes or a higher ratio are no map (own choice)."""


@dataclass(frozen=True)
class Arrival:
    """What a dropped file may serve for, the likeliest first."""

    received: Received
    uses: tuple[str, ...]
    words: str
    place: tuple[float, float] | None = None
    """Longitude and latitude of its middle, where it says so."""
    box_deg: tuple[float, float, float, float] | None = None
    picture: Judged | None = None


def judge(received: Received, crs: str | None = None) -> Arrival:
    """Return what a file is; nothing is written.

    Raises
    ------
    MeshplanError
        Where no reader would take it, in the words of the reader that it is for.
    """
    name, suffix = received.name, Path(received.name).suffix.casefold()
    if suffix == ".kmz":
        _refuse_bomb(received)
    found = _as_picture(received, suffix)
    if found is not None:
        return found
    if is_extract(name):
        return _extract(received)
    if suffix == ".shp":
        fix = "Export it as GeoPackage or GeoJSON: a Shapefile is several files, and they cannot be dropped one by one."
        raise InputError("is one of several files", where=name, fix=fix)
    for suffixes, judged in (((".csv", ".tsv"), _table), (VECTOR_SUFFIXES, _shapes), (RASTER_SUFFIXES, _raster)):
        if suffix in suffixes:
            return judged(received, crs)
    if suffix in (".zip", ".gz", ".bz2", ".xz", ".7z"):
        fix = f"Unpack it first, and drop what comes out ('{Path(name).stem}')."
        raise InputError("is packed, and is not unpacked here", where=name, fix=fix)
    try:
        raster_drivers(received.path, name)
    except InputError as fault:
        if "virtual raster" in fault.problem:  # said of descriptions of services too
            raise
    raise _unknown(name)


def _as_picture(received: Received, suffix: str) -> Arrival | None:
    """Return a picture, a world file or a KML that lays a picture on the land; None for anything else."""
    name = received.name
    if suffix in IMAGE_SUFFIXES:
        found = judge_image(received.path, name)
        return Arrival(received, ("picture",), f"{name}: a picture of {found.wide_px} × {found.high_px} pixels.", picture=found)
    if suffix in WORLD_SUFFIXES:
        _refuse_large(received)
        return Arrival(received, ("world",), f"{name}: the place of a picture of the same name.")
    if suffix in (".kml", ".kmz"):
        overlay = judge_overlay(received.path, name)
        if overlay is not None:
            words = f"{name}: a picture that lies on the land."
            return Arrival(received, ("picture",), words, overlay.middle_deg, overlay.box_deg, overlay)
    return None


def _extract(received: Received) -> Arrival:
    _refuse_large(received)
    extract = read_osm(received.path, received.name)
    return Arrival(received, ("cover",), f"{received.name}: an extract of a map with {len(extract.features)} things on the land.")


def _unknown(name: str) -> InputError:
    return InputError(
        f"files with the ending '{Path(name).suffix}' are not read here",
        where=name,
        fix="Drop a table (CSV), a map file (GPX, KML, GeoJSON, GeoPackage), a raster of heights (GeoTIFF) or a picture.",
    )


def _refuse_large(received: Received) -> None:
    if received.size > MOST_WATCHED_BYTES:
        fix = "Cut it to the land of the property and drop that."
        raise InputError(f"is larger than {MOST_WATCHED_BYTES // 1_000_000} MB", where=received.name, fix=fix)


def _refuse_bomb(received: Received) -> None:
    """Refuse an archive that would unpack to far more than a map."""
    try:
        with zipfile.ZipFile(received.path) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
        raise InputError("cannot be read (it is no .kmz file)", where=received.name, fix="Export it again.") from error
    whole = sum(member.file_size for member in members)
    steep = any(member.file_size > MOST_RATIO * max(member.compress_size, 1) + 65_536 for member in members)
    if len(members) > MOST_MEMBERS or whole > MOST_UNPACKED_BYTES or steep:
        fix = "Export it again without pictures, or as KML."
        raise InputError("would unpack to far more than a map", where=received.name, fix=fix)


def _table(received: Received, crs: str | None) -> Arrival:
    """Judge a table by its headings: more of readings than of sites make it one of readings."""
    _refuse_large(received)
    name = received.name
    text = content_of(received.path, name).decode("utf-8-sig", errors="replace")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise InputError("the file is empty", where=name, fix="Look whether it is the right file.")
    mark = max(",;\t|", key=lines[0].count)
    headings = {fold(cell) for cell in next(csv.reader(io.StringIO(lines[0]), delimiter=mark, skipinitialspace=True), [])}
    known_sites, known_readings = heading_names(SITE_COLUMNS)[1], heading_names(READING_COLUMNS)[1]
    of_readings = {known_readings[word] for word in headings if word in known_readings}
    of_sites = {known_sites[word] for word in headings if word in known_sites}
    measured = of_readings & {"power_dbm", "rssi_dbm", "snr_db", "sent", "received", "heard"}
    if measured and "role" not in of_sites:
        return Arrival(received, ("readings",), f"{name}: {len(lines) - 1} rows of readings.")
    table = read_site_file(received.path, name, crs)
    sites = sites_from_tables([table], crs)
    faults = [fault for fault in sites.faults if fault.problem != NO_SITE_YET]
    if faults:
        raise faults[0] if len(faults) == 1 else FaultList(faults)
    box = _box([(site.lon_deg, site.lat_deg) for site in sites.sites])
    return Arrival(received, ("sites",), f"{name}: {_many(len(sites.sites), 'place')}.", _middle(box), box)


def _shapes(received: Received, crs: str | None) -> Arrival:
    _refuse_large(received)
    name = received.name
    file = read_features(received.path, name, key="file", default_crs=crs)
    there = [feature for feature in file.features if feature.geometry is not None and not feature.geometry.is_empty]
    kinds = {"point": 0, "line": 0, "area": 0}
    corners: list[tuple[float, float]] = []
    for feature in there:
        word = feature.geometry.geom_type
        kinds["point" if "Point" in word else "line" if "Line" in word or word == "LinearRing" else "area"] += 1
        west, south, east, north = move_geometry(feature.geometry, feature.crs, WGS84).bounds
        corners += [(west, south), (east, north)]
    words = ", ".join(_many(number, kind) for kind, number in kinds.items() if number)
    if not words:
        raise InputError("holds no shapes", where=name, fix="Draw them and export the file again.")
    box = _box(corners)
    return Arrival(received, _uses_of_shapes(name, kinds, file.headings), f"{name}: {words}.", _middle(box), box)


def _uses_of_shapes(name: str, kinds: Mapping[str, int], headings: Sequence[str]) -> tuple[str, ...]:
    stem, named = Path(name).stem.casefold(), {fold(heading) for heading in headings}
    drawn = kinds["line"] + kinds["area"]
    if not drawn:
        return ("sites",)
    if "kind" in named and not kinds["point"]:
        return ("cover",)
    if stem == "boundary":
        return ("boundary",)
    if stem == "cover":
        return ("cover",)
    uses = ["sites"] if kinds["point"] else []
    if stem == "search_ground":
        return ("search_ground",)
    few = drawn <= 3 and "kind" not in named
    return (*uses, "boundary", "cover", "search_ground") if few else (*uses, "cover", "boundary")


def _raster(received: Received, crs: str | None) -> Arrival:
    name = received.name
    try:
        header = open_header(received.path, name, RasterSettings(file=name))
    except MeshplanError as fault:
        if not fault.problem.startswith("is a picture"):
            raise
        picture = judge_picture_raster(received.path, name, crs)
        words = f"{name}: a picture of {picture.wide_px} × {picture.high_px} pixels that lies on the land."
        return Arrival(received, ("picture",), words, picture.middle_deg, picture.box_deg, picture)
    box = header.corners_deg()
    cell_m = header.cell_m((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)
    words = f"{name}: a raster of {header.width} × {header.height} cells of {cell_m:.3g} m."
    uses = ("classes", "canopy", "elevation") if is_cover_raster(name) else ("elevation",)
    return Arrival(received, uses, words, _middle(box), box)


def _box(points: Sequence[tuple[float, float]]) -> tuple[float, float, float, float] | None:
    if not points or not np.isfinite(points).all():
        return None
    west, south, east, north = shapely.MultiPoint(points).bounds
    return west, south, east, north


def _middle(box: tuple[float, float, float, float] | None) -> tuple[float, float] | None:
    return None if box is None else ((box[0] + box[2]) / 2, (box[1] + box[3]) / 2)


def _many(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"


def named_settings(content: bytes, folder: Path, use: str, name: str, empty: Sequence[str] = ()) -> bytes:
    """Return property.toml with one more file of a use; `empty` are files without content that give way.

    Files that are read by their usual names alone are written down beside it, so that naming one does not lose them.
    """
    key = KEYS[use]
    document: Any = settings_document(content)
    for part in key.split("."):
        document = document.get(part) if isinstance(document, Mapping) else None
    if document is not None:
        return with_listed(content, key, name, without=empty)
    by_name: Sequence[str] = ()
    if "." not in key:
        files = find_files(folder, read_settings(folder))
        found: Mapping[str, Sequence[str]] = {
            "sites": files.sites,
            "cover": files.cover,
            "boundary": files.boundary,
            "search_ground": files.search_ground,
            "elevation": [raster.file for raster in files.elevation],
        }
        by_name = [one for one in found[key] if one != name and one not in empty]
    for one in by_name:
        content = with_listed(content, key, one)
    return with_listed(content, key, name)


def taken(arrival: Arrival, use: str, name: str, folder: Path, more: Mapping[str, bytes] | None = None) -> dict[str, Any]:
    """Return the files of the step that puts a file into the folder; `more` are files that the step changes besides."""
    safe_place(folder, name)
    changed: dict[str, Any] = {**(more or {}), name: arrival.received.path}
    if use in KEYS:
        content = changed.get(SETTINGS_FILE) or (folder / SETTINGS_FILE).read_bytes()
        empty = _empty_tables(folder) if use == "sites" else ()
        changed[SETTINGS_FILE] = named_settings(content, folder, use, name, empty)
        changed |= {one: None for one in empty if one != name}
    return changed


def _empty_tables(folder: Path) -> tuple[str, ...]:
    """Return the tables of sites that hold headings and nothing else: they were begun here and give way to what comes."""
    names = []
    for name in find_files(folder, read_settings(folder)).sites:
        table = read_site_file(folder / name, name, None)
        if [fault.problem for fault in table.faults] == [NO_SITE_YET]:
            names.append(name)
    return tuple(names)
