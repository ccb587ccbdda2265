"""Packing loses nothing but the rounding that it states."""

from __future__ import annotations

import base64
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from map_fixture import GRID
from pyproj import Transformer

from meshplan.errors import MeshplanError
from meshplan.grid import Grid
from meshplan.reporting.map.data import position_polynomials
from meshplan.reporting.map.pack import (
    VOID_STEP,
    PackedRaster,
    mean_reduce,
    pack_indices,
    pack_raster,
    pack_series,
    pack_within,
    pick_reduce,
)


def unpack_steps(packed: PackedRaster) -> np.ndarray:
    """Undo the packing cell by cell, written apart from the packer."""
    raw = np.frombuffer(zlib.decompress(base64.b64decode(packed.base64)), dtype=np.uint8).astype(np.int64)
    cells = packed.rows * packed.columns
    folded = raw[:cells] | (raw[cells:] << 8)
    change = np.where(folded % 2 == 1, -(folded + 1) // 2, folded // 2).reshape(packed.rows, packed.columns)
    steps = np.zeros((packed.rows, packed.columns), dtype=np.int64)
    for row in range(packed.rows):
        for column in range(packed.columns):
            left = steps[row, column - 1] if column else 0
            up = steps[row - 1, column] if row else 0
            guess = left if row == 0 else up if column == 0 else (left + up) >> 1
            steps[row, column] = (guess + change[row, column]) % 65536
    return steps


def unpack_series(text: str) -> list[list[int]]:
    """Undo the packing of number series."""
    data = zlib.decompress(base64.b64decode(text))
    numbers, value, shift = [], 0, 0
    for byte in data:
        value |= (byte & 127) << shift
        shift += 7
        if byte < 128:
            numbers.append((value >> 1) ^ -(value & 1))
            value, shift = 0, 0
    found, at = [], 0
    while at < len(numbers):
        count = numbers[at]
        found.append(np.cumsum(numbers[at + 1 : at + 1 + count], dtype=int).tolist())
        at += 1 + count
    return found


heights = st.floats(min_value=-100, max_value=4000, allow_nan=False, width=32) | st.just(float("nan"))


@given(values=arrays(np.float32, st.tuples(st.integers(1, 9), st.integers(1, 9)), elements=heights))
@settings(max_examples=60, deadline=None)
def test_heights_come_back_within_half_a_step(values: np.ndarray) -> None:
    packed = pack_raster(values, 0.1)
    steps = unpack_steps(packed)
    known = np.isfinite(values)
    assert (steps[~known] == VOID_STEP).all()
    if known.any():
        assert np.abs(packed.lowest + steps[known] * packed.quantum - values[known]).max() <= 0.0502


@given(values=arrays(np.uint16, st.tuples(st.integers(1, 8), st.integers(1, 8)), elements=st.integers(0, 65535)))
@settings(max_examples=60, deadline=None)
def test_classes_come_back_exactly(values: np.ndarray) -> None:
    assert (unpack_steps(pack_indices(values)) == values).all()


@given(series=st.lists(st.lists(st.integers(-(2**40), 2**40), max_size=20), max_size=8))
@settings(max_examples=80, deadline=None)
def test_series_come_back_exactly(series: list[list[int]]) -> None:
    assert unpack_series(pack_series(series)) == series


def test_the_finest_step_that_fits_is_taken() -> None:
    values = np.random.default_rng(1).uniform(0, 30, (60, 60)).astype(np.float32)
    fine, coarse = pack_within(values, 10**9), pack_within(values, 5000)
    assert fine.quantum < coarse.quantum
    assert len(coarse.base64) <= 5000 < len(fine.base64)


def test_blocks_are_averaged_over_what_is_known() -> None:
    values = np.array([[1, 3, 10], [np.nan, 5, 10], [0, 0, 0]], dtype=np.float32)
    assert mean_reduce(values, 2).tolist() == [[3.0]]
    assert np.isnan(mean_reduce(np.full((2, 2), np.nan, dtype=np.float32), 2)).all()
    assert pick_reduce(np.arange(16).reshape(4, 4), 2).tolist() == [[5, 7], [13, 15]]


@pytest.mark.parametrize(
    ("grid", "factor", "most_cells"),
    [(GRID, 1, 1e-5), (Grid("EPSG:32632", 500_000, 5_300_000, 25.0, 2000, 2000), 2, 1e-3), (GRID, 3, 1e-5)],
)
def test_the_page_finds_cells_without_a_projection(grid: Grid, factor: int, most_cells: float) -> None:
    record = position_polynomials(grid, factor)
    random = np.random.default_rng(3)
    column, row = random.uniform(0, grid.columns - 1, 500), random.uniform(0, grid.rows - 1, 500)
    lon, lat = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(*grid.x_y(column, row))
    u = (lon - record["centre"][0]) / record["scale"][0]
    v = (lat - record["centre"][1]) / record["scale"][1]
    for wanted, weights in ((column, record["column"]), (row, record["row"])):
        found = sum(weight * u**i * v**j for weight, (i, j) in zip(weights, record["powers"], strict=True))
        assert np.abs(found - ((wanted + 0.5) / factor - 0.5)).max() < most_cells


def test_land_too_wide_for_the_formula_is_refused() -> None:
    wide = Grid("EPSG:32632", 100_000, 8_000_000, 500.0, 1600, 12_000)
    with pytest.raises(MeshplanError, match="too wide for the page's position formula"):
        position_polynomials(wide, 1)
