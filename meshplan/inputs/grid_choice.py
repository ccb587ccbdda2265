"""The working grid: which projection, which cells, how much land around the sites."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from affine import Affine
from numpy.typing import NDArray
from pyproj import CRS

from meshplan.errors import InputError, TooLargeError
from meshplan.grid import Grid
from meshplan.inputs.columns import plain
from meshplan.inputs.projection import Projection, centre_of, choose_projection, is_metric, spread_m
from meshplan.inputs.raster import RasterHeader, apply_transform
from meshplan.inputs.vector import WGS84, point_mover
from meshplan.settings import TerrainSettings

FINEST_CELL_M = 0.5
MOST_CELLS = 4_000_000
MOST_CELLS_ASKED_FOR = 40_000_000
FEWEST_CELLS = 10
CELLS_ACROSS = 100
"""A property is at least so many cells across, however coarse the data: paths need points to be sampled at."""
LEAST_MARGIN_M, MARGIN_SHARE = 50.0, 0.1
WIDEST_PROPERTY_M = 150_000.0
_TIDY = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0)


@dataclass(frozen=True)
class GridChoice:
    """The grid, one sentence that says why, and what may suffer from it."""

    grid: Grid
    sentence: str
    warnings: tuple[str, ...] = ()


def choose_projection_for(lon_deg: Sequence[float], lat_deg: Sequence[float], headers: Sequence[RasterHeader]) -> Projection:
    """Return the projection of a property; only rasters that cover the middle of it have a say, finest first."""
    if spread_m(lon_deg, lat_deg) > WIDEST_PROPERTY_M:
        raise InputError(
            f"the sites and the boundary lie more than {WIDEST_PROPERTY_M / 1000:.0f} km apart",
            where="sites",
            fix="Look for a wrong position; plan distant properties one by one.",
        )
    centre = centre_of(lon_deg, lat_deg)
    sized = [
        (header.cell_m(*centre), index, header.crs)
        for index, header in enumerate(headers)
        if bool(header.covers(lon_deg, lat_deg).any())
    ]
    return choose_projection(lon_deg, lat_deg, [crs for _, _, crs in sorted(sized, key=lambda item: item[:2])])


def land_box(
    lon_deg: Sequence[float], lat_deg: Sequence[float], projection: Projection, terrain: TerrainSettings
) -> tuple[float, float, float, float]:
    """Return west, south, east, north in metres of the property with its margin."""
    x_m, y_m = point_mover(WGS84, projection.crs)(list(lon_deg), list(lat_deg))
    size_m = max(float(np.ptp(x_m)), float(np.ptp(y_m)))
    margin_m = terrain.margin_m if terrain.margin_m is not None else max(LEAST_MARGIN_M, MARGIN_SHARE * size_m)
    return (
        float(x_m.min()) - margin_m,
        float(y_m.min()) - margin_m,
        float(x_m.max()) + margin_m,
        float(y_m.max()) + margin_m,
    )


def choose_grid(
    lon_deg: Sequence[float],
    lat_deg: Sequence[float],
    headers: Sequence[RasterHeader],
    terrain: TerrainSettings,
    *,
    projection: Projection | None = None,
    thinnest: tuple[float, str] | None = None,
    land_deg: tuple[Sequence[float], Sequence[float]] | None = None,
) -> GridChoice:
    """Return the working grid around sites, and why it is as it is.

    Parameters
    ----------
    lon_deg, lat_deg
        Sites; the grid holds them all.
    headers
        Elevation rasters.
    terrain
        Cell size and margin where the user sets them.
    projection
        If it was chosen before.
    thinnest
        Width in metres and name of the thinnest cover.
    land_deg
        Longitudes and latitudes of sites and boundary together; the grid holds them as far as heights are known there.
    """
    land_deg = land_deg or (lon_deg, lat_deg)
    projection = projection or choose_projection_for(*land_deg, headers)
    x_m, y_m = point_mover(WGS84, projection.crs)(list(lon_deg), list(lat_deg))
    land_x_m, land_y_m = point_mover(WGS84, projection.crs)(list(land_deg[0]), list(land_deg[1]))
    size_m = max(float(np.ptp(land_x_m)), float(np.ptp(land_y_m)), 2.0 * LEAST_MARGIN_M)
    west, south, east, north = _trimmed(land_box(*land_deg, projection, terrain), (x_m, y_m), projection.crs, headers)
    covering = [header for header in headers if bool(header.covers(lon_deg, lat_deg).any())] or list(headers)
    sizes = [header.cell_m(*centre_of(lon_deg, lat_deg)) for header in covering]
    finest_m = min(sizes)
    finest = covering[sizes.index(finest_m)]
    cell_m, reason, warnings = _choose_cell(
        terrain.cell_m, finest, finest_m, projection, size_m, (east - west, north - south), thinnest
    )
    start_x, start_y = _anchor(finest, projection, cell_m)
    west_m = start_x + math.floor((west - start_x) / cell_m + 1e-6) * cell_m
    north_m = start_y + math.ceil((north - start_y) / cell_m - 1e-6) * cell_m
    columns = max(2, math.ceil((east - west_m) / cell_m - 1e-6))
    rows = max(2, math.ceil((north_m - south) / cell_m - 1e-6))
    if terrain.cell_m is not None and max(columns, rows) < FEWEST_CELLS:
        raise InputError(
            f"cells of {plain(cell_m)} m are too coarse for a property of {max(east - west, north - south):.0f} m",
            where="property.toml, key 'terrain.cell_m'",
            fix=f"Leave it out, or write at most {plain(_tidy_below(max(east - west, north - south) / FEWEST_CELLS))}.",
        )
    if columns * rows > MOST_CELLS_ASKED_FOR:
        raise TooLargeError(
            f"{columns} × {rows} cells of {plain(cell_m)} m are too many",
            where="property.toml, key 'terrain.cell_m'",
            fix=f"Leave it out, or write at least {plain(math.ceil(cell_m * math.sqrt(columns * rows / MOST_CELLS)))}.",
        )
    if thinnest is not None and thinnest[0] < 2.0 * cell_m - 1e-9:
        warnings.append(
            f"Cover '{thinnest[1]}' is about {thinnest[0]:.1f} m thin, less than two cells of {plain(cell_m)} m: "
            "its edges are coarse; a smaller property or terrain.cell_m would show it better."
        )
    sentence = (
        f"Working grid of {columns} × {rows} cells of {plain(cell_m)} m in {projection.title}: {reason}; {projection.reason}."
    )
    return GridChoice(Grid(projection.crs, west_m, north_m, cell_m, columns, rows), sentence, tuple(warnings))


def _choose_cell(
    asked_m: float | None,
    finest: RasterHeader,
    finest_m: float,
    projection: Projection,
    size_m: float,
    extent_m: tuple[float, float],
    thinnest: tuple[float, str] | None,
) -> tuple[float, str, list[str]]:
    warnings: list[str] = []
    if asked_m is not None:
        if asked_m > 1.5 * finest_m:
            warnings.append(f"terrain.cell_m = {plain(asked_m)} is coarser than the data ({finest_m:.1f} m): relief is smoothed.")
        return asked_m, "as terrain.cell_m asks", warnings
    cell_m = _own_cell(finest, projection) or _tidy_below(finest_m)
    reason = f"the finest elevation data ({finest.shown}) have cells of {finest_m:.3g} m"
    if thinnest is not None and thinnest[0] / 2.0 < cell_m - 1e-9:
        cell_m = _tidy_below(thinnest[0] / 2.0)
        reason = f"half the width of the thinnest cover ('{thinnest[1]}', about {thinnest[0]:.1f} m)"
    if size_m / CELLS_ACROSS < cell_m:
        cell_m = _tidy_below(size_m / CELLS_ACROSS)
        reason = f"the property is {size_m:.0f} m wide and is to be at least {CELLS_ACROSS} cells across"
    if cell_m < FINEST_CELL_M:
        cell_m, reason = FINEST_CELL_M, "no finer cell is used"
    least_m = math.sqrt(extent_m[0] * extent_m[1] / MOST_CELLS)
    if cell_m < least_m:
        cell_m = _tidy_above(least_m)
        wide_km, high_km = extent_m[0] / 1000, extent_m[1] / 1000
        reason = f"finer cells on {wide_km:.1f} × {high_km:.1f} km would be more than {MOST_CELLS // 1_000_000} million"
    return cell_m, reason, warnings


def _own_cell(finest: RasterHeader, projection: Projection) -> float | None:
    """Return the raster's own cell where the grid can lie on it without resampling."""
    transform = finest.transform
    square = math.isclose(abs(transform.a), abs(transform.e), rel_tol=1e-9) and transform.b == transform.d == 0
    if square and is_metric(finest.crs) and CRS.from_user_input(projection.crs) == finest.crs:
        return float(abs(transform.a))
    return None


def _anchor(finest: RasterHeader, projection: Projection, cell_m: float) -> tuple[float, float]:
    """Return a corner of the raster if the grid can lie on its pixels, else the origin."""
    own = _own_cell(finest, projection)
    if own is not None and math.isclose(own, cell_m, rel_tol=1e-9):
        return float(finest.transform.c), float(finest.transform.f)
    return 0.0, 0.0


def _tidy_below(size_m: float) -> float:
    power = 10.0 ** math.floor(math.log10(size_m * (1 + 1e-9)))
    return float(max(step for step in _TIDY if step * power <= size_m * (1 + 1e-6)) * power)


def _tidy_above(size_m: float) -> float:
    below = _tidy_below(size_m)
    power = 10.0 ** math.floor(math.log10(below * (1 + 1e-9)))
    return below if below >= size_m else next(step for step in (*(s * power for s in _TIDY), 10 * power) if step >= size_m)


def _trimmed(
    box: tuple[float, float, float, float],
    points: tuple[NDArray[np.float64], NDArray[np.float64]],
    crs: str,
    headers: Sequence[RasterHeader],
) -> tuple[float, float, float, float]:
    """Cut the margin back to the land that the rasters know, but never inside the points."""
    west, south, east, north = box
    reach = [math.inf, math.inf, -math.inf, -math.inf]
    for header in headers:
        edge = _outline(header.transform, header.width, header.height)
        x_m, y_m = point_mover(header.crs.to_wkt(), crs)(*edge)
        if not (np.isfinite(x_m).all() and np.isfinite(y_m).all()):
            return box
        reach = [
            min(reach[0], float(x_m.min())),
            min(reach[1], float(y_m.min())),
            max(reach[2], float(x_m.max())),
            max(reach[3], float(y_m.max())),
        ]
    x, y = points
    return (
        max(west, min(reach[0], float(x.min()))),
        max(south, min(reach[1], float(y.min()))),
        min(east, max(reach[2], float(x.max()))),
        min(north, max(reach[3], float(y.max()))),
    )


def _outline(transform: Affine, width: int, height: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return points along the edge of a raster."""
    along, zero, one = np.linspace(0.0, 1.0, 9), np.zeros(9), np.ones(9)
    across = np.concatenate([along, along, zero, one]) * width
    down = np.concatenate([zero, one, along, along]) * height
    return apply_transform(transform, across, down)
