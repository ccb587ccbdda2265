"""Vector files of the usual formats, read by GDAL, as plain features: geometry, attributes, projection, and where each stood."""

from __future__ import annotations

import warnings as python_warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pyogrio
import shapely
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.exceptions import CRSError

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.file_content import judge_shapes
from meshplan.inputs.user_files import present_file

WGS84 = "EPSG:4326"
MANY_BYTES = 10_000_000
"""Above this size a map file is read only where the property lies."""
MAP_FORMATS = "GeoJSON, GeoPackage, KML, GPX or Shapefile"


@dataclass(frozen=True)
class Feature:
    """One feature as it stands in the file."""

    where: str
    geometry: shapely.Geometry
    """Shapely geometry in `crs`, two-dimensional, or None."""
    crs: str
    attributes: dict[str, object]
    z: float | None = None
    """Third coordinate of a point, as written."""
    open_ring: bool = False
    """Whether there is no geometry because an outline does not end where it begins."""


@dataclass(frozen=True)
class VectorFile:
    """The features of a file and the headings that its attributes had."""

    features: tuple[Feature, ...]
    headings: tuple[str, ...]
    warnings: tuple[str, ...]


def read_features(
    path: Path,
    shown: str,
    *,
    key: str,
    default_crs: str | None,
    layers: tuple[str, ...] | None = None,
    near_deg: tuple[float, float, float, float] | None = None,
) -> VectorFile:
    """Return all features of all layers of a file.

    Parameters
    ----------
    path, shown
        The file, and its name as messages show it.
    key
        Key of property.toml that named it.
    default_crs
        Projection where the file carries none; None makes that an error.
    layers
        Names of the layers to read, if they are in the file; None reads all.
    near_deg
        West, south, east, north of the land that matters: of a file of many megabytes only features there are read.

    Notes
    -----
    Raises `InputError` if the file cannot be read.
    """
    fault = present_file(path, shown, key)
    if fault is not None:
        raise fault
    judge_shapes(path, shown, MAP_FORMATS)
    features: list[Feature] = []
    headings: dict[str, None] = {}
    notes: dict[str, None] = {}
    with python_warnings.catch_warnings(record=True) as caught:
        python_warnings.simplefilter("always")
        try:
            names = [str(name) for name, _ in pyogrio.list_layers(path)]
            for name in names:
                if layers is None or name in layers or not set(names) & set(layers):
                    bbox = _box_in(path, name, near_deg, default_crs) if path.stat().st_size > MANY_BYTES else None
                    meta, ids, geometries, columns = pyogrio.raw.read(
                        path, layer=name, force_2d=key != "sites", datetime_as_string=True, bbox=bbox, return_fids=bbox is not None
                    )
                    if geometries is None or not len(geometries):
                        continue
                    prefix = shown if len(names) == 1 or name == "waypoints" else f"{shown}, layer '{name}'"
                    word = "waypoint" if name == "waypoints" else "feature"
                    crs = _crs_of(meta["crs"], prefix, default_crs)
                    fields = [str(field) for field in meta["fields"]]
                    headings.update(dict.fromkeys(fields))
                    shapes = shapely.from_wkb(geometries, on_invalid="ignore")
                    upright = (shapely.get_type_id(shapes) == shapely.GeometryType.POINT) & shapely.has_z(shapes)
                    heights_m = np.where(upright, shapely.get_z(np.where(upright, shapes, None)), np.nan)
                    flat = shapely.force_2d(shapes)
                    for index, wkb in enumerate(geometries):
                        features.append(
                            Feature(
                                f"{prefix}, {word} {index + 1 if ids is None else ids[index]}",
                                flat[index],
                                crs,
                                {field: column[index] for field, column in zip(fields, columns, strict=True)},
                                float(heights_m[index]) if upright[index] else None,
                                flat[index] is None and wkb is not None and _is_open(wkb),
                            )
                        )
        except (RuntimeError, ValueError, UnicodeDecodeError) as error:
            if isinstance(error, MeshplanError):
                raise
            raise InputError(
                f"cannot be read ({reason_of(error, path, shown)})",
                where=shown,
                fix=f"Open it in a map program and export it again as {MAP_FORMATS}.",
            ) from error
    for warning in caught:
        notes[f"{shown}: {_first_line(warning.message)}"] = None
    if not features and near_deg is not None and path.stat().st_size > MANY_BYTES:
        notes[f"{shown}: nothing of it lies on the property."] = None
    elif not features:
        if key == "sites":
            raise InputError("holds no points", where=shown, fix="Mark each site as a waypoint or draw it as a point.")
        raise InputError("holds no shapes", where=shown, fix="Draw them and export the file again.")
    return VectorFile(tuple(features), tuple(headings), tuple(notes))


def _is_open(wkb: bytes) -> bool:
    """Return whether a shape cannot be read because an outline does not end where it begins."""
    try:
        shapely.from_wkb(wkb)
    except shapely.GEOSException as error:
        return "closed" in str(error)
    return False


def _box_in(
    path: Path, layer: str, near_deg: tuple[float, float, float, float] | None, default_crs: str | None
) -> tuple[float, float, float, float] | None:
    """Return a box of degrees in the projection of a layer."""
    crs = pyogrio.read_info(path, layer=layer)["crs"] or default_crs
    if near_deg is None or crs is None:
        return None
    moved = shapely.box(*near_deg).segmentize(max(near_deg[2] - near_deg[0], near_deg[3] - near_deg[1]) / 8)
    west, south, east, north = move_geometry(moved, WGS84, str(crs)).bounds
    return (west, south, east, north) if np.isfinite([west, south, east, north]).all() else None


def reason_of(error: BaseException, path: Path, shown: str) -> str:
    """Return the first sentence of a library's message, without the path of this machine."""
    line = _first_line(error).replace(str(path), shown).split("; ")[0].rstrip(".")
    return line.removeprefix(f"{shown}: ").removeprefix(f"'{shown}' ")


def _first_line(message: object) -> str:
    return (str(message).splitlines() or ["no reason given"])[0].strip().rstrip(".")


def _crs_of(found: str | None, where: str, default_crs: str | None) -> str:
    if found:
        return str(found)
    if default_crs:
        return default_crs
    raise InputError(
        "the file does not say its projection",
        where=where,
        fix='Export it again with its projection, or write crs = "EPSG:…" in property.toml.',
    )


@cache
def _is_geographic(crs: str) -> bool:
    return bool(CRS.from_user_input(crs).is_geographic)


def no_degrees(feature: Feature) -> MeshplanError | None:
    """Return the fault of a shape whose degrees are none, because metres were written without saying so."""
    if feature.geometry is None or feature.geometry.is_empty or not _is_geographic(feature.crs):
        return None
    west, south, east, north = feature.geometry.bounds
    if -360.0 <= west <= east <= 360.0 and -90.0 <= south <= north <= 90.0:
        return None
    corner = shapely.get_coordinates(feature.geometry)[0]
    return InputError(
        f"its corner {corner[0]:.6g}, {corner[1]:.6g} is no longitude and latitude",
        where=feature.where,
        fix="Export the file in WGS 84 degrees, or with its projection.",
    )


def parse_crs(name: str, where: str) -> CRS:
    """Return the projection behind a name that a user wrote."""
    try:
        return CRS.from_user_input(name)
    except CRSError as error:
        raise InputError(
            f"'{name}' is no projection that can be read", where=where, fix='Write it as "EPSG:25832", for example.'
        ) from error


@cache
def point_mover(source: str, target: str) -> Callable[[Any, Any], tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return a function that moves x and y (longitude first) from one projection to another."""
    transformer = Transformer.from_crs(CRS.from_user_input(source), CRS.from_user_input(target), always_xy=True)

    def move(x: Any, y: Any) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        moved_x, moved_y = transformer.transform(np.asarray(x, dtype=float), np.asarray(y, dtype=float))
        return np.asarray(moved_x, dtype=float), np.asarray(moved_y, dtype=float)

    return move


def move_geometry(geometry: shapely.Geometry, source: str, target: str) -> shapely.Geometry:
    """Return a geometry, or an array of them, in another projection."""
    return shapely.transform(geometry, point_mover(source, target), interleaved=False)
