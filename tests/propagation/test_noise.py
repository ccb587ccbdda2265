"""Noise: thermal, man-made, together."""

import numpy as np
import pytest

from meshplan.errors import InputError
from meshplan.propagation.noise import (
    MAN_MADE_NOISE,
    MAN_MADE_NOISE_DECILES_DB,
    man_made_noise_db,
    thermal_noise_dbm,
    total_noise_figure_db,
    usual_noise_rise_db,
)


def test_thermal_noise_of_one_hertz():
    # k·290 K = 4.00e-21 W/Hz, −173.975 dBm.
    assert thermal_noise_dbm(1.0) == pytest.approx(-173.975, abs=1e-3)


def test_noise_floor_of_a_chirp_receiver():
    # Planning sheet: 125 kHz, noise figure 6 dB: −117 dBm.
    assert thermal_noise_dbm(125e3, 6.0) == pytest.approx(-117, abs=0.05)


def test_man_made_noise_meets_the_constants_of_p372():
    # Fam = c − d·log10 f carried to 433 and 868 MHz: 3.8, −0.5, −5.8 and −4.6, −8.9, −14.2 dB.
    names = ("city", "residential", "rural")
    np.testing.assert_allclose([man_made_noise_db(n, 433.0) for n in names], [3.8, -0.5, -5.8], atol=0.06)
    np.testing.assert_allclose([man_made_noise_db(n, 868.0) for n in names], [-4.6, -8.9, -14.2], atol=0.06)
    # Inside the stated range: rural at 100 MHz 67.2 − 2·27.7.
    assert man_made_noise_db("rural", 100.0) == pytest.approx(11.8)


def test_man_made_noise_meets_the_published_table(read_published):
    table = read_published("man_made_noise.csv")
    assert {row["place"] for row in table.rows} == set(MAN_MADE_NOISE)
    for row in table.rows:
        c_db, d_db = float(row["c_db"]), float(row["d_db"])
        # At 1, 10 and 100 MHz the logarithm is 0, 1 and 2.
        np.testing.assert_allclose(
            man_made_noise_db(row["place"], [1.0, 10.0, 100.0]), [c_db, c_db - d_db, c_db - 2 * d_db], atol=table.tolerance_db
        )
        if row["upper_decile_db"]:
            deciles = float(row["upper_decile_db"]), float(row["lower_decile_db"])
            assert MAN_MADE_NOISE_DECILES_DB[row["place"]] == deciles
    assert sum(bool(row["upper_decile_db"]) for row in table.rows) == len(MAN_MADE_NOISE_DECILES_DB) == 3


def test_total_noise_figure_of_a_433_mhz_sensor_in_a_village():
    # NF 6 dB and −0.5 dB outside give 6.9 dB.
    assert total_noise_figure_db(6.0, man_made_noise_db("residential", 433.0)) == pytest.approx(6.9, abs=0.05)


def test_without_outside_noise_the_receiver_stays_what_it_is():
    assert total_noise_figure_db(7.0) == pytest.approx(7.0)
    assert total_noise_figure_db(7.0, -np.inf, 3.0) == pytest.approx(10.0)


def test_usual_rise_by_band_and_place():
    np.testing.assert_allclose(usual_noise_rise_db([433.0, 868.0, 2450.0]), [4, 2, 2])
    assert usual_noise_rise_db(868.0, near_buildings=True) == 10


def test_a_misspelt_environment_is_told_with_the_nearest_name():
    with pytest.raises(InputError, match=r"Did you mean 'rural'\?"):
        man_made_noise_db("rurl", 433.0)
