"""How elevation errors, and relief that a raster hides, move the loss at every cell: `loss.elevation_draws` for rasters.

Each elevation draw is swept as the ground itself is. Between the cells of the sweeps, where these are coarser than the grid, the
spread is laid linearly; it changes slowly but for the borders of shadows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.loss.error_fields import ErrorFields, height_errors_at, height_errors_on_lattice
from meshplan.loss.fast import Transmitter, sweep_parts
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.standing_cover import radio_path, roofs_alone
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import FINEST_STEP_M, LONGEST_STEP_M, STEPS_A_CELL, ground_at
from meshplan.units import Array

DRAWN_CELLS: Final = 60_000
"""Cells of a sweep over elevation draws where only the spread is asked for; 32 of them cost about as much as one of 1.5 million."""

SAME_WAY_DB: Final = 0.05
"""Cover that adds this little less than the roofs still goes over them."""

RELIEF_CELLS: Final = 1_000_000
"""Most cells where a raster hides relief, whose mean loss counts as well."""


@dataclass(frozen=True, eq=False)
class ElevationDrawsField:
    """What elevation draws make of the loss at each cell; arrays of the shape of the grid."""

    spread_db: Float32
    hidden_relief_db: Float32
    """Mean loss over the elevation draws less that over the ground as mapped; zero where no raster hides relief."""
    finer_db: Float32
    """Loss over the mapped ground at the steps that links take, less that from cell to cell; zero unless cells are longer."""


@dataclass(frozen=True, eq=False)
class _Lattice:
    """Every `step`-th cell, or `times` places to a cell; fractional indices of the grid."""

    columns: Array
    rows: Array
    cell_m: float
    at: tuple[int, int]
    """Row and column of the transmitter, and how far beside the middle of that cell it stands, in cells of the lattice."""
    off: tuple[float, float]


def elevation_draws_field(
    landscape: Landscape,
    x_m: float,
    y_m: float,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    fields: ErrorFields,
    cover_db: Float32,
    *,
    inside: int = 0,
    cores: int | None = None,
) -> ElevationDrawsField:
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
    cover_db : ndarray of float32, shape (rows, columns)
        What cover adds on the way that loses least: tells which paths go over roofs, whose loss moves with the ground.
    inside : int
        Cover index of the building around the transmitter.
    cores : int, optional
        Most threads.

    Notes
    -----
    Differs from source
        A path counts as over the roofs where cover adds no less than they do; links know the way that each path takes. Samples lie
        where a ray crosses lines of cells, not at equal steps.
    Accuracy
        Spread within 0.5 dB of the links' on nine cells in ten of the demo properties; tests/workflow/test_coverage_figures.py.
    """
    hides = any(waves.hidden for causes in fields.waves for waves in causes)
    lattice, refined = _lattice(landscape, x_m, y_m, hides)
    grid, path = landscape.grid, radio_path(settings)
    xs, ys = grid.x_y(lattice.columns, np.zeros(1))[0], grid.x_y(np.zeros(1), lattice.rows)[1]
    cells = np.ix_(np.rint(lattice.rows).astype(int), np.rint(lattice.columns).astype(int))
    ground = landscape.ground_amsl_m[cells]
    if refined:
        ground = ground_at(landscape, *np.meshgrid(xs, ys)).astype(np.float32)
    roofs = roofs_alone(landscape)
    if roofs is not None:
        roofs = replace(roofs, index=roofs.index[cells]) if any(cover.is_building for cover in landscape.covers) else None
    under = float(ground_at(landscape, x_m, y_m))
    here = Transmitter(*lattice.at, antenna_agl_m, inside, row_off=lattice.off[0], column_off=lattice.off[1])

    def swept_db(heights: Float32, ground_amsl_m: float) -> tuple[Float32, Float32]:
        """Return the loss over bare ground and over ground with roofs."""
        from_here = replace(here, ground_amsl_m=ground_amsl_m)
        parts = sweep_parts(heights, lattice.cell_m, from_here, receiver_agl_m, path, cover=roofs, cores=cores)
        return parts.terrain_db, parts.terrain_db + parts.cover_db

    errors_m = height_errors_on_lattice(fields, landscape, xs, ys)
    errors_here = height_errors_at(fields, landscape, x_m, y_m)
    as_mapped = swept_db(ground, under)
    total, squares = ([np.zeros(ground.shape) for _ in as_mapped] for _ in range(2))
    for pair in range(fields.pairs):
        error, error_here = errors_m(pair), float(errors_here(pair))
        for sign in (1.0, -1.0):
            drawn = swept_db(ground + np.float32(sign) * error, under + sign * error_here)
            for number, (one, other) in enumerate(zip(drawn, as_mapped, strict=True)):
                change = (one - other).astype(float)
                total[number] += change
                squares[number] += change**2
    bare, roofed = (
        _Moments(
            _on_grid(
                np.sqrt(np.maximum(square - fields.draws * (change / fields.draws) ** 2, 0.0) / (fields.draws - 1)),
                lattice,
                grid.shape,
            ),
            _on_grid(change / fields.draws, lattice, grid.shape) if hides else np.zeros(grid.shape, dtype=np.float32),
        )
        for change, square in zip(total, squares, strict=True)
    )
    over_db = _on_grid(as_mapped[1] - as_mapped[0], lattice, grid.shape)
    over_roofs = cover_db >= over_db - SAME_WAY_DB
    if lattice.cell_m > FINEST_STEP_M:
        # So coarse, roofs that cost nothing are not told from those that stand beside the path.
        over_roofs &= over_db > 0.0
    finer = np.zeros(grid.shape, dtype=np.float32)
    if refined:
        row, column = (float(part) for part in grid.column_row(x_m, y_m)[::-1])
        at = round(row), round(column)
        from_cell = Transmitter(*at, antenna_agl_m, row_off=row - at[0], column_off=column - at[1], ground_amsl_m=under)
        coarse = sweep_parts(landscape.ground_amsl_m, grid.cell_m, from_cell, receiver_agl_m, path, cores=cores)
        finer = _on_grid(as_mapped[0], lattice, grid.shape) - coarse.terrain_db
    return ElevationDrawsField(
        spread_db=np.where(over_roofs, roofed.spread_db, bare.spread_db),
        hidden_relief_db=np.where(over_roofs, roofed.mean_db, bare.mean_db),
        finer_db=finer,
    )


@dataclass(frozen=True, eq=False)
class _Moments:
    """Of the loss over elevation draws."""

    spread_db: Float32
    mean_db: Float32


def _lattice(landscape: Landscape, x_m: float, y_m: float, hides: bool) -> tuple[_Lattice, bool]:
    """Return where the elevation draws are swept, and whether that is finer than the grid."""
    grid = landscape.grid
    count = grid.rows * grid.columns
    column, row = (float(part) for part in grid.column_row(x_m, y_m))
    times, step = 1, max(1, int(np.ceil(np.sqrt(count / DRAWN_CELLS))))
    if hides:
        step_m = max(min(landscape.sampled_as_m / STEPS_A_CELL, LONGEST_STEP_M), FINEST_STEP_M)
        # An odd number of places to a cell keeps one of them at its centre.
        most = max(int(np.sqrt(RELIEF_CELLS / count)), 1)
        times = min(int(np.ceil(grid.cell_m / step_m - 1e-9)) // 2 * 2 + 1, most - 1 + most % 2)
        step = min(step, max(1, int(step_m // grid.cell_m), int(np.ceil(np.sqrt(count / RELIEF_CELLS)))))
    if times > 1:
        half = times // 2
        columns, rows = ((np.arange(cells * times) - half) / times for cells in (grid.columns, grid.rows))
        place = row * times + half, column * times + half
        at = round(place[0]), round(place[1])
        return _Lattice(columns, rows, grid.cell_m / times, at, (place[0] - at[0], place[1] - at[1])), True
    first = round(row) % step, round(column) % step
    at = (round(row) - first[0]) // step, (round(column) - first[1]) // step
    columns, rows = np.arange(first[1], grid.columns, step, dtype=float), np.arange(first[0], grid.rows, step, dtype=float)
    return _Lattice(columns, rows, step * grid.cell_m, at, ((row - round(row)) / step, (column - round(column)) / step)), False


def _on_grid(values: NDArray[Any], lattice: _Lattice, shape: tuple[int, int]) -> Float32:
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
