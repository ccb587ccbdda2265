"""Leaves against the tables of P.833, and the rules for rows, crops and seasons."""

import numpy as np
import pytest

from meshplan.errors import InputError
from meshplan.propagation.tables import figure_at_frequency
from meshplan.propagation.vegetation import (
    PLANT_KINDS,
    bypass_loss_db,
    cover_loss_db,
    cover_spread_db,
    early_itu_loss_db,
    exponential_decay_loss_db,
    row_loss_db,
    vegetation_spread_db,
    woodland_db_per_m,
    woodland_loss_db,
    woodland_most_db,
)


def test_woodland_meets_the_table_of_p833(read_published):
    table = read_published("woodland.csv")
    for row in table.rows:
        frequency = float(row["frequency_mhz"])
        assert woodland_db_per_m(frequency) == pytest.approx(float(row["db_per_m"]), rel=1e-9)
        assert woodland_most_db(frequency) == pytest.approx(float(row["most_db"]), rel=1e-9)
        for depth in (10, 100, 500):
            if row[f"loss_{depth}m_db"]:
                assert woodland_loss_db(depth, frequency) == pytest.approx(float(row[f"loss_{depth}m_db"]), abs=table.tolerance_db)


def test_woodland_beyond_the_table_follows_its_own_slope():
    # log-fit of the table: about 0.38–0.40 dB/m and 36 dB at 2450 MHz; P.833 gives 1.37·f^0.42 for the greatest loss.
    assert woodland_db_per_m(2450.0) == pytest.approx(0.38, abs=0.01)
    assert woodland_most_db(2450.0) == pytest.approx(36, abs=0.5)
    assert woodland_most_db(5800.0) == pytest.approx(1.37 * 5800**0.42, rel=0.01)


def test_exponential_decay_meets_the_tabulated_figures(read_published):
    table = read_published("exponential_decay.csv")
    for row in table.rows:
        link = float(row["depth_m"]), float(row["frequency_mhz"])
        assert exponential_decay_loss_db(*link) == pytest.approx(float(row["weissberger_db"]), abs=table.tolerance_db)
        assert early_itu_loss_db(*link) == pytest.approx(float(row["early_itu_db"]), abs=table.tolerance_db)


def test_exponential_decay_has_no_step_where_its_halves_meet():
    depth = np.linspace(13, 15, 2001)
    assert np.max(np.abs(np.diff(exponential_decay_loss_db(depth, 868.0)))) < 0.001


def test_deeper_woods_lose_more_up_to_a_most():
    loss = woodland_loss_db(np.linspace(0, 3000, 500), 868.0)
    assert loss[0] == 0
    assert np.all(np.diff(loss) > 0)
    assert loss[-1] == pytest.approx(float(woodland_most_db(868.0)), abs=0.01)


def test_spread_is_half_the_gap_to_the_pessimistic_model():
    # By hand at 949 MHz, a column of the P.833 table, 50 m: 26.5·(1 − exp(−50·0.17/26.5)) = 7.272 dB;
    # Weissberger 1.33·0.949^0.284·50^0.588 = 13.073 dB; half the gap 2.901 dB.
    assert vegetation_spread_db(50.0, 949.0) == pytest.approx(2.901, abs=0.002)
    assert vegetation_spread_db(0.0, 949.0) == 0


def test_a_hedge_never_costs_more_than_its_bypass_path():
    assert row_loss_db(3.0, 868.0) == pytest.approx(3 * float(woodland_db_per_m(868.0)))
    assert row_loss_db(60.0, 868.0, bypass_db=4.0) == 4.0
    assert cover_loss_db("hedge_evergreen", 60.0, 868.0, bypass_db=4.0) == 4.0


def test_the_bypass_of_a_hedge_is_over_it_or_around_its_nearer_end():
    # J(ν) by hand: 3 m over the line, 40 m from either antenna at 868 MHz, ν = 3·sqrt(2·80/(0.34538·1600)) = 1.6143.
    edge = 6.9 + 20 * np.log10(np.sqrt((1.6143 - 0.1) ** 2 + 1) + 1.6143 - 0.1)
    over = bypass_loss_db(3.0, 40.0, 40.0, 868.0)
    assert over == pytest.approx(edge, abs=1e-3)
    assert bypass_loss_db(3.0, 40.0, 40.0, 868.0, side_a_m=1.0, side_b_m=50.0) < over
    assert bypass_loss_db(3.0, 40.0, 40.0, 868.0, side_a_m=4.0, side_b_m=4.0) == over
    assert bypass_loss_db(-10.0, 40.0, 40.0, 868.0) == 0
    assert bypass_loss_db(np.inf, 40.0, 40.0, 868.0) == np.inf


def test_crops_meet_the_planning_table():
    # dB/m and greatest loss at 433, 868 and 2450 MHz (common practice).
    assert cover_loss_db("maize", 10.0, 868.0) == pytest.approx(2.5)
    assert cover_loss_db("maize", 1000.0, 868.0) == pytest.approx(27)
    assert cover_loss_db("cereal", 10.0, 433.0) == pytest.approx(3)
    assert cover_loss_db("orchard", 20.0, 2450.0) == pytest.approx(8)


def test_orchard_rows_let_the_wave_through_along_and_hold_it_across():
    along, oblique, across = cover_loss_db("orchard", 40.0, 868.0, row_angle_deg=[0.0, 30.0, 90.0])
    assert along == pytest.approx(2)
    assert across == pytest.approx(8)
    assert oblique == pytest.approx(5)  # half the rows per metre
    assert cover_loss_db("orchard", 40.0, 868.0) == across


def test_leafless_trees_lose_a_sixth_less_as_p833_says():
    bare, full = cover_loss_db("wood_deciduous", 50.0, 868.0, leaf_share=[0.0, 1.0])
    assert full / bare == pytest.approx(1.2)
    bare, full = cover_loss_db("wood_evergreen", 50.0, 868.0, leaf_share=[0.0, 1.0])
    assert full == bare


def test_wet_leaves_lose_more_and_bare_twigs_do_not():
    dry, wet = (cover_loss_db("orchard", 50.0, 868.0, wet=w) for w in (False, True))
    assert wet == pytest.approx(1.15 * float(dry))
    assert cover_loss_db("orchard", 50.0, 868.0, leaf_share=0.0, wet=True) == cover_loss_db("orchard", 50.0, 868.0, leaf_share=0.0)


@pytest.mark.parametrize("name", PLANT_KINDS)
def test_every_kind_is_sane_from_150_mhz_to_6_ghz(name):
    frequency = np.geomspace(150, 6000, 300)
    depth = np.array([0.0, 0.5, 5.0, 50.0, 500.0])[:, None]
    loss = cover_loss_db(name, depth, frequency)
    assert np.all(np.isfinite(loss))
    assert np.all(loss[0] == 0)
    assert np.all(np.diff(loss, axis=0) >= 0)
    assert np.all(np.diff(loss, axis=1) >= -1e-9)
    assert loss.max() < 70
    spread = cover_spread_db(name, depth, frequency, loss)
    assert np.all((spread >= 0) & (spread <= 8))
    assert np.all(spread[0] == 0)


def test_spread_shrinks_with_the_loss_in_winter():
    summer = cover_loss_db("wood_deciduous", 60.0, 868.0)
    winter = cover_loss_db("wood_deciduous", 60.0, 868.0, leaf_share=0.0)
    spreads = [cover_spread_db("wood_deciduous", 60.0, 868.0, loss) for loss in (winter, summer)]
    assert spreads[1] == pytest.approx(1.2 * float(spreads[0]))


def test_unknown_depth_stays_unknown():
    assert np.isnan(cover_loss_db("orchard", np.nan, 868.0))
    assert np.isnan(woodland_loss_db(np.nan, 868.0))


def test_a_misspelt_kind_is_told_with_the_nearest_name():
    with pytest.raises(InputError, match=r"'orchrd' is not a kind of cover. Did you mean 'orchard'\?"):
        cover_loss_db("orchrd", 10.0, 868.0)


def test_figures_between_frequencies_lie_straight_over_the_logarithm():
    assert figure_at_frequency(868.0, (1.0, 2.0, 4.0)) == 2.0
    assert figure_at_frequency(np.sqrt(868.0 * 2450.0), (1.0, 2.0, 4.0)) == pytest.approx(3.0)
    assert figure_at_frequency(150.0, (1.0, 2.0, 4.0)) == 1.0
    assert figure_at_frequency(2450.0**2 / 868.0, (1.0, 2.0, 4.0)) == pytest.approx(6.0)
    assert figure_at_frequency(5800.0, (3.0, 10.0, 8.0)) == 8.0
