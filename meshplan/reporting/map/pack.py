"""Small, exact packing of rasters and number series; `terrain.js` holds the other half.

Rasters become whole steps of a quantum, each cell predicted from its left and upper neighbour; series become differences. Both are
deflated and written in base64, so that one text block of the page holds them.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

VOID_STEP = 65535
"""Stands for a cell whose height nobody knows."""
QUANTA_M = (0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 2.0)
"""Steps of height that are tried, finest first."""
DEFLATE_EFFORT = 5
"""A sixth of the time of the hardest level; the valley farm's ground takes 7 % more bytes, its map 3 % (measured)."""


@dataclass(frozen=True)
class PackedRaster:
    """A raster as text. A cell is `lowest + step · quantum`."""

    rows: int
    columns: int
    lowest: float
    quantum: float
    base64: str

    def as_record(self) -> dict[str, object]:
        """Return what the page's decoder reads."""
        return {
            "rows": self.rows,
            "columns": self.columns,
            "lowest": self.lowest,
            "quantum": self.quantum,
            "data": self.base64,
        }


def deflate_base64(content: bytes) -> str:
    """Return bytes deflated (zlib format) and in base64."""
    return base64.b64encode(zlib.compress(content, DEFLATE_EFFORT)).decode("ascii")


def zigzag(values: NDArray[np.int64]) -> NDArray[np.uint64]:
    """Return signed numbers as unsigned ones, small ones staying small: 0, −1, 1, −2 become 0, 1, 2, 3."""
    return ((values << 1) ^ (values >> 63)).astype(np.uint64)


def pack_steps(steps: NDArray[np.uint16]) -> str:
    """Return a raster of steps, shape (rows, columns), predicted from its neighbours, in two byte planes."""
    wide = steps.astype(np.int32)
    guess = np.zeros_like(wide)
    guess[1:, 1:] = (wide[1:, :-1] + wide[:-1, 1:]) >> 1
    guess[0, 1:], guess[1:, 0] = wide[0, :-1], wide[:-1, 0]
    # Differences wrap at 16 bits, so that two byte planes always suffice.
    difference = (wide - guess).astype(np.int16)
    folded = ((difference << 1) ^ (difference >> 15)).astype("<u2")
    planes = np.ascontiguousarray(np.moveaxis(folded.view(np.uint8).reshape(-1, 2), 1, 0))
    return deflate_base64(planes.tobytes())


def pack_raster(values: NDArray[np.float32], quantum: float) -> PackedRaster:
    """Return a raster rounded to whole quanta; NaN stays unknown."""
    known = np.isfinite(values)
    lowest = float(np.floor(values[known].min() / quantum) * quantum) if known.any() else 0.0
    steps = np.full(values.shape, VOID_STEP, dtype=np.uint16)
    whole = np.rint((values[known].astype(np.float64) - lowest) / quantum)
    if whole.size and whole.max() >= VOID_STEP:
        raise AssertionError(f"a quantum of {quantum} cannot span {float(np.ptp(values[known]))}")
    steps[known] = whole.astype(np.uint16)
    return PackedRaster(values.shape[0], values.shape[1], round(lowest, 6), quantum, pack_steps(steps))


def pack_within(values: NDArray[np.float32], most_bytes: int) -> PackedRaster:
    """Return the raster at the finest quantum whose text stays below `most_bytes`; the coarsest if none does."""
    known = values[np.isfinite(values)]
    span = float(np.ptp(known)) if known.size else 0.0
    usable = [quantum for quantum in QUANTA_M if span / quantum < VOID_STEP - 1]
    packed = pack_raster(values, usable[0])
    for quantum in usable[1:]:
        if len(packed.base64) <= most_bytes:
            break
        packed = pack_raster(values, quantum)
    return packed


def pack_indices(indices: NDArray[Any]) -> PackedRaster:
    """Return a raster of classes without any loss."""
    return PackedRaster(indices.shape[0], indices.shape[1], 0.0, 1.0, pack_steps(indices.astype(np.uint16)))


def mean_reduce(values: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """Return means of blocks of `factor` × `factor` cells; a block is unknown only if all its cells are."""
    if factor == 1:
        return values
    blocks = _blocks(values, factor)
    known = np.isfinite(blocks)
    total = np.where(known, blocks, 0.0).sum(axis=(1, 3), dtype=np.float64)
    count = known.sum(axis=(1, 3))
    return np.where(count > 0, total / np.maximum(count, 1), np.nan).astype(np.float32)


def pick_reduce(values: NDArray[Any], factor: int) -> NDArray[Any]:
    """Return the middle cell of each block of `factor` × `factor` cells, for classes that cannot be averaged."""
    return values if factor == 1 else _trim(values, factor)[factor // 2 :: factor, factor // 2 :: factor]


def _trim(values: NDArray[Any], factor: int) -> NDArray[Any]:
    rows, columns = (length // factor * factor for length in values.shape)
    return values[:rows, :columns]


def _blocks(values: NDArray[Any], factor: int) -> NDArray[Any]:
    trimmed = _trim(values, factor)
    rows, columns = trimmed.shape
    return trimmed.reshape(rows // factor, factor, columns // factor, factor)


def pack_series(series: Iterable[Sequence[int]]) -> str:
    """Return number series as text: each as its length, then its differences, all as variable-length integers."""
    numbers: list[NDArray[np.int64]] = []
    for one in series:
        values = np.asarray(one, dtype=np.int64)
        numbers.append(np.array([len(values)], dtype=np.int64))
        if len(values):
            numbers.append(np.diff(values, prepend=0))
    flat = np.concatenate(numbers) if numbers else np.zeros(0, dtype=np.int64)
    return deflate_base64(_variable_length(zigzag(flat)))


def _variable_length(values: NDArray[np.uint64]) -> bytes:
    """Return unsigned numbers as bytes of seven bits, lowest first, the top bit saying that more follow."""
    out = bytearray()
    for value in values.tolist():
        rest = int(value)
        while rest > 0x7F:
            out.append((rest & 0x7F) | 0x80)
            rest >>= 7
        out.append(rest)
    return bytes(out)
