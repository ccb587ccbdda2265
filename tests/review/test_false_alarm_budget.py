"""Thresholds follow from the budget: one false alarm a year in a network of twenty devices."""

from __future__ import annotations

import numpy as np
import pytest

from meshplan.review.budget import NETWORK_DEVICES, SHARES, quantile, run_length, sum_threshold


def test_the_shares_are_one_alarm_a_year() -> None:
    assert sum(SHARES.values()) == pytest.approx(1.0)


@pytest.mark.parametrize(("threshold", "samples"), [(5, 938), (8, 19_112), (10, 141_347), (12, 1.04e6), (14, 7.7e6)])
def test_run_lengths_are_those_of_the_formula_worked_out_by_hand(threshold: float, samples: float) -> None:
    """Radio facts 2, § 6: k = 0.5."""
    assert run_length(0.5, threshold) == pytest.approx(samples, rel=0.01)


def test_thresholds_undo_run_lengths() -> None:
    for slack in (0.5, 1.5):
        assert run_length(slack, sum_threshold(slack, 48_667.0)) == pytest.approx(48_667.0, rel=1e-6)
    assert sum_threshold(1.5, 48_667.0, 0.5) > sum_threshold(1.5, 48_667.0)


@pytest.mark.parametrize("correlation", [0.0, 0.5])
def test_a_sum_over_drawn_days_alarms_as_seldom_as_its_threshold_says(correlation: float) -> None:
    """An independent count: 400 sequences of 3 000 days with a threshold for one alarm in 2 000; never more than it says."""
    draw = np.random.default_rng(5)
    threshold = sum_threshold(1.5, 2_000.0, correlation)
    value, running, alarms = draw.normal(size=400), np.zeros(400), 0
    for _ in range(3_000):
        value = correlation * value + np.sqrt(1 - correlation**2) * draw.normal(size=400)
        running = np.maximum(0.0, running + value - 1.5)
        alarms += int((running > threshold).sum())
        running[running > threshold] = 0.0
    assert (0.2 if correlation == 0.0 else 0.02) < alarms / (400 * 3_000 / 2_000.0) < 1.6


def test_a_quantile_grows_with_looks_and_shrinks_with_freedom() -> None:
    assert quantile("slope", 10.0) < quantile("slope", 1000.0)
    assert quantile("slope", 10.0, 5.0) > quantile("slope", 10.0)
    assert quantile("hour", 365.0) == pytest.approx(4.2, abs=0.2), SHARES["hour"] / NETWORK_DEVICES
