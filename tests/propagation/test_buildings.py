"""Buildings against the published values of P.2109 and the physics of a slab."""

import numpy as np
import pytest

from meshplan.errors import InputError
from meshplan.propagation.buildings import (
    INDOOR_ROOMS,
    KNOWN_WALLS,
    MATERIALS,
    entry_loss_db,
    indoor_floors_loss_db,
    indoor_loss_db,
    slab_loss_db,
    wall_loss_db,
    wall_spread_db,
)
from meshplan.propagation.free_space import free_space_loss_db
from meshplan.units import wavelength_m


def test_entry_loss_meets_all_568_published_values(read_published):
    # ITU-R P.2109-1, Study Group 3 workbook "Clutter and BEL", printed to 0.001 dB.
    table = read_published("entry_loss_workbook.csv")
    share = np.array([float(row["share_pct"]) for row in table.rows]) / 100
    columns = [key for key in table.rows[0] if key != "share_pct"]
    assert len(share) * len(columns) == 568
    for column in columns:
        building, frequency_mhz, elevation_deg = column.split("/")
        loss = entry_loss_db(building, float(frequency_mhz), not_exceeded_share=share, elevation_deg=float(elevation_deg))
        np.testing.assert_allclose(loss, [float(row[column]) for row in table.rows], rtol=0, atol=table.tolerance_db)


def test_indoor_coefficients_meet_the_table_of_p1238(read_published):
    table = read_published("indoor.csv")
    assert {row["room"] for row in table.rows} == set(INDOOR_ROOMS)
    for row in table.rows:
        alpha, beta_db, gamma, sigma_db = (float(row[key]) for key in ("alpha", "beta_db", "gamma", "sigma_db"))
        room = INDOOR_ROOMS[row["room"]]
        assert room.spread_db == sigma_db
        assert room.frequency_ghz == (float(row["from_ghz"]), float(row["to_ghz"]))
        assert room.distance_m == (float(row["from_m"]), float(row["to_m"]))
        # Decades away from 1 m and 1 GHz each factor stands alone.
        for exponent_d, exponent_f in ((0, 0), (1, 0), (0, 1), (2, -1)):
            loss = indoor_loss_db(row["room"], 10.0**exponent_d, 1000.0 * 10.0**exponent_f)
            by_hand = beta_db + 10 * alpha * exponent_d + 10 * gamma * exponent_f
            assert loss == pytest.approx(by_hand, abs=table.tolerance_db)


def test_materials_meet_the_table_of_p2040(read_published):
    rows = read_published("building_materials.csv").rows
    found = {row["material"]: tuple(float(row[key]) for key in "abcd") for row in rows}
    assert {name: found[name] for name in MATERIALS} == MATERIALS


def test_entry_loss_below_one_gigahertz(read_published):
    table = read_published("entry_loss.csv")
    for row in table.rows:
        loss = entry_loss_db(row["building"], float(row["frequency_mhz"]), not_exceeded_share=float(row["share"]))
        assert loss == pytest.approx(float(row["loss_db"]), abs=table.tolerance_db)


def test_a_steep_path_loses_more_on_entry():
    level, steep = entry_loss_db("traditional", 868.0, elevation_deg=[0.0, 45.0])
    assert steep > level


def test_walls_meet_the_planning_table():
    assert wall_loss_db("brick_single", 868.0) == 3.5
    assert wall_loss_db("hollow_block", 2450.0) == 14
    assert wall_loss_db("stone_500mm", 868.0) == 18.5  # middle of 15–22
    assert wall_spread_db("stone_500mm", 868.0) == pytest.approx(3.7)
    assert wall_loss_db("steel_cladding", 868.0) == 40
    assert wall_spread_db("steel_cladding", 868.0) == 10


@pytest.mark.parametrize("name", KNOWN_WALLS)
def test_every_wall_is_finite_from_150_mhz_to_6_ghz(name):
    frequency = np.geomspace(150, 6000, 200)
    loss = wall_loss_db(name, frequency)
    assert np.all((loss >= 0) & (loss < 90))
    assert np.all(wall_spread_db(name, frequency) >= 1)
    wall = KNOWN_WALLS[name]
    assert len(wall.range_db) == 3
    assert all(low <= high for low, high in wall.range_db)


def test_a_misspelt_wall_is_told_with_the_nearest_name():
    with pytest.raises(InputError, match=r"Did you mean 'hollow_block'\?"):
        wall_loss_db("holow_block", 868.0)


def test_indoor_loss_in_sight_starts_near_free_space():
    # P.1238-11: β is the loss at 1 m and 1 GHz, which physics puts near 32.4 dB.
    for name in ("office_sight", "corridor_sight"):
        assert indoor_loss_db(name, 1.0, 1000.0) == pytest.approx(float(free_space_loss_db(1.0, 1000.0)), abs=5)
    # By hand: 24.6·log10(20) + 29.53 + 23.8·log10(2.4) = 32.01 + 29.53 + 9.05
    assert indoor_loss_db("office", 20.0, 2400.0) == pytest.approx(70.59, abs=0.01)


@pytest.mark.parametrize("name", INDOOR_ROOMS)
def test_indoor_loss_grows_with_distance_and_is_finite_at_none(name):
    loss = indoor_loss_db(name, np.linspace(0, 100, 101), 868.0)
    assert np.all(np.isfinite(loss))
    assert np.all(np.diff(loss) >= 0)


def test_floors_of_a_home_add_four_decibels_each():
    none, one, two = indoor_floors_loss_db("residential", 10.0, 868.0, [0, 1, 2])
    assert (one - none, two - one) == pytest.approx((4, 4))
    # By hand: 20·log10(868) + 28 − 28
    assert none == pytest.approx(58.77, abs=0.01)
    assert indoor_floors_loss_db("office", 10.0, 868.0, 2) - indoor_floors_loss_db("office", 10.0, 868.0) == pytest.approx(19)


def test_half_a_wavelength_of_lossless_glass_is_a_window():
    # A slab half a wavelength thick inside lets all through; its conductivity alone takes 0.14 dB a pass.
    frequency = 1000.0
    half = float(wavelength_m(frequency)) / np.sqrt(MATERIALS["glass"][0]) / 2
    assert slab_loss_db("glass", half, frequency) < 0.25
    # A quarter: both faces work against the wave, T = 2n/(1 + n²).
    index = np.sqrt(MATERIALS["glass"][0])
    assert slab_loss_db("glass", half / 2, frequency) == pytest.approx(-20 * np.log10(2 * index / (1 + index**2)), abs=0.1)


def test_thick_concrete_loses_by_its_conductivity():
    # Attenuation constant of a poor conductor, 8.686·σ·60π/sqrt(εr) dB per metre (textbook).
    frequency = 3000.0
    sigma = 0.0462 * 3**0.7822
    per_metre = 8.686 * sigma * 60 * np.pi / np.sqrt(5.24)
    gained = slab_loss_db("concrete", 2.0, frequency) - slab_loss_db("concrete", 1.0, frequency)
    assert gained == pytest.approx(per_metre, rel=0.01)


def test_no_wall_is_no_loss():
    assert slab_loss_db("brick", 0.0, 868.0) == pytest.approx(0, abs=1e-12)
