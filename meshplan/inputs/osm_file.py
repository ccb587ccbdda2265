"""OpenStreetMap extracts (.osm, .osm.pbf) as features with their tags, read by GDAL's driver; what it cannot build is counted.

Notes
-----
The driver leaves out relations with a missing member and ways whose nodes are missing, cuts ways of which some nodes are missing,
and says nothing; an answer of a server that broke off is a valid file without features. So an .osm is first read once for what it
holds (`_scan`), and what the driver built is held against that. A .pbf is binary: there only what the driver built can be told.
"""

from __future__ import annotations

import json
import tempfile
import warnings as python_warnings
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from importlib.resources import as_file, files
from pathlib import Path
from typing import Any, Final
from xml.etree.ElementTree import Element, ParseError, iterparse

import numpy as np
import pyogrio
import shapely

from meshplan.errors import InputError
from meshplan.inputs.file_content import judge_extract
from meshplan.inputs.osm_table import Shape
from meshplan.inputs.user_files import present_file, short
from meshplan.inputs.vector import reason_of

EXTRACT_SUFFIXES: Final = (".osm", ".osm.pbf", ".pbf")
LARGE_BYTES: Final = 50_000_000
MOST_BYTES: Final = 500_000_000
MOST_ELEMENTS: Final = 20_000_000
_LAYERS: Final = ("points", "lines", "multipolygons")
_AGAIN: Final = "Fetch the extract again for a smaller area, and keep it only when the server says that it is complete."
_WORDLESS: Final = frozenset({"created_by", "converted_by", "source", "note", "fixme", "attribution", "ele", "time"})


@dataclass(frozen=True)
class OsmFeature:
    """One thing of an extract: shape in degrees, tags as mapped."""

    where: str
    tags: Mapping[str, str]
    geometry: shapely.Geometry


@dataclass(frozen=True)
class OsmExtract:
    """What an extract holds and what of it could not be built; both counts are None where they cannot be known (.pbf)."""

    features: tuple[OsmFeature, ...]
    notes: tuple[str, ...]
    lost: int | None = None
    """Tagged ways and areas of the file that the driver did not build."""
    cut: int | None = None
    """Ways that were built without some of their nodes."""


@dataclass
class _Scan:
    """What stands in the XML: numbers of nodes of each tagged way, and ids of tagged areas of several ways."""

    nodes: int = 0
    ways: dict[str, int] = field(default_factory=dict)
    areas: set[str] = field(default_factory=set)
    remark: str = ""


def shape_of(geometry: shapely.Geometry) -> Shape | None:
    """Return what a geometry is to the table; None where nothing is left of it."""
    if geometry is None or geometry.is_empty or not np.isfinite(shapely.get_coordinates(geometry)).all():
        return None
    if "Polygon" in geometry.geom_type:
        return "area"
    return "point" if "Point" in geometry.geom_type else "line"


def is_extract(name: str) -> bool:
    """Whether a file is an OpenStreetMap extract by its name."""
    return name.casefold().endswith(EXTRACT_SUFFIXES)


def read_osm(
    path: Path, shown: str, *, key: str = "cover", near_deg: tuple[float, float, float, float] | None = None
) -> OsmExtract:
    """Return the tagged features of an extract, those near the land if `near_deg` (west, south, east, north) is given.

    Raises `InputError` for a file that is none, is cut short, too large, empty, or an answer that a server broke off.
    """
    fault = present_file(path, shown, key)
    if fault is not None:
        raise fault
    size = path.stat().st_size
    if size > MOST_BYTES:
        raise InputError(f"is larger than {MOST_BYTES // 1_000_000} MB", where=shown, fix="Cut it to the land around the property.")
    binary = judge_extract(path, shown, _AGAIN)
    if "OSM" not in pyogrio.list_drivers():
        raise InputError(
            "this installation of GDAL has no driver for OpenStreetMap extracts",
            where=shown,
            fix="Install the usual wheel of pyogrio, or turn the extract into a GeoPackage with a map program.",
        )
    scan = None if binary else _scan(path, shown)
    notes = [f"{shown}: {size / 1e6:.0f} MB are read whole, which takes a while."] if size > LARGE_BYTES else []
    features = list(_features(path, shown))
    if scan is not None and scan.ways and not features and not scan.nodes:
        raise InputError(
            "holds ways without their nodes (an answer made with 'out geom'), from which nothing can be built",
            where=shown,
            fix="Ask for the nodes as well: '(._;>;); out body;'.",
        )
    if not features:
        raise InputError("holds no tagged feature", where=shown, fix=f"An empty extract says nothing about the land. {_AGAIN}")
    lost, cut = (None, None) if scan is None else _losses(scan, features, shown)
    if near_deg is not None:
        west, south, east, north = near_deg
        left, bottom, right, top = shapely.bounds([one.geometry for one in features]).T
        near = (right >= west) & (left <= east) & (top >= south) & (bottom <= north)
        features = [one for one, kept in zip(features, near, strict=True) if kept]
    return OsmExtract(tuple(features), (*notes, *_words_of_loss(shown, lost, cut)), lost, cut)


def _words_of_loss(shown: str, lost: int | None, cut: int | None) -> Iterator[str]:
    if lost is None:
        yield f"{shown}: it is binary, so what could not be built of it (broken areas, ways without nodes) is not counted."
        return
    if lost:
        yield f"{shown}: {lost} tagged ways or areas could not be built, since parts of them are missing in the extract."
    if cut:
        yield f"{shown}: {cut} ways lack some of their nodes in the extract and are cut; fetch it with whole ways."


def _scan(path: Path, shown: str) -> _Scan:
    """Read the XML once: is it whole, did the server break off, and how much is in it."""
    found = _Scan()
    elements = 0
    try:
        root: Element | None = None
        for event, element in iterparse(path, events=("start", "end")):
            if root is None:
                root = element
            if event == "start":
                continue
            elements += 1
            if elements > MOST_ELEMENTS:
                raise InputError("holds too many elements", where=shown, fix="Cut it to the land around the property.")
            _take(element, found)
            if element.tag in ("node", "way", "relation", "remark"):
                root.clear()
    except (ParseError, LookupError, ValueError) as error:
        raise InputError(f"is cut short or damaged ({str(error)[:80]})", where=shown, fix=_AGAIN) from error
    if found.remark:
        raise InputError(
            f"the server broke off and says so in it: '{short(found.remark)}'",
            where=shown,
            fix=f"What it holds is not all that is mapped. {_AGAIN}",
        )
    return found


def _take(element: Element, found: _Scan) -> None:
    if element.tag == "node":
        found.nodes += 1
    elif element.tag == "remark":
        found.remark = (element.text or "no reason given").strip()
    elif element.tag in ("way", "relation"):
        tags = {tag.get("k", ""): tag.get("v", "") for tag in element.iter("tag")}
        if not set(tags) - _WORDLESS:
            return
        if element.tag == "way":
            found.ways[element.get("id", "")] = sum(1 for _ in element.iter("nd"))
        elif tags.get("type") == "multipolygon" and len(set(tags) - _WORDLESS) > 1:
            found.areas.add(element.get("id", ""))


def _losses(scan: _Scan, features: list[OsmFeature], shown: str) -> tuple[int, int]:
    """Return how many tagged ways and areas were not built, and how many ways were built without some of their nodes."""
    corners = {one.where: int(shapely.get_num_coordinates(one.geometry)) for one in features}
    ways = {f"{shown}, way {key}": nodes for key, nodes in scan.ways.items()}
    lost = sum(1 for where in ways if where not in corners)
    lost += sum(1 for key in scan.areas if f"{shown}, relation {key}" not in corners)
    return lost, sum(1 for where, nodes in ways.items() if where in corners and corners[where] < nodes)


@contextmanager
def _settings() -> Iterator[dict[str, Any]]:
    """Give the driver its configuration, and a place of its own for what it must put on the disk."""
    with as_file(files("meshplan") / "data" / "osm_driver.ini") as ini, tempfile.TemporaryDirectory(prefix="meshplan-") as scratch:
        before = pyogrio.get_gdal_config_option("CPL_TMPDIR")
        pyogrio.set_gdal_config_options({"CPL_TMPDIR": scratch})
        try:
            yield {"CONFIG_FILE": str(ini), "USE_CUSTOM_INDEXING": "NO"}
        finally:
            pyogrio.set_gdal_config_options({"CPL_TMPDIR": before})


def _features(path: Path, shown: str) -> Iterator[OsmFeature]:
    seen: set[str] = set()
    with _settings() as settings:
        for layer in _LAYERS:
            for where, words, wkb in _rows(path, shown, layer, settings):
                tags = _tags(words)
                if where in seen or not set(tags) - _WORDLESS or wkb is None:
                    continue
                seen.add(where)
                yield OsmFeature(where, tags, shapely.force_2d(shapely.from_wkb(wkb, on_invalid="ignore")))


def _rows(path: Path, shown: str, layer: str, settings: Mapping[str, Any]) -> Iterator[tuple[str, object, bytes | None]]:
    with python_warnings.catch_warnings():
        python_warnings.simplefilter("ignore")
        try:
            meta, _, shapes, columns = pyogrio.raw.read(path, layer=layer, datetime_as_string=True, **settings)
        except (RuntimeError, ValueError, UnicodeDecodeError) as error:
            raise InputError(f"cannot be read ({reason_of(error, path, shown)})", where=shown, fix=_AGAIN) from error
    names = [str(name) for name in meta["fields"]]
    by_name = dict(zip(names, columns, strict=True))
    usual = {"points": "node", "lines": "way", "multipolygons": "relation"}[layer]
    for index, wkb in enumerate(() if shapes is None else shapes):
        way = by_name["osm_way_id"][index] if "osm_way_id" in by_name else None
        own = by_name["osm_id"][index]
        word, number = ("way", way) if isinstance(way, str) and way else (usual, own)
        yield f"{shown}, {word} {number}", by_name["all_tags"][index], wkb


def _tags(words: object) -> dict[str, str]:
    found = json.loads(words) if isinstance(words, str) and words else words
    return {str(key): str(value) for key, value in found.items()} if isinstance(found, dict) else {}
