"""The single edge against the exact Fresnel integrals."""

import numpy as np
import pytest

from meshplan.propagation.knife_edge import knife_edge_loss_db, knife_edge_loss_exact_db


def test_both_forms_meet_the_known_values(read_published):
    table = read_published("knife_edge.csv")
    for row in table.rows:
        nu = float(row["nu"])
        assert knife_edge_loss_exact_db(nu) == pytest.approx(float(row["exact_db"]), abs=table.tolerance_db)
        assert knife_edge_loss_db(nu) == pytest.approx(float(row["approximation_db"]), abs=table.tolerance_db)


def test_approximation_stays_within_0_13_db_of_the_integrals():
    # scipy.special.fresnel, from grazing clearance to a ridge twenty Fresnel units high.
    nu = np.linspace(-0.78, 20, 5000)
    assert np.max(np.abs(knife_edge_loss_db(nu) - knife_edge_loss_exact_db(nu))) < 0.13


def test_own_table_of_the_integral_is_met(read_published):
    table = read_published("knife_edge_integral.csv")
    assert len(table.rows) == 131
    for row in table.rows:
        exact, near = knife_edge_loss_exact_db(float(row["nu"])), knife_edge_loss_db(float(row["nu"]))
        assert exact == pytest.approx(float(row["exact_db"]), abs=table.tolerance_db)
        assert near == pytest.approx(float(row["approximation_db"]), abs=table.tolerance_db)


def test_touching_the_line_costs_six_decibels():
    assert knife_edge_loss_exact_db(0.0) == pytest.approx(20 * np.log10(2))


def test_loss_grows_as_the_edge_rises():
    assert np.all(np.diff(knife_edge_loss_db(np.linspace(-2, 50, 4000))) >= 0)


def test_step_where_the_approximation_begins_is_small():
    assert 0 < knife_edge_loss_db(np.nextafter(-0.78, 1)) < 0.01
    assert knife_edge_loss_db(-0.78) == 0


def test_very_high_and_very_low_edges_are_finite_and_unknown_stays_unknown():
    assert np.all(np.isfinite(knife_edge_loss_db([-1e12, 1e12])))
    assert knife_edge_loss_db(-np.inf) == 0
    assert np.isnan(knife_edge_loss_db(np.nan))
