"""Low antennas behind hills against four rays over a screen and a parabolic equation over any ground."""

import numpy as np
import pytest
from rigorous_terrain import flat_excess_db, four_rays_excess_db, parabolic_excess_db, ridges, rolling_ground

from meshplan.propagation.behind_hills import ground_behind_hill_db
from meshplan.propagation.low_antenna import low_antenna_loss_db

FLAT_EARTH = {"earth_radius_km": 1e9, "polarisation": "horizontal"}


def losses(along, ground, start, end, frequency, **options):
    """The low-antenna rule, and what is added behind hills."""
    options = FLAT_EARTH | options
    link = (ground[..., 0] + start, ground[..., -1] + end, frequency)
    loss = low_antenna_loss_db(along, ground, ground, *link, **options)
    return loss.total_db, ground_behind_hill_db(along, ground, *link, loss, **options)


def test_the_two_solutions_agree_on_a_screen():
    count, step, frequency = 501, 2.0, 433.0
    for start, end, screen in ((1.0, 1.0, 3.0), (1.0, 1.0, 6.0), (1.0, 2.0, 12.0)):
        ground = np.full((1, count), 5.0)
        ground[0, count // 2] += screen
        marched, _ = parabolic_excess_db(ground, step, start, end, frequency)
        exact = four_rays_excess_db(1000.0, 500.0, start, end, screen, frequency)
        assert marched[0] == pytest.approx(float(exact), abs=0.8)


def test_four_rays_over_a_screen_of_no_height_are_two():
    level = four_rays_excess_db(1000.0, 400.0, 1.0, 2.0, 0.0, 868.0)
    assert level == pytest.approx(float(flat_excess_db(1000.0, 1.0, 2.0, 868.0)), abs=0.01)


@pytest.fixture(scope="module")
def rolling():
    """Errors over rolling ground: of the rule alone, and with the loss behind hills."""
    random = np.random.default_rng(41)
    return errors_over(
        lambda: [rolling_ground(random, 12, 251, 3.0, rms, length) for rms, length in ((0.3, 30), (1, 60), (2, 100), (5, 150))]
    )


@pytest.fixture(scope="module")
def single_ridges():
    random = np.random.default_rng(42)
    return errors_over(lambda: [ridges(random, 24, 251, 3.0)])


def errors_over(make_ground):
    alone, added = [], []
    along = 3.0 * np.arange(251)
    for start, end in ((0.5, 0.5), (1.0, 1.0), (1.0, 4.0)):
        for ground in make_ground():
            truth, stepped = parabolic_excess_db(ground, 3.0, start, end, 433.0)
            rule, extra = losses(along, stepped, start, end, 433.0)
            alone.append(rule - truth)
            added.append(rule + extra - truth)
    return np.concatenate(alone), np.concatenate(added)


def rms(error):
    return float(np.sqrt(np.mean(error**2)))


def test_rule_alone_is_too_low_over_rolling_ground_and_the_loss_behind_hills_mends_it(rolling):
    alone, added = rolling
    assert alone.mean() < -3
    assert abs(added.mean()) < 0.6 * abs(alone.mean())
    assert rms(added) < 0.85 * rms(alone)


def test_loss_behind_a_single_ridge_comes_nearer_to_the_marched_wave(single_ridges):
    alone, added = single_ridges
    assert added.std() < 0.8 * alone.std()
    assert rms(added) < 0.85 * rms(alone)


def test_a_small_sharp_bank_keeps_the_ground_loss_of_low_antennas():
    # 3 m bank midway on 1 km, antennas 0.5 m, 868 MHz: four rays 40 dB, the published surface leaves 28 dB.
    along = np.linspace(0, 1000, 201)
    ground = np.zeros(201)
    ground[100] = 3.0
    exact = four_rays_excess_db(1000.0, 500.0, 0.5, 0.5, 3.0, 868.0)
    rule, extra = losses(along, ground, 0.5, 0.5, 868.0)
    assert exact - rule > 10
    assert rule + extra == pytest.approx(float(exact), abs=2)


def test_a_rising_bank_no_longer_swallows_the_ground_loss():
    # One sample of flat bare ground rises from the line of sight to 30 m. What remains of the fall is real: between low antennas
    # a wave over a sharp edge loses less than one over flat ground (four rays: 41 dB without the bank, 29 dB with 20 m of it).
    along = np.linspace(0, 1000, 101)
    ground = np.zeros((300, 101))
    ground[:, 50] = np.linspace(0.5, 30, 300)
    rule, extra = losses(along, ground, 0.5, 0.5, 868.0)
    assert np.max(rule[0] - rule) > 15
    assert np.max((rule + extra)[0] - (rule + extra)) < 9


def test_flat_ground_and_lines_of_sight_get_nothing():
    along = np.linspace(0, 800, 101)
    assert losses(along, np.zeros(101), 0.5, 0.5, 868.0)[1] == 0
    valley = 0.0002 * (along - 400) ** 2
    assert losses(along, valley, 1.0, 1.0, 868.0)[1] == 0


def test_tall_masts_get_nothing():
    along = np.linspace(0, 3000, 101)
    ground = 25 * np.exp(-(((along - 1500) / 300) ** 2))
    assert losses(along, ground, 15.0, 15.0, 868.0)[1] == pytest.approx(0, abs=0.2)


@pytest.mark.parametrize("polarisation", ["vertical", "horizontal"])
def test_both_directions_get_the_same(polarisation):
    random = np.random.default_rng(6)
    ground = np.cumsum(random.normal(size=(200, 61)), axis=1)
    along = np.cumsum(random.uniform(1, 20, (200, 61)), axis=1)
    along -= along[:, :1]
    start, end = random.uniform(0.3, 5, (2, 200))
    forth = losses(along, ground, start, end, 868.0, polarisation=polarisation, earth_radius_km=8495.0)
    back = losses(
        (along[:, -1:] - along)[:, ::-1], ground[:, ::-1], end, start, 868.0, polarisation=polarisation, earth_radius_km=8495.0
    )
    np.testing.assert_allclose(forth[1], back[1], atol=1e-9)
    assert np.any(forth[1] > 3)
    assert np.all(forth[1] >= 0)


def test_small_changes_make_small_changes():
    random = np.random.default_rng(7)
    ground = 10 * random.uniform(size=(3000, 1)) * random.uniform(size=(3000, 21))
    along = np.linspace(0, 1, 21) * 10 ** random.uniform(1.3, 4, (3000, 1))
    start, end = 10 ** random.uniform(-0.5, 1, (2, 3000))
    before = sum(losses(along, ground, start, end, 868.0))
    for scale in (1 - 1e-4, 1 + 1e-4):
        for changed in (
            (along * scale, ground, start, end, 868.0),
            (along, ground * scale, start, end, 868.0),
            (along, ground, start * scale, end, 868.0),
            (along, ground, start, end * scale, 868.0),
            (along, ground, start, end, 868.0 * scale),
        ):
            assert np.max(np.abs(sum(losses(*changed)) - before)) < 0.5


def test_edge_cases_are_finite_and_unknown_stays_unknown():
    for along, ground in (
        (np.array([0.0, 500.0]), np.zeros(2)),
        (np.zeros(5), np.zeros(5)),
        (np.array([0.0, 1.0, 2.0]), np.array([0.0, 30.0, 0.0])),
        (np.array([0.0, 300.0, 300.0, 300.0]), np.array([0.0, 1.0, 1.0, 1.0])),
    ):
        extra = losses(along, ground, 1.0, 1.0, 868.0)[1]
        assert np.isfinite(extra)
        assert extra >= 0
    assert np.isnan(losses(np.linspace(0, 500, 5), np.array([0, 1, np.nan, 1, 0]), 1.0, 1.0, 868.0)[1])
