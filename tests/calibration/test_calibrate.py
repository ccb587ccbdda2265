"""What a calibration learns, says and refuses, on invented properties with a hidden truth."""

from __future__ import annotations

import dataclasses
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_readings import Truth, measure, property_links, true_power_dbm

from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.correct import correct_links, joint_posterior
from meshplan.records import Spread
from meshplan.records.measurement import Calibration, MeasuredLink, PredictedLink

HIDDEN = Truth(orchard_db=6.0, ends_db=(("G1", -5.0),), own_sd_db=2.5)


@pytest.fixture(scope="module")
def links() -> tuple[PredictedLink, ...]:
    return property_links(np.random.default_rng(11), sensors=15)


@pytest.fixture(scope="module")
def learned(links: tuple[PredictedLink, ...]) -> Calibration:
    rng = np.random.default_rng(5)
    return calibrate(measure(links, true_power_dbm(links, HIDDEN, rng), rng), property_name="Hill Farm", created="2026-05-04")


def residual(calibration: Calibration, environment: str) -> float:
    return next(line.learned_db for line in calibration.residuals if line.environment == environment)


def test_a_hidden_orchard_and_a_changed_antenna_are_found(learned: Calibration) -> None:
    """The orchard against all other links; the antenna inside its interval and not without fault."""
    assert residual(learned, "orchard") == pytest.approx(6.0, abs=2.0)
    changed = learned.parameter("end G1")
    assert changed.low < -5.0 < changed.high < 0.0


def test_a_new_link_through_the_orchard_is_corrected_and_surer(links: tuple[PredictedLink, ...], learned: Calibration) -> None:
    like = next(link for link in links if link.environment == "orchard" and link.b == "G0")
    new = replace(like, key="new", a="S99", a_x_m=like.a_x_m + 60)
    (correction,) = correct_links(learned, [new])
    assert correction.in_range
    assert not correction.measured
    assert correction.correction_db == pytest.approx(6.0, abs=2.5)
    assert correction.spread.total_db < 0.8 * new.spread.total_db
    assert sum(value for _, value in correction.causes) == pytest.approx(correction.correction_db, abs=0.3)


def test_the_spread_after_calibration_is_that_of_the_joint_covariance(
    links: tuple[PredictedLink, ...], learned: Calibration
) -> None:
    """Two ways: causes scaled one by one, and the covariance of all links together; no cause is less sure than before."""
    new = [replace(link, key=f"n{i}", a=f"Z{i}", a_x_m=link.a_x_m + 45) for i, link in enumerate(links[:8])]
    mean, covariance = joint_posterior(learned, new)
    corrections = correct_links(learned, new)
    assert [c.correction_db for c in corrections] == pytest.approx(mean.tolist(), abs=1e-9)
    assert [c.spread.total_db for c in corrections] == pytest.approx(np.sqrt(np.diag(covariance)).tolist(), abs=1e-9)
    for link, correction in zip(new, corrections, strict=True):
        causes = dataclasses.asdict(correction.spread)
        assert sum(value**2 for value in causes.values()) == pytest.approx(correction.spread.total_db**2)
        before = dataclasses.asdict(link.spread)
        assert all(causes[cause] <= before[cause] + 1e-9 for cause in causes)


def test_causes_of_a_spread_add_as_squares() -> None:
    # 3² + 4² + 12² = 13²
    spread = Spread(model_db=3.0, elevation_db=0.0, vegetation_db=4.0, soil_db=0.0, antenna_db=12.0)
    assert spread.total_db == 13.0


def test_a_measured_link_keeps_the_season_reserve(links: tuple[PredictedLink, ...], learned: Calibration) -> None:
    """Radio facts §3.1: a link that was itself measured keeps 3 dB."""
    (correction,) = correct_links(learned, [links[0]])
    assert correction.measured
    assert correction.spread.total_db == pytest.approx(3.0, abs=0.6)


def test_no_readings_leave_everything_as_the_engine_says(links: tuple[PredictedLink, ...]) -> None:
    nothing = calibrate([])
    for link, correction in zip(links, correct_links(nothing, links), strict=True):
        assert correction.correction_db == 0.0
        assert correction.spread == link.spread
    assert nothing.warnings == ("There are no readings: everything stays as the engine says.",)
    mean, covariance = joint_posterior(None, links)
    assert np.all(mean == 0)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([link.spread.total_db for link in links], rel=0.35)


def test_bounds_too_wide_to_matter_leave_the_prior(links: tuple[PredictedLink, ...]) -> None:
    silent = [MeasuredLink(link, math.nan, 2.0, -1000.0, 1000.0) for link in links]
    result = calibrate(silent)
    for parameter in result.parameters:
        assert parameter.mean == pytest.approx(0.0, abs=1e-6)
    fixed = [p for p in result.parameters if not p.scaled]
    assert [p.sd for p in fixed] == pytest.approx([p.prior_sd for p in fixed], rel=1e-4)


def test_out_of_reach_the_spread_stays_and_it_is_said(links: tuple[PredictedLink, ...], learned: Calibration) -> None:
    far = replace(links[0], key="far", a="S98", a_x_m=5000.0, distance_m=5000.0)
    deep = replace(links[1], key="deep", a="S97", a_x_m=links[1].a_x_m + 40, environment="wood", cover_m=(("wood", 300.0),))
    other = replace(links[2], key="other", frequency_mhz=2440.0)
    bare = replace(
        links[3], key="bare", a="S96", a_x_m=links[3].a_x_m + 40, environment="orchard", cover_m=(("orchard", 40.0),), in_leaf=False
    )
    corrections = correct_links(learned, [far, deep, other, bare])
    longest = max(link.distance_m for link in links)
    assert corrections[0].refusals == (f"5000 m is farther than any reading ({longest:.0f} m).",)
    assert corrections[1].refusals[0].startswith("300 m of wood is more than any reading went through")
    assert corrections[2].refusals == ("Nothing was measured near 2440 MHz.",)
    assert corrections[3].refusals == ("Orchard was not measured bare.",)
    assert corrections[2].correction_db == 0.0
    for link, correction in zip((far, deep, other, bare), corrections, strict=True):
        assert not correction.in_range
        assert correction.spread.total_db >= link.spread.total_db - 1e-9


def test_the_correction_stops_growing_beyond_the_readings(links: tuple[PredictedLink, ...], learned: Calibration) -> None:
    near = replace(links[1], key="n", a="S97", a_x_m=9e5, environment="wood", cover_m=(("wood", 300.0),))
    far = replace(near, cover_m=(("wood", 900.0),))
    first, second = correct_links(learned, [near, far])
    assert first.correction_db == pytest.approx(second.correction_db)


def test_a_swapped_id_is_named_and_does_not_bend_the_rest(links: tuple[PredictedLink, ...]) -> None:
    rng = np.random.default_rng(8)
    power = true_power_dbm(links, Truth(own_sd_db=2.0), rng)
    clean = calibrate(measure(links, power, np.random.default_rng(1)))
    power[7] += 40.0
    bent = calibrate(measure(links, power, np.random.default_rng(1)))
    assert any(links[7].a in warning and "swapped ids" in warning for warning in bent.warnings)
    assert bent.parameter("offset").mean == pytest.approx(clean.parameter("offset").mean, abs=1.0)
    assert bent.left_out is not None


def test_two_causes_that_always_come_together_are_told(links: tuple[PredictedLink, ...]) -> None:
    """All wood links end at one gateway, and no other link does: its antenna and the wood cannot be told apart."""
    mixed = [
        replace(link, b="G9" if link.environment == "wood" else "G0", cover_m=(("wood", 40.0),))
        if link.environment == "wood"
        else replace(link, b="G0", environment="open", cover_m=())
        for link in links
    ]
    rng = np.random.default_rng(2)
    result = calibrate(measure(tuple(mixed), true_power_dbm(tuple(mixed), Truth(), rng), rng))
    told = [warning for warning in result.warnings if "cannot tell" in warning]
    assert told == [
        "The readings cannot tell the kind 'open' and the antenna at G0 apart: only what they do together is known. "
        "Measure a link that has one without the others.",
        "The readings cannot tell the kind 'wood', the antenna at G9 and the loss in wood apart: only what they do together is "
        "known. Measure a link that has one without the others.",
    ]


def test_few_packets_are_told(links: tuple[PredictedLink, ...]) -> None:
    from meshplan.calibration.combine import wilson_interval

    rng = np.random.default_rng(2)
    measured = measure(links, true_power_dbm(links, Truth(), rng), rng)
    few = [replace(measured[0], packets=wilson_interval(5, 5)), *measured[1:]]
    assert any("5 of 5" in warning and "57 to 100 %" in warning for warning in calibrate(few).warnings)


def test_noise_at_a_gateway_is_learned_apart_from_power(links: tuple[PredictedLink, ...]) -> None:
    rng = np.random.default_rng(4)
    power = true_power_dbm(links, Truth(), rng)
    measured = [
        replace(m, noise_rise_db=(7.0 if m.link.b == "G2" else 0.0) + float(rng.normal(0, 1))) for m in measure(links, power, rng)
    ]
    result = calibrate(measured)
    assert result.parameter("noise G2").mean == pytest.approx(7.0, abs=1.0)
    assert result.parameter("noise G0").mean == pytest.approx(0.0, abs=1.0)
    assert abs(result.parameter("end G2").mean) < 2.0
    to_g2 = next(link for link in links if link.b == "G2")
    assert correct_links(result, [to_g2])[0].noise_rise_db == pytest.approx(7.0, abs=1.0)


def test_the_same_readings_give_the_same_calibration(links: tuple[PredictedLink, ...], learned: Calibration) -> None:
    rng = np.random.default_rng(5)
    again = calibrate(measure(links, true_power_dbm(links, HIDDEN, rng), rng), property_name="Hill Farm", created="2026-05-04")
    assert repr(again) == repr(learned)


def test_too_many_links_are_refused_with_a_way_out(links: tuple[PredictedLink, ...]) -> None:
    from meshplan.errors import InputError

    many = [MeasuredLink(links[0], -90.0, 1.0)] * 3001
    with pytest.raises(InputError, match="3001 measured links are too many at once"):
        calibrate(many)


def test_strong_readings_leave_a_gateway_its_noise(links: tuple[PredictedLink, ...]) -> None:
    """Five readings at the receiver's cap beside one gateway, and its noise stays what it was: none is learned."""
    rng = np.random.default_rng(4)
    measured = measure(links, true_power_dbm(links, Truth(), rng), rng)
    strong = [replace(m, noise_high_db=28.5) if m.link.b == "G2" else m for m in measured]
    to_g2 = next(link for link in links if link.b == "G2")
    assert correct_links(calibrate(strong), [to_g2])[0].noise_rise_db == 0.0


@settings(max_examples=8, deadline=None)
@given(st.floats(-6, 12), st.lists(st.floats(-6, 40), min_size=1, max_size=3))
def test_bounds_of_strong_readings_never_raise_what_is_learned_of_the_noise(rise_db: float, bounds_db: list[float]) -> None:
    """The posterior of the noise, with and without upper bounds at other links of the same receiver."""
    links = property_links(np.random.default_rng(3), gateways=1, sensors=5)
    rng = np.random.default_rng(4)
    measured = list(measure(links, true_power_dbm(links, Truth(), rng), rng))
    measured[0] = replace(measured[0], noise_rise_db=rise_db)
    before = calibrate(measured)
    for at, bound_db in enumerate(bounds_db, 1):
        measured[at] = replace(measured[at], noise_high_db=bound_db)
    after = calibrate(measured)
    assert after.parameter("noise G0").mean <= before.parameter("noise G0").mean + 1e-6
    assert correct_links(after, links)[0].noise_rise_db <= correct_links(before, links)[0].noise_rise_db + 1e-6


def test_too_much_assumed_around_the_ends_is_learned_as_a_share() -> None:
    """12 to 34 dB were charged for unmapped land, a third of it too much: the next place has it taken off."""
    rng = np.random.default_rng(21)
    links = tuple(
        replace(link, cover_m=(), environment="open", clutter_db=float(rng.uniform(12, 34)))
        for link in property_links(rng, gateways=2, sensors=30)
    )
    power = np.array([link.received_dbm + 0.33 * link.clutter_db for link in links]) + 3.0 * rng.standard_normal(len(links))
    result = calibrate(measure(links[4:], power[4:], rng))
    share = result.parameter("clutter")
    assert share.low < -0.33 < share.high < 0.0
    assert share.mean == pytest.approx(-0.33, abs=0.17)
    low, high = (replace(links[0], key="new", a="S99", clutter_db=db) for db in (14.0, 32.0))
    first, second = correct_links(result, [low, high])
    assert second.correction_db - first.correction_db == pytest.approx(-18.0 * share.mean, abs=0.1)
    more = replace(high, clutter_db=50.0)
    (refused,) = correct_links(result, [more])
    most = max(link.clutter_db for link in links[4:])
    assert refused.refusals == (f"50 dB for what stands around the ends is more than at any reading ({most:.0f} dB).",)
    assert refused.spread.total_db >= more.spread.total_db - 1e-9
    assert "the loss of what stands around the ends" in dict(second.causes)
