"""What must hold for terrain loss on any ground: both ways equal, no steps, no surprises at the edges."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from meshplan.errors import InputError
from meshplan.propagation.diffraction import bullington_loss_db, delta_bullington_loss_db
from meshplan.propagation.low_antenna import low_antenna_loss_db

RULES = (delta_bullington_loss_db, low_antenna_loss_db)
POLARISATIONS = ("vertical", "horizontal")
RADIUS_KM = 8495.0


def finite(low, high):
    return st.floats(low, high, allow_nan=False, allow_infinity=False, allow_subnormal=False)


@st.composite
def links(draw):
    """A link over up to 40 samples of ground with things standing on it, 20 m to 20 km, antennas from a hand up."""
    count = draw(st.integers(2, 40))
    length = 10 ** draw(finite(1.3, 4.3))
    steps = draw(arrays(float, count - 1, elements=finite(0.05, 1)))
    along = np.concatenate([[0.0], np.cumsum(steps) / np.sum(steps)]) * length
    relief = draw(st.sampled_from([0.0, 0.5, 5.0, 50.0]))
    ground = relief * draw(arrays(float, count, elements=finite(0, 1)))
    standing = draw(arrays(float, count, elements=st.sampled_from([0.0, 0.0, 0.0, 2.0, 8.0])))
    standing[[0, -1]] = 0
    start = draw(finite(0.05, 30))
    end = draw(st.one_of(st.just(start), finite(0.05, 30)))
    return along, ground, ground + standing, start, end, draw(finite(150, 6000))


def total(rule, polarisation, along, ground, obstacle, start, end, frequency, radius=RADIUS_KM):
    loss = rule(
        along,
        ground,
        obstacle,
        ground[..., 0] + start,
        ground[..., -1] + end,
        frequency,
        earth_radius_km=radius,
        polarisation=polarisation,
    )
    return loss.total_db


@pytest.mark.parametrize("rule", RULES)
@settings(deadline=None, max_examples=80)
@given(links(), st.sampled_from(POLARISATIONS))
def test_both_directions_lose_the_same(rule, link, polarisation):
    along, ground, obstacle, start, end, frequency = link
    back = total(rule, polarisation, (along[-1] - along)[::-1], ground[::-1], obstacle[::-1], end, start, frequency)
    assert back == pytest.approx(float(total(rule, polarisation, *link)), abs=1e-9)


@pytest.mark.parametrize("rule", RULES)
@settings(deadline=None, max_examples=80)
@given(links(), st.sampled_from(POLARISATIONS))
def test_loss_is_finite_and_never_below_free_space(rule, link, polarisation):
    loss = total(rule, polarisation, *link)
    assert np.isfinite(loss)
    assert loss >= 0


@pytest.mark.parametrize("rule", RULES)
@settings(deadline=None, max_examples=60)
@given(links(), st.sampled_from(POLARISATIONS), st.sampled_from([1 - 1e-4, 1 + 1e-4]))
def test_one_part_in_ten_thousand_moves_the_loss_less_than_half_a_decibel(rule, link, polarisation, factor):
    along, ground, obstacle, start, end, frequency = link
    before = total(rule, polarisation, *link)
    moved = {
        "distance": (along * factor, ground, obstacle, start, end, frequency),
        "relief": (along, ground * factor, ground * factor + (obstacle - ground), start, end, frequency),
        "obstacles": (along, ground, ground + (obstacle - ground) * factor, start, end, frequency),
        "start antenna": (along, ground, obstacle, start * factor, end, frequency),
        "end antenna": (along, ground, obstacle, start, end * factor, frequency),
        "frequency": (along, ground, obstacle, start, end, frequency * factor),
    }
    for name, changed in moved.items():
        assert total(rule, polarisation, *changed) == pytest.approx(float(before), abs=0.5), name
    assert total(rule, polarisation, *link, radius=RADIUS_KM * factor) == pytest.approx(float(before), abs=0.5)


@settings(deadline=None, max_examples=120)
@given(links(), st.data())
def test_raising_what_stands_on_the_path_never_lowers_the_edge_loss(link, data):
    along, ground, obstacle, start, end, frequency = link
    ends = ground[0] + start, ground[-1] + end
    raised = obstacle.copy()
    raised[data.draw(st.integers(0, len(along) - 1))] += data.draw(finite(0, 60))
    low = bullington_loss_db(along, obstacle, *ends, frequency, earth_radius_km=RADIUS_KM).loss_db
    high = bullington_loss_db(along, raised, *ends, frequency, earth_radius_km=RADIUS_KM).loss_db
    assert high >= low - 1e-12


@pytest.mark.parametrize("rule", RULES)
@settings(deadline=None, max_examples=60)
@given(links(), st.data())
def test_raising_what_stands_on_the_path_never_lowers_the_whole_loss(rule, link, data):
    # The bare ground, and with it the smooth surface, stays as it is: only trees and houses grow.
    along, ground, obstacle, start, end, frequency = link
    raised = obstacle.copy()
    raised[data.draw(st.integers(0, len(along) - 1))] += data.draw(finite(0, 60))
    low = total(rule, "vertical", *link)
    high = total(rule, "vertical", along, ground, raised, start, end, frequency)
    assert high >= low - 1e-12


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("polarisation", POLARISATIONS)
def test_an_edge_rising_through_the_line_of_sight_makes_no_step(rule, polarisation):
    # Grazing is where the published method changes branch; the height moves in steps of 0.1 mm through it.
    rise = np.linspace(-0.01, 0.01, 201)
    obstacle = np.zeros((201, 5))
    obstacle[:, 1] = 10 + rise
    obstacle[:, 3] = 10 + rise
    loss = total(rule, polarisation, np.linspace(0, 400, 5), np.zeros(5), obstacle, 10.0, 10.0, 868.0)
    assert np.max(np.abs(np.diff(loss))) < 0.01


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("polarisation", POLARISATIONS)
@pytest.mark.parametrize("height", [0.1, 1.0, 10.0])
@pytest.mark.parametrize("count", [2, 3, 7])
def test_flat_ground_from_no_distance_to_twenty_kilometres_has_no_step(rule, polarisation, height, count):
    distance = np.concatenate([[0.0], np.geomspace(1e-3, 20_000, 42_000)])  # steps of four parts in ten thousand
    along = distance[:, None] * np.linspace(0, 1, count)
    loss = total(rule, polarisation, along, np.zeros(count), np.zeros(count), height, height, 868.0)
    assert loss[0] == 0
    assert np.all(np.isfinite(loss))
    assert np.max(np.abs(np.diff(loss))) < 0.05


@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("polarisation", POLARISATIONS)
def test_farther_over_flat_ground_is_never_stronger(rule, polarisation):
    distance = np.geomspace(20, 20_000, 2000)
    along = distance[:, None] * np.linspace(0, 1, 33)
    loss = total(rule, polarisation, along, np.zeros(33), np.zeros(33), 1.0, 1.0, 868.0)
    path_loss = loss + 20 * np.log10(distance)
    assert np.min(np.diff(path_loss)) > -0.01


@pytest.mark.parametrize("rule", RULES)
def test_both_ends_on_one_cell_cost_nothing(rule):
    loss = total(rule, "vertical", np.zeros(6), np.full(6, 120.0), np.full(6, 120.0), 1.0, 2.0, 868.0)
    assert loss == 0


@pytest.mark.parametrize("rule", RULES)
def test_an_antenna_below_ground_counts_as_lying_on_it(rule):
    along, ground = np.linspace(0, 300, 31), np.zeros(31)
    buried, lying = (total(rule, "vertical", along, ground, ground, height, 2.0, 868.0) for height in (-0.3, 0.0))
    assert np.isfinite(buried)
    assert buried >= lying - 1e-9


@pytest.mark.parametrize("rule", RULES)
def test_two_samples_keep_the_ground_loss_and_have_no_edge(rule):
    loss = rule([0, 1000], [0, 0], [0, 0], 1.0, 1.0, 868.0, earth_radius_km=RADIUS_KM)
    assert loss.bullington_actual_db == 0
    assert loss.edge_index == -1
    assert loss.total_db == loss.smooth_earth_db > 20


@pytest.mark.parametrize("rule", RULES)
def test_padding_a_profile_by_its_last_sample_changes_nothing(rule):
    rng = np.random.default_rng(11)
    along = np.linspace(0, 900, 19)
    ground = rng.uniform(0, 15, 19)
    short = total(rule, "vertical", along, ground, ground + 1, 2.0, 3.0, 868.0)
    padded = [np.concatenate([values, np.full(12, values[-1])]) for values in (along, ground, ground + 1)]
    assert total(rule, "vertical", *padded, 2.0, 3.0, 868.0) == pytest.approx(float(short), abs=1e-12)


@pytest.mark.parametrize("rule", RULES)
def test_a_batch_equals_its_links_one_by_one(rule):
    rng = np.random.default_rng(3)
    along = np.linspace(0, 1, 41) * rng.uniform(30, 9000, (25, 1))
    ground = np.cumsum(rng.normal(size=(25, 41)), axis=1)
    obstacle = ground + rng.choice([0, 0, 6], (25, 41))
    start, end = rng.uniform(0.3, 12, (2, 25))
    frequency = rng.choice([433.0, 868.0, 2440.0], 25)
    batch = total(rule, "vertical", along, ground, obstacle, start, end, frequency)
    assert batch.shape == (25,)
    for i in range(25):
        one = total(rule, "vertical", along[i], ground[i], obstacle[i], start[i], end[i], frequency[i])
        assert batch[i] == pytest.approx(float(one), abs=1e-9)


@pytest.mark.parametrize("rule", RULES)
def test_extra_leading_axes_broadcast(rule):
    along = np.linspace(0, 500, 9)
    ground = np.zeros((4, 1, 9))
    loss = total(rule, "vertical", along, ground, ground, np.ones((4, 1)), 2.0, np.array([433.0, 868.0, 2440.0]))
    assert loss.shape == (4, 3)


@pytest.mark.parametrize("rule", RULES)
def test_unknown_ground_makes_an_unknown_loss(rule):
    ground = np.zeros(9)
    ground[4] = np.nan
    assert np.isnan(total(rule, "vertical", np.linspace(0, 500, 9), ground, ground, 1.0, 1.0, 868.0))


@pytest.mark.parametrize("rule", RULES)
def test_an_unknown_polarisation_is_told_with_the_nearest_word(rule):
    with pytest.raises(InputError, match="Did you mean 'vertical'"):
        total(rule, "vertikal", np.linspace(0, 500, 9), np.zeros(9), np.zeros(9), 1.0, 1.0, 868.0)


def test_the_parts_add_up_to_the_whole():
    rng = np.random.default_rng(8)
    ground = np.cumsum(rng.normal(size=(50, 65)), axis=1)
    along = np.linspace(0, 1, 65) * rng.uniform(100, 6000, (50, 1))
    loss = low_antenna_loss_db(
        along, ground, ground, ground[:, 0] + 1, ground[:, -1] + 2, 868.0, earth_radius_km=RADIUS_KM, polarisation="vertical"
    )
    np.testing.assert_allclose(
        loss.total_db, loss.bullington_actual_db + np.maximum(loss.smooth_earth_db - loss.bullington_smooth_db, 0)
    )
    np.testing.assert_allclose(loss.total_db, loss.bullington_actual_db + loss.ground_db)
    np.testing.assert_allclose(loss.smooth_earth_db, np.maximum(np.maximum(loss.spherical_db, loss.plane_db), 0))


def test_flat_open_ground_is_ground_limited_and_no_obstacle():
    loss = low_antenna_loss_db(np.linspace(0, 500, 51), np.zeros(51), np.zeros(51), 1.0, 1.0, 868.0, earth_radius_km=RADIUS_KM)
    assert loss.ground_limited
    assert loss.obstacle_db == pytest.approx(0, abs=0.01)


def test_a_high_clear_link_is_neither():
    loss = low_antenna_loss_db(np.linspace(0, 500, 51), np.zeros(51), np.zeros(51), 20.0, 20.0, 868.0, earth_radius_km=RADIUS_KM)
    assert not loss.ground_limited
    assert loss.total_db == 0
