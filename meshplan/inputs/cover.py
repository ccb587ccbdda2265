"""Cover and boundary from vector files: shapes mended, lines widened, everything on the local grid."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import shapely

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.columns import Headings, match_headings, plain, read_values
from meshplan.inputs.cover_columns import COVER_COLUMNS, KIND_WALLS, PLAIN_WORDS
from meshplan.inputs.vector import WGS84, Feature, VectorFile, move_geometry, no_degrees
from meshplan.inputs.walls import wall_note
from meshplan.kinds import COVER_KINDS, CoverKind
from meshplan.records import Cover, Origin

_MAP_PROGRAM_FIELDS = tuple(
    re.findall(
        r"\w+",
        """
        fid ogc_fid objectid shape_length shape_area osm_id description desc cmt timestamp begin end altitudemode tessellate
        extrude visibility draworder icon snippet note notes source
        """,
    )
)
"""Written by map programs beside what is read."""


_MONTHS = tuple(f"h{index:02d}" for index in range(1, 13))
_LEAST_PART_M2 = 0.01
_LEAST_FULLNESS = 1e-7
"""Area over squared outline below which an area is a line drawn to and fro."""


@dataclass(frozen=True)
class RawCover:
    """A cover feature with its values read, its geometry still as in the file."""

    feature: Feature
    values: dict[str, Any]
    geometry: shapely.Geometry


@dataclass
class CoverList:
    """What the cover files hold, and what was noticed on the way."""

    raw: list[RawCover] = field(default_factory=list)
    faults: list[MeshplanError] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    assumptions: list[str] = field(default_factory=list)


def read_cover_features(files: Iterable[tuple[str, VectorFile]]) -> CoverList:
    """Return the cover of all files with values checked; `files` pairs the shown name with what was read."""
    result = CoverList()
    for shown, file in files:
        headings = match_headings(file.headings, COVER_COLUMNS, shown, ignored=_MAP_PROGRAM_FIELDS, word="field")
        result.faults.extend(headings.faults)
        result.warnings.extend([*file.warnings, *headings.warnings])
        for feature in file.features:
            raw = _read_one(feature, headings, result)
            if raw is not None:
                result.raw.append(raw)
    return result


def _read_one(feature: Feature, headings: Headings, result: CoverList) -> RawCover | None:
    faults: list[MeshplanError] = []
    raw = {column: feature.attributes.get(heading) for heading, column in headings.columns.items()}
    values = read_values(raw, COVER_COLUMNS, feature.where, faults, word="field")
    geometry = _sound(feature, faults, result.assumptions)
    if "kind" in values and geometry is not None:
        _fill_in(feature.where, values, geometry, faults, result.assumptions)
        result.assumptions.extend(wall_note(feature.where, raw.get("wall"), values.get("wall") if raw.get("wall") else None))
    result.faults.extend(faults)
    if faults or geometry is None or "kind" not in values:
        return None
    return RawCover(feature, values, geometry)


def _no_shape(feature: Feature) -> InputError:
    if feature.open_ring:
        fix = "Write its first corner once more as the last one, or draw it again."
        return InputError("its outline is not closed: it does not end where it begins", where=feature.where, fix=fix)
    return InputError("has no shape", where=feature.where, fix="Draw it again, or remove it.")


def _sound(feature: Feature, faults: list[MeshplanError], notes: list[str]) -> shapely.Geometry | None:
    """Return the geometry, mended if its outline crosses itself."""
    geometry = feature.geometry
    if geometry is None or geometry.is_empty:
        faults.append(_no_shape(feature))
        return None
    if not np.isfinite(shapely.get_coordinates(geometry)).all():
        faults.append(InputError("has corners that are no numbers", where=feature.where, fix="Draw it again."))
        return None
    fault = no_degrees(feature)
    if fault is not None:
        faults.append(fault)
        return None
    sound = bool(geometry.is_valid)
    whole = geometry if sound else shapely.make_valid(geometry)
    if "Polygon" in geometry.geom_type and whole.area <= _LEAST_FULLNESS * geometry.length**2:
        faults.append(InputError("its outline encloses nothing", where=feature.where, fix="Draw it again, or remove it."))
        return None
    if not sound:
        reason = shapely.is_valid_reason(geometry).split("[")[0].strip().lower()
        mended = _same_kind(whole, geometry)
        notes.append(f"{feature.where}: its outline was not sound ({reason}) and was mended; look at it on the map.")
        return mended
    return geometry


def _same_kind(mended: shapely.Geometry, original: shapely.Geometry) -> shapely.Geometry:
    """Drop the slivers of lower dimension that mending leaves behind."""
    if "Polygon" not in original.geom_type:
        return mended
    parts = [part for part in shapely.get_parts(shapely.get_parts(mended)) if part.geom_type == "Polygon"]
    return shapely.union_all(parts) if parts else shapely.Polygon()


def _fill_in(where: str, values: dict[str, Any], geometry: shapely.Geometry, faults: list[MeshplanError], notes: list[str]) -> None:
    name, word = values["kind"]
    kind = COVER_KINDS[name]
    values["kind"] = name
    values.setdefault("name", f"{name} {where.rsplit(' ', 1)[1]}")
    called = f"{where} ('{values['name']}')"
    folded = word.casefold().replace("_", " ")
    if folded in PLAIN_WORDS and folded != name:
        notes.append(f"{called}: '{word}' is taken as {name}.")
    if folded in KIND_WALLS:
        values.setdefault("wall", KIND_WALLS[folded])
    _fill_in_months(where, values, faults)
    _fill_in_height(called, values, kind, notes)
    if name == "building" and "wall" not in values:
        notes.append(f"{called}: wall type not given.")
    _fill_in_width(where, called, values, geometry, kind, faults, notes)


def _fill_in_months(where: str, values: dict[str, Any], faults: list[MeshplanError]) -> None:
    given = [month for month in _MONTHS if month in values]
    if given and "heights_by_month_m" in values:
        faults.append(InputError("heights by month are given twice", where=where, fix="Keep heights_by_month_m or h01 … h12."))
    elif given:
        missing = [month for month in _MONTHS if month not in values]
        if missing and "height_m" not in values:
            faults.append(
                InputError(
                    f"heights of some months are missing ({', '.join(missing)})",
                    where=where,
                    fix="Give all of h01 … h12, or height_m for the others.",
                )
            )
        else:
            values["heights_by_month_m"] = tuple(values.get(month, values.get("height_m")) for month in _MONTHS)


def _fill_in_height(called: str, values: dict[str, Any], kind: CoverKind, notes: list[str]) -> None:
    if "height_m" not in values:
        by_month = values.get("heights_by_month_m")
        values["height_m"] = max(by_month) if by_month else kind.height_m
        values["origin"] = Origin.DRAWN if by_month else Origin.DRAWN_USUAL
        if not by_month and kind.name != "water":
            notes.append(f"{called}: height assumed as {plain(kind.height_m)} m, usual for {kind.name}; give height_m.")
    if kind.seasonal and "heights_by_month_m" not in values:
        notes.append(f"{called}: {plain(values['height_m'])} m all year assumed, the worst case; give heights_by_month_m.")


def _fill_in_width(
    where: str,
    called: str,
    values: dict[str, Any],
    geometry: shapely.Geometry,
    kind: CoverKind,
    faults: list[MeshplanError],
    notes: list[str],
) -> None:
    if "Polygon" not in geometry.geom_type and "width_m" not in values:
        if kind.line_width_m is None or "Point" in geometry.geom_type:
            faults.append(
                InputError(
                    f"a {'point' if 'Point' in geometry.geom_type else 'line'} of {kind.name} has no width",
                    where=where,
                    fix="Give width_m, or draw it as an area.",
                )
            )
        else:
            values["width_m"] = kind.line_width_m
            notes.append(f"{called}: width of the line assumed as {plain(kind.line_width_m)} m; give width_m.")


def cover_on_grid(raw: Sequence[RawCover], crs: str) -> tuple[Cover, ...]:
    """Return the cover in a metric projection, lines and points widened."""
    items: list[Cover] = []
    for entry, moved in zip(raw, _moved(raw, crs), strict=True):
        values = entry.values
        geometry = _widen(moved, values.get("width_m"))
        items.append(
            Cover(
                name=values["name"],
                kind=values["kind"],
                geometry=geometry,
                height_m=values["height_m"],
                heights_by_month_m=values.get("heights_by_month_m", ()),
                wall=values.get("wall"),
                row_azimuth_deg=None if values.get("row_azimuth_deg") is None else values["row_azimuth_deg"] % 360.0,
                where=entry.feature.where,
                origin=values.get("origin", Origin.DRAWN),
            )
        )
    return tuple(items)


def _moved(raw: Sequence[RawCover], crs: str) -> list[shapely.Geometry]:
    """Return the shapes in a projection, all of one source at once."""
    moved: list[Any] = [None] * len(raw)
    for source in dict.fromkeys(entry.feature.crs for entry in raw):
        places = [place for place, entry in enumerate(raw) if entry.feature.crs == source]
        shapes = np.empty(len(places), dtype=object)
        shapes[:] = [raw[place].geometry for place in places]
        for place, shape in zip(places, move_geometry(shapes, source, crs), strict=True):
            moved[place] = shape
    return moved


def _widen(geometry: shapely.Geometry, width_m: float | None) -> shapely.Geometry:
    if geometry.geom_type == "Polygon" and geometry.is_valid:
        return geometry
    parts = shapely.get_parts(geometry)
    if any(part.geom_type == "GeometryCollection" for part in parts):
        parts = shapely.get_parts(parts)
    widened = []
    for part in parts:
        if part.geom_type == "Polygon":
            widened.append(part if part.is_valid else shapely.make_valid(part))
        elif width_m is not None:
            flat = "Point" not in part.geom_type
            widened.append(part.buffer(width_m / 2, cap_style="flat" if flat else "round", join_style="mitre" if flat else "round"))
    return shapely.union_all(widened) if len(widened) > 1 else widened[0]


def boundary_of(
    files: Sequence[tuple[str, VectorFile]],
    *,
    words: tuple[str, str] = ("the outline of the property", "Draw the boundary as an area."),
) -> tuple[shapely.Geometry | None, list[MeshplanError], list[str]]:
    """Return the outline in longitude and latitude, faults and notes; lines that close are taken as outlines.

    `words` say what the outline is and how a wrong one is mended.
    """
    faults: list[MeshplanError] = []
    notes: list[str] = []
    areas: list[shapely.Geometry] = []
    for shown, file in files:
        lines: list[shapely.Geometry] = []
        for feature in file.features:
            geometry = _sound(feature, faults, notes)
            if geometry is None:
                continue
            geometry = move_geometry(geometry, feature.crs, WGS84)
            parts = shapely.get_parts(geometry)
            areas.extend(part for part in parts if part.geom_type == "Polygon")
            lines.extend(part for part in parts if part.geom_type in ("LineString", "LinearRing"))
        if lines:
            closed = list(shapely.get_parts(shapely.polygonize(lines)))
            if closed:
                areas.extend(closed)
                notes.append(f"{shown}: a closed line is taken as {words[0]}.")
            else:
                faults.append(InputError("the line does not close", where=shown, fix=words[1]))
    if not areas:
        if not faults:
            names = ", ".join(shown for shown, _ in files)
            faults.append(InputError("holds no outline", where=names, fix=words[1]))
        return None, faults, notes
    return shapely.union_all(areas), faults, notes
