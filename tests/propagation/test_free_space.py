"""Free space against the worked example of P.525 and the 63 rows of P.1812."""

import numpy as np
import pytest

from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m


def test_free_space_loss_meets_the_worked_examples(read_published):
    table = read_published("free_space.csv")
    for row in table.rows:
        loss = free_space_loss_db(float(row["distance_m"]), float(row["frequency_mhz"]))
        assert loss == pytest.approx(float(row["loss_db"]), abs=table.tolerance_db)


def test_free_space_loss_meets_every_row_of_p1812(read_published):
    # P.1812-8 §4.2 uses 92.4 dB at 1 GHz and 1 km where exact constants give 92.4478.
    offset = float(free_space_loss_db(1000.0, 1000.0)) - 92.4
    rows = read_published("p1812_results.csv").rows
    assert len(rows) == 63
    for row in rows:
        slant = slant_distance_m(float(row["distance_m"]), float(row["start_amsl_m"]) - float(row["end_amsl_m"]))
        loss = free_space_loss_db(slant, float(row["frequency_mhz"]))
        assert loss - offset - 60 == pytest.approx(float(row["free_space_db"]) - 60, abs=1e-6)


def test_twice_the_distance_costs_six_decibels():
    near, far = free_space_loss_db([200.0, 400.0], 868.0)
    assert far - near == pytest.approx(20 * np.log10(2))


def test_two_nodes_on_one_point_have_a_finite_loss():
    assert free_space_loss_db(0.0, 2440.0) == free_space_loss_db(1.0, 2440.0)
    # At 150 MHz one wavelength (2 m) is longer than 1 m.
    assert free_space_loss_db(0.0, 150.0) == pytest.approx(20 * np.log10(4 * np.pi))


def test_unknown_distance_stays_unknown():
    assert np.isnan(free_space_loss_db(np.nan, 868.0))


def test_links_and_frequencies_broadcast():
    assert free_space_loss_db(np.ones((4, 1)) * 100, [433.0, 868.0]).shape == (4, 2)
