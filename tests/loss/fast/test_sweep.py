"""The sweep gives every cell the loss that the readable formulas give on the same samples."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from ray_reference import excess_db, free_db, owner_ray

from meshplan.errors import InputError
from meshplan.loss.fast import RadioPath, Transmitter, link_losses, sweep_loss_db

CELL_M = 5.0
RELIEFS = {"hilly": 1.0, "gentle": 0.05, "almost flat": 0.02, "dead flat": 0.0}
BAND = RadioPath(868.0)


def rough_ground(rows: int, columns: int, relief: float = 1.0, seed: int = 1) -> NDArray[np.float32]:
    """Hills of many sizes, rms slope about 0.2 at relief 1."""
    rng = np.random.default_rng(seed)
    size = max(rows, columns) + 8
    radius = np.hypot(np.fft.rfftfreq(size)[None, :], np.fft.fftfreq(size)[:, None])
    radius[0, 0] = np.inf
    surface = np.fft.irfft2(radius**-2.2 * np.exp(2j * np.pi * rng.random(radius.shape)), s=(size, size))
    slope = np.sqrt(np.mean(np.diff(surface, axis=0) ** 2) + np.mean(np.diff(surface, axis=1) ** 2)) / CELL_M
    return np.ascontiguousarray((surface * (0.2 * relief / slope) + 120.0)[:rows, :columns], dtype=np.float32)


def expected_db(
    ground: NDArray[np.float32], transmitter: Transmitter, receiver_agl_m: float, path: RadioPath, row: int, column: int
) -> float:
    """Loss of one cell by the readable formulas, NaN if its profile meets a void."""
    ray = owner_ray(ground.shape, transmitter, row, column, CELL_M)
    heights = ray.sample(ground)
    if np.isnan(heights).any():
        return float("nan")
    free = free_db(ray, heights, transmitter, receiver_agl_m, path)
    return free + excess_db(ray, heights, heights, transmitter, receiver_agl_m, path)


def largest_error_db(
    ground: NDArray[np.float32], transmitter: Transmitter, receiver_agl_m: float, path: RadioPath, targets: int, seed: int = 0
) -> float:
    """Largest difference over random cells; a NaN on one side only counts as infinite."""
    loss = sweep_loss_db(ground, CELL_M, transmitter, receiver_agl_m, path)
    rng = np.random.default_rng(seed)
    cells = [
        (int(row), int(column))
        for row, column in zip(rng.integers(0, ground.shape[0], targets), rng.integers(0, ground.shape[1], targets), strict=True)
        if (row, column) != (transmitter.row, transmitter.column)
    ]
    worst = 0.0
    for row, column in cells:
        wanted = expected_db(ground, transmitter, receiver_agl_m, path, row, column)
        got = float(loss[row, column])
        if np.isnan(wanted) != np.isnan(got):
            return float("inf")
        if not np.isnan(wanted):
            worst = max(worst, abs(wanted - got))
    return worst


@pytest.mark.parametrize("relief", RELIEFS.values(), ids=RELIEFS.keys())
@pytest.mark.parametrize(
    ("shape", "place", "heights", "path"),
    [
        ((300, 300), (150, 150), (6.0, 1.5), BAND),
        ((91, 300), (7, 240), (1.0, 0.5), RadioPath(2440.0, polarisation="horizontal")),
        ((300, 47), (0, 0), (3.0, 1.0), RadioPath(433.0, low_antenna_rule=False)),
        ((200, 260), (199, 30), (2.0, 2.0), RadioPath(868.0, k_factor=0.05, relative_permittivity=15.0, conductivity_s_per_m=0.01)),
    ],
    ids=["centre", "wide, off centre", "tall, corner", "edge, horizon inside the raster"],
)
def test_every_cell_has_the_loss_of_its_profile(
    relief: float, shape: tuple[int, int], place: tuple[int, int], heights: tuple[float, float], path: RadioPath
) -> None:
    transmitter = Transmitter(*place, antenna_agl_m=heights[0])
    ground = rough_ground(*shape, relief=relief)
    assert largest_error_db(ground, transmitter, heights[1], path, targets=330) < 5e-5


@given(
    rows=st.integers(1, 40),
    columns=st.integers(1, 40),
    seed=st.integers(0, 2**16),
    relief=st.sampled_from([0.0, 0.02, 0.3, 1.0, 5.0]),
    frequency_mhz=st.sampled_from([169.0, 433.0, 868.0, 2440.0, 5800.0]),
    data=st.data(),
)
@settings(max_examples=40, deadline=None)
def test_any_shape_any_place_any_void(
    rows: int, columns: int, seed: int, relief: float, frequency_mhz: float, data: st.DataObject
) -> None:
    ground = rough_ground(rows, columns, relief, seed)
    row, column = data.draw(st.integers(0, rows - 1)), data.draw(st.integers(0, columns - 1))
    rng = np.random.default_rng(seed)
    ground[rng.random(ground.shape) < data.draw(st.sampled_from([0.0, 0.01, 0.1]))] = np.nan
    ground[row, column] = 100.0
    transmitter = Transmitter(row, column, antenna_agl_m=data.draw(st.floats(0.3, 30.0)))
    receiver = data.draw(st.floats(0.3, 10.0))
    assert largest_error_db(ground, transmitter, receiver, RadioPath(frequency_mhz), targets=25, seed=seed) < 1e-3


def test_no_cell_is_left_out_without_voids() -> None:
    ground = rough_ground(37, 61)
    for row, column in [(0, 0), (36, 60), (0, 30), (18, 0), (5, 59)]:
        loss = sweep_loss_db(ground, CELL_M, Transmitter(row, column, 3.0), 1.0, BAND)
        assert np.isfinite(loss).all()


def test_the_transmitter_cell_has_the_free_space_loss_of_the_height_difference() -> None:
    loss = sweep_loss_db(rough_ground(5, 5), CELL_M, Transmitter(2, 2, 6.0), 1.5, BAND)
    assert loss[2, 2] == pytest.approx(20.0 * np.log10(4.0 * np.pi * 4.5 / BAND.terms.wavelength_m), abs=1e-5)


def test_a_void_hides_what_lies_behind_it_and_nothing_else() -> None:
    ground = rough_ground(81, 81, relief=0.3)
    clear = sweep_loss_db(ground, CELL_M, Transmitter(40, 40, 6.0), 1.5, BAND)
    ground[40, 60] = np.nan
    holed = sweep_loss_db(ground, CELL_M, Transmitter(40, 40, 6.0), 1.5, BAND)
    assert np.isnan(holed[40, 60:]).all()
    assert np.isfinite(holed[40, :60]).all()
    same = np.isfinite(holed)
    assert np.array_equal(holed[same], clear[same])
    assert same[:, :60].all()


def test_the_number_of_cores_does_not_change_a_bit() -> None:
    ground = rough_ground(300, 280)
    one, two = (sweep_loss_db(ground, CELL_M, Transmitter(100, 50, 4.0), 1.0, BAND, cores=n) for n in (1, 2))
    assert one.tobytes() == two.tobytes()


def test_progress_counts_to_the_end() -> None:
    seen: list[tuple[int, int]] = []
    sweep_loss_db(rough_ground(300, 300), CELL_M, Transmitter(10, 10, 4.0), 1.0, BAND, progress=lambda *at: seen.append(at))
    done, total = zip(*seen, strict=True)
    assert list(done) == sorted(set(done))
    assert done[-1] == total[-1] > 1


@pytest.mark.parametrize("cores", [1, 2])
def test_an_interrupt_passes_through(cores: int) -> None:
    calls: list[int] = []

    def stop(done: int, total: int) -> None:
        calls.append(total - done)
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        sweep_loss_db(rough_ground(400, 400), CELL_M, Transmitter(200, 200, 4.0), 1.0, BAND, cores=cores, progress=stop)
    assert len(calls) == 1
    assert calls[0] > 0


def test_a_transmitter_outside_or_on_unknown_ground_is_refused() -> None:
    ground = rough_ground(20, 30)
    with pytest.raises(InputError, match="outside a raster of 20 × 30 cells"):
        sweep_loss_db(ground, CELL_M, Transmitter(20, 3, 4.0), 1.0, BAND)
    ground[5, 5] = np.nan
    with pytest.raises(InputError, match="ground under row 5, column 5 is unknown"):
        sweep_loss_db(ground, CELL_M, Transmitter(5, 5, 4.0), 1.0, BAND)
    with pytest.raises(InputError, match="not an antenna height"):
        sweep_loss_db(ground, CELL_M, Transmitter(6, 5, 4.0), 0.0, BAND)


def test_importing_the_kernels_does_not_import_the_compiler() -> None:
    code = "import sys, meshplan.loss.fast; print('numba' in sys.modules, 'llvmlite' in sys.modules)"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.split() == ["False", "False"]


def test_a_transmitter_beside_the_middle_of_its_cell_is_swept_from_where_it_stands() -> None:
    """Against link by link from the same place: much nearer than from the middle of the cell, as near as from a true middle."""
    ground = rough_ground(90, 110)
    rows, columns = (part.ravel() for part in np.indices(ground.shape))

    def off_db(row: float, column: float, transmitter: Transmitter) -> NDArray[np.float64]:
        got = sweep_loss_db(ground, CELL_M, transmitter, 1.5, BAND)
        far = np.hypot(rows - row, columns - column) > 4.0
        ends = np.stack([np.full(far.sum(), column), np.full(far.sum(), row), columns[far], rows[far]], axis=1)
        links = link_losses(ground, CELL_M, ends, (3.0, 1.5), BAND, samples=161)
        return np.abs(got[rows[far], columns[far]] - links.loss_db)

    row, column = 40.37, 61.56
    c, r = int(column), int(row)
    square = ground[r : r + 2, c : c + 2]
    v, u = row - r, column - c
    under = float(np.array([1 - v, v]) @ square.astype(float) @ np.array([1 - u, u]))
    beside = off_db(row, column, Transmitter(40, 62, 3.0, row_off=0.37, column_off=-0.44, ground_amsl_m=under))
    rounded = off_db(row, column, Transmitter(40, 62, 3.0))
    middle = off_db(40.0, 62.0, Transmitter(40, 62, 3.0))
    assert np.percentile(beside, 90) < 1.3 * np.percentile(middle, 90)
    assert np.percentile(beside, 90) < 0.5 * np.percentile(rounded, 90)


def test_every_cell_is_owned_from_any_place_within_a_cell() -> None:
    ground = rough_ground(25, 31)
    for row_off, column_off in ((0.5, 0.5), (-0.5, 0.25), (0.001, 0.0), (0.3, -0.5)):
        got = sweep_loss_db(ground, CELL_M, Transmitter(12, 9, 3.0, row_off=row_off, column_off=column_off), 1.5, BAND)
        assert np.isfinite(got).all()
