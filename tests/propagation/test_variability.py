"""From spread to chance."""

import numpy as np
import pytest

from meshplan.propagation.variability import (
    chance_it_works,
    location_spread_db,
    rayleigh_fade_db,
    reliability_margin_db,
    total_spread_db,
)


def test_margin_for_a_reliability_meets_the_normal_table():
    np.testing.assert_allclose(
        reliability_margin_db([0.75, 0.9, 0.95, 0.99, 0.999], 1.0), [0.674, 1.282, 1.645, 2.326, 3.090], atol=5e-4
    )
    np.testing.assert_allclose(reliability_margin_db(0.9, [6, 8, 10]), [7.7, 10.3, 12.8], atol=0.06)
    np.testing.assert_allclose(reliability_margin_db(0.99, [6, 8, 10]), [14.0, 18.6, 23.3], atol=0.06)


def test_chance_undoes_the_margin():
    for reliability in (0.05, 0.5, 0.9, 0.999):
        assert chance_it_works(reliability_margin_db(reliability, 8.0), 8.0) == pytest.approx(reliability)


def test_without_spread_a_link_works_or_not():
    np.testing.assert_array_equal(chance_it_works([3.0, -3.0, 0.0], 0.0), [1, 0, 0.5])
    assert np.isnan(chance_it_works(np.nan, 0.0))
    assert np.isnan(chance_it_works(np.nan, 5.0))


def test_rayleigh_fades_meet_the_table():
    np.testing.assert_allclose(rayleigh_fade_db([0.9, 0.95, 0.99]), [8.2, 11.3, 18.4], atol=0.06)
    assert rayleigh_fade_db(0.5) == pytest.approx(0)


def test_rayleigh_fades_agree_with_drawn_ones():
    rng = np.random.default_rng(5)
    power = rng.exponential(size=400_000)
    drawn = 10 * np.log10(np.median(power) / np.quantile(power, 0.1))
    assert rayleigh_fade_db(0.9) == pytest.approx(drawn, abs=0.1)


def test_independent_spreads_add_as_squares():
    assert total_spread_db(3.0, 4.0) == pytest.approx(5)
    assert total_spread_db() == 0
    assert total_spread_db([6.0, 8.0], 0.0).shape == (2,)


def test_location_spread_meets_the_formula_of_p1812():
    # 868 MHz: 1.4 dB (30 m), 2.0 (100 m), 3.7 (1 km).
    np.testing.assert_allclose(location_spread_db(868.0, [30.0, 100.0, 1000.0]), [1.4, 2.0, 3.7], atol=0.06)


def test_location_spread_fades_out_above_the_clutter():
    spread = location_spread_db(868.0, 100.0, [5.0, 10.0, 15.0, 20.0, 30.0], 10.0)
    np.testing.assert_allclose(spread / spread[0], [1, 1, 0.5, 0, 0])
