"""Every row of the collected worked examples; a row that no check here knows is a failure."""

import numpy as np
import pytest

from meshplan.propagation.free_space import free_space_loss_db
from meshplan.propagation.fresnel import fresnel_parameter, fresnel_radius_m
from meshplan.propagation.ground import Ground
from meshplan.propagation.knife_edge import knife_edge_loss_db, knife_edge_loss_exact_db
from meshplan.propagation.refraction import effective_earth_radius_km, k_factor
from meshplan.propagation.two_ray import plane_earth_loss_db, two_ray_excess_db

ROUND_C = 3e8
PERFECT = Ground(1e14, 0.0)


def two_ray_db(distance_m):
    frequency = 299.792458 / 0.3
    excess = two_ray_excess_db(distance_m, 30.0, 2.0, frequency, polarisation="horizontal", ground=PERFECT)
    return float(free_space_loss_db(np.hypot(distance_m, 28), frequency) + excess)


def angles_nu():
    angles = np.arctan(50 / 10_000) + np.arctan(75 / 2_000)
    return fresnel_parameter(angles * 10_000 * 2_000 / 12_000, 10_000, 2_000, 900.0, speed_of_light_m_per_s=ROUND_C)


def grazing_height_m():
    # Between 25 m at 2 km and 50 m at 10 km the edge touches the line this high above the lower antenna: 6 dB.
    height = 25 * 2 / 12
    over_line = 25 + height - (50 + (25 - 50) * 10 / 12)
    nu = fresnel_parameter(over_line, 10_000, 2_000, 900.0)
    assert knife_edge_loss_exact_db(nu) == pytest.approx(20 * np.log10(2), abs=1e-9)
    return height


def hill_loss_db():
    nu = fresnel_parameter(25.0, 1000.0, 1000.0, 900.0, speed_of_light_m_per_s=ROUND_C)
    assert nu == pytest.approx(2.7386, abs=1e-4)
    assert knife_edge_loss_db(nu) == pytest.approx(21.644, abs=1e-3)
    return knife_edge_loss_exact_db(nu)


# id: (what we compute, how near it must come to the recomputed value)
CHECKS = {
    "fspl_1ghz_1km": (lambda: free_space_loss_db(1000.0, 1000.0), 1e-4),
    "two_ray_paths": (lambda: np.hypot(1000.0, 28.0), 1e-4),
    "two_ray_paths_r": (lambda: np.hypot(1000.0, 32.0), 1e-4),
    # The page takes both rays as equally strong and the phase 4π·h1·h2/(λd).
    "two_ray_loss_1km": (lambda: two_ray_db(1000.0), 0.01),
    "two_ray_loss_500m": (lambda: two_ray_db(500.0), 0.04),
    "knife_edge_textbook_a": (angles_nu, 1e-5),
    "knife_edge_textbook_a_loss": (lambda: knife_edge_loss_exact_db(4.24824), 1e-3),
    "knife_edge_textbook_a_h6": (grazing_height_m, 1e-4),
    "knife_edge_textbook_b": (hill_loss_db, 1e-3),
    "knife_edge_grazing": (lambda: knife_edge_loss_exact_db(0.0), 1e-4),
    "fresnel_const": (lambda: fresnel_radius_m(1, 5000.0, 5000.0, 1000.0, speed_of_light_m_per_s=ROUND_C), 1e-3),
    "fresnel_06": (lambda: 0.6 * fresnel_radius_m(1, 2000.0, 2000.0, 1000.0, speed_of_light_m_per_s=ROUND_C), 0.01),
    "k_factor": (lambda: effective_earth_radius_km(k_factor(45.0)), 1e-6),
}


def test_every_worked_example_is_met(read_published):
    rows = {row["id"]: row for row in read_published("worked_examples.csv").rows}
    assert set(rows) == set(CHECKS)
    for name, (compute, tolerance) in CHECKS.items():
        assert compute() == pytest.approx(float(rows[name]["value"]), abs=tolerance), name


def test_plane_earth_is_the_far_limit_of_two_rays():
    frequency = 299.792458 / 0.3
    excess = two_ray_excess_db(50_000.0, 30.0, 2.0, frequency, polarisation="horizontal", ground=PERFECT)
    total = free_space_loss_db(50_000.0, frequency) + excess
    assert total == pytest.approx(float(plane_earth_loss_db(50_000.0, 30.0, 2.0)), abs=0.01)
