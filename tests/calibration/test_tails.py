"""Student-t errors around the linear posterior, against drawn truth and against the closed form of a library."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import gamma, norm
from scipy.stats import t as student

from meshplan.calibration.posterior import ENDS_DB, Problem, Sizes, log_prior
from meshplan.calibration.tails import FREEDOM_EDGES, FREEDOMS, learn_tail, prior_chances, strangeness_of, variance_factor

FREE = np.full(400, np.inf)


def rows(value: np.ndarray, *, own_sd: float = 6.0) -> Problem:
    """Return readings that differ from a common offset by their own parts alone."""
    n = len(value)
    return Problem(
        np.ones((n, 1)), np.array([5.0]), np.zeros(1, dtype=bool), np.zeros(1, dtype=bool), np.full(n, own_sd), {0.0: np.eye(n)},
        value, np.full(n, 0.5), -FREE[:n], FREE[:n], np.ones(n),
    )  # fmt: skip


def test_the_chances_before_any_reading_are_those_of_the_gamma_law() -> None:
    """ν − 2 of shape 2 and mean 20, integrated by scipy between the middles of neighbours on a logarithmic scale."""
    edges = [2.0, *FREEDOM_EDGES, np.inf]
    expected = np.diff(gamma(2.0, loc=2.0, scale=10.0).cdf(edges))
    assert prior_chances() == pytest.approx(expected, abs=1e-12)
    assert all(low < edge < high for low, edge, high in zip(FREEDOMS[:-1], FREEDOM_EDGES, FREEDOMS[1:], strict=True))


def test_the_variance_of_a_student_t_is_that_of_scipy() -> None:
    for freedom in FREEDOMS[:-1]:
        assert variance_factor(freedom) == pytest.approx(student(freedom).var())
    assert variance_factor(np.inf) == 1.0


def test_heavy_tails_are_told_from_normal_ones() -> None:
    """300 readings drawn from each law, ten times: the chance of at most six degrees of freedom, on average."""
    heavy, light = [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        heavy.append(learn_tail(rows(6.0 * student(4).rvs(300, random_state=rng)), Sizes(1.0, 1.0, 0.0)).chances)
        light.append(learn_tail(rows(6.0 * rng.standard_normal(300)), Sizes(1.0, 1.0, 0.0)).chances)
    few = slice(0, 2)
    assert np.mean(heavy, axis=0)[few].sum() > 0.8
    assert np.mean(light, axis=0)[few].sum() < 0.1


def test_the_scale_goes_with_the_freedom() -> None:
    """4 dB of a Student-t with four degrees of freedom: its scale is found, not its standard deviation of 5.7 dB."""
    value = 4.0 * student(4).rvs(400, random_state=np.random.default_rng(3))
    tail = learn_tail(rows(value), Sizes(1.0, 1.0, 0.0))
    assert 6.0 * tail.sizes[FREEDOMS.index(4.0)].own == pytest.approx(4.0, abs=0.5)
    assert 6.0 * tail.sizes[-1].own == pytest.approx(np.std(value), rel=0.08)


def test_a_reading_far_off_pulls_little_and_one_in_the_middle_more_than_its_share() -> None:
    value = 5.0 * np.random.default_rng(5).standard_normal(40)
    value[7] = 60.0
    problem = rows(value)
    strange = strangeness_of(problem, learn_tail(problem, Sizes(1.0, 1.0, 0.0)))
    assert strange.argmax() == 7
    assert strange[7] > 3.0
    assert np.median(strange) < 1.0


def test_a_bound_is_never_strange() -> None:
    value = np.append(5.0 * np.random.default_rng(6).standard_normal(20), np.nan)
    problem = replace(rows(value), high=np.append(FREE[:20], -40.0))
    assert strangeness_of(problem, learn_tail(problem, Sizes(1.0, 1.0, 0.0)))[-1] == 1.0


def test_the_prior_on_the_spread_of_ends_is_half_normal() -> None:
    """Against scipy: the mass between two spreads, from the log density of the logarithm."""
    scaled = replace(rows(np.zeros(3)), prior_sd=np.array([2.5]), scaled=np.ones(1, dtype=bool))

    def mass(low_db: float, high_db: float) -> float:
        return float(quad(lambda log: np.exp(log_prior(scaled, -0.25, log)), np.log(low_db / 2.5), np.log(high_db / 2.5))[0])

    below, above = (norm(0, ENDS_DB).cdf(edge) - norm(0, ENDS_DB).cdf(other) for edge, other in ((4.0, 0.01), (12.0, 4.0)))
    assert mass(0.01, 4.0) / mass(4.0, 12.0) == pytest.approx(below / above, rel=1e-6)
