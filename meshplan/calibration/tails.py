"""What a bell curve around the forecast does not hold: links far off.

The own part of a link is Student-t: normal, with a precision of its own for each link. Weights for links far off and the scale are
found together by expectation and maximisation around the linear posterior; how heavy the tails are is averaged over a few degrees
of freedom, weighed by the marginal likelihood.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import NDArray

from meshplan.calibration.posterior import Array, Problem, Sizes, log_evidence, log_prior, solve_at

FREEDOMS: Final = (4.0, 6.0, 10.0, 20.0, math.inf)
"""Degrees of freedom that are weighed against each other."""
FREEDOM_EDGES: Final = (math.sqrt(24.0), math.sqrt(60.0), math.sqrt(200.0), 30.0)
"""Where the chance of one ends and that of the next begins."""
FREEDOM_RATE: Final = 0.1
"""Degrees of freedom less two follow a gamma distribution of shape 2 and this rate: mean 20, near normal until readings insist
(common practice, no source)."""
ROUNDS: Final = 10
SETTLED: Final = 0.02
"""Relative change of weights and scale at which the rounds may end."""
LEAST_CHANCE: Final = 0.02
"""Degrees of freedom less likely than this are left out of account."""


@dataclass(frozen=True, eq=False)
class Tail:
    """What was learned about links far off."""

    chances: Array
    """Of each of `FREEDOMS`."""
    sizes: tuple[Sizes, ...]
    """Sizes of errors that go with each; `own` is the scale of the Student-t."""


def variance_factor(freedom: float) -> float:
    """Return the variance of a Student-t over its squared scale: ν/(ν − 2)."""
    return 1.0 if math.isinf(freedom) else freedom / (freedom - 2.0)


def prior_chances() -> Array:
    """Return the chance of each of `FREEDOMS` before any reading."""
    x = FREEDOM_RATE * (np.array(FREEDOM_EDGES) - 2.0)
    below = 1.0 - (1.0 + x) * np.exp(-x)
    return np.diff(np.concatenate([[0.0], below, [1.0]]))


def learn_tail(problem: Problem, sizes: Sizes) -> Tail:
    """Return how heavy the tails are, beginning at a first guess of the sizes of errors.

    Notes
    -----
    Source
        scale mixture of normals with gamma weights; variational posterior of weights and parameters with its bound on the evidence
        (Pattern Recognition and Machine Learning (2006), sections 10.1 and 2.3.7, named from memory)
    Symbols
        weight w = (ν + 1)/(ν + E[own²]/s²)
    Differs from source
        own parts that are alike among neighbours are weighed one by one
    """
    found = [_with_freedom(problem, sizes, freedom) for freedom in FREEDOMS]
    log = np.array([bound for bound, _ in found]) + np.log(prior_chances())
    chances = np.exp(log - log.max())
    return Tail(chances / chances.sum(), tuple(size for _, size in found))


def freedom_of(tail: Tail) -> float:
    """Return one number of degrees of freedom that stands for all, infinite where the tails are normal.

    Notes
    -----
    Source
        derived: to first order the distribution function goes with 1/ν, so that the mean of 1/ν gives the mean of the chances
    """
    thickness = float(np.sum(tail.chances / np.array(FREEDOMS)))
    return 1.0 / thickness if thickness > 0 else math.inf


def strangeness_of(problem: Problem, tail: Tail) -> Array:
    """Return a factor on the own error of each row, shape (n,): large where a reading does not go with all others.

    One is the standard deviation of a link drawn anew, with its share of links far off.
    """
    exact = _exact(problem)
    share = np.zeros(len(problem.value))
    likely = np.where(tail.chances < LEAST_CHANCE, 0.0, tail.chances)
    for chance, freedom, sizes in zip(likely / likely.sum(), FREEDOMS, tail.sizes, strict=True):
        if not chance:
            continue
        factor = np.ones(len(share))
        for _ in range(ROUNDS if math.isfinite(freedom) else 0):
            before, factor = factor, _factor(freedom, _surprise(problem, sizes, factor), exact)
            if np.abs(factor - before).max() < SETTLED:
                break
        share += chance * variance_factor(freedom) / factor**2
    return np.where(exact, share**-0.5, 1.0)


def _factor(freedom: float, surprise: Array, exact: NDArray[np.bool_]) -> Array:
    """Return the factor on the own error of each row at some degrees of freedom."""
    weight = 1.0 if math.isinf(freedom) else (freedom + 1.0) / (freedom + surprise)
    return np.where(exact, np.asarray(weight) ** -0.5, 1.0)


def _exact(problem: Problem) -> NDArray[np.bool_]:
    """Return the rows whose power was read."""
    return ~problem.bounded & (problem.own_sd > 0)


def _with_freedom(problem: Problem, sizes: Sizes, freedom: float) -> tuple[float, Sizes]:
    """Return the bound on the log evidence at some degrees of freedom, and the sizes of errors that go with them."""
    exact = _exact(problem)
    factor = np.ones(len(problem.value))
    surprise = _surprise(problem, sizes, factor)
    for _ in range(ROUNDS):
        before = factor, sizes
        factor = _factor(freedom, surprise, exact)
        sizes = _rescaled(problem, sizes, float(np.sum((surprise / factor**2)[exact])), int(exact.sum()))
        surprise = _surprise(problem, sizes, factor)
        if np.abs(factor - before[0]).max() < SETTLED and abs(math.log(sizes.own / before[1].own)) < SETTLED:
            break
    bound = log_evidence(replace(problem, own_sd=problem.own_sd * factor), sizes)
    bound += log_prior(problem, math.log(sizes.own), math.log(sizes.places))
    if math.isfinite(freedom):
        shape, rate, start = (freedom + 1.0) / 2.0, (freedom + surprise[exact]) / 2.0, freedom / 2.0
        apart = (
            (shape - start) * scipy.special.digamma(shape)
            - scipy.special.gammaln(shape)
            + scipy.special.gammaln(start)
            + start * (np.log(rate) - math.log(start))
            + shape * (start - rate) / rate
        )
        bound += float(np.sum(0.5 * (scipy.special.digamma(shape) - math.log(shape)) - apart))
    return bound, sizes


def _surprise(problem: Problem, sizes: Sizes, factor: Array) -> Array:
    """Return the expected square of each own part over the square of its scale, shape (n,)."""
    widened = replace(problem, own_sd=problem.own_sd * factor)
    at = solve_at(widened, sizes)
    own = sizes.own * widened.own_sd
    covariance = own[:, None] * own * problem.alike[sizes.correlation_m]
    mean = covariance @ at.pull[0]
    variance = np.diag(covariance) - np.sum((covariance @ at.precision[0]) * covariance, axis=1)
    scale = np.maximum(sizes.own * problem.own_sd, 1e-9)
    return np.asarray((mean**2 + np.maximum(variance, 0.0)) / scale**2)


def _rescaled(problem: Problem, sizes: Sizes, moved: float, count: int) -> Sizes:
    """Return the sizes with the factor on own errors that goes with the own parts found."""
    logs = np.log(sizes.own) + np.linspace(-0.5, 0.5, 41)
    prior = np.array([log_prior(problem, log, math.log(sizes.places)) for log in logs.tolist()])
    steps = logs - math.log(sizes.own)
    best = int(np.argmax(prior - count * steps - 0.5 * moved * np.exp(-2.0 * steps)))
    return replace(sizes, own=math.exp(float(logs[best])))
