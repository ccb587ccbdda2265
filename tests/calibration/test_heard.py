"""Readings that list nothing silent: against drawn truth, a likelihood maximised by scipy, and what was read of a link itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_readings import drawn_power_dbm, measure, property_links
from scipy.optimize import minimize_scalar
from scipy.stats import norm
from test_tails import rows

from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.combine import BOUND_ERROR_DB
from meshplan.calibration.correct import correct_links
from meshplan.calibration.heard import given_heard, heard_only
from meshplan.calibration.posterior import Sizes, solve_at
from meshplan.records.measurement import MeasuredLink

SIZES = Sizes(1.0, 1.0, 0.0)


def heard_values(cut: float, seed: int = 0, count: int = 400) -> np.ndarray:
    """Return readings of links that differ by 6 dB about zero, those below a soft sensitivity missing."""
    rng = np.random.default_rng(seed)
    value = 6.0 * rng.standard_normal(count)
    return value[value > cut + BOUND_ERROR_DB * rng.standard_normal(count)]


@pytest.mark.parametrize("cut", [-6.0, -2.0, 2.0])
def test_the_common_offset_is_that_of_the_cut_off_normal(cut: float) -> None:
    """Its likelihood, maximised by scipy with a prior of 5 dB, is met within 0.5 dB; the plain mean errs by more than a decibel."""
    value = heard_values(cut)
    problem = rows(value)
    own, sigma = np.hypot(6.0, 0.5), np.hypot(6.0, BOUND_ERROR_DB)

    def surprise(offset: float) -> float:
        fit = norm.logpdf(value, offset, own).sum() - len(value) * norm.logcdf((offset - cut) / sigma)
        return -float(fit + norm.logpdf(offset, 0, 5.0))

    best = float(minimize_scalar(surprise, bounds=(-20, 20), method="bounded").x)
    found = float(solve_at(heard_only(problem, SIZES, np.full(len(value), cut)), SIZES).mean[0, 0])
    plain = float(solve_at(problem, SIZES).mean[0, 0])
    assert found == pytest.approx(best, abs=0.5)
    assert plain > best + 1.0


def test_links_far_above_the_sensitivity_say_what_they_said() -> None:
    problem = rows(heard_values(-60.0))
    same = heard_only(problem, SIZES, np.full(len(problem.value), -60.0))
    assert same.value == pytest.approx(problem.value, abs=1e-6)
    assert same.error == pytest.approx(problem.error, abs=1e-6)


def cut_property(seed: int, censor: str) -> tuple[tuple[MeasuredLink, ...], float]:
    rng = np.random.default_rng(seed)
    links = property_links(rng, sensors=12)
    power, _ = drawn_power_dbm(links, rng)
    cut = float(np.quantile(power, 0.35))
    return measure(tuple(replace(link, sensitivity_dbm=cut) for link in links), power, rng, censor=censor), cut


def test_a_link_that_was_read_is_forecast_as_read_whatever_the_missing_ones_say() -> None:
    """Weak links say little of all others when only heard ones are listed; of themselves they still say what was read."""
    measured, cut = cut_property(3, "drop")
    result = calibrate(measured)
    assert any(np.isfinite(line.read_db) for line in result.evidence)
    weak = [m for m in measured if m.power_dbm < cut + 6.0]
    assert len(weak) >= 5
    for m, one in zip(weak, correct_links(result, [m.link for m in weak]), strict=True):
        assert one.measured
        assert one.correction_db == pytest.approx(m.residual_db, abs=1.5)


def test_where_silent_links_are_listed_nothing_is_taken_as_missing() -> None:
    measured, _ = cut_property(4, "bounds")
    assert any(m.censored for m in measured)
    assert all(np.isnan(line.read_db) for line in calibrate(measured).evidence)


def test_readings_below_the_sensitivity_lower_it_for_all() -> None:
    """A receiver that hears 20 dB more than the engine knows was listed without loss: nothing is taken as missing."""
    measured, cut = cut_property(5, "ignore")
    assert min(m.power_dbm for m in measured) < cut - 10.0
    deaf = [replace(m, link=replace(m.link, sensitivity_dbm=-200.0)) for m in measured]
    assert calibrate(measured).parameter("offset").mean == pytest.approx(calibrate(deaf).parameter("offset").mean, abs=0.5)


@pytest.mark.parametrize(("mean", "sd"), [(5.0, 4.0), (0.0, 8.0), (-6.0, 6.0)])
def test_a_power_known_to_be_heard_has_the_moments_of_simulation(mean: float, sd: float) -> None:
    rng = np.random.default_rng(2)
    power = mean + sd * rng.standard_normal(400_000)
    heard = power[power > BOUND_ERROR_DB * rng.standard_normal(400_000)]
    assert given_heard(mean, sd, 0.0) == pytest.approx((heard.mean(), heard.std()), abs=0.05)
    assert given_heard(mean, sd, -np.inf) == (mean, sd)
