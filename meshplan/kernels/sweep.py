"""Loss at every cell of a raster from one transmitter, or from the best of several."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.errors import InputError
from meshplan.kernels.constants import RadioPath
from meshplan.kernels.engine import Notify, Progress, load_compiled, run_pieces

Float32 = NDArray[np.float32]

PIECE_CELLS = 60_000
"""Samples one thread works on before it can be stopped: some 10 ms."""


@dataclass(frozen=True)
class Transmitter:
    """Where a transmitter stands: cell, antenna height above the ground there, and a handicap for comparisons.

    `handicap_db` is added to the loss when several transmitters are compared (less power or gain than the others).
    """

    row: int
    column: int
    antenna_agl_m: float
    handicap_db: float = 0.0


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
    cores : int, optional
        Most threads; all cores by default.
    progress, notify : callable, optional
        See `engine`.

    Returns
    -------
    ndarray of float32, shape (rows, columns)
        Free-space loss over the slant distance and diffraction.

    Notes
    -----
    Source
        ITU-R P.525-4, P.526-16 §3.2 and §4.5, low-antenna rule of `meshplan.propagation.low_antenna`; the way to find the
        extremes along a ray is our own (see DEVELOPERS.md, "Coverage").
    Differs from source
        The receiver of a cell stands where the nearest ray crosses its column or row, at most half a cell aside, and heights
        between cells are linear.
    Accuracy
        2e-5 dB from the formulas on the same samples.
    """
    ground = check_ground(ground_amsl_m)
    out = np.full(ground.shape, np.nan, dtype=np.float32)
    run = load_compiled("compiled_sweep", "sweep_rays", notify)
    pieces = _pieces(ground, cell_m, [transmitter], receiver_agl_m, path, out)
    run_pieces(run, pieces, cores=cores, progress=progress)
    return out


def check_ground(ground_amsl_m: Float32) -> Float32:
    """Return the raster as the kernels want it: two axes, float32, rows in one piece (no copy if it already is)."""
    ground = np.ascontiguousarray(ground_amsl_m, dtype=np.float32)
    if ground.ndim != 2 or ground.size == 0:
        raise InputError(f"The ground has shape {ground.shape}", where="ground_amsl_m", fix="Give an array with rows and columns.")
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
    transmitters: Sequence[Transmitter],
    receiver_agl_m: float,
    path: RadioPath,
    out: Float32,
) -> list[tuple[Any, ...]]:
    """Cut the rays of each transmitter into pieces that no two threads share a cell of."""
    rows, columns = ground.shape
    terms = path.terms
    pieces: list[tuple[Any, ...]] = []
    for transmitter in transmitters:
        _check_transmitter(ground, transmitter, receiver_agl_m)
        row, column = transmitter.row, transmitter.column
        at = np.hypot(0.0, transmitter.antenna_agl_m - receiver_agl_m)
        nearest = max(float(at), terms.wavelength_m, 1.0)
        out[row, column] = 20.0 * math.log10(4.0 * math.pi * nearest / terms.wavelength_m)
        for quadrant, edge in enumerate((columns - 1 - column, column, rows - 1 - row, row)):
            if edge == 0:
                continue
            step = max(1, PIECE_CELLS // edge)
            for first in range(-edge, edge + 1, step):
                last = min(first + step, edge + 1)
                pieces.append(
                    (ground, row, column, float(cell_m), float(transmitter.antenna_agl_m), float(receiver_agl_m),
                     quadrant, first, last, terms, out)
                )  # fmt: skip
    return pieces
