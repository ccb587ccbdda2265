"""Flat ground by two rays and by the plane-earth law."""

import numpy as np
import pytest
from published_tables import smooth_earth_grid

from meshplan.propagation.free_space import free_space_loss_db
from meshplan.propagation.ground import GROUND_KINDS, REFERENCE_LAND, Ground, ground_constants
from meshplan.propagation.two_ray import (
    crossover_m,
    minimum_effective_height_m,
    plane_earth_loss_db,
    plane_ground_excess_db,
    reflection_coefficient,
    two_ray_excess_db,
)

PERFECT = Ground(1e14, 0.0)


def test_the_published_exercise_is_met(read_published):
    # λ = 0.3 m exactly; horizontal waves over ground that reflects all.
    table = read_published("two_ray_exercise.csv")
    frequency = 299.792458 / 0.3
    for row in table.rows:
        distance = float(row["distance_m"])
        if row["direct_m"]:
            assert np.hypot(distance, 28) == pytest.approx(float(row["direct_m"]), abs=1e-4)
            assert np.hypot(distance, 32) == pytest.approx(float(row["reflected_m"]), abs=1e-4)
        excess = two_ray_excess_db(distance, 30.0, 2.0, frequency, polarisation="horizontal", ground=PERFECT)
        loss = free_space_loss_db(np.hypot(distance, 28), frequency) + excess
        assert loss == pytest.approx(float(row["loss_db"]), abs=table.tolerance_db)


def test_two_rays_meet_the_own_table():
    for polarisation in ("vertical", "horizontal"):
        grid = smooth_earth_grid(polarisation)
        assert len(grid["two_ray"]) == 1134
        link = (grid[key] for key in ("distance_m", "start_m", "end_m", "frequency_mhz"))
        excess = two_ray_excess_db(*link, polarisation=polarisation)
        # The table is printed to 0.001 dB; in the depth of a null its rounded constants show.
        np.testing.assert_allclose(excess, grid["two_ray"], atol=0.02)


@pytest.mark.parametrize("polarisation", ["vertical", "horizontal"])
def test_ground_turns_the_wave_over_at_grazing(polarisation):
    assert reflection_coefficient(0.0, 868.0, polarisation=polarisation) == pytest.approx(-1)


def test_straight_down_both_polarisations_reflect_alike():
    vertical, horizontal = (reflection_coefficient(np.pi / 2, 868.0, polarisation=p) for p in ("vertical", "horizontal"))
    assert abs(vertical) == pytest.approx(abs(horizontal))
    index = np.sqrt(22 - 0.156j)  # 60·0.003·λ at 868 MHz ≈ 0.062; the modulus hardly sees it
    assert abs(horizontal) == pytest.approx(abs((1 - index) / (1 + index)), abs=1e-3)


def test_vertical_waves_have_a_pseudo_brewster_angle():
    angle = np.radians(np.linspace(0.5, 89, 500))
    size = np.abs(reflection_coefficient(angle, 868.0, polarisation="vertical"))
    # tan ψ = 1/sqrt(εr) for a good dielectric.
    assert np.degrees(angle[np.argmin(size)]) == pytest.approx(np.degrees(np.arctan(1 / np.sqrt(22))), abs=0.3)
    assert size.min() < 0.02


def test_plane_earth_loses_twelve_decibels_for_twice_the_distance_at_any_frequency():
    near, far = plane_earth_loss_db([500.0, 1000.0], 1.0, 2.0)
    assert far - near == pytest.approx(40 * np.log10(2))


def test_crossover_is_where_plane_earth_meets_free_space():
    distance = crossover_m(1.0, 2.0, 868.0)
    assert plane_earth_loss_db(distance, 1.0, 2.0) == pytest.approx(float(free_space_loss_db(distance, 868.0)))


def test_minimum_effective_heights_meet_the_formula_sheet():
    # Reference land, vertical: 1.53, 0.53, 0.26, 0.094, 0.039 m.
    heights = minimum_effective_height_m([150.0, 433.0, 868.0, 2440.0, 5800.0], polarisation="vertical")
    np.testing.assert_allclose(heights, [1.53, 0.53, 0.26, 0.094, 0.039], atol=0.006)
    # Average ground 15 and 0.005 S/m: vertical 0.44, 0.22, 0.08 m, horizontal 0.03, 0.015, 0.005 m.
    average = ground_constants("average", 868.0)
    vertical = minimum_effective_height_m([433.92, 868.0, 2450.0], polarisation="vertical", ground=average)
    np.testing.assert_allclose(vertical, [0.44, 0.22, 0.08], atol=0.006)
    horizontal = minimum_effective_height_m([433.92, 868.0, 2450.0], polarisation="horizontal", ground=average)
    np.testing.assert_allclose(horizontal, [0.03, 0.015, 0.005], atol=0.002)


def test_plane_ground_loss_begins_at_zero_without_a_step():
    # x = π/6 where 12·h1·h2/λ = d.
    distance = 12 * 868 / 299.792458 * np.array([0.9999, 1.0001, 2.0])
    loss = plane_ground_excess_db(distance, 1.0, 1.0, 868.0)
    assert loss[0] == 0
    assert 0 < loss[1] < 0.002
    # far out: 20·log10(λd/(4π h1 h2))
    far = plane_ground_excess_db(20_000.0, 1.0, 1.0, 868.0)
    assert far == pytest.approx(20 * np.log10(299.792458 / 868 * 20_000 / (4 * np.pi)), abs=1e-4)
    assert plane_ground_excess_db(0.0, 0.5, 0.5, 868.0) == 0


def test_ground_kinds_are_complete_and_ordered():
    for kind in GROUND_KINDS:
        ground = ground_constants(kind, np.array([433.0, 868.0, 2440.0]))
        assert np.all(np.asarray(ground.permittivity) >= 1)
        assert np.all(np.asarray(ground.conductivity_s_per_m) > 0)
    assert ground_constants("reference", 868.0) == REFERENCE_LAND
    # ITU-R P.2040-3 table 3 at 2 GHz by hand: 15·2^−0.1 = 13.995, 0.035·2^1.63 = 0.1083.
    medium = ground_constants("medium_dry", 2000.0)
    assert medium.permittivity == pytest.approx(13.995, abs=1e-3)
    assert medium.conductivity_s_per_m == pytest.approx(0.1083, abs=1e-4)
