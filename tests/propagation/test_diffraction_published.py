"""Terrain loss against the published validation sets of P.526 and P.1812."""

from dataclasses import dataclass

import numpy as np
import pytest

from meshplan.propagation.diffraction import (
    bullington_loss_db,
    delta_bullington_loss_db,
    first_term_loss_db,
    smooth_surface,
    spherical_earth_loss_db,
)
from meshplan.propagation.ground import SEA
from meshplan.propagation.low_antenna import low_antenna_loss_db

POLARISATION = {"h": "horizontal", "v": "vertical"}


@dataclass(frozen=True)
class Path:
    distance_m: np.ndarray
    ground_m: np.ndarray
    obstacle_m: np.ndarray


@pytest.fixture(scope="module")
def p526_paths(read_reference_csv):
    samples = {}
    for row in read_reference_csv("p526_delta_bullington_profiles.csv"):
        samples.setdefault(row["path_id"], []).append((float(row["d_km"]), float(row["h_m_amsl"])))
    return {key: Path(1000 * np.array(value)[:, 0], np.array(value)[:, 1], np.array(value)[:, 1]) for key, value in samples.items()}


@pytest.fixture(scope="module")
def p1812_paths(read_reference_csv):
    samples = {}
    for row in read_reference_csv("p1812_profiles.csv"):
        samples.setdefault(row["profile"], []).append((float(row["d_km"]), float(row["h_m_amsl"]), float(row["clutter_height_m"])))
    paths = {}
    for key, value in samples.items():
        distance, ground, clutter = np.array(value).T
        clutter[[0, -1]] = 0  # P.1812-8 §3.2.1: no clutter at the two ends
        paths[key] = Path(1000 * distance, ground, ground + clutter)
    return paths


def p526_loss(rule, path, row, **changes):
    options = {
        "earth_radius_km": float(row["ae_km"]),
        "polarisation": POLARISATION[row["pol"]],
        "speed_of_light_m_per_s": float(row["c_m_per_s"]),
    } | changes
    start = path.ground_m[0] + float(row["htg_m"])
    end = path.ground_m[-1] + float(row["hrg_m"])
    return rule(path.distance_m, path.ground_m, path.obstacle_m, start, end, 1000 * float(row["f_ghz"]), **options)


def test_all_twenty_p526_cases_within_0_006_db(read_reference_csv, p526_paths):
    # ITU-R Study Group 3, "Validation examples for the delta Bullington diffraction prediction method".
    rows = read_reference_csv("p526_delta_bullington_results.csv")
    assert len(rows) == 20
    for row in rows:
        loss = p526_loss(delta_bullington_loss_db, p526_paths[row["path_id"]], row)
        assert loss.effective_start_m == pytest.approx(float(row["hte_prime_m"]), abs=1e-6)
        assert loss.effective_end_m == pytest.approx(float(row["hre_prime_m"]), abs=1e-6)
        assert loss.bullington_actual_db == pytest.approx(float(row["L_bull_actual_db"]), abs=1e-6)
        assert loss.bullington_smooth_db == pytest.approx(float(row["L_bull_smooth_db"]), abs=1e-6)
        assert loss.smooth_earth_db == pytest.approx(float(row["L_spherical_db"]), abs=0.006)
        assert loss.total_db == pytest.approx(float(row["L_delta_bullington_db"]), abs=0.006)


def test_low_antenna_rule_leaves_the_published_cases_alone(read_reference_csv, p526_paths):
    for row in read_reference_csv("p526_delta_bullington_results.csv"):
        path = p526_paths[row["path_id"]]
        published = p526_loss(delta_bullington_loss_db, path, row)
        ours = p526_loss(low_antenna_loss_db, path, row)
        assert ours.total_db == pytest.approx(published.total_db, abs=0.001)
        vertical = p526_loss(low_antenna_loss_db, path, row, polarisation="vertical")
        assert vertical.total_db == pytest.approx(
            p526_loss(delta_bullington_loss_db, path, row, polarisation="vertical").total_db, abs=0.4
        )


def test_swapping_the_ends_of_the_published_paths_changes_nothing(read_reference_csv, p526_paths):
    for row in read_reference_csv("p526_delta_bullington_results.csv"):
        path = p526_paths[row["path_id"]]
        back = Path((path.distance_m[-1] - path.distance_m)[::-1], path.ground_m[::-1], path.ground_m[::-1])
        turned = dict(row, htg_m=row["hrg_m"], hrg_m=row["htg_m"])
        forth = p526_loss(delta_bullington_loss_db, path, row).total_db
        assert p526_loss(delta_bullington_loss_db, back, turned).total_db == pytest.approx(forth, abs=1e-9)


def test_all_sixty_three_p1812_rows_within_1e_5(read_reference_csv, p1812_paths):
    # P.1812-8 validation set: 13 inland, coastal and sea profiles, with and without clutter, both polarisations.
    rows = read_reference_csv("p1812_results.csv")
    assert len(rows) == 63
    for row in rows:
        path = p1812_paths[row["profile"]]
        start, end = float(row["hts_m"]), float(row["hrs_m"])
        options = {
            "polarisation": POLARISATION[row["pol"]],
            "sea_fraction": float(row["omega"]),
            "speed_of_light_m_per_s": 2.998e8,
        }
        surface = smooth_surface(path.distance_m, path.ground_m, start, end)
        assert surface.fit_start_amsl_m == pytest.approx(float(row["hst_m"]), abs=1e-5)
        assert surface.fit_end_amsl_m == pytest.approx(float(row["hsr_m"]), abs=1e-5)
        assert surface.start_amsl_m == pytest.approx(float(row["hstd_m"]), abs=1e-5)
        assert surface.end_amsl_m == pytest.approx(float(row["hsrd_m"]), abs=1e-5)

        def loss(earth_radius_km, path=path, start=start, end=end, row=row, options=options):
            return delta_bullington_loss_db(
                path.distance_m,
                path.ground_m,
                path.obstacle_m,
                start,
                end,
                1000 * float(row["f_ghz"]),
                earth_radius_km=earth_radius_km,
                **options,
            )

        assert loss(float(row["ae_km"])).total_db == pytest.approx(float(row["Ld50_db"]), abs=1e-5)
        # The logs print the parts of the pass with three times the Earth's radius.
        stretched = loss(3 * 6371.0)
        assert stretched.bullington_actual_db == pytest.approx(float(row["L_bull_actual_3x_db"]), abs=1e-5)
        assert stretched.bullington_smooth_db == pytest.approx(float(row["L_bull_smooth_3x_db"]), abs=1e-5)
        assert stretched.smooth_earth_db == pytest.approx(max(float(row["L_spherical_3x_db"]), 0), abs=1e-5)
        assert stretched.total_db == pytest.approx(float(row["Ldbeta_db"]), abs=1e-5)


def test_one_published_kilometre_without_any_reference_file(read_published):
    table = read_published("first_kilometre_profile.csv")
    distance, ground, clutter = np.array(
        [[float(row[key]) for key in ("distance_km", "ground_m", "clutter_m")] for row in table.rows]
    ).T
    surface = smooth_surface(1000 * distance, ground, 814.4, 617.3)
    assert surface.fit_start_amsl_m == pytest.approx(783.304, abs=1e-5)
    assert surface.fit_end_amsl_m == pytest.approx(611.196, abs=1e-5)
    loss = delta_bullington_loss_db(
        1000 * distance,
        ground,
        ground + clutter,
        814.4,
        617.3,
        95.3,
        earth_radius_km=8930.776786,
        polarisation="horizontal",
        speed_of_light_m_per_s=2.998e8,
    )
    assert loss.total_db == pytest.approx(15.34252882, abs=table.tolerance_db)


def test_one_ridge_equals_the_knife_edge_with_its_correction():
    # P.526 §4.5.1 with one inner point is J(ν) + (1 − exp(−J/6))·(10 + 0.02·D): ν = 26·sqrt(2·2000/(λ·10⁶)), J by hand.
    wavelength = 299.792458 / 868
    nu = 26 * np.sqrt(2 * 2000 / (wavelength * 1e6))
    edge = 6.9 + 20 * np.log10(np.sqrt((nu - 0.1) ** 2 + 1) + nu - 0.1)
    loss = bullington_loss_db([0, 1000, 2000], [0, 28, 0], 2.0, 2.0, 868.0, earth_radius_km=1e9)
    assert loss.nu == pytest.approx(nu, abs=1e-6)
    assert loss.loss_db == pytest.approx(edge + (1 - np.exp(-edge / 6)) * (10 + 0.02 * 2), abs=1e-6)
    assert loss.index == 1


def test_two_ridges_meet_in_one_point_between_them():
    # Two lines from the antennas over the ridges cross at 500 m, 60 m up: the same loss as one edge there.
    two = bullington_loss_db([0, 250, 750, 1000], [0, 30, 30, 0], 0.0, 0.0, 868.0, earth_radius_km=1e9)
    one = bullington_loss_db([0, 500, 1000], [0, 60, 0], 0.0, 0.0, 868.0, earth_radius_km=1e9)
    assert two.loss_db == pytest.approx(float(one.loss_db), abs=1e-6)


def test_sea_carries_vertical_waves_further_than_land():
    options = {"earth_radius_km": 8495.0, "polarisation": "vertical"}
    land = first_term_loss_db(60_000, 5.0, 5.0, 150.0, **options)
    sea = first_term_loss_db(60_000, 5.0, 5.0, 150.0, ground=SEA, **options)
    assert sea < land
    mixed = spherical_earth_loss_db(60_000, 5.0, 5.0, 150.0, sea_fraction=0.25, **options)
    assert mixed == pytest.approx(0.25 * sea + 0.75 * land)


def test_line_of_sight_well_above_smooth_ground_costs_nothing():
    assert spherical_earth_loss_db(2000, 40.0, 40.0, 2440.0, earth_radius_km=8495.0) == 0
