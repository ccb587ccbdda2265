"""How elevation errors, and relief that a raster hides, move the loss at every cell of the land: `links.shaken_ground` for rasters.

Each shaken ground is swept as the ground itself is. Between the cells of the sweeps, where these are coarser than the grid, the
spread is laid linearly; it changes slowly but for the borders of shadows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.kernels import Transmitter, sweep_parts
from meshplan.links.error_fields import ErrorFields, height_errors_on_lattice
from meshplan.links.path_loss import PathSettings
from meshplan.links.standing_cover import radio_path
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import FINEST_STEP_M, LONGEST_STEP_M, STEPS_A_CELL, ground_at
from meshplan.units import Array

SHAKEN_CELLS: Final = 60_000
"""Cells of a sweep over shaken ground where only the spread is asked for; 32 of them cost about as much as one over 1.5 million."""

RELIEF_CELLS: Final = 1_000_000
"""Most cells where a raster hides relief, whose mean loss counts as well."""


@dataclass(frozen=True, eq=False)
class ShakenField:
    """What shaken grounds make of the loss at each cell; arrays of the shape of the grid."""

    spread_db: Float32
    hidden_relief_db: Float32
    """Mean loss over the shaken grounds less that over the ground as mapped; zero where no raster hides relief."""
    finer_db: Float32
    """Loss over the mapped ground at the steps that links take, less that from cell to cell; zero unless cells are longer."""


@dataclass(frozen=True, eq=False)
class _Lattice:
    """Every `step`-th cell, or `times` places to a cell; fractional indices of the grid."""

    columns: Array
    rows: Array
    cell_m: float
    at: tuple[int, int]
    """Row and column of the transmitter."""


def shaken_field(
    landscape: Landscape,
    x_m: float,
    y_m: float,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    fields: ErrorFields,
    *,
    cores: int | None = None,
) -> ShakenField:
    """Return what the error fields make of the loss from a transmitter to a receiver at every cell.

    Parameters
    ----------
    landscape : Landscape
    x_m, y_m, antenna_agl_m : float
        Transmitter.
    receiver_agl_m : float
    settings : PathSettings
    fields : ErrorFields
        Those of the links.
    cores : int, optional
        Most threads.

    Notes
    -----
    Differs from source
        Roofs are left out: links shake what goes over a roof with the roof on it.
    """
    hides = any(waves.hidden for causes in fields.waves for waves in causes)
    lattice, refined = _lattice(landscape, x_m, y_m, hides)
    grid, path = landscape.grid, radio_path(settings)
    xs, ys = grid.x_y(lattice.columns, np.zeros(1))[0], grid.x_y(np.zeros(1), lattice.rows)[1]
    if refined:
        ground = ground_at(landscape, *np.meshgrid(xs, ys)).astype(np.float32)
    else:
        ground = landscape.ground_amsl_m[np.ix_(lattice.rows.astype(int), lattice.columns.astype(int))].copy()
    ground[lattice.at] = ground_at(landscape, x_m, y_m)
    here = Transmitter(*lattice.at, antenna_agl_m)

    def terrain_db(heights: Float32) -> Float32:
        return sweep_parts(heights, lattice.cell_m, here, receiver_agl_m, path, cores=cores).terrain_db

    errors_m = height_errors_on_lattice(fields, landscape, xs, ys)
    drawn = terrain_db(ground).astype(float)
    total, squares = np.zeros(ground.shape), np.zeros(ground.shape)
    for pair in range(fields.pairs):
        error = errors_m(pair)
        for shaken in (ground + error, ground - error):
            change = terrain_db(shaken) - drawn
            total += change
            squares += change**2
    mean = total / fields.draws
    spread = np.sqrt(np.maximum(squares - fields.draws * mean**2, 0.0) / max(fields.draws - 1, 1))
    nothing = np.zeros(grid.shape, dtype=np.float32)
    finer = nothing
    if refined:
        cells = landscape.ground_amsl_m.copy()
        row, column = (round(float(part)) for part in grid.column_row(x_m, y_m)[::-1])
        cells[row, column] = ground_at(landscape, x_m, y_m)
        coarse = sweep_parts(cells, grid.cell_m, Transmitter(row, column, antenna_agl_m), receiver_agl_m, path, cores=cores)
        finer = _on_grid(drawn, lattice, grid.shape) - coarse.terrain_db
    return ShakenField(
        spread_db=_on_grid(spread, lattice, grid.shape),
        hidden_relief_db=_on_grid(mean, lattice, grid.shape) if hides else nothing,
        finer_db=finer,
    )


def _lattice(landscape: Landscape, x_m: float, y_m: float, hides: bool) -> tuple[_Lattice, bool]:
    """Return where the shaken grounds are swept, and whether that is finer than the grid."""
    grid = landscape.grid
    cells = grid.rows * grid.columns
    column, row = (round(float(part)) for part in grid.column_row(x_m, y_m))
    if hides:
        step_m = max(min(landscape.sampled_as_m / STEPS_A_CELL, LONGEST_STEP_M), FINEST_STEP_M)
        times = int(np.ceil(grid.cell_m / step_m - 1e-9))
        times = min(times, int(np.sqrt(RELIEF_CELLS / cells))) if cells < RELIEF_CELLS else 1
        # An odd number of places to a cell keeps one of them at its centre.
        times = max(times - 1 + times % 2, 1)
        if times > 1:
            half = times // 2
            columns, rows = ((np.arange(count * times) - half) / times for count in (grid.columns, grid.rows))
            return _Lattice(columns, rows, grid.cell_m / times, (row * times + half, column * times + half)), True
        step = max(1, int(step_m // grid.cell_m), int(np.ceil(np.sqrt(cells / RELIEF_CELLS))))
        step = step if cells > SHAKEN_CELLS else 1
    else:
        step = max(1, int(np.ceil(np.sqrt(cells / SHAKEN_CELLS))))
    columns = np.arange(column % step, grid.columns, step, dtype=float)
    rows = np.arange(row % step, grid.rows, step, dtype=float)
    return _Lattice(columns, rows, step * grid.cell_m, (row // step, column // step)), False


def _on_grid(values: Array, lattice: _Lattice, shape: tuple[int, int]) -> Float32:
    """Lay values linearly from the lattice on the grid; unknown ones take no part, where there are others beside them."""
    known = np.isfinite(values)
    laid = _laid(np.where(known, values, 0.0), lattice, shape)
    if known.all():
        return laid.astype(np.float32)
    weight = _laid(known.astype(float), lattice, shape)
    return np.divide(laid, weight, out=np.zeros(shape), where=weight > 0.0).astype(np.float32)


def _laid(values: Array, lattice: _Lattice, shape: tuple[int, int]) -> Array:
    for axis, (places, count) in enumerate(((lattice.rows, shape[0]), (lattice.columns, shape[1]))):
        low, share = _between(places, count)
        before, behind = np.take(values, low, axis=axis), np.take(values, np.minimum(low + 1, len(places) - 1), axis=axis)
        share = share[:, None] if axis == 0 else share[None, :]
        values = before * (1.0 - share) + behind * share
    return values


def _between(places: Array, count: int) -> tuple[NDArray[np.intp], Array]:
    """Return for whole numbers the place before each and the way to the next."""
    if len(places) == 1:
        return np.zeros(count, dtype=np.intp), np.zeros(count)
    at = np.interp(np.arange(count), places, np.arange(len(places)))
    low = np.minimum(at.astype(np.intp), len(places) - 2)
    return low, at - low
