"""Clutter against the published values of P.2108."""

import numpy as np
import pytest

from meshplan.errors import InputError
from meshplan.propagation.clutter import built_up_loss_db, height_gain_loss_db, low_terminals_loss_db


def test_height_gain_meets_every_published_row_and_refuses_the_invalid(read_published):
    table = read_published("clutter_height_gain.csv")
    assert len(table.rows) == 23
    assert sum(not row["loss_db"] for row in table.rows) == 5
    for row in table.rows:
        loss = height_gain_loss_db(
            row["kind"],
            float(row["antenna_m"]),
            float(row["frequency_mhz"]),
            clutter_height_m=float(row["clutter_m"]),
            street_width_m=float(row["street_m"]),
        )
        expected = float(row["loss_db"] or "nan")
        assert loss == pytest.approx(expected, abs=table.tolerance_db, nan_ok=True)


def test_built_up_loss_meets_every_published_row_and_refuses_the_invalid(read_published):
    table = read_published("built_up.csv")
    assert len(table.rows) == 272
    assert sum(not row["loss_db"] for row in table.rows) == 5
    for row in table.rows:
        loss = built_up_loss_db(float(row["distance_m"]), float(row["frequency_mhz"]), float(row["share_pct"]) / 100)
        assert loss == pytest.approx(float(row["loss_db"] or "nan"), abs=table.tolerance_db, nan_ok=True)


@pytest.mark.parametrize("kind", ["suburban", "trees_forest", "open_rural"])
def test_an_antenna_rising_out_of_clutter_loses_ever_less(kind):
    loss = height_gain_loss_db(kind, np.linspace(0.3, 20, 500), 868.0)
    assert np.all(np.diff(loss) <= 1e-12)
    assert loss[-1] == 0


def test_no_place_is_beyond_two_kilometres():
    assert built_up_loss_db(15_000.0, 2440.0) == built_up_loss_db(2_000.0, 2440.0)


def test_low_terminals_follow_plane_earth_in_distance():
    near, far = low_terminals_loss_db([100.0, 200.0], 868.0)
    assert far - near == pytest.approx(40 * np.log10(2))
    # By hand: 9.5 + 45·log10(868) + 40·log10(0.2) = 9.5 + 132.23 − 27.96
    assert far == pytest.approx(113.77, abs=0.01)
    assert np.isnan(low_terminals_loss_db(100.0, 150.0))


def test_misspelt_kinds_are_told_with_the_nearest_name():
    with pytest.raises(InputError, match=r"Did you mean 'suburban'\?"):
        height_gain_loss_db("suburb", 2.0, 868.0)
    with pytest.raises(InputError, match=r"Did you mean 'urban'\?"):
        low_terminals_loss_db(100.0, 868.0, "urbn")
