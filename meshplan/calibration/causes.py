"""Few causes, not many: before the fit, judge which causes may be large.

A property rarely differs from the engine in all ways at once: one antenna was changed, one wood is denser. So each cause is taken
as small (half its expected spread) with high chance, or large (2.3 times) with low chance, and combinations of at most three large
ones are weighed by how well they explain the readings, also against the account in which all causes are of middling size. A cause
found large gets a wider prior, so that it is not shared out among others; a cause the readings do not touch keeps its expected
spread exactly.
"""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import scipy  # its parts are loaded when they are first used

from meshplan.calibration.posterior import Array, Problem, Sizes, row_covariance, solve_at

SMALL, LARGE = 0.5, math.sqrt((1 - 0.85 * 0.25) / 0.15)
"""Factors on the expected spread; with their chances the mean square is one (assumed)."""
CHANCE_LARGE = 0.15
"""How often a cause is large (assumed)."""
MOST_LARGE = 3
LEAST_FACTOR = 0.6
"""No prior is narrowed more than this, so that intervals stay honest where many causes are of middling size (assumed)."""
EVEN_CHANCE = 0.5
"""How often many causes of middling size are at work instead (assumed)."""
MOST_CELLS = 4_000_000
LEAST_PRECISION = 1e-6


def prior_factors(problem: Problem, sizes: Sizes) -> tuple[Array, float]:
    """Return a factor on the prior spread of each parameter, shape (p,), and the chance that causes are many and middling.

    Parameters
    ----------
    problem : Problem
        Only parameters marked `sparse` take part.
    sizes : Sizes
        Size of errors at which the combinations are weighed.

    Notes
    -----
    Source
        scale mixture of two Gaussians ("spike and slab", Journal of the American
        Statistical Association 83 (1988), pp. 1023–1032; named from memory), weighed by evidence
    Differs from source
        the mean square over the combinations is then used as a Gaussian prior (empirical Bayes), held above `LEAST_FACTOR`
    """
    factors, index = np.ones(len(problem.prior_sd)), np.flatnonzero(problem.sparse)
    if not len(index):
        return factors, 1.0
    precision, shift = (array[0] for array in solve_at(problem, sizes).sites)
    kept = precision > LEAST_PRECISION
    value = shift[kept] / precision[kept]
    scale = problem.scaled_sd(sizes)[index]
    design = problem.design[np.ix_(kept, index)] * scale
    rows = row_covariance(problem, sizes)[np.ix_(kept, kept)] - design @ design.T
    lower = np.linalg.cholesky(rows + np.diag(1.0 / precision[kept]))
    white = np.linalg.solve(lower, np.column_stack([design, value]))
    gram, push = white[:, :-1].T @ white[:, :-1], white[:, :-1].T @ white[:, -1]
    chosen = [c for size in range(_most_large(len(index)) + 1) for c in combinations(range(len(index)), size)]
    variance = np.full((len(chosen), len(index)), SMALL**2)
    for row, members in enumerate(chosen):
        variance[row, list(members)] = LARGE**2
    count = np.array([len(members) for members in chosen])
    prior = count * math.log(CHANCE_LARGE) + (len(index) - count) * math.log(1 - CHANCE_LARGE)
    prior -= scipy.special.logsumexp(prior)
    log = prior + _log_evidence(gram, push, variance)
    few = float(scipy.special.logsumexp(log))
    even = float(_log_evidence(gram, push, np.ones((1, len(index))))[0])
    share = float(scipy.special.expit(even - few + math.log(EVEN_CHANCE / (1 - EVEN_CHANCE))))
    asked = np.exp(log - few) @ variance / (np.exp(prior) @ variance)
    factors[index] = np.sqrt(np.maximum(asked, LEAST_FACTOR**2))
    return factors, share


def _log_evidence(gram: Array, push: Array, variance: Array) -> Array:
    """Return the log evidence, but for a constant, of combinations of prior variances, shape (c,)."""
    root = np.sqrt(variance)
    inner = np.eye(len(push)) + root[:, :, None] * gram * root[:, None, :]
    scaled = root * push
    fit = np.sum(scaled * np.linalg.solve(inner, scaled[:, :, None])[:, :, 0], axis=1)
    return np.asarray(0.5 * fit - 0.5 * np.linalg.slogdet(inner)[1])


def _most_large(count: int) -> int:
    """Return how many causes may be large at once, so that the combinations stay few enough to weigh."""
    most = min(MOST_LARGE, count)
    while most > 1 and math.comb(count, most) * count**2 > MOST_CELLS:
        most -= 1
    return most
