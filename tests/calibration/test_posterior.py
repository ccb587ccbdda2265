"""The update against brute force: the same model integrated by a general-purpose library on dense grids."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from meshplan.calibration.posterior import (
    SIZE_LOG_SD,
    Inference,
    Problem,
    Sizes,
    infer,
    mixture_quantile,
    row_covariance,
    scan,
    solve_at,
)


def problem(
    values: list[float], bounds: list[tuple[float, float]], own_sd: float = 4.0, error: float = 1.5, seed: int = 0
) -> Problem:
    """Return a problem with an offset and a slope."""
    n = len(values)
    design = np.column_stack([np.ones(n), np.linspace(-2, 2, n) + 0.1 * np.random.default_rng(seed).standard_normal(n)])
    return Problem(
        design, np.array([5.0, 2.0]), np.zeros(2, dtype=bool), np.zeros(2, dtype=bool), np.full(n, own_sd),
        {0.0: np.eye(n)}, np.array(values), np.full(n, error), np.array([b[0] for b in bounds]),
        np.array([b[1] for b in bounds]), np.ones(n),
    )  # fmt: skip


FREE = (-np.inf, np.inf)
EXACT = problem([3.0, 1.0, 4.5, -2.0, 6.0, 2.5], [FREE] * 6)
MIXED = problem(
    [3.0, np.nan, 4.5, np.nan, 6.0, np.nan, 1.0],
    [FREE, (-np.inf, -3.0), FREE, (-np.inf, -2.0), FREE, (1.0, 5.0), FREE],
)


def brute_force(case: Problem) -> dict[str, np.ndarray]:
    """Integrate over own factor, offset and slope on a dense grid with scipy's densities; nothing of ours but the inputs."""
    log_own = np.linspace(-2.6, 2.2, 97)
    offset, slope = np.linspace(-22, 22, 177), np.linspace(-9, 9, 145)
    a, b = np.meshgrid(offset, slope, indexing="ij")
    total = np.zeros_like(a)
    for k in log_own:
        sd = np.hypot(np.exp(k) * case.own_sd, case.error)
        log = norm.logpdf(k, -(SIZE_LOG_SD**2), SIZE_LOG_SD) + norm.logpdf(a, 0, 5.0) + norm.logpdf(b, 0, 2.0)
        for i, (x, value) in enumerate(zip(case.design, case.value, strict=True)):
            mean = x[0] * a + x[1] * b
            if np.isnan(value):
                mass = norm.cdf(case.high[i], mean, sd[i]) - norm.cdf(case.low[i], mean, sd[i])
                log = log + np.log(np.maximum(mass, 1e-300))
            else:
                log = log + norm.logpdf(value, mean, sd[i])
        total += np.exp(log)
    total /= total.sum()
    marginal = [total.sum(axis=1), total.sum(axis=0)]
    grids = [offset, slope]
    mean = np.array([m @ g for m, g in zip(marginal, grids, strict=True)])
    sd = np.array([np.sqrt(m @ (g - e) ** 2) for m, g, e in zip(marginal, grids, mean, strict=True)])
    low, high = (
        np.array([np.interp(q, np.cumsum(m) - m / 2, g) for m, g in zip(marginal, grids, strict=True)]) for q in (0.05, 0.95)
    )
    return {"mean": mean, "sd": sd, "low": low, "high": high, "covariance": np.array((a * b * total).sum() - mean.prod())}


def inferred(case: Problem) -> Inference:
    return infer(case, scan(case))


@pytest.mark.parametrize("case", [EXACT, MIXED], ids=["exact readings", "with bounds"])
def test_the_posterior_is_that_of_brute_force_integration(case: Problem) -> None:
    expected, found = brute_force(case), inferred(case)
    low, high = found.interval()
    assert found.mixed_mean == pytest.approx(expected["mean"], abs=0.06)
    assert np.sqrt(np.diag(found.mixed_covariance)) == pytest.approx(expected["sd"], rel=0.03)
    assert low == pytest.approx(expected["low"], abs=0.15)
    assert high == pytest.approx(expected["high"], abs=0.15)
    assert found.mixed_covariance[0, 1] == pytest.approx(float(expected["covariance"]), abs=0.1)


def test_with_held_sizes_the_posterior_is_the_textbook_formula() -> None:
    """Normal equations with a ridge: Pattern Recognition and Machine Learning (2006), equations 3.53 and 3.54, from memory."""
    sizes = Sizes(1.3, 1.0, 0.0)
    found = solve_at(EXACT, sizes)
    noise = 1.0 / ((1.3 * EXACT.own_sd) ** 2 + EXACT.error**2)
    precision = np.diag(EXACT.prior_sd**-2.0) + EXACT.design.T @ (noise[:, None] * EXACT.design)
    assert found.covariance[0] == pytest.approx(np.linalg.inv(precision), rel=1e-9)
    assert found.mean[0] == pytest.approx(np.linalg.solve(precision, EXACT.design.T @ (noise * EXACT.value)), rel=1e-9)


def test_leaving_a_row_out_in_closed_form_is_the_same_as_dropping_it() -> None:
    sizes = Sizes(1.0, 1.0, 0.0)
    full = solve_at(EXACT, sizes)
    value, error = EXACT.value[2], 1 / full.precision[0][2, 2]
    closed = value - error * full.pull[0][2]
    rows = row_covariance(EXACT, sizes)
    others = [0, 1, 3, 4, 5]
    joint = multivariate_normal(np.zeros(6), rows + np.diag(EXACT.error**2))
    weights = np.linalg.solve(joint.cov[np.ix_(others, others)], joint.cov[others, 2])
    assert closed == pytest.approx(weights @ EXACT.value[others], rel=1e-9)
    assert error == pytest.approx(joint.cov[2, 2] - weights @ joint.cov[others, 2], rel=1e-9)


def test_bounds_that_say_nothing_change_nothing() -> None:
    wide = problem([3.0, 1.0, 4.5, -2.0, 6.0, 2.5, np.nan], [FREE] * 6 + [(-500.0, 500.0)])
    plain = problem([3.0, 1.0, 4.5, -2.0, 6.0, 2.5], [FREE] * 6)
    plain = Problem(**{**plain.__dict__, "design": wide.design[:6]})
    assert inferred(wide).mixed_mean == pytest.approx(inferred(plain).mixed_mean, abs=1e-4)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.floats(-20, 20), min_size=2, max_size=6), st.floats(-15, 15))
def test_a_lower_bound_on_a_link_never_lowers_the_offset(values: list[float], bound: float) -> None:
    """A link known to be at least this strong can only raise what is believed about its power."""
    free = problem([*values, np.nan], [FREE] * len(values) + [(-1e6, 1e6)])
    bounded = problem([*values, np.nan], [FREE] * len(values) + [(bound, np.inf)])
    sizes = Sizes(1.0, 1.0, 0.0)
    x = free.design[-1]
    assert x @ solve_at(bounded, sizes).mean[0] >= x @ solve_at(free, sizes).mean[0] - 1e-6


def test_the_same_readings_give_the_same_bytes() -> None:
    assert inferred(MIXED).mixed_mean.tobytes() == inferred(MIXED).mixed_mean.tobytes()


@given(st.floats(0.01, 0.99), st.floats(-5, 5), st.floats(0.1, 5))
def test_the_quantile_of_one_gaussian_is_that_of_scipy(chance: float, mean: float, sd: float) -> None:
    found = mixture_quantile(np.array([[mean]]), np.array([[sd]]), np.ones(1), chance)
    assert found[0] == pytest.approx(norm.ppf(chance, mean, sd), abs=1e-6)
