"""The plan for other programs: GeoPackage and KML for maps, GPX for phones, GeoJSON and CSV for everything else."""

from __future__ import annotations

import contextlib
import math
import sqlite3
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

from meshplan.errors import MeshplanError
from meshplan.propagation.seasons import season_words
from meshplan.records import VERDICT_WORDS, Device, Link, MapShape, Plan, Role, Route
from meshplan.records.figures import figures_of
from meshplan.records.utility import MapWire
from meshplan.reporting.file_sets import all_or_nothing, users_path
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.map.palette import VERDICT_STYLES
from meshplan.reporting.plan_files import (
    LON_LAT_DECIMALS,
    closed_ring,
    device_properties,
    link_properties,
    route_properties,
    wire_properties,
    write_csv_tables,
    write_plan_geojson,
    write_plan_json,
)
from meshplan.reporting.words import metres, number, percent, text

FIXED_DATE: Final = "2000-01-01T00:00:00.000Z"
"""Stands in GeoPackages where GDAL would write the time of day, so that the same plan gives the same bytes."""

Row = tuple[dict[str, object], Any]


def write_exports(plan: Plan, folder: Path) -> tuple[Path, ...]:
    """Write plan.gpkg, plan.geojson, plan.json, sites.gpx, plan.kml and a folder of CSV tables; all of them or none."""
    with all_or_nothing(folder) as scratch:
        write_plan_json(plan, scratch / "plan.json")
        write_plan_geojson(plan, scratch / "plan.geojson")
        write_geopackage(plan, scratch / "plan.gpkg")
        write_gpx(plan, scratch / "sites.gpx")
        write_kml(plan, scratch / "plan.kml")
        write_csv_tables(plan, scratch / "tables")
        names = sorted(path.relative_to(scratch) for path in scratch.rglob("*") if path.is_file())
    return tuple(folder / name for name in names)


def write_geopackage(plan: Plan, path: Path) -> Path:
    """Write the layers devices, links, routes and shapes, in WGS 84, with the same columns as the tables of the plan."""
    import pyogrio  # noqa: PLC0415 - heavy, and needed only here

    path.parent.mkdir(parents=True, exist_ok=True)
    with all_or_nothing(path.parent) as scratch:
        target = scratch / path.name
        before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": FIXED_DATE})
        try:
            frames = geo_frames(plan)
            for name, (kind, frame) in frames.items():
                pyogrio.write_dataframe(frame, target, layer=name, driver="GPKG", geometry_type=kind)
            _refuse_unfinished(target, {name: len(frame) for name, (_, frame) in frames.items()})
        except (RuntimeError, sqlite3.Error) as error:  # GDAL and SQLite tell a full disk in words of their own
            raise MeshplanError(
                "could not be written whole",
                where=str(users_path(path)),
                fix="Make room on the disk, or choose another folder with --out.",
            ) from error
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
    return path


def _refuse_unfinished(path: Path, counts: dict[str, int]) -> None:
    """Raise if the file lacks rows: a disk that fills while it is closed is not always told."""
    with contextlib.closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as base:
        found = {name: base.execute(f'SELECT COUNT(*) FROM "{name}"').fetchone()[0] for name in counts}
    if found != counts:
        raise RuntimeError(f"{found} rows in place of {counts}")


def geo_frames(plan: Plan) -> dict[str, tuple[str, Any]]:
    """Return the layers devices, links, routes and shapes: kind of geometry, and a GeoDataFrame in WGS 84."""
    import geopandas  # noqa: PLC0415

    frames = {}
    for name, (kind, rows, columns) in _layers(plan).items():
        table = {column: _column(kind_of, [row[column] for row, _ in rows]) for column, kind_of in columns.items()}
        frames[name] = kind, geopandas.GeoDataFrame(table, geometry=[geometry for _, geometry in rows], crs="EPSG:4326")
    return frames


def _column(kind: str, values: list[object]) -> Any:
    """Return a typed column; an unknown number stays empty."""
    import pandas  # noqa: PLC0415

    return pandas.Series([None if value is None else value for value in values], dtype=kind)


def _layers(plan: Plan) -> dict[str, tuple[str, list[Row], dict[str, str]]]:
    from shapely.geometry import LineString, Point  # noqa: PLC0415

    places = {device.name: (device.lon_deg, device.lat_deg) for device in plan.devices}
    devices: list[Row] = [(device_properties(device), Point(places[device.name])) for device in plan.devices]
    links: list[Row] = [(link_properties(link), LineString([places[link.a], places[link.b]])) for link in plan.links]
    routes: list[Row] = [(route_properties(route), LineString([places[name] for name in route.devices])) for route in plan.routes]
    named = [{"kind": shape.kind, "name": shape.name, "height_m": float(shape.height_m)} for shape in plan.shapes]
    shapes: list[Row] = list(zip(named, _polygons(plan.shapes), strict=True))
    wires: list[Row] = [(wire_properties(wire), _wire_shape(wire)) for wire in plan.wires]
    kinds = {"name": "str", "words": "str", "hazard": "str", "voltage_v": "float64"}
    return {
        "devices": ("Point", devices, {**_DEVICE_COLUMNS, **_figure_columns(Device)}),
        "links": ("LineString", links, {**_LINK_COLUMNS, **_figure_columns(Link)}),
        "routes": ("LineString", routes, {**_ROUTE_COLUMNS, **_figure_columns(Route)}),
        "shapes": ("Polygon", shapes, {"kind": "str", "name": "str", "height_m": "float64"}),
        **({"wires": ("Unknown", wires, kinds)} if wires else {}),
    }


def _polygons(shapes: Sequence[MapShape]) -> list[Any]:
    """Return outlines as polygons, all made at once."""
    from shapely import linearrings, polygons  # noqa: PLC0415

    if not shapes:
        return []
    rings = [(number, closed_ring(ring, clockwise=i > 0)) for number, one in enumerate(shapes) for i, ring in enumerate(one.rings)]
    corners = [corner for _, ring in rings for corner in ring]
    which = np.repeat(np.arange(len(rings)), [len(ring) for _, ring in rings])
    return list(polygons(linearrings(corners, indices=which), indices=[number for number, _ in rings]))


def _wire_shape(wire: MapWire) -> Any:
    from shapely.geometry import MultiLineString, MultiPoint  # noqa: PLC0415

    if all(len(path) == 1 for path in wire.paths):
        return MultiPoint([path[0] for path in wire.paths])
    return MultiLineString([path for path in wire.paths if len(path) > 1])


def _figure_columns(record: type) -> dict[str, str]:
    return {figure.name: figure.column for figure in figures_of(record)}


_DEVICE_COLUMNS: Final = {
    **dict.fromkeys(("device", "role"), "str"),
    **dict.fromkeys(("in_plan", "served"), "bool"),
    "purpose": "str",
    **dict.fromkeys(("ground_amsl_m", "antenna_agl_m"), "float64"),
    "height_assumed": "bool",
    **dict.fromkeys(("power", "antenna"), "str"),
    "azimuth_deg": "float64",
    "cable": "str",
    **dict.fromkeys(("cable_m", "cost"), "float64"),
    **dict.fromkeys(("reason", "note"), "str"),
}
_LINK_COLUMNS: Final = {
    **dict.fromkeys(("link", "a", "b"), "str"),
    "in_plan": "bool",
    "verdict": "str",
    **dict.fromkeys(("chance", "margin_db"), "float64"),
    "worst_season": "str",
    **dict.fromkeys(("distance_m", "bearing_deg", "antenna_a_agl_m", "antenna_b_agl_m"), "float64"),
    **dict.fromkeys(("clearance", "sentence"), "str"),
}
_ROUTE_COLUMNS: Final = {
    **dict.fromkeys(("sensor", "gateway"), "str"),
    "hops": "int64",
    **dict.fromkeys(("by_way_of", "second_way"), "str"),
    "chance": "float64",
}


def write_gpx(plan: Plan, path: Path) -> Path:
    """Write every device of the plan and every sensor as a GPX 1.1 waypoint, for the phone in the field."""
    points = "".join(_waypoint(device) for device in plan.devices if device.in_plan or device.role is Role.SENSOR)
    return write_text_atomically(
        path,
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="meshplan" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f"<metadata><name>{text(plan.property_name)}</name></metadata>\n{points}</gpx>\n",
    )


def _waypoint(device: Device) -> str:
    height = f"<ele>{device.ground_amsl_m:.1f}</ele>" if math.isfinite(device.ground_amsl_m) else ""
    return (
        f'<wpt lat="{_degrees(device.lat_deg)}" lon="{_degrees(device.lon_deg)}">{height}<name>{text(device.name)}</name>'
        f"<desc>{text(_device_words(device))}</desc><type>{device.role.value}</type></wpt>\n"
    )


def _device_words(device: Device) -> str:
    served = "" if device.served or device.role is not Role.SENSOR else ", not served by the plan"
    note = f". {device.note}" if device.note else ""
    return f"{device.role.value}, antenna {metres(device.antenna_agl_m)} above ground{served}{note}"


def write_kml(plan: Plan, path: Path) -> Path:
    """Write outlines, links of the plan and devices as KML 2.2, links coloured by verdict."""
    places = {device.name: device for device in plan.devices}
    shapes = "".join(_placemark(shape.name, shape.kind, _polygon(shape), "") for shape in plan.shapes)
    links = "".join(
        _placemark(
            f"{link.a} to {link.b}",
            _link_words(link),
            _kml_line([places[link.a], places[link.b]]),
            f"<styleUrl>#{_style_id(link.verdict)}</styleUrl>",
        )
        for link in plan.chosen_links
    )
    devices = "".join(
        _placemark(device.name, _device_words(device), f"<Point><coordinates>{_place(device)}</coordinates></Point>", "")
        for device in plan.devices
        if device.in_plan or device.role is Role.SENSOR
    )
    wires = "".join(
        _placemark(wire.name, f"{wire.words}: {wire.hazard}", _kml_wire(path), "") for wire in plan.wires for path in wire.paths
    )
    folders = "".join(
        f"<Folder><name>{name}</name>{body}</Folder>\n"
        for name, body in (("outlines", shapes), ("wires", wires), ("links", links), ("devices", devices))
        if body or name != "wires"
    )
    styles = "".join(
        f'<Style id="{_style_id(verdict)}"><LineStyle><color>{_kml_colour(style.colour)}</color><width>4</width>'
        "</LineStyle></Style>"
        for verdict, style in VERDICT_STYLES.items()
    )
    return write_text_atomically(
        path,
        '<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<name>{text(plan.property_name)}</name>{styles}\n{folders}</Document></kml>\n",
    )


def _placemark(name: str, words: str, geometry: str, style: str) -> str:
    return f"<Placemark><name>{text(name)}</name><description>{text(words)}</description>{style}{geometry}</Placemark>\n"


def _link_words(link: Link) -> str:
    return (
        f"{link.verdict}: {VERDICT_WORDS[link.verdict]}. Chance {percent(link.chance)}, {number(link.margin_db, 1)} dB over the "
        f"limit in the worst season ({season_words(link.worst_season)}). {link.clearance.sentence}"
    )


def _polygon(shape: MapShape) -> str:
    rings = [closed_ring(ring, clockwise=index > 0) for index, ring in enumerate(shape.rings)]
    outer, *holes = [" ".join(f"{_degrees(x)},{_degrees(y)}" for x, y in ring) for ring in rings]
    inner = "".join(
        f"<innerBoundaryIs><LinearRing><coordinates>{hole}</coordinates></LinearRing></innerBoundaryIs>" for hole in holes
    )
    return (
        f"<Polygon><outerBoundaryIs><LinearRing><coordinates>{outer}</coordinates></LinearRing></outerBoundaryIs>{inner}</Polygon>"
    )


def _kml_line(devices: Iterable[Device]) -> str:
    return f"<LineString><coordinates>{' '.join(_place(device) for device in devices)}</coordinates></LineString>"


def _kml_wire(path: tuple[tuple[float, float], ...]) -> str:
    places = " ".join(f"{_degrees(x)},{_degrees(y)}" for x, y in path)
    kind = "Point" if len(path) == 1 else "LineString"
    return f"<{kind}><coordinates>{places}</coordinates></{kind}>"


def _place(device: Device) -> str:
    return f"{_degrees(device.lon_deg)},{_degrees(device.lat_deg)}"


def _degrees(value: float) -> str:
    return f"{value + 0.0:.{LON_LAT_DECIMALS}f}"


def _style_id(verdict: str) -> str:
    return verdict.replace(" ", "-")


def _kml_colour(colour: str) -> str:
    """Return #rrggbb as the aabbggrr of KML, opaque."""
    return f"ff{colour[5:7]}{colour[3:5]}{colour[1:3]}"


WRITERS: Final[dict[str, Callable[[Plan, Path], Path]]] = {
    ".json": write_plan_json,
    ".geojson": write_plan_geojson,
    ".gpkg": write_geopackage,
    ".gpx": write_gpx,
    ".kml": write_kml,
}
"""The writer for each ending of a file name."""
