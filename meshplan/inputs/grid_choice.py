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
MOST_PARTS_OF_CELLS, MOST_FEW_PARTS_OF_CELLS = 1_000_000, 6_000_000
"""Cells of coarse data are parted for what stands on them as long as no more cells come of it: finely, and into 5 × 5 or 3 × 3."""
MOST_CELLS_ASKED_FOR = 40_000_000
FEWEST_CELLS = 10
PARTED_ABOVE_M, PART_M = 2.5, 2.0
"""Cells of coarser data are parted into an odd number of cells of at most `PART_M`, so that hedges and houses show, and centres of
parts lie on centres of the data."""
LATTICE_M = 50.0
"""The grid begins and ends on whole steps of at least so much, counted from a fixed corner: it does not move with a site."""
LEAST_MARGIN_M, MARGIN_SHARE = 50.0, 0.1
WIDEST_PROPERTY_M = 150_000.0
_WHOLE_STEPS = tuple(steps * 2**power for power in range(40) for steps in (2, 3))
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
    land_deg
        Longitudes and latitudes of sites and boundary together; the grid holds them as far as heights are known there.
    """
    land_deg = land_deg or (lon_deg, lat_deg)
    projection = projection or choose_projection_for(*land_deg, headers)
    x_m, y_m = point_mover(WGS84, projection.crs)(list(lon_deg), list(lat_deg))
    box = land_box(*land_deg, projection, terrain)
    finest, finest_m = _finest_over_the_middle(headers, land_deg)
    known = _trimmed(box, (x_m, y_m), projection.crs, headers)
    extent_m = known[2] - known[0], known[3] - known[1]
    cell_m, reason, warnings = _choose_cell(terrain.cell_m, finest, finest_m, projection, extent_m)
    start_x, start_y = _anchor(finest, projection, cell_m)
    step_m = max(1.0, math.ceil(LATTICE_M / cell_m - 1e-9)) * cell_m
    west, south, east, north = _trimmed(_on_lattice(box, (start_x, start_y), step_m), (x_m, y_m), projection.crs, headers)
    west_m = start_x + math.floor((west - start_x) / cell_m + 1e-6) * cell_m
    north_m = start_y + math.ceil((north - start_y) / cell_m - 1e-6) * cell_m
    columns = max(2, math.ceil((east - west_m) / cell_m - 1e-6))
    rows = max(2, math.ceil((north_m - south) / cell_m - 1e-6))
    width_m = max(extent_m)
    if terrain.cell_m is not None and width_m < FEWEST_CELLS * cell_m:
        raise InputError(
            f"cells of {plain(cell_m)} m are too coarse for a property of {width_m:.0f} m",
            where="property.toml, key 'terrain.cell_m'",
            fix=f"Leave it out, or write at most {plain(_tidy_below(width_m / FEWEST_CELLS))}.",
        )
    if columns * rows > MOST_CELLS_ASKED_FOR:
        raise TooLargeError(
            f"{columns} × {rows} cells of {plain(cell_m)} m are too many",
            where="property.toml, key 'terrain.cell_m'",
            fix=f"Leave it out, or write at least {plain(math.ceil(cell_m * math.sqrt(columns * rows / MOST_CELLS)))}.",
        )
    sentence = f"Working grid of {columns} × {rows} cells of {cell_m:.4g} m in {projection.title}: {reason}; {projection.reason}."
    return GridChoice(Grid(projection.crs, west_m, north_m, cell_m, columns, rows), sentence, tuple(warnings))


def _finest_over_the_middle(
    headers: Sequence[RasterHeader], land_deg: tuple[Sequence[float], Sequence[float]]
) -> tuple[RasterHeader, float]:
    """Return the finest raster over the middle of the land and its cell; of all that cover any of it if none lies there."""
    middle = centre_of(*land_deg)
    there = [header for header in headers if bool(header.covers(*middle))]
    covering = there or [header for header in headers if bool(header.covers(*land_deg).any())] or list(headers)
    sizes = [header.steady_cell_m(*middle) for header in covering]
    return covering[sizes.index(min(sizes))], min(sizes)


def _on_lattice(
    box: tuple[float, float, float, float], start: tuple[float, float], step_m: float
) -> tuple[float, float, float, float]:
    west, south, east, north = box
    return (
        start[0] + math.floor((west - start[0]) / step_m) * step_m,
        start[1] + math.floor((south - start[1]) / step_m) * step_m,
        start[0] + math.ceil((east - start[0]) / step_m) * step_m,
        start[1] + math.ceil((north - start[1]) / step_m) * step_m,
    )


def _choose_cell(
    asked_m: float | None,
    finest: RasterHeader,
    finest_m: float,
    projection: Projection,
    extent_m: tuple[float, float],
) -> tuple[float, str, list[str]]:
    warnings: list[str] = []
    if asked_m is not None:
        if asked_m > 1.5 * finest_m:
            warnings.append(f"terrain.cell_m = {plain(asked_m)} is coarser than the data ({finest_m:.1f} m): relief is smoothed.")
        return asked_m, "as terrain.cell_m asks", warnings
    own_m = _own_cell(finest, projection)
    cell_m = own_m or _tidy_below(finest_m)
    reason = f"the finest elevation data ({finest.shown}) have cells of {finest_m:.3g} m"
    parts = _parts_of(finest_m, extent_m)
    if parts > 1:
        cell_m = own_m / parts if own_m is not None else _tidy_below(finest_m / parts)
        reason += ", parted for what stands on them"
    if cell_m < FINEST_CELL_M:
        cell_m, reason = FINEST_CELL_M, "no finer cell is used"
    least_m = math.sqrt(extent_m[0] * extent_m[1] / MOST_CELLS)
    if cell_m < least_m:
        # Whole steps, so that one site more or less seldom changes the cell.
        cell_m *= next(steps for steps in _WHOLE_STEPS if steps * cell_m >= least_m)
        wide_km, high_km = extent_m[0] / 1000, extent_m[1] / 1000
        reason = f"finer cells on {wide_km:.1f} × {high_km:.1f} km would be more than {MOST_CELLS // 1_000_000} million"
    return cell_m, reason, warnings


def _parts_of(data_cell_m: float, extent_m: tuple[float, float]) -> int:
    """Return into how many parts, always odd, a cell of the data is cut each way."""
    if data_cell_m <= PARTED_ABOVE_M:
        return 1
    parts = math.ceil(data_cell_m / PART_M - 1e-9) | 1
    ladder = [parts, *(fewer for fewer in (parts // 3 | 1, parts // 9 | 1, 5, 3) if fewer < parts)]
    for fewer in sorted(set(ladder), reverse=True):
        most = MOST_PARTS_OF_CELLS if fewer > 5 else MOST_FEW_PARTS_OF_CELLS
        if extent_m[0] * extent_m[1] * (fewer / data_cell_m) ** 2 <= most:
            return fewer
    return 1


def _own_cell(finest: RasterHeader, projection: Projection) -> float | None:
    """Return the raster's own cell where the grid can lie on it without resampling."""
    transform = finest.transform
    square = math.isclose(abs(transform.a), abs(transform.e), rel_tol=1e-9) and transform.b == transform.d == 0
    if square and is_metric(finest.crs) and CRS.from_user_input(projection.crs) == finest.crs:
        return float(abs(transform.a))
    return None


def _anchor(finest: RasterHeader, projection: Projection, cell_m: float) -> tuple[float, float]:
    """Return a corner of the raster if the grid can lie on its pixels, or whole parts or numbers of them, else the origin."""
    own = _own_cell(finest, projection)
    parts = 0 if own is None else round(max(own / cell_m, cell_m / own))
    if own is not None and any(math.isclose(own * times, cell_m, rel_tol=1e-9) for times in (parts, 1.0 / parts)):
        return float(finest.transform.c), float(finest.transform.f)
    return 0.0, 0.0


def _tidy_below(size_m: float) -> float:
    power = 10.0 ** math.floor(math.log10(size_m * (1 + 1e-9)))
    return float(max(step for step in _TIDY if step * power <= size_m * (1 + 1e-6)) * power)


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
