"""Earth radius, bulge, Fresnel zones and clearance."""

import numpy as np
import pytest

from meshplan.propagation.fresnel import fresnel_parameter, fresnel_radius_m, path_clearance
from meshplan.propagation.refraction import (
    DEFAULT_K,
    SUB_REFRACTIVE_K,
    earth_bulge_m,
    effective_earth_radius_km,
    k_factor,
)


def test_earth_radius_meets_the_p1812_validation_log():
    # P.1812-8 validation logs: ΔN = 45 gives 8930.776786 km.
    assert effective_earth_radius_km(k_factor(45.0)) == pytest.approx(8930.776786, abs=1e-6)


def test_every_p1812_row_gives_its_earth_radius(read_published):
    rows = read_published("p1812_results.csv").rows
    for row in rows:
        radius_km = effective_earth_radius_km(k_factor(float(row["delta_n"])))
        assert radius_km == pytest.approx(float(row["earth_radius_km"]), abs=1e-5)


def test_trapped_rays_have_no_k():
    assert np.isnan(k_factor(157.0))
    assert np.isnan(k_factor(200.0))


def test_bulge_in_the_middle_of_ten_kilometres():
    # P.526 §4.5.1 by hand: 500·5·5/8494.67 = 1.4715 m with k = 4/3.
    assert earth_bulge_m(5000.0, 10000.0, effective_earth_radius_km(DEFAULT_K)) == pytest.approx(1.4715, abs=1e-4)


def test_sub_refraction_lifts_the_ground():
    usual, bent = (earth_bulge_m(5000.0, 10000.0, effective_earth_radius_km(k)) for k in (DEFAULT_K, SUB_REFRACTIVE_K))
    assert bent > usual


def test_fresnel_radius_meets_the_worked_examples(read_published):
    table = read_published("fresnel_radius.csv")
    for row in table.rows:
        radius = fresnel_radius_m(1, float(row["start_m"]), float(row["end_m"]), float(row["frequency_mhz"]))
        assert radius == pytest.approx(float(row["radius_m"]), abs=table.tolerance_db)


def test_sixty_percent_of_the_first_zone_at_one_gigahertz():
    # An installation manual prints 10.4·sqrt(d1·d2/(f·d)), km and GHz, for 0.6 F1.
    assert 0.6 * fresnel_radius_m(1, 2000.0, 2000.0, 1000.0) == pytest.approx(10.4, abs=0.02)


def test_parameter_of_the_textbook_ridge():
    # Wireless textbook: 900 MHz, antennas 50 and 25 m, edge 100 m, 10 and 2 km (λ = 1/3 m).
    # The book adds angles and finds 4.24824; with the height over the line, as P.526 has it, it is 4.25.
    angles = np.arctan(50 / 10_000) + np.arctan(75 / 2_000)
    reach = 10_000 * 2_000 / 12_000
    nu = fresnel_parameter(angles * reach, 10_000, 2_000, 900.0, speed_of_light_m_per_s=3e8)
    assert nu == pytest.approx(4.24824, abs=1e-5)
    line = 50 + (25 - 50) * 10 / 12
    assert fresnel_parameter(100 - line, 10_000, 2_000, 900.0, speed_of_light_m_per_s=3e8) == pytest.approx(4.25)


def test_an_edge_at_the_antenna_has_no_finite_parameter_unless_it_touches():
    assert fresnel_parameter(1.0, 0.0, 100.0, 868.0) == np.inf
    assert fresnel_parameter(-1.0, 0.0, 100.0, 868.0) == -np.inf
    assert fresnel_parameter(0.0, 0.0, 100.0, 868.0) == 0.0


def test_clearance_names_the_tightest_sample():
    distance = np.linspace(0, 1000, 11)
    ground = np.zeros(11)
    ground[7] = 9.0
    clear = path_clearance(distance, ground, 10.0, 10.0, 868.0, earth_radius_km=8495.0)
    bulge = earth_bulge_m(700.0, 1000.0, 8495.0)
    assert clear.index == 7
    assert clear.clearance_m == pytest.approx(1.0 - bulge)
    assert clear.fraction == pytest.approx((1.0 - bulge) / fresnel_radius_m(1, 700, 300, 868.0))


def test_a_wall_through_the_line_has_negative_clearance():
    clear = path_clearance([0, 50, 100], [0, 5, 0], 2.0, 2.0, 868.0, earth_radius_km=8495.0)
    assert clear.fraction < 0
    assert clear.clearance_m == pytest.approx(-3.0, abs=1e-3)


def test_clearance_without_inner_samples_is_unknown():
    clear = path_clearance([0, 100], [0, 0], 2.0, 2.0, 868.0, earth_radius_km=8495.0)
    assert np.isnan(clear.fraction)
    assert clear.index == -1


def test_clearance_of_a_batch_equals_clearance_one_by_one():
    rng = np.random.default_rng(4)
    distance = np.linspace(0, 1, 33) * rng.uniform(50, 5000, (7, 1))
    ground = rng.uniform(0, 20, (7, 33))
    start, end, frequency = rng.uniform(1, 30, (3, 7)) * np.array([[1], [1], [100]])
    batch = path_clearance(distance, ground, start, end, frequency, earth_radius_km=8495.0)
    for i in range(7):
        one = path_clearance(distance[i], ground[i], start[i], end[i], frequency[i], earth_radius_km=8495.0)
        assert batch.fraction[i] == one.fraction
        assert batch.index[i] == one.index
