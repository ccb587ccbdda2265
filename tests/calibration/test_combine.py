"""Several readings of one link: packets, wild values, and links that were not heard."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_readings import SPREAD
from scipy.stats import binomtest

from meshplan.calibration.combine import combine_readings, median_over_sensitivity_db, wilson_interval
from meshplan.errors import InputError
from meshplan.records.measurement import End, MeasuredLink, PredictedLink, Reading

A, B = End("N07", 10.0, 50.0, True), End("House", 10.01, 50.0, True)
LINK = PredictedLink("N07-House", "N07", "House", 0, 0, 700, 0, 700, -95, -120, SPREAD, 868.0, noise_dbm=-117.0)


def heard(power_dbm: float | None = None, **more: object) -> Reading:
    return Reading(A, B, True, power_dbm, **more)  # type: ignore[arg-type]


def combined(*readings: Reading) -> MeasuredLink:
    (link,) = combine_readings(readings, [LINK] * len(readings))
    return link


@given(st.integers(1, 500).flatmap(lambda sent: st.tuples(st.integers(0, sent), st.just(sent))))
def test_the_interval_of_a_packet_count_is_that_of_a_statistics_library(count: tuple[int, int]) -> None:
    """Against scipy.stats.binomtest(...).proportion_ci(method="wilson")."""
    received, sent = count
    expected = binomtest(received, sent).proportion_ci(0.95, method="wilson")
    found = wilson_interval(received, sent)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), abs=1e-6)


def test_the_interval_gives_the_figures_of_the_field_rule() -> None:
    """Radio facts, table 3.5: 95/100 means 89–98 %, 100/100 more than 96 %, 19/20 only more than 76 %."""
    assert [round(100 * x) for x in (wilson_interval(95, 100).low, wilson_interval(95, 100).high)] == [89, 98]
    assert 100 * wilson_interval(100, 100).low > 96
    assert math.floor(100 * wilson_interval(19, 20).low) == 76


def test_five_packets_are_no_proof() -> None:
    assert wilson_interval(5, 5).low < 0.57


def test_impossible_counts_are_refused() -> None:
    with pytest.raises(InputError, match="12 of 10 packets is impossible"):
        wilson_interval(12, 10)


def test_half_of_the_packets_means_the_median_is_at_the_sensitivity() -> None:
    assert median_over_sensitivity_db(0.5) == pytest.approx(0.0)


@pytest.mark.parametrize(("share", "margin_db"), [(0.90, 8.2), (0.95, 11.3), (0.99, 18.4)])
def test_heard_share_and_margin_follow_the_fade_below_the_median(share: float, margin_db: float) -> None:
    """Propagation sheet §11: Rayleigh fade below the median at 90/95/99 % is 8.2/11.3/18.4 dB."""
    assert median_over_sensitivity_db(share) == pytest.approx(margin_db, abs=0.05)


def test_one_wild_reading_hardly_moves_the_figure() -> None:
    link = combined(*(heard(p) for p in (-98, -97, -99, -98, -40)))
    assert link.power_dbm == pytest.approx(-97, abs=1.5)


def test_more_readings_are_surer_down_to_a_floor() -> None:
    one, ten, many = (combined(*(heard(-98.0 + (k % 3)) for k in range(n))) for n in (1, 10, 400))
    assert one.error_db > ten.error_db > many.error_db >= 1.0


def test_a_link_that_was_not_heard_is_bounded_by_the_sensitivity() -> None:
    link = combined(Reading(A, B, False, sent=100, received=0))
    assert link.censored
    assert link.low_dbm == -math.inf
    assert link.high_dbm == -120


def test_one_lost_packet_says_less_than_a_hundred() -> None:
    assert combined(Reading(A, B, False, sent=1, received=0)).high_dbm > -120


def test_all_packets_heard_without_a_power_is_a_lower_bound() -> None:
    link = combined(heard(sent=100, received=100))
    assert (link.low_dbm, link.high_dbm) == (-120, math.inf)


def test_half_heard_lies_near_the_sensitivity() -> None:
    link = combined(heard(sent=100, received=50))
    assert -122 < link.low_dbm < -120 < link.high_dbm < -118


def test_power_of_a_rarely_heard_link_is_corrected_for_the_lost_packets() -> None:
    """Heard packets are the strong ones: the median over all packets is lower, and less sure."""
    full, rare = combined(heard(-115.0, sent=100, received=100)), combined(heard(-115.0, sent=100, received=20))
    assert rare.power_dbm < full.power_dbm - 3
    assert rare.error_db > full.error_db


def test_an_snr_alone_is_used_with_the_expected_noise() -> None:
    link = combined(heard(snr_db=8.0))
    assert link.snr_only
    assert link.power_dbm == pytest.approx(-109)


def test_power_and_snr_together_tell_the_noise() -> None:
    assert combined(heard(-105.0, snr_db=5.0)).noise_rise_db == pytest.approx(7.0)


def test_readings_of_another_radio_or_state_of_leaf_are_kept_apart() -> None:
    from dataclasses import replace

    links = [LINK, replace(LINK, in_leaf=True), replace(LINK, radio="other")]
    assert len(combine_readings([heard(-90.0)] * 3, links)) == 3


def test_a_prediction_that_is_not_known_is_refused() -> None:
    from dataclasses import replace

    with pytest.raises(InputError, match="no power was predicted between N07 and House"):
        combine_readings([heard(-90.0)], [replace(LINK, received_dbm=math.nan)])


# signal-to-noise ratios at the most that a receiver reports

WEAK = st.tuples(st.floats(-125, -108), st.floats(-15, 6.0))
STRONG = st.tuples(st.floats(-100, -30), st.floats(6.1, 14))


def both(power_dbm: float, snr_db: float) -> Reading:
    return heard(power_dbm, snr_db=snr_db)


def test_an_snr_at_the_cap_says_nothing_of_the_noise() -> None:
    """Five good readings at −79 dBm and +10 dB are no noise of −89 dBm, 28 dB over what is expected."""
    link = combined(*[both(-79.0, 10.0)] * 5)
    assert math.isnan(link.noise_rise_db)
    assert link.noise_high_db >= 28.0
    assert link.power_dbm == pytest.approx(-79.0, abs=0.01)


def test_an_snr_just_below_the_cap_does_not_tell_the_noise_either() -> None:
    """A receiver that tops out at 9.8 dB beside one that reaches 10: −59 dBm with 9.8 dB is no noise of −69 dBm."""
    weak = [both(-112.0, -2.0), both(-113.0, -1.5)]
    assert combined(*weak, both(-59.0, 9.8), both(-58.0, 8.5)).noise_rise_db == combined(*weak).noise_rise_db
    assert math.isnan(combined(both(-59.0, 9.8)).noise_rise_db)


def test_the_cap_is_that_of_the_class() -> None:
    from dataclasses import replace

    (link,) = combine_readings([both(-95.0, 22.0)], [replace(LINK, snr_cap_db=30.0)])
    assert link.noise_rise_db == pytest.approx(0.0)
    assert link.noise_high_db == math.inf


def test_an_snr_alone_at_the_cap_is_a_least_power() -> None:
    link = combined(*[heard(snr_db=12.0)] * 3)
    assert link.censored
    assert link.snr_only
    assert (link.low_dbm, link.high_dbm) == (pytest.approx(-105.0), math.inf)


def test_an_snr_alone_just_below_the_cap_is_a_least_power_too() -> None:
    link = combined(*[heard(snr_db=9.2)] * 3)
    assert link.censored
    assert link.low_dbm == pytest.approx(-107.8)


def test_few_at_the_cap_among_many_below_it_leave_a_figure() -> None:
    link = combined(*(heard(snr_db=snr) for snr in (4.0, 5.0, 6.0, 11.0)))
    assert not link.censored
    assert link.power_dbm == pytest.approx(-111.0, abs=1.5)


@given(st.lists(WEAK, max_size=4), st.lists(STRONG, max_size=4), st.lists(STRONG, min_size=1, max_size=4))
def test_further_strong_readings_never_raise_the_noise(
    weak: list[tuple[float, float]], strong: list[tuple[float, float]], more: list[tuple[float, float]]
) -> None:
    few = [both(*pair) for pair in (*weak, *strong)]
    after = combined(*few, *(both(*pair) for pair in more))
    before = combined(*few) if few else None
    assert math.isnan(after.noise_rise_db) == (not weak)
    if before is not None and weak:
        assert after.noise_rise_db == before.noise_rise_db
    assert after.noise_high_db <= (before.noise_high_db if before else math.inf)
