"""The low-antenna rule against rigorous solutions over smooth ground, computed here and from the reference table."""

import numpy as np
import pytest
from published_tables import smooth_earth_grid

from meshplan.propagation import audit
from meshplan.propagation.diffraction import delta_bullington_loss_db
from meshplan.propagation.ground import ground_constants
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.smooth_ground_truth import flat_ground_excess_db, round_earth_excess_db
from meshplan.propagation.two_ray import crossover_m

NAMES = ("vertical", "horizontal")
BAND_DB = (-2.2, 0.5)


@pytest.fixture(scope="module")
def own_table():
    return {name: smooth_earth_grid(name) for name in NAMES}


def on_flat_ground(rule, distance_m, start_m, end_m, frequency_mhz, polarisation, **options):
    along = np.asarray(distance_m)[..., None] * np.linspace(0, 1, 101)
    flat = np.zeros(101)
    return rule(
        along, flat, flat, start_m, end_m, frequency_mhz, earth_radius_km=8495.0, polarisation=polarisation, **options
    ).total_db


@pytest.mark.parametrize("polarisation", NAMES)
def test_both_rules_meet_the_own_table(own_table, polarisation):
    t = own_table[polarisation]
    link = (t["distance_m"], t["start_m"], t["end_m"], t["frequency_mhz"], polarisation)
    np.testing.assert_allclose(on_flat_ground(delta_bullington_loss_db, *link), t["delta_bullington"], atol=0.001)
    np.testing.assert_allclose(on_flat_ground(low_antenna_loss_db, *link), t["low_antenna_rule"], atol=0.001)


@pytest.mark.parametrize("polarisation", NAMES)
def test_rule_stays_in_its_band_of_the_reference_truth(own_table, polarisation):
    t = own_table[polarisation]
    truth = np.where(t["distance_m"] >= 500, t["residue_series"], t["surface_wave"])
    use = (
        (t["distance_m"] > crossover_m(t["start_m"], t["end_m"], t["frequency_mhz"]))
        & (np.minimum(t["start_m"], t["end_m"]) >= 0.5)
        & (t["frequency_mhz"] >= 433)
        & np.isfinite(truth)
    )
    assert use.sum() > 400
    loss = on_flat_ground(low_antenna_loss_db, t["distance_m"], t["start_m"], t["end_m"], t["frequency_mhz"], polarisation)
    error = (loss - truth)[use]
    assert error.min() >= BAND_DB[0]
    assert error.max() <= BAND_DB[1]


def test_rigorous_solution_meets_the_transcribed_figures(read_published):
    table = read_published("smooth_ground.csv")
    for row in table.rows:
        height, distance, frequency = (float(row[key]) for key in ("height_m", "distance_m", "frequency_mhz"))
        for polarisation in NAMES:
            if distance < 500:
                truth = flat_ground_excess_db(distance, height, height, frequency, polarisation=polarisation)
            else:
                truth = round_earth_excess_db(
                    distance, height, height, frequency, polarisation=polarisation, earth_radius_km=8495.0
                )
            assert truth == pytest.approx(float(row[f"{polarisation}_db"]), abs=table.tolerance_db)


@pytest.mark.parametrize("polarisation", NAMES)
def test_flat_solution_meets_the_own_table(own_table, polarisation):
    t = own_table[polarisation]
    loss = flat_ground_excess_db(t["distance_m"], t["start_m"], t["end_m"], t["frequency_mhz"], polarisation=polarisation)
    beyond = t["distance_m"] > crossover_m(t["start_m"], t["end_m"], t["frequency_mhz"])
    np.testing.assert_allclose(loss[beyond], t["surface_wave"][beyond], atol=0.006)
    # Inside the crossover the two codes take the grazing angle into the surface wave a little differently.
    known = np.isfinite(t["surface_wave"])
    np.testing.assert_allclose(loss[known], t["surface_wave"][known], atol=0.02)


@pytest.mark.parametrize("polarisation", NAMES)
def test_flat_and_round_solutions_meet_at_500_m(polarisation):
    # Two unrelated theories; an own prototype found at most 0.054 dB between them over 148 cases.
    compared = 0
    for frequency in (150.0, 433.0, 868.0, 2440.0):
        for start, end in ((0.5, 0.5), (0.5, 2.0), (1.0, 1.0), (1.0, 2.0)):
            flat = float(flat_ground_excess_db(500.0, start, end, frequency, polarisation=polarisation))
            link = (500.0, start, end, frequency)
            series = round_earth_excess_db(*link, polarisation=polarisation, earth_radius_km=8495.0)
            if np.isfinite(series):
                compared += 1
                assert series == pytest.approx(flat, abs=0.06)
    assert compared == 12  # the series of 500 m needs a shorter wave than 150 MHz


def test_series_says_when_it_cannot_be_summed():
    assert np.isnan(round_earth_excess_db(500.0, 10.0, 10.0, 5800.0, polarisation="vertical", earth_radius_km=8495.0))


def test_audit_finds_the_rule_in_its_band_everywhere():
    # Truth computed afresh, 433 MHz–5.8 GHz, 0.5–10 m, 20 m–20 km, both polarisations.
    rows = audit.low_antenna_error_table()
    assert sum(row.count for row in rows) > 1000
    assert {row.polarisation for row in rows} == {"vertical", "horizontal"}
    assert min(row.low_antenna_db[0] for row in rows) >= BAND_DB[0]
    assert max(row.low_antenna_db[1] for row in rows) <= BAND_DB[1]
    # The published method alone leaves that band for low vertical antennas: what the rule is for.
    assert max(row.delta_bullington_db[1] for row in rows) > 5


@pytest.mark.parametrize(("polarisation", "band"), [("vertical", (-2.25, 0.0)), ("horizontal", (-0.31, 0.0))])
def test_rule_stays_in_its_band_on_a_dense_grid_below_500_m(polarisation, band):
    # Finer than the audit, right up to the crossover, where the rule is furthest from the rigorous flat-ground solution.
    grid = np.meshgrid(
        [433.0, 500.0, 700.0, 868.0, 1600.0, 2440.0, 5800.0],
        [0.5, 0.7, 1.0, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0],
        [0.5, 0.7, 1.0, 1.2, 1.5, 2.0, 3.0, 5.0, 10.0],
        np.geomspace(20, 499, 60),
    )
    frequency, start, end, distance = (axis.ravel() for axis in grid)
    use = (start <= end) & (distance > crossover_m(start, end, frequency))
    link = (distance[use], start[use], end[use], frequency[use])
    error = on_flat_ground(low_antenna_loss_db, *link, polarisation) - flat_ground_excess_db(*link, polarisation=polarisation)
    assert use.sum() > 5000
    assert error.min() >= band[0]
    assert error.max() <= band[1]


def test_audit_command_prints_one_line_for_each_band(capsys):
    assert audit.main([]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "Loss over smooth ground, formula minus rigorous solution, dB: least … greatest (mean)."
    assert sum(line.startswith(("vertical", "horizontal")) for line in lines) == len(audit.low_antenna_error_table())
    assert lines[-1].startswith("All 1020 links, low-antenna rule: ")


def test_low_vertical_antennas_beat_low_horizontal_ones():
    losses = {polarisation: on_flat_ground(low_antenna_loss_db, 200.0, 0.3, 0.3, 433.0, polarisation) for polarisation in NAMES}
    assert losses["horizontal"] - losses["vertical"] > 8


@pytest.mark.parametrize("polarisation", NAMES)
def test_soil_matters_for_vertical_waves_only(polarisation):
    loss = [
        float(on_flat_ground(low_antenna_loss_db, 500.0, 0.5, 0.5, 433.0, polarisation, ground=ground_constants(kind, 433.0)))
        for kind in ("very_dry", "medium_dry", "wet")
    ]
    spread = max(loss) - min(loss)
    assert spread > 1 if polarisation == "vertical" else spread < 0.3


def test_lowering_an_antenna_below_the_floor_height_costs_little_more():
    # h0 = 0.53 m at 433 MHz: from 0.2 m to 0.05 m plane earth would charge 12 dB.
    high, low = (float(on_flat_ground(low_antenna_loss_db, 300.0, h, 2.0, 433.0, "vertical")) for h in (0.2, 0.05))
    assert 0 < low - high < 1


def test_a_taller_mast_never_hurts_on_flat_ground():
    heights = np.linspace(0.1, 30, 300)
    loss = on_flat_ground(low_antenna_loss_db, np.full(300, 1500.0), heights, 1.5, 868.0, "vertical")
    assert np.max(np.diff(loss)) < 0.01
