"""Memory is known before the work; what does not fit is refused with a cell that does; a corner costs a corner."""

from __future__ import annotations

import subprocess
import sys

import pytest

from meshplan.errors import InputError, TooLargeError
from meshplan.loss.fast.memory import LIBRARIES_MB, check_coverage_memory, estimate_coverage_memory, needed_window


def test_the_estimate_counts_every_raster() -> None:
    bare = estimate_coverage_memory((2000, 3000))
    assert (bare.rasters_mb, bare.results_mb) == (24.0, 24.0)
    full = estimate_coverage_memory((2000, 3000), cover=True, canopy=True, parts=True, servers=True)
    assert (full.rasters_mb, full.results_mb) == (60.0, 132.0)
    assert bare.total_mb == pytest.approx(24.0 + 24.0 + 3.0 + LIBRARIES_MB)
    assert bare.sentence((2000, 3000)) == "Coverage of 2000 × 3000 cells takes about 341 MB of memory."


def test_too_large_a_job_offers_a_cell_that_fits() -> None:
    with pytest.raises(TooLargeError) as caught:
        check_coverage_memory((20_000, 20_000), 5.0, available_mb=2000.0)
    assert str(caught.value) == (
        "coverage: Coverage of 20000 × 20000 cells of 5 m needs 3,510 MB of memory; 1,600 MB can be used\n"
        "  Set cell_m = 8 under [terrain], or choose a smaller area."
    )
    coarser = check_coverage_memory((12_500, 12_500), 8.0, available_mb=2000.0)
    assert coarser.total_mb < 1600.0


def test_no_memory_at_all_is_said_plainly() -> None:
    with pytest.raises(TooLargeError, match="Close other programs"):
        check_coverage_memory((2000, 2000), 5.0, available_mb=100.0)


def test_a_corner_of_a_huge_raster_is_a_small_window() -> None:
    window = needed_window((20_000, 20_000), [19_700.2, 19_850.0], [120.0, 400.7], margin_cells=100)
    assert (window.row_start, window.row_stop, window.column_start, window.column_stop) == (20, 502, 19_600, 19_951)
    assert window.shape == (482, 351)


def test_a_window_ends_at_the_raster_and_needs_a_place_on_it() -> None:
    assert needed_window((50, 60), [3.0], [4.0], margin_cells=1000).shape == (50, 60)
    with pytest.raises(InputError, match="outside the elevation raster"):
        needed_window((50, 60), [500.0], [4.0], margin_cells=10)
    with pytest.raises(InputError, match="no place"):
        needed_window((50, 60), [], [], margin_cells=10)


@pytest.mark.slow
def test_a_job_takes_no_more_than_was_said() -> None:
    code = """
import numpy as np
from meshplan.loss.fast import RadioPath, Transmitter, sweep_loss_db
ground = np.zeros((3000, 3000), dtype=np.float32)
sweep_loss_db(ground, 5.0, Transmitter(1500, 1500, 6.0), 1.5, RadioPath(868.0), cores=2)
peak = next(line for line in open('/proc/self/status') if line.startswith('VmHWM:'))
print(float(peak.split()[1]) * 1024 / 1e6)
"""
    subprocess.run([sys.executable, "-c", code], capture_output=True, check=True)  # the first run may compile
    peak_mb = float(subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout)
    said = estimate_coverage_memory((3000, 3000), cores=2)
    assert peak_mb < said.total_mb + 0.1 * said.rasters_mb
