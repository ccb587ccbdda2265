"""Links that are listed only because they were heard.

Where the readings list no silent pair, each power is taken as drawn from what could be heard: weak links are missing, and those
that are there look better than links of their kind are.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np
import scipy  # its parts are loaded when they are first used

from meshplan.calibration.combine import BOUND_ERROR_DB
from meshplan.calibration.posterior import Array, Problem, Sizes, solve_at

ROUNDS: Final = 10
SETTLED_DB: Final = 0.01
LEAST_LEFT: Final = 0.05
"""Share of its precision that a reading keeps however unlikely it was to be heard."""


def heard_only(problem: Problem, sizes: Sizes, cut: Array) -> Problem:
    """Return the problem in which readings that are listed only because they were heard say what they are worth.

    Parameters
    ----------
    problem : Problem
    sizes : Sizes
    cut : ndarray, shape (n,)
        Residual below which a link would not be in the readings, −inf where a silent one would be listed.

    Notes
    -----
    Source
        density of a normal cut off at the sensitivity: log N(y; η, v) − log Φ((η − cut)/σ), expanded to second order about the
        posterior mean, which gives each reading another value and a larger error (Laplace approximation; consistent where silent
        pairs are unknown: IEEE Wireless Communications Letters 4 (2015), named from memory, for links known to be silent)
    Symbols
        v = own² + error², σ² = own² + sharpness²
    """
    chosen = np.isfinite(cut) & ~problem.bounded
    if not chosen.any():
        return problem
    own = sizes.own * problem.own_sd[chosen]
    variance, sigma = own**2 + problem.error[chosen] ** 2, np.sqrt(own**2 + BOUND_ERROR_DB**2)
    value, error, read = problem.value.copy(), problem.error.copy(), problem.value[chosen]
    for _ in range(ROUNDS):
        at = solve_at(replace(problem, value=value, error=error), sizes)
        expected = (problem.design @ at.mean[0])[chosen]
        z = (expected - cut[chosen]) / sigma
        ratio = np.exp(-0.5 * z**2 - 0.5 * math.log(2 * math.pi) - scipy.special.log_ndtr(z))
        precision = np.maximum(1.0 / variance - ratio * (ratio + z) / sigma**2, LEAST_LEFT / variance)
        before = value.copy()
        value[chosen] = expected + ((read - expected) / variance - ratio / sigma) / precision
        error[chosen] = np.sqrt(np.maximum(1.0 / precision - own**2, problem.error[chosen] ** 2))
        if np.abs(value - before).max() < SETTLED_DB:
            break
    return replace(problem, value=value, error=error)


def given_heard(mean: float, sd: float, cut: float) -> tuple[float, float]:
    """Return mean and standard deviation of a power that is known to have been heard: a normal cut off at a soft sensitivity.

    Notes
    -----
    Source
        moments of the truncated normal distribution, with a sensitivity that is a normal variable itself
    """
    if not math.isfinite(cut + mean):
        return mean, sd
    sigma = math.hypot(sd, BOUND_ERROR_DB)
    z = (mean - cut) / sigma
    ratio = math.exp(-0.5 * z**2 - 0.5 * math.log(2 * math.pi) - float(scipy.special.log_ndtr(z)))
    share = sd**2 / sigma
    return mean + share * ratio, math.sqrt(max(sd**2 - share**2 * ratio * (ratio + z), 1e-6))
