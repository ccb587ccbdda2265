"""Loss at every cell of a raster from one transmitter, or from the best of several."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError, TooLargeError
from meshplan.loss.fast.constants import Origin, RadioPath, Rasters
from meshplan.loss.fast.cover import StandingCover, cover_terms
from meshplan.loss.fast.thread_pool import Notify, Progress, load_compiled, run_pieces

Float32 = NDArray[np.float32]

PIECE_SAMPLES = 60_000
"""Samples one thread works on before it can be stopped: some 10 ms."""
MOST_CELLS = 2**31
"""Cells are numbered in 32 bits."""


@dataclass(frozen=True)
class Transmitter:
    """Where a transmitter stands: cell, antenna height above the ground there, building around it, handicap.

    `inside` is the cover index of the building it stands in (its walls are the caller's to add), 0 in the open. `handicap_db` is
    added to the loss when several transmitters are compared (less power or gain than the others, walls).
    """

    row: int
    column: int
    antenna_agl_m: float
    inside: int = 0
    handicap_db: float = 0.0
    row_off: float = 0.0
    column_off: float = 0.0
    """How far beside the middle of its cell it stands, in cells: half a cell at most."""
    ground_amsl_m: float | None = None
    """Ground under it; that of the cell by default."""


@dataclass(frozen=True, eq=False)
class SweepLoss:
    """Loss at every cell and two of its parts; free space is the rest."""

    loss_db: Float32
    terrain_db: Float32
    """Diffraction over bare ground."""
    cover_db: Float32
    """What plants and buildings add on the way that loses least."""
    smooth_db: Float32
    """Loss over smooth ground alone, or of its bulge taken as an edge; 0 where smooth ground costs nothing."""
    plants_spread_db: Float32
    """Standard deviation of the plants on that way."""


@dataclass(frozen=True, eq=False)
class BestServer:
    """For each cell the least loss (handicap included) and the position of that transmitter in the list, −1 for none."""

    loss_db: Float32
    server: NDArray[np.int16]


def sweep_loss_db(
    ground_amsl_m: Float32,
    cell_m: float,
    transmitter: Transmitter,
    receiver_agl_m: float,
    path: RadioPath,
    *,
    cover: StandingCover | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
    notify: Notify | None = None,
) -> Float32:
    """Return the median loss at every cell, NaN where the profile crosses unknown ground.

    Parameters
    ----------
    ground_amsl_m : ndarray of float32, shape (rows, columns)
        Bare ground, NaN where unknown.
    cell_m : float
        Side of a square cell.
    transmitter : Transmitter
    receiver_agl_m : float
        Antenna height above ground at every cell.
    path : RadioPath
    cover : StandingCover, optional
        What stands on the ground; open ground by default.
    cores : int, optional
        Most threads; all cores by default.
    progress, notify : callable, optional
        See `engine`.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Free-space loss over the slant distance, diffraction over bare ground, and what cover adds.

    Notes
    -----
    Source
        ITU-R P.525-4, P.526-16 §3.2 and §4.5, low-antenna rule of `meshplan.propagation.low_antenna`, bypass paths of cover as in
        `meshplan.loss.path_loss`; the search for the extremes along a ray is our own.
    Differs from source
        The receiver of a cell stands where the nearest ray crosses its column or row, at most half a cell aside, and heights
        between cells are linear.
    Accuracy
        2e-5 dB from the formulas on the same samples.
    """
    return _sweep(ground_amsl_m, cell_m, transmitter, receiver_agl_m, path, cover, _NO_ROOM, cores, progress, notify).loss_db


def sweep_parts(
    ground_amsl_m: Float32,
    cell_m: float,
    transmitter: Transmitter,
    receiver_agl_m: float,
    path: RadioPath,
    *,
    cover: StandingCover | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
    notify: Notify | None = None,
) -> SweepLoss:
    """Return what `sweep_loss_db` does, with its parts; takes five rasters instead of one."""
    room = np.empty(np.shape(ground_amsl_m), dtype=np.float32)
    return _sweep(ground_amsl_m, cell_m, transmitter, receiver_agl_m, path, cover, room, cores, progress, notify)


def best_server(
    ground_amsl_m: Float32,
    cell_m: float,
    transmitters: Sequence[Transmitter],
    receiver_agl_m: float,
    path: RadioPath,
    *,
    cover: StandingCover | None = None,
    cores: int | None = None,
    progress: Progress | None = None,
    notify: Notify | None = None,
) -> BestServer:
    """Return the least loss of several transmitters at every cell and whose it is; NaN and −1 where none can be computed.

    Parameters are those of `sweep_loss_db`. Cells are compared as they come, so the rasters of the transmitters are never all kept.
    Of two equal losses the earlier transmitter wins.
    """
    ground = check_ground(ground_amsl_m)
    loss = np.full(ground.shape, np.nan, dtype=np.float32)
    server = np.full(ground.shape, -1, dtype=np.int16)
    run = load_compiled("compiled_sweep", "sweep_rays", notify)
    done = 0
    jobs = [
        _pieces(
            ground,
            cell_m,
            transmitter,
            receiver_agl_m,
            path,
            cover,
            number,
            Rasters(loss, _NO_ROOM, _NO_ROOM, _NO_ROOM, _NO_ROOM, server),
        )
        for number, transmitter in enumerate(transmitters)
    ]
    total = sum(len(pieces) for pieces in jobs)
    for number, (transmitter, pieces) in enumerate(zip(transmitters, jobs, strict=True)):
        here = _loss_on_the_spot_db(transmitter, receiver_agl_m, path) + transmitter.handicap_db
        at = transmitter.row, transmitter.column
        if not loss[at] <= here:
            loss[at], server[at] = here, number

        def report(finished: int, _: int, before: int = done) -> None:
            if progress is not None:
                progress(before + finished, total)

        run_pieces(run, pieces, cores=cores, progress=report)
        done += len(pieces)
    return BestServer(loss, server)


_NO_ROOM = np.empty((1, 1), dtype=np.float32)
_NO_SERVER = np.empty((1, 1), dtype=np.int16)


def _sweep(
    ground_amsl_m: Float32,
    cell_m: float,
    transmitter: Transmitter,
    receiver_agl_m: float,
    path: RadioPath,
    cover: StandingCover | None,
    room: Float32,
    cores: int | None,
    progress: Progress | None,
    notify: Notify | None,
) -> SweepLoss:
    ground = check_ground(ground_amsl_m)
    loss = np.full(ground.shape, np.nan, dtype=np.float32)
    parts = [np.full(room.shape, np.nan, dtype=np.float32) for _ in range(4)]
    terrain, covered, smooth, plants_spread = parts
    rasters = Rasters(loss, terrain, covered, smooth, plants_spread, _NO_SERVER)
    pieces = _pieces(ground, cell_m, transmitter, receiver_agl_m, path, cover, 0, rasters)
    loss[transmitter.row, transmitter.column] = _loss_on_the_spot_db(transmitter, receiver_agl_m, path)
    if room.shape == ground.shape:
        for part in parts:
            part[transmitter.row, transmitter.column] = 0.0
    run = load_compiled("compiled_sweep", "sweep_rays", notify)
    run_pieces(run, pieces, cores=cores, progress=progress)
    return SweepLoss(loss, *parts)


def _loss_on_the_spot_db(transmitter: Transmitter, receiver_agl_m: float, path: RadioPath) -> float:
    wavelength_m = path.terms.wavelength_m
    nearest_m = max(abs(transmitter.antenna_agl_m - receiver_agl_m), wavelength_m, 1.0)
    return 20.0 * math.log10(4.0 * math.pi * nearest_m / wavelength_m)


def check_ground(ground_amsl_m: Float32) -> Float32:
    """Return the raster as the kernels want it: two axes, float32, rows in one piece, writeable (no copy if it already is).

    Nothing is written to it; but code compiled for writeable arrays would be compiled again for others.
    """
    ground = np.require(ground_amsl_m, dtype=np.float32, requirements=("C", "A", "W"))
    if ground.ndim != 2 or ground.size == 0:
        raise InputError(f"The ground has shape {ground.shape}", where="ground_amsl_m", fix="Give an array with rows and columns.")
    if ground.size >= MOST_CELLS:
        raise TooLargeError(
            f"The ground has {ground.size:,} cells, more than can be numbered",
            where="ground_amsl_m",
            fix="Cut out the part you need, or use a coarser cell.",
        )
    return ground


def _check_transmitter(ground: Float32, transmitter: Transmitter, receiver_agl_m: float) -> None:
    rows, columns = ground.shape
    if not (0 <= transmitter.row < rows and 0 <= transmitter.column < columns):
        raise InputError(
            f"Row {transmitter.row}, column {transmitter.column} lies outside a raster of {rows} × {columns} cells",
            where="transmitter",
            fix="Read a larger part of the elevation, or move the transmitter.",
        )
    if not math.isfinite(ground[transmitter.row, transmitter.column]):
        raise InputError(
            f"The ground under row {transmitter.row}, column {transmitter.column} is unknown",
            where="transmitter",
            fix="Move it to where the elevation has data.",
        )
    for name, height in (("antenna_agl_m", transmitter.antenna_agl_m), ("receiver_agl_m", receiver_agl_m)):
        if not (math.isfinite(height) and height > 0.0):
            raise InputError(f"{height} m is not an antenna height", where=name, fix="Give metres above ground, above zero.")


def _pieces(
    ground: Float32,
    cell_m: float,
    transmitter: Transmitter,
    receiver_agl_m: float,
    path: RadioPath,
    cover: StandingCover | None,
    number: int,
    rasters: Rasters,
) -> list[tuple[Any, ...]]:
    """Cut the rays of a transmitter into pieces; no two of them write the same cell."""
    _check_transmitter(ground, transmitter, receiver_agl_m)
    rows, columns = ground.shape
    row, column = transmitter.row, transmitter.column
    standing = cover_terms(cover, (rows, columns), transmitter.inside)
    under = float(ground[row, column]) if transmitter.ground_amsl_m is None else float(transmitter.ground_amsl_m)
    origin = Origin(
        row=row,
        column=column,
        row_off=float(transmitter.row_off),
        column_off=float(transmitter.column_off),
        ground_amsl_m=under,
        cell_m=float(cell_m),
        tx_agl_m=float(transmitter.antenna_agl_m),
        rx_agl_m=float(receiver_agl_m),
        handicap_db=float(transmitter.handicap_db),
        number=number,
    )
    pieces: list[tuple[Any, ...]] = []
    for quadrant, edge in enumerate((columns - 1 - column, column, rows - 1 - row, row)):
        if edge == 0:
            continue
        step = max(1, PIECE_SAMPLES // edge)
        # From beside the middle the outermost cells of a quadrant lie a little farther aside.
        for first in range(-edge - 1, edge + 2, step):
            pieces.append((ground, origin, quadrant, first, min(first + step, edge + 2), path.terms, standing, rasters))
    return pieces
