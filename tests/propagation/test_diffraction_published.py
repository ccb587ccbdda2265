"""Terrain loss against the published validation sets of P.526 and P.1812."""

import numpy as np
import pytest
from published_tables import LandPath, p526_paths, p1812_paths

from meshplan.propagation.diffraction import (
    bullington_loss_db,
    delta_bullington_loss_db,
    first_term_loss_db,
    smooth_surface,
    spherical_earth_loss_db,
)
from meshplan.propagation.ground import SEA
from meshplan.propagation.low_antenna import low_antenna_loss_db

P526_OPTIONS = {"earth_radius_km": 8500.0, "polarisation": "horizontal", "speed_of_light_m_per_s": 3e8}


def figures(row):
    return {key: float(value) for key, value in row.items() if key not in ("path", "polarisation")}


def p526_loss(rule, path, row, **changes):
    start = path.ground_m[0] + row["start_agl_m"]
    end = path.ground_m[-1] + row["end_agl_m"]
    frequency = row["frequency_mhz"]
    return rule(path.distance_m, path.ground_m, path.obstacle_m, start, end, frequency, **(P526_OPTIONS | changes))


def p526_cases(read_published):
    rows = read_published("p526_results.csv").rows
    assert len(rows) == 20
    return [(p526_paths()[row["path"]], figures(row)) for row in rows]


def test_all_twenty_p526_cases_within_0_006_db(read_published):
    # ITU-R Study Group 3, "Validation examples for the delta Bullington diffraction prediction method".
    tolerance_db = read_published("p526_results.csv").tolerance_db
    for path, row in p526_cases(read_published):
        loss = p526_loss(delta_bullington_loss_db, path, row)
        assert loss.effective_start_m == pytest.approx(row["effective_start_m"], abs=1e-6)
        assert loss.effective_end_m == pytest.approx(row["effective_end_m"], abs=1e-6)
        assert loss.bullington_actual_db == pytest.approx(row["bullington_actual_db"], abs=1e-6)
        assert loss.bullington_smooth_db == pytest.approx(row["bullington_smooth_db"], abs=1e-6)
        assert loss.smooth_earth_db == pytest.approx(row["smooth_earth_db"], abs=tolerance_db)
        assert loss.total_db == pytest.approx(row["total_db"], abs=tolerance_db)


def test_low_antenna_rule_leaves_the_published_cases_alone(read_published):
    for path, row in p526_cases(read_published):
        published = p526_loss(delta_bullington_loss_db, path, row)
        ours = p526_loss(low_antenna_loss_db, path, row)
        assert ours.total_db == pytest.approx(published.total_db, abs=0.001)
        vertical = p526_loss(low_antenna_loss_db, path, row, polarisation="vertical")
        assert vertical.total_db == pytest.approx(
            p526_loss(delta_bullington_loss_db, path, row, polarisation="vertical").total_db, abs=0.4
        )


def test_swapping_the_ends_of_the_published_paths_changes_nothing(read_published):
    for path, row in p526_cases(read_published):
        back = LandPath((path.distance_m[-1] - path.distance_m)[::-1], path.ground_m[::-1], path.ground_m[::-1])
        turned = row | {"start_agl_m": row["end_agl_m"], "end_agl_m": row["start_agl_m"]}
        forth = p526_loss(delta_bullington_loss_db, path, row).total_db
        assert p526_loss(delta_bullington_loss_db, back, turned).total_db == pytest.approx(forth, abs=1e-9)


def test_all_sixty_three_p1812_rows_within_1e_5(read_published):
    # P.1812-8 validation set: 19 inland, coastal and sea profiles, with and without clutter, both polarisations.
    table = read_published("p1812_results.csv")
    near = {"abs": table.tolerance_db}
    assert len(table.rows) == 63
    assert {row["path"] for row in table.rows} == set(p1812_paths())
    assert {row["polarisation"] for row in table.rows} == {"horizontal", "vertical"}
    for text in table.rows:
        path, row = p1812_paths()[text["path"]], figures(text)
        ends = row["start_amsl_m"], row["end_amsl_m"]
        surface = smooth_surface(path.distance_m, path.ground_m, *ends)
        assert surface.fit_start_amsl_m == pytest.approx(row["fit_start_m"], **near)
        assert surface.fit_end_amsl_m == pytest.approx(row["fit_end_m"], **near)
        assert surface.start_amsl_m == pytest.approx(row["surface_start_m"], **near)
        assert surface.end_amsl_m == pytest.approx(row["surface_end_m"], **near)
        median, stretched = (
            delta_bullington_loss_db(
                path.distance_m,
                path.ground_m,
                path.obstacle_m,
                *ends,
                row["frequency_mhz"],
                earth_radius_km=earth_radius_km,
                polarisation=text["polarisation"],
                sea_fraction=row["sea_share"],
                speed_of_light_m_per_s=2.998e8,
            )
            for earth_radius_km in (row["earth_radius_km"], 3 * 6371.0)
        )
        assert median.total_db == pytest.approx(row["median_db"], **near)
        # The logs print the parts of the pass with three times the Earth's radius.
        assert stretched.bullington_actual_db == pytest.approx(row["actual_db"], **near)
        assert stretched.bullington_smooth_db == pytest.approx(row["smooth_db"], **near)
        assert stretched.smooth_earth_db == pytest.approx(max(row["spherical_db"], 0), **near)
        assert stretched.total_db == pytest.approx(row["stretched_db"], **near)


def test_the_first_published_kilometre(read_published):
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
