"""What a coverage job will hold in memory, said before it starts, and the part of a raster that it needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from meshplan.errors import InputError, TooLargeError

BYTES_GROUND: Final = 4
BYTES_LOSS: Final = 4
BYTES_COVER: Final = 2
BYTES_CANOPY: Final = 4
BYTES_PARTS: Final = 16
BYTES_SERVER: Final = 2
LIBRARIES_MB: Final = 290.0
"""Process with all libraries of the program and the compiled code: 285 MB measured on 64-bit Linux (140 MB the kernels alone)."""
SCRATCH_BYTES_PER_STEP: Final = 1_000
"""Scratch of one thread for each cell of the longest ray, cover included (counted in `compiled_sweep`)."""
SHARE_TO_USE: Final = 0.8
"""Share of the free memory that a job may take (own choice)."""


@dataclass(frozen=True)
class Window:
    """Rows and columns of a part of a raster, ends left out."""

    row_start: int
    row_stop: int
    column_start: int
    column_stop: int

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.row_stop - self.row_start, self.column_stop - self.column_start

    @property
    def slices(self) -> tuple[slice, slice]:
        """For indexing an array held in memory."""
        return slice(self.row_start, self.row_stop), slice(self.column_start, self.column_stop)


@dataclass(frozen=True)
class CoverageMemory:
    """Memory of a coverage job in megabytes (10⁶ bytes)."""

    rasters_mb: float
    results_mb: float
    working_mb: float
    libraries_mb: float

    @property
    def total_mb(self) -> float:
        """All together."""
        return self.rasters_mb + self.results_mb + self.working_mb + self.libraries_mb

    def sentence(self, shape: tuple[int, int]) -> str:
        """Return one line for the user."""
        return f"Coverage of {shape[0]} × {shape[1]} cells takes about {self.total_mb:,.0f} MB of memory."


def needed_window(shape: tuple[int, int], columns: ArrayLike, rows: ArrayLike, margin_cells: int) -> Window:
    """Return the part of a raster that holds all places and a margin around them.

    Parameters
    ----------
    shape : (rows, columns)
        Of the whole raster.
    columns, rows : array_like, shape (n,)
        Fractional cells of transmitters and of the corners of the area that is wanted.
    margin_cells : int
        Cells kept on each side.
    """
    column, row = np.atleast_1d(np.asarray(columns, dtype=float)), np.atleast_1d(np.asarray(rows, dtype=float))
    if column.size == 0 or not (np.isfinite(column).all() and np.isfinite(row).all()):
        raise InputError("There is no place to look at", where="window", fix="Give at least one transmitter or corner.")
    low_row, high_row = math.floor(row.min()) - margin_cells, math.ceil(row.max()) + 1 + margin_cells
    low_column, high_column = math.floor(column.min()) - margin_cells, math.ceil(column.max()) + 1 + margin_cells
    if high_row <= 0 or high_column <= 0 or low_row >= shape[0] or low_column >= shape[1]:
        raise InputError(
            "The places lie outside the elevation raster",
            where="window",
            fix="Check the coordinates, or add an elevation raster that covers them.",
        )
    return Window(max(low_row, 0), min(high_row, shape[0]), max(low_column, 0), min(high_column, shape[1]))


def estimate_coverage_memory(
    shape: tuple[int, int],
    *,
    cover: bool = False,
    canopy: bool = False,
    parts: bool = False,
    servers: bool = False,
    cores: int = 1,
) -> CoverageMemory:
    """Return what a sweep over a raster of this shape will hold.

    Parameters
    ----------
    shape : (rows, columns)
    cover, canopy : bool
        Whether a cover index, and heights from a surface raster, are given.
    parts, servers : bool
        Whether `sweep_parts` or `best_server` is called.
    cores : int
        Threads, each with its scratch.
    """
    cells = float(shape[0]) * float(shape[1])
    rasters = BYTES_GROUND + BYTES_COVER * cover + BYTES_CANOPY * canopy
    results = BYTES_LOSS + BYTES_PARTS * parts + BYTES_SERVER * servers
    working = float(cores) * SCRATCH_BYTES_PER_STEP * max(shape)
    return CoverageMemory(cells * rasters / 1e6, cells * results / 1e6, working / 1e6, LIBRARIES_MB)


def free_memory_mb() -> float | None:
    """Return the memory that a new job may use without swapping, or None where the system does not tell."""
    try:
        for line in Path("/proc/meminfo").read_text(encoding="ascii").splitlines():
            if line.startswith("MemAvailable:"):
                return float(line.split()[1]) * 1024.0 / 1e6
    except (OSError, ValueError, IndexError):
        return None
    return None


def check_coverage_memory(
    shape: tuple[int, int],
    cell_m: float,
    *,
    available_mb: float | None = None,
    cover: bool = False,
    canopy: bool = False,
    parts: bool = False,
    servers: bool = False,
    cores: int = 1,
) -> CoverageMemory:
    """Return the estimate, or raise `TooLargeError` with the cell that would fit.

    Parameters are those of `estimate_coverage_memory`, with the cell size and the memory to be used (by default what is free).
    """
    need = estimate_coverage_memory(shape, cover=cover, canopy=canopy, parts=parts, servers=servers, cores=cores)
    available = free_memory_mb() if available_mb is None else available_mb
    if available is None or need.total_mb <= SHARE_TO_USE * available:
        return need
    room = SHARE_TO_USE * available - need.libraries_mb
    rasters = need.rasters_mb + need.results_mb + need.working_mb
    if room <= 0.0:
        fix = "Close other programs, or use a computer with more memory."
    else:
        fix = f"Set cell_m = {_next_round(cell_m * math.sqrt(rasters / room)):g} under [terrain], or choose a smaller area."
    raise TooLargeError(
        f"Coverage of {shape[0]} × {shape[1]} cells of {cell_m:g} m needs {need.total_mb:,.0f} MB of memory; "
        f"{SHARE_TO_USE * available:,.0f} MB can be used",
        where="coverage",
        fix=fix,
    )


def _next_round(value: float) -> float:
    """Round up to 1, 1.5, 2, 3, 4, 5, 6 or 8 times a power of ten."""
    power = 10.0 ** math.floor(math.log10(value))
    return float(
        next(step * power for step in (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0) if step * power >= value * (1 - 1e-9))
    )
