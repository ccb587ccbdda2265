"""Is a file what its suffix says, and does it stay by itself? Judged by its first bytes before any library opens it."""

from __future__ import annotations

import contextlib
import re
import sqlite3
from pathlib import Path
from typing import Any, Final

import rasterio
from rasterio.errors import RasterioIOError
from rasterio.io import DatasetReader

from meshplan.errors import InputError
from meshplan.inputs.gdal_drivers import ELEVATION_DRIVERS
from meshplan.inputs.user_files import NestedTooDeepError, NumberTooLongError, content_of, json_of

_HEAD_BYTES: Final = 65_536
_TIFF: Final = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_SHAPE_MARKS: Final[dict[str, tuple[bytes, ...]]] = {
    ".gpkg": (b"SQLite format 3\0",),
    ".shp": (b"\0\0\x27\x0a",),
    ".fgb": (b"fgb",),
    ".kmz": (b"PK",),
}
_XML_ROOTS: Final[dict[str, str]] = {".kml": "kml", ".gpx": "gpx", ".gml": "", ".osm": "osm"}
_PBF_MARK_WITHIN: Final = 40
_FOREIGN_ROOTS: Final = re.compile(
    r"<(?:\w+:)?(?:OGR\w*|VRT\w*|GDAL\w*|WFS\w*|WMS\w*|WCS\w*|CSW\w*|GTI\w*|Capabilities)\b", re.IGNORECASE
)
_NAMED_CRS: Final = re.compile(r"(?:urn:(?:ogc|x-ogc):def:crs:[\w.:+-]*|EPSG:+\d+|CRS84)\Z", re.IGNORECASE)
_GEOJSON_TYPES: Final = {
    "FeatureCollection", "Feature", "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon",
    "GeometryCollection",
}  # fmt: skip
_ALONE: Final = "meshplan opens no file and no address that another file names."


def raster_drivers(path: Path, shown: str) -> list[str]:
    """Return the drivers that may open a raster; raise `InputError` for one that points elsewhere or is no such file."""
    suffix = path.suffix.casefold()
    head = _head(path, shown)
    if suffix == ".vrt" or _points_elsewhere(head):
        raise InputError(
            "is a virtual raster or the description of a service: it holds no heights, it names other files or addresses",
            where=shown,
            fix=f"{_ALONE} Name the rasters themselves under 'elevation', or export it as GeoTIFF.",
        )
    if suffix not in ELEVATION_DRIVERS:
        raise InputError(
            f"files with the ending '{suffix}' are not read as rasters",
            where=shown,
            fix=f"Export it as GeoTIFF; read are {', '.join(ELEVATION_DRIVERS)}.",
        )
    if suffix in (".tif", ".tiff") and not head.startswith(_TIFF):
        raise InputError(
            "cannot be read as a raster (it is no TIFF file, whatever its name says)",
            where=shown,
            fix="Download or export it again as GeoTIFF.",
        )
    for ending in (".ovr", ".msk", ".msk.ovr", ".ovr.ovr", ".ovr.msk"):
        beside = path.with_name(path.name + ending)
        if beside.is_file() and not _head(beside, f"{shown}{ending}").startswith(_TIFF):
            raise InputError("is no TIFF file", where=f"{shown}{ending}", fix="Take it away; meshplan does without.")
    for beside in (path.with_name(f"{path.name}.aux.xml"), path.with_name(f"{path.name}.ovr.aux.xml")):
        if beside.is_file() and b"OVERVIEW_FILE" in content_of(beside, beside.name):
            raise InputError("names another file", where=beside.name, fix=f"Take it away. {_ALONE}")
    return list(ELEVATION_DRIVERS[suffix])


def open_raster(path: Path, shown: str) -> DatasetReader:
    """Return an open raster, read by one of the drivers of its suffix; `RasterioIOError` where none of them knows it."""
    *first, last = raster_drivers(path, shown)
    for driver in first:
        with contextlib.suppress(RasterioIOError):
            return rasterio.open(path, driver=driver)
    return rasterio.open(path, driver=last)


def judge_opened(source: DatasetReader, path: Path, shown: str) -> None:
    """Raise `InputError` if a raster that is open, and not yet read, consists of files that are not its own."""
    foreign = [name for name in source.files if Path(name).parent != path.parent or not Path(name).name.startswith(path.stem)]
    if source.tags(ns="OVERVIEWS").get("OVERVIEW_FILE") or foreign:
        raise InputError("names another file as part of it", where=shown, fix=f"{_ALONE} Export it again as one GeoTIFF.")


_PACKED: Final = (".gz", ".bz2", ".zip", ".xz", ".7z")


def judge_shapes(path: Path, shown: str, formats: str) -> None:
    """Raise `InputError` if a vector file is not what its suffix says, or has its projection elsewhere."""
    suffix = path.suffix.casefold()
    head = _head(path, shown)
    again = f"Open it in a map program and export it again as {formats}."
    if _points_elsewhere(head):
        raise InputError("holds no shapes, it names other files or addresses", where=shown, fix=f"{_ALONE} {again}")
    if suffix in (".geojson", ".json"):
        _judge_geojson(path, shown, again)
    elif suffix in _XML_ROOTS and suffix != ".osm":
        _judge_xml(head, suffix, shown, again)
    elif suffix in _PACKED:
        fix = f"Unpack it first, and name what comes out ('{path.stem}')."
        raise InputError("is packed, and is not unpacked here", where=shown, fix=fix)
    elif suffix not in _SHAPE_MARKS:
        raise InputError(f"files with the ending '{suffix}' are not read as maps", where=shown, fix=again)
    elif not head.startswith(_SHAPE_MARKS[suffix]):
        raise InputError(f"cannot be read (it is no {suffix[1:]} file, whatever its name says)", where=shown, fix=again)
    if suffix == ".gpkg":
        _judge_database(path, shown, again)


def judge_extract(path: Path, shown: str, again: str) -> bool:
    """Return whether an OpenStreetMap extract is binary; raise `InputError` for what is none, such as a server's error page."""
    head = _head(path, shown)
    if path.suffix.casefold() == ".pbf":
        if b"OSMHeader" not in head[:_PBF_MARK_WITHIN]:
            raise InputError("cannot be read (it is no .osm.pbf file, whatever its name says)", where=shown, fix=again)
        return True
    if _points_elsewhere(head) or re.search(r"<html\b|<!DOCTYPE", _text(head[:2048]), re.IGNORECASE):
        raise InputError("is no extract but a page or a list of addresses", where=shown, fix=again)
    _judge_xml(head, ".osm", shown, again)
    return False


def _head(path: Path, shown: str) -> bytes:
    try:
        with path.open("rb") as stream:
            return stream.read(_HEAD_BYTES)
    except OSError as error:
        raise InputError("cannot be read", where=shown, fix="Look whether you may read it.") from error


def _points_elsewhere(head: bytes) -> bool:
    return _FOREIGN_ROOTS.search(_text(head)) is not None if head.lstrip(b"\xef\xbb\xbf \t\r\n\0").startswith(b"<") else False


def _text(head: bytes) -> str:
    """Return the beginning of a text in whatever of the usual ways it is written."""
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return head.decode("utf-16", errors="replace")
    return head.decode("utf-8-sig", errors="replace")


def _judge_xml(head: bytes, suffix: str, shown: str, again: str) -> None:
    text = _text(head)
    if re.search(r"<!(?:DOCTYPE|ENTITY)", text, re.IGNORECASE):
        raise InputError("declares a document type, which map files do not need", where=shown, fix=again)
    root = re.search(r"<(?:[\w.-]+:)?([A-Za-z][\w.-]*)", re.sub(r"<!--.*?-->|<\?.*?\?>", "", text, flags=re.DOTALL))
    if root is None or (_XML_ROOTS[suffix] or root[1]) != root[1] or (root[1] == "osm") != (suffix == ".osm"):
        raise InputError(f"cannot be read (it is no {suffix[1:].upper()} file, whatever its name says)", where=shown, fix=again)


def _judge_geojson(path: Path, shown: str, again: str) -> None:
    raw = content_of(path, shown, fix=again)
    try:
        document = json_of(raw.decode("utf-8-sig"))
    except (ValueError, NestedTooDeepError, NumberTooLongError) as error:
        raise InputError(f"cannot be read (it is no JSON text: {_first_words(error)})", where=shown, fix=again) from error
    kind = document.get("type") if isinstance(document, dict) else None
    if not isinstance(kind, str) or kind not in _GEOJSON_TYPES:
        raise InputError("cannot be read (it is no GeoJSON: its type is none of those that GeoJSON has)", where=shown, fix=again)
    _judge_crs(document, shown)


def _judge_crs(document: dict[str, Any], shown: str) -> None:
    """Follow the document without recursion; a projection may be named, never linked."""
    waiting: list[Any] = [document]
    while waiting:
        part = waiting.pop()
        if isinstance(part, list):
            waiting += [value for value in part if isinstance(value, (dict, list))]
            continue
        for key, value in part.items():
            if not isinstance(value, (dict, list)):
                continue
            if key.casefold() == "crs" and isinstance(value, dict) and not _is_named(value):  # GDAL takes any case
                raise InputError(
                    "its projection is given by a link or in words that name no known one",
                    where=f"{shown}, member 'crs'",
                    fix=f'{_ALONE} Export it in WGS 84 degrees, or name it: "urn:ogc:def:crs:EPSG::25832", for example.',
                )
            if key not in ("coordinates", "properties"):
                waiting.append(value)


def _first_words(error: Exception) -> str:
    return str(error).split(" (char")[0][:80]


def _is_named(crs: dict[str, Any]) -> bool:
    named = crs.get("properties")
    if not isinstance(named, dict):
        return False
    if crs.get("type") == "EPSG":
        return str(named.get("code")).isdigit()
    return crs.get("type") == "name" and _NAMED_CRS.match(str(named.get("name"))) is not None


def _judge_database(path: Path, shown: str, again: str) -> None:
    """A GeoPackage may hold tables, its own spatial index and views; no table that a module fetches from elsewhere."""
    try:
        with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)) as base:
            rows = base.execute("SELECT name, sql FROM sqlite_master").fetchall()
    except (sqlite3.Error, UnicodeDecodeError) as error:
        raise InputError("cannot be read (it is damaged: its tables cannot be listed)", where=shown, fix=again) from error
    for name, statement in rows:
        words = str(statement or "")
        module = re.search(r"CREATE\s+VIRTUAL\s+TABLE.*?\bUSING\s+[\"'`\[]?(\w+)", words, re.IGNORECASE | re.DOTALL)
        virtual = re.match(r"\s*CREATE\s+VIRTUAL", words, re.IGNORECASE) is not None
        if virtual and (module is None or module[1].casefold() not in ("rtree", "fts3", "fts4", "fts5")):
            raise InputError(f"its table '{name}' takes its rows from elsewhere", where=shown, fix=f"{_ALONE} {again}")
        if re.search(r"load_extension|ogr_datasource|ogr_geocode|gdal_get|\bogr_layer", words, re.IGNORECASE):
            raise InputError(f"its '{name}' calls functions that reach other files", where=shown, fix=f"{_ALONE} {again}")
