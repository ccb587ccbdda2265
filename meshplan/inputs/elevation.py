"""Elevation on the working grid: rasters laid over each other, finest first, with what is known about their errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.errors import MeshplanError, raise_faults
from meshplan.grid import Elevation, Float32, Grid, RasterNote
from meshplan.inputs.columns import plain
from meshplan.inputs.raster import RasterHeader, read_on_grid
from meshplan.inputs.vector import WGS84, point_mover

_ERROR_AT_1_M = 0.3
_ERROR_EXPONENT = 0.83
_LEAST_ERROR_M, _LARGEST_ERROR_M = 0.15, 10.0
_ERROR_LENGTH_CELLS = 1.5
_LEAST_ERROR_LENGTH_M = 5.0
NO_RASTER = 255
_NOTABLE_STEP_M = 2.0


def default_error_m(cell_m: float) -> float:
    """Return the standard deviation of height errors that is assumed for a cell size.

    Notes
    -----
    Source
        Anchored at "1 m lidar ± 0.2–0.5 m" and "30 m global models ± 3–10 m", common statements of suppliers recalled from memory;
        0.3 m and 5 m with a power law between. Check against spot heights if it matters.
    Valid for
        Open land. Under trees and on steep slopes errors are larger. Held within 0.15 and 10 m.
    """
    return float(np.clip(_ERROR_AT_1_M * cell_m**_ERROR_EXPONENT, _LEAST_ERROR_M, _LARGEST_ERROR_M))


def default_error_length_m(cell_m: float) -> float:
    """Return the distance over which height errors are assumed alike: one and a half cells, at least 5 m (assumed, no source)."""
    return max(_LEAST_ERROR_LENGTH_M, _ERROR_LENGTH_CELLS * cell_m)


@dataclass
class _Layer:
    header: RasterHeader
    cell_m: float
    heights: Float32
    used: int = 0


def read_elevation(headers: Sequence[RasterHeader], grid: Grid) -> Elevation:
    """Return the heights on the grid, each cell from the finest raster that knows it.

    Ground and surface rasters are laid together apart. Faults of all rasters are raised together.
    """
    lon, lat = point_mover(grid.crs, WGS84)(*grid.x_y(grid.columns / 2, grid.rows / 2))
    sized = sorted(
        ((header.cell_m(float(lon), float(lat)), index, header) for index, header in enumerate(headers)),
        key=lambda item: item[:2],
    )
    layers: list[_Layer] = []
    faults: list[MeshplanError] = []
    for cell_m, _, header in sized:
        try:
            layers.append(_Layer(header, cell_m, read_on_grid(header, grid, cell_m)))
        except MeshplanError as fault:
            faults.append(fault)
    raise_faults(faults)
    assumptions: list[str] = []
    ground_layers = [layer for layer in layers if not layer.header.is_surface]
    surface_layers = [layer for layer in layers if layer.header.is_surface]
    ground_is_surface = not ground_layers
    surface, surface_index = _laid_together(surface_layers, layers, grid) if surface_layers else (None, None)
    if ground_is_surface:
        assert surface is not None
        assert surface_index is not None
        ground, index = surface, surface_index
        assumptions.append(
            "Only a surface model is given: trees and roofs are taken as ground, so heights of antennas under trees are too great "
            "and woods are not counted again. A bare-earth model would be better."
        )
    else:
        ground, index = _laid_together(ground_layers, layers, grid)
    assumptions.extend(_steps(ground_layers or surface_layers))
    share_known = float(np.isfinite(ground).mean())
    if share_known < 1.0:
        assumptions.append(
            f"Heights are not known on {_percent(1.0 - share_known)} of the grid; links that cross it cannot be judged."
        )
    notes = tuple(_note(layer, grid) for layer in layers)
    return Elevation(grid, ground, surface, index, notes, ground_is_surface, tuple(assumptions))


def _laid_together(chosen: Sequence[_Layer], layers: Sequence[_Layer], grid: Grid) -> tuple[Float32, NDArray[np.uint8]]:
    heights = np.full(grid.shape, np.nan, dtype=np.float32)
    index = np.full(grid.shape, NO_RASTER, dtype=np.uint8)
    for layer in chosen:
        fill = np.isnan(heights) & np.isfinite(layer.heights)
        heights[fill] = layer.heights[fill]
        index[fill] = min(next(place for place, other in enumerate(layers) if other is layer), NO_RASTER - 1)
        layer.used = int(fill.sum())
    return heights, index


def _steps(layers: Sequence[_Layer]) -> list[str]:
    """Tell of rasters that do not agree where they overlap: another height datum, or a wrong unit."""
    notes = []
    for finer, coarser in pairwise(layers):
        difference = finer.heights - coarser.heights
        known = difference[np.isfinite(difference)]
        if not known.size:
            continue
        step_m = float(np.median(known))
        limit_m = max(_NOTABLE_STEP_M, 2.0 * _error_m(coarser))
        if abs(step_m) > limit_m:
            notes.append(
                f"{finer.header.shown} stands {plain(round(abs(step_m), 1))} m {'above' if step_m > 0 else 'below'} "
                f"{coarser.header.shown} where they overlap: another height datum or unit? Heights were not changed."
            )
    return notes


def _error_m(layer: _Layer) -> float:
    given = layer.header.settings.error_m
    return given if given is not None else float(f"{default_error_m(layer.cell_m):.2g}")


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %" if share >= 0.01 else "less than 1 %"


def _note(layer: _Layer, grid: Grid) -> RasterNote:
    settings = layer.header.settings
    error_m = _error_m(layer)
    length_m = settings.error_length_m or round(default_error_length_m(layer.cell_m), 1)
    share = layer.used / (grid.rows * grid.columns)
    holds = "bare earth" if settings.holds == "ground" else "surface with trees and roofs"
    standing = "as you state" if settings.error_m is not None else "assumed from the cell size, check it"
    if not layer.used:
        sentence = f"{layer.header.shown}: gives nothing here, finer data are known everywhere or it does not reach the property."
        return RasterNote(layer.header.shown, settings.holds, layer.cell_m, error_m, length_m, 0.0, sentence)
    way = "averaged to" if grid.cell_m > 1.01 * layer.cell_m else "interpolated to" if grid.cell_m < 0.99 * layer.cell_m else "on"
    return RasterNote(
        file=layer.header.shown,
        holds=settings.holds,
        cell_m=layer.cell_m,
        error_m=error_m,
        error_length_m=length_m,
        share_of_grid=share,
        sentence=(
            f"{layer.header.shown}: {holds}, cells of {layer.cell_m:.3g} m {way} {plain(grid.cell_m)} m, "
            f"gives {_percent(share)} of the grid; height error ± {plain(error_m)} m ({standing})."
        ),
    )


def known_at(elevation: Elevation, x_m: ArrayLike, y_m: ArrayLike) -> NDArray[np.bool_]:
    """Return where all cells that an interpolated height would use are known."""
    column, row = elevation.grid.column_row(x_m, y_m)
    rows, columns = elevation.grid.shape
    inside = (column >= -0.5) & (column <= columns - 0.5) & (row >= -0.5) & (row <= rows - 0.5)
    known = inside.copy()
    for shift_row in (np.floor, np.ceil):
        for shift_column in (np.floor, np.ceil):
            at_row = np.clip(shift_row(row), 0, rows - 1).astype(int)
            at_column = np.clip(shift_column(column), 0, columns - 1).astype(int)
            known &= np.isfinite(elevation.ground_amsl_m[at_row, at_column])
    return np.asarray(known, dtype=bool)
