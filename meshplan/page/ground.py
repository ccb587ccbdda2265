"""Ground to draw on, before there is a plan: shaded heights from the rasters, first coarse, then fine; no site is needed for it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import shapely

from meshplan.errors import FaultList, MeshplanError
from meshplan.grid import Grid
from meshplan.inputs.cover import boundary_of
from meshplan.inputs.elevation import read_elevation
from meshplan.inputs.grid_choice import choose_projection_for
from meshplan.inputs.land_extent import AROUND_A_PLACE_M, place_of
from meshplan.inputs.projection import centre_of
from meshplan.inputs.raster import RasterHeader, open_header
from meshplan.inputs.vector import WGS84, point_mover, read_features
from meshplan.page.contents import Reading, faults_as_data, read_quickly
from meshplan.reporting.map.relief import RasterPicture, relief_picture

OVERVIEW_CELLS: Final = 300
FINE_CELLS: Final = 1600
"""Cells along the longer side of the land that is drawn."""
LEAST_MARGIN_M: Final = 300.0
MARGIN_SHARE: Final = 0.5
"""Land drawn around what is known, as a share of its size (own choice): the next thing may be drawn there."""
WIDEST_M: Final = 60_000.0
"""Of a raster without anything on it, no more is drawn around its middle (own choice)."""


@dataclass(frozen=True)
class Ground:
    """The picture of the land with what it was made from; no picture where there is no raster yet."""

    picture: RasterPicture | None
    words: str
    faults: tuple[MeshplanError, ...] = ()
    low_m: float | None = None
    high_m: float | None = None
    cell_m: float | None = None
    rasters: tuple[dict[str, Any], ...] = ()

    def as_data(self) -> dict[str, Any]:
        """Return what the page is told."""
        picture = None if self.picture is None else {"uri": self.picture.uri, "bounds": self.picture.bounds}
        return {
            "picture": picture,
            "words": self.words,
            "faults": faults_as_data(self.faults),
            "low_m": self.low_m,
            "high_m": self.high_m,
            "cell_m": self.cell_m,
            "rasters": list(self.rasters),
        }


def ground_of(folder: Path, *, fine: bool) -> Ground:
    """Return the land of a folder as far as its rasters show it; what is wrong with them stands in the answer."""
    reading = read_quickly(folder)
    faults: list[MeshplanError] = []
    headers: list[RasterHeader] = []
    for raster in reading.files.elevation if reading.files is not None else ():
        try:
            headers.append(open_header(folder / raster.file, raster.file, raster))
        except FaultList as several:
            faults += several.faults
        except MeshplanError as fault:
            faults.append(fault)
    if not headers:
        return Ground(None, "There is no ground yet.", tuple(faults))
    try:
        grid = _grid(folder, reading, headers, FINE_CELLS if fine else OVERVIEW_CELLS)
        elevation = read_elevation(headers, grid, smooth=True)
    except FaultList as several:
        return Ground(None, "The ground cannot be drawn.", (*faults, *several.faults))
    except MeshplanError as fault:
        return Ground(None, "The ground cannot be drawn.", (*faults, fault))
    heights = elevation.ground_amsl_m
    if not np.isfinite(heights).any():
        return Ground(None, "The rasters know no heights here.", tuple(faults))
    low_m, high_m = float(np.nanmin(heights)), float(np.nanmax(heights))
    rasters = tuple(_described(header) for header in headers)
    names = ", ".join(header.shown for header in headers)
    words = f"Ground from {names}, heights {low_m:.0f} to {high_m:.0f} m."
    return Ground(relief_picture(heights, grid), words, tuple(faults), low_m, high_m, grid.cell_m, rasters)


def _described(header: RasterHeader) -> dict[str, Any]:
    west, south, east, north = header.corners_deg()
    cell_m = header.cell_m((west + east) / 2, (south + north) / 2)
    return {
        "file": header.shown,
        "cell_m": round(cell_m, 3),
        "unit": header.unit,
        "unit_stated": header.unit_stated,
        "box_deg": [west, south, east, north],
        "notes": list(header.notes),
    }


def _grid(folder: Path, reading: Reading, headers: Sequence[RasterHeader], cells: int) -> Grid:
    """Return the grid of what is drawn: around what is known of the property, else the land of the rasters."""
    lon, lat, margin_m = _known(folder, reading)
    if not lon:
        boxes = [header.corners_deg() for header in headers]
        middle = centre_of([(box[0] + box[2]) / 2 for box in boxes[:1]], [(box[1] + box[3]) / 2 for box in boxes[:1]])
        lon, lat = [middle[0]], [middle[1]]
        margin_m = WIDEST_M / 2
    projection = choose_projection_for(lon, lat, headers)
    x_m, y_m = point_mover(WGS84, projection.crs)(lon, lat)
    size_m = max(float(np.ptp(x_m)), float(np.ptp(y_m)))
    margin_m = max(margin_m, MARGIN_SHARE * size_m)
    west, east = float(x_m.min()) - margin_m, float(x_m.max()) + margin_m
    south, north = float(y_m.min()) - margin_m, float(y_m.max()) + margin_m
    reach = [math.inf, math.inf, -math.inf, -math.inf]
    for header in headers:
        box = header.corners_deg()
        edge = shapely.get_coordinates(shapely.box(*box).segmentize(max(box[2] - box[0], box[3] - box[1]) / 8))
        along, up = point_mover(WGS84, projection.crs)(edge[:, 0], edge[:, 1])
        if np.isfinite(along).all() and np.isfinite(up).all():
            reach = [
                min(reach[0], float(along.min())), min(reach[1], float(up.min())),
                max(reach[2], float(along.max())), max(reach[3], float(up.max())),
            ]  # fmt: skip
    if math.isfinite(reach[0]) and reach[0] < east and reach[2] > west and reach[1] < north and reach[3] > south:
        west, south, east, north = max(west, reach[0]), max(south, reach[1]), min(east, reach[2]), min(north, reach[3])
    finest_m = min(header.cell_m(*centre_of(lon, lat)) for header in headers)
    cell_m = max(finest_m, max(east - west, north - south) / cells)
    columns, rows = (max(2, math.ceil(side / cell_m)) for side in (east - west, north - south))
    return Grid(projection.crs, west, north, cell_m, columns, rows)


def _known(folder: Path, reading: Reading) -> tuple[list[float], list[float], float]:
    """Return longitudes and latitudes of sites and boundary, or of the place that is named, with the land to draw around."""
    lon, lat = [site.lon_deg for site in reading.sites], [site.lat_deg for site in reading.sites]
    for name in reading.files.boundary if reading.files is not None else ():
        with suppress(MeshplanError):
            outline, _, _ = boundary_of([(name, read_features(folder / name, name, key="boundary", default_crs=reading.crs))])
            if outline is not None:
                corners = shapely.get_coordinates(outline.convex_hull)
                lon += corners[:, 0].tolist()
                lat += corners[:, 1].tolist()
    if lon:
        return lon, lat, LEAST_MARGIN_M
    with suppress(MeshplanError):
        place = place_of(reading.settings) if reading.settings is not None else None
        if place is not None:
            return [place[0]], [place[1]], AROUND_A_PLACE_M
    return [], [], 0.0
