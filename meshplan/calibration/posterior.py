"""Bayesian update of a Gaussian model whose readings may be bounds only.

Given the size of errors (own, places, correlation length) all is Gaussian and closed-form; bounds enter by expectation propagation.
The sizes themselves are integrated over a grid with their priors, so small data give wide intervals. No random numbers: same
readings, same bytes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy  # its parts are loaded when they are first used
from numpy.typing import NDArray

Array = NDArray[np.float64]

SIZE_LOG_SD = 0.5
"""Prior spread of the logarithm of the factor on own errors; its mean square is one (assumed)."""
ENDS_DB = 6.0
"""Scale of the half-normal prior on the spread of ends: class of antenna, box and siting (own choice)."""
SWEEPS = 40
"""Most sweeps of expectation propagation."""
TOLERANCE = 1e-6
LEAST_WEIGHT = 0.01
"""Correlation lengths less likely than this are dropped from the finer grids."""
MOST_WORK = 4e9
"""Points of the grid times rows cubed; keeps the work of large sets within a minute or so."""
LOG_TWO_PI = math.log(2 * math.pi)


@dataclass(frozen=True, eq=False)
class Sizes:
    """One point of the grid: factors on own errors and on offsets of places, correlation length."""

    own: float
    places: float
    correlation_m: float


@dataclass(frozen=True, eq=False)
class Problem:
    """Rows of the model. Shapes: n rows, p parameters.

    `value` is NaN where only the bounds `low` < row + error < `high` are known; `error` is the standard deviation of reading a row.
    `scaled` marks the
    offsets of places, whose spread is learned together; `sparse` marks causes of which few are large. `alike` maps a correlation
    length to the (n, n) correlation of own parts.
    """

    design: Array
    prior_sd: Array
    scaled: NDArray[np.bool_]
    sparse: NDArray[np.bool_]
    own_sd: Array
    alike: dict[float, Array]
    value: Array
    error: Array
    low: Array
    high: Array
    strangeness: Array
    """Factor that `own_sd` already holds for rows that do not go with the others."""

    def scaled_sd(self, sizes: Sizes) -> Array:
        """Return the prior spread of each parameter at one point of the grid."""
        return np.asarray(self.prior_sd * np.where(self.scaled, sizes.places, 1.0))

    def chosen(self, rows: NDArray[np.intp]) -> Problem:
        """Return the problem with some of its rows."""
        if len(rows) == len(self.value):
            return self
        return Problem(
            self.design[rows],
            self.prior_sd,
            self.scaled,
            self.sparse,
            self.own_sd[rows],
            {length: alike[np.ix_(rows, rows)] for length, alike in self.alike.items()},
            self.value[rows],
            self.error[rows],
            self.low[rows],
            self.high[rows],
            self.strangeness[rows],
        )

    @cached_property
    def usual_end_db(self) -> float:
        """Spread that the engine expects of the offset of a place; zero where no such offset is learned."""
        return float(np.median(self.prior_sd[self.scaled])) if self.scaled.any() else 0.0

    @property
    def bounded(self) -> NDArray[np.bool_]:
        """Rows that are bounds only."""
        return np.isnan(self.value)


@dataclass(frozen=True, eq=False)
class Inference:
    """The posterior as a weighted list of Gaussians over the sizes of errors. g points, p parameters, n rows."""

    sizes: tuple[Sizes, ...]
    weights: Array
    mean: Array
    """(g, p)"""
    covariance: Array
    """(g, p, p)"""
    pull: Array
    """(g, n): covariance with a row times this gives a posterior mean."""
    precision: Array
    """(g, n, n): inverse covariance of the rows with their errors."""
    site_precision: Array
    """(g, n)"""
    site_shift: Array
    """(g, n)"""

    @property
    def sites(self) -> tuple[Array, Array]:
        """Precision and shift that stand for each row's reading, each (g, n)."""
        return self.site_precision, self.site_shift

    @property
    def mixed_mean(self) -> Array:
        """Mean of each parameter, shape (p,)."""
        return np.asarray(self.weights @ self.mean)

    @property
    def mixed_covariance(self) -> Array:
        """Covariance of the parameters with the sizes integrated out, shape (p, p)."""
        centred = self.mean - self.mixed_mean
        within = np.einsum("g,gij->ij", self.weights, self.covariance)
        return np.asarray(within + np.einsum("g,gi,gj->ij", self.weights, centred, centred))

    def interval(self, chance: float = 0.9) -> tuple[Array, Array]:
        """Return the central interval of each parameter."""
        sd = np.sqrt(np.maximum(np.einsum("gii->gi", self.covariance), 1e-18))
        return (
            mixture_quantile(self.mean, sd, self.weights, (1 - chance) / 2),
            mixture_quantile(self.mean, sd, self.weights, (1 + chance) / 2),
        )

    def plug_in(self) -> Sizes:
        """Return one point that stands for all."""
        return _plug_in(self.sizes, self.weights)


@dataclass(frozen=True, eq=False)
class Scan:
    """A first, coarse look at the sizes of errors."""

    sizes: tuple[Sizes, ...]
    weights: Array
    own: Array
    """Nodes of the logarithm of the factor on own errors."""
    places: Array
    lengths: tuple[float, ...]

    def plug_in(self) -> Sizes:
        """Return one point that stands for all."""
        return _plug_in(self.sizes, self.weights)


def _plug_in(sizes: Sequence[Sizes], weights: Array) -> Sizes:
    """Return root mean squares and the likeliest correlation length."""
    own = math.sqrt(float(weights @ np.array([s.own**2 for s in sizes])))
    places = math.sqrt(float(weights @ np.array([s.places**2 for s in sizes])))
    by_length: dict[float, float] = {}
    for weight, size in zip(weights, sizes, strict=True):
        by_length[size.correlation_m] = by_length.get(size.correlation_m, 0.0) + float(weight)
    return Sizes(own, places, max(by_length, key=lambda length: (by_length[length], -length)))


def mixture_quantile(mean: Array, sd: Array, weights: Array, chance: float) -> Array:
    """Return the quantile of mixtures of Gaussians; `mean` and `sd` have shape (g, p), the result (p,)."""
    low = np.min(mean - 9 * sd, axis=0)
    high = np.max(mean + 9 * sd, axis=0)
    for _ in range(80):
        middle = (low + high) / 2
        below = weights @ scipy.special.ndtr((middle - mean) / sd) < chance
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.asarray((low + high) / 2)


def row_covariance(problem: Problem, sizes: Sizes) -> Array:
    """Return the prior covariance of the rows, shape (n, n)."""
    scaled = problem.design * problem.scaled_sd(sizes)
    own = sizes.own * problem.own_sd
    return np.asarray(scaled @ scaled.T + own[:, None] * own[None, :] * problem.alike[sizes.correlation_m])


def scan(problem: Problem) -> Scan:
    """Look coarsely over all sizes of errors."""
    own, places = np.linspace(-1.6, 1.6, 9), np.linspace(-1.6, 1.6, 5)
    if not problem.scaled.any():
        places = np.zeros(1)
    lengths = tuple(sorted(problem.alike))
    sizes, weights = _weigh(problem, own, places, lengths)
    return Scan(tuple(sizes), weights, own, places, lengths)


def infer(problem: Problem, first: Scan) -> Inference:
    """Return the posterior of the parameters with the sizes of errors integrated out, on a grid narrowed from a first scan."""
    own, places, lengths = first.own, first.places, list(first.lengths)
    sizes, weights = list(first.sizes), first.weights
    for _ in range(2):
        own, places = _narrow(sizes, weights, "own", own), _narrow(sizes, weights, "places", places)
        by_length = dict.fromkeys(lengths, 0.0)
        for weight, size in zip(weights, sizes, strict=True):
            by_length[size.correlation_m] += float(weight)
        lengths = [length for length in lengths if by_length[length] > LEAST_WEIGHT]
        sizes, weights = _weigh(problem, own, places, lengths)
    return evaluate(problem, tuple(sizes), weights)


def evaluate(problem: Problem, sizes: tuple[Sizes, ...], weights: Array) -> Inference:
    """Return the full posterior at the likeliest points of a grid: all that matter, fewer for many rows."""
    order = np.argsort(-weights, kind="stable")
    enough = int(np.searchsorted(np.cumsum(weights[order]), 0.998)) + 1
    affordable = max(1, int(MOST_WORK / max(len(problem.value), 1) ** 3))
    kept = np.sort(order[: min(enough, affordable)])
    return _finish(problem, tuple(sizes[i] for i in kept), weights[kept] / weights[kept].sum())


def solve_at(problem: Problem, sizes: Sizes) -> Inference:
    """Return the posterior with the sizes of errors held."""
    return _finish(problem, (sizes,), np.ones(1))


def joined(first: Inference, second: Inference, share: float) -> Inference:
    """Return the mixture of two posteriors of the same rows; `share` is the weight of the second."""

    def stacked(name: str) -> Array:
        return np.concatenate([getattr(first, name), getattr(second, name)])

    return Inference(
        (*first.sizes, *second.sizes),
        np.concatenate([(1 - share) * first.weights, share * second.weights]),
        *(stacked(name) for name in ("mean", "covariance", "pull", "precision", "site_precision", "site_shift")),
    )


def _narrow(sizes: list[Sizes], weights: Array, which: str, nodes: Array) -> Array:
    """Return nodes around the bulk of one size."""
    if len(nodes) == 1:
        return nodes
    logs = np.log([getattr(size, which) for size in sizes])
    middle = float(weights @ logs)
    sd = max(math.sqrt(float(weights @ (logs - middle) ** 2)), 0.35 * float(nodes[1] - nodes[0]))
    return np.linspace(middle - 2.6 * sd, middle + 2.6 * sd, 7 if which == "own" else 5)


def _weigh(problem: Problem, own: Array, places: Array, lengths: Sequence[float]) -> tuple[list[Sizes], Array]:
    """Return grid points and their posterior weights."""
    points = [(k, t, length) for length in lengths for t in places for k in own]
    sizes = [Sizes(math.exp(k), math.exp(t), length) for k, t, length in points]
    prior = np.array([log_prior(problem, k, t) for k, t, _ in points])
    total = _propagate(problem, sizes)[2] + prior
    weights = np.exp(total - total.max())
    return sizes, weights / weights.sum()


def log_prior(problem: Problem, log_own: float, log_places: float) -> float:
    """Return the log density, but for a constant, of the logarithms of both size factors before any reading.

    Notes
    -----
    Source
        log-normal for own errors (assumed); half-normal for the spread τ of ends, as is common for the spread of groups
        (Bayesian Analysis 1 (2006), pp. 515–534, named from memory)
    """
    own = -((log_own + SIZE_LOG_SD**2) ** 2) / (2 * SIZE_LOG_SD**2)
    if not problem.usual_end_db:
        return own
    return own + log_places - 0.5 * (math.exp(log_places) * problem.usual_end_db / ENDS_DB) ** 2


def log_evidence(problem: Problem, sizes: Sizes) -> float:
    """Return the log evidence of the rows with the sizes of errors held."""
    return float(_propagate(problem, [sizes])[2][0])


def _finish(problem: Problem, sizes: tuple[Sizes, ...], weights: Array) -> Inference:
    """Return the full posterior at the grid points kept."""
    means, covariances, pulls, precisions, site_precisions, site_shifts = [], [], [], [], [], []
    tau, shift, _ = _propagate(problem, sizes)
    for g, size in enumerate(sizes):
        rows = row_covariance(problem, size)
        root = np.sqrt(tau[g])
        inner = np.linalg.inv(np.eye(len(root)) + root[:, None] * rows * root[None, :])
        precision = root[:, None] * inner * root[None, :]
        precision = (precision + precision.T) / 2
        pull = shift[g] - precision @ (rows @ shift[g])
        variance = problem.scaled_sd(size) ** 2
        gain = variance[:, None] * problem.design.T
        means.append(gain @ pull)
        covariances.append(np.diag(variance) - gain @ precision @ gain.T)
        pulls.append(pull)
        precisions.append(precision)
        site_precisions.append(tau[g])
        site_shifts.append(shift[g])
    return Inference(
        sizes,
        weights,
        np.array(means),
        np.array(covariances),
        np.array(pulls),
        np.array(precisions),
        np.array(site_precisions),
        np.array(site_shifts),
    )


def _propagate(problem: Problem, sizes: Sequence[Sizes]) -> tuple[Array, Array, Array]:
    """Return site precisions and shifts (g, n) and the log evidence (g,) for each point of the grid.

    Rows read exactly are conditioned on in closed form; expectation propagation runs on the bounds that are left.
    """
    bounded, exact = problem.bounded, ~problem.bounded
    variance = problem.error[exact] ** 2
    tau, shift = np.zeros((len(sizes), len(exact))), np.zeros((len(sizes), len(exact)))
    tau[:, exact] = 1.0 / variance
    shift[:, exact] = problem.value[exact] / variance
    evidence = np.zeros(len(sizes))
    parts = _parts(problem)
    expected = np.zeros((len(sizes), int(bounded.sum())))
    left = np.zeros((len(sizes), int(bounded.sum()), int(bounded.sum())))
    for g, size in enumerate(sizes):
        rows = parts[0] + size.places**2 * parts[1] + size.own**2 * parts[2][size.correlation_m]
        lower = np.linalg.cholesky(rows[np.ix_(exact, exact)] + np.diag(variance))
        half = scipy.linalg.solve_triangular(lower, problem.value[exact], lower=True, check_finite=False)
        evidence[g] = -0.5 * float(half @ half) - float(np.sum(np.log(np.diag(lower)))) - 0.5 * len(half) * LOG_TWO_PI
        if bounded.any():
            across = scipy.linalg.solve_triangular(lower, rows[np.ix_(exact, bounded)], lower=True, check_finite=False)
            expected[g] = across.T @ half
            left[g] = rows[np.ix_(bounded, bounded)] - across.T @ across
    if bounded.any():
        low, high = problem.low[bounded] - expected, problem.high[bounded] - expected
        sites, pushes, more = propagate_bounds(left, low, high, problem.error[bounded])
        tau[:, bounded] = sites
        shift[:, bounded] = pushes + sites * expected
        evidence += more
    return tau, shift, evidence


def propagate_bounds(rows: Array, low: Array, high: Array, error: Array) -> tuple[Array, Array, Array]:
    """Return sites and log evidence for Gaussians of mean zero of which only bounds are known.

    Parameters
    ----------
    rows : ndarray, shape (g, n, n)
        Prior covariances.
    low, high : ndarray, shape (g, n)
    error : ndarray, shape (n,)

    Notes
    -----
    Source
        Expectation propagation for approximate Bayesian inference (UAI 17, 2001, pp. 362–369; named from memory), sites in
        parallel; the likelihoods are log-concave
    Symbols
        each site is exp(c + shift·x − precision·x²/2)
    """
    tau, shift, constant = np.zeros(low.shape), np.zeros(low.shape), np.zeros(low.shape)
    mean, marginal, half_log_det = _moments(rows, tau, shift)
    for sweep in range(SWEEPS):
        cavity_tau = np.maximum(1.0 / marginal - tau, 1e-10)
        cavity_shift = mean / marginal - shift
        log_z, tilted_mean, tilted_variance = _tilt(cavity_shift / cavity_tau, 1.0 / cavity_tau, low, high, error)
        new_tau = np.maximum(1.0 / tilted_variance - cavity_tau, 1e-12)
        new_shift = tilted_mean * (new_tau + cavity_tau) - cavity_shift
        damping = 1.0 if sweep < 3 else 0.7
        step = np.maximum(np.abs(new_tau - tau), np.abs(new_shift - shift)).max()
        tau, shift = tau + damping * (new_tau - tau), shift + damping * (new_shift - shift)
        constant = (
            log_z
            + 0.5 * np.log1p(tau / cavity_tau)
            - 0.5 * ((cavity_shift + shift) ** 2 / (cavity_tau + tau) - cavity_shift**2 / cavity_tau)
        )
        mean, marginal, half_log_det = _moments(rows, tau, shift)
        if step < TOLERANCE:
            break
    return tau, shift, constant.sum(axis=1) - half_log_det + 0.5 * np.sum(shift * mean, axis=1)


def _parts(problem: Problem) -> tuple[Array, Array, dict[float, Array]]:
    """Return the covariance of the rows in the parts that the sizes scale: fixed, places, own for each length."""
    fixed = problem.design * np.where(problem.scaled, 0.0, problem.prior_sd)
    places = problem.design * np.where(problem.scaled, problem.prior_sd, 0.0)
    own = problem.own_sd[:, None] * problem.own_sd[None, :]
    return fixed @ fixed.T, places @ places.T, {length: own * alike for length, alike in problem.alike.items()}


def _moments(rows: Array, tau: Array, shift: Array) -> tuple[Array, Array, Array]:
    """Return posterior means and variances of the rows (g, n) and half the log determinant of I + K·precision."""
    root = np.sqrt(tau)
    scaled = root[:, :, None] * rows
    inner = np.eye(rows.shape[1]) + scaled * root[:, None, :]
    lower = np.linalg.cholesky(inner)
    solved = np.linalg.solve(lower, scaled)
    variance = np.einsum("gii->gi", rows) - np.sum(solved**2, axis=1)
    push = np.einsum("gij,gj->gi", rows, shift)
    mean = push - np.einsum("gki,gk->gi", solved, np.linalg.solve(lower, (root * push)[:, :, None])[:, :, 0])
    half = np.sum(np.log(np.einsum("gii->gi", lower)), axis=1)
    return mean, np.maximum(variance, 1e-12), half


def _tilt(mean: Array, variance: Array, low: Array, high: Array, error: Array) -> tuple[Array, Array, Array]:
    """Return log mass, mean and variance of a Gaussian times the chance that it, plus an error, lies between two bounds."""
    total = np.sqrt(variance + error**2)
    below, above = (low - mean) / total, (high - mean) / total
    flip = below > 0
    below, above = np.where(flip, -above, below), np.where(flip, -below, above)
    log_above, log_below = scipy.special.log_ndtr(above), scipy.special.log_ndtr(below)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        log_z = np.where(np.isneginf(log_below), log_above, log_above + np.log1p(-np.exp(log_below - log_above)))
        log_z = np.maximum(log_z, -700.0)
        density_above = np.where(np.isinf(above), 0.0, np.exp(-0.5 * above**2 - 0.5 * math.log(2 * math.pi) - log_z))
        density_below = np.where(np.isinf(below), 0.0, np.exp(-0.5 * below**2 - 0.5 * math.log(2 * math.pi) - log_z))
        slope = density_below - density_above
        bend = np.where(np.isinf(above), 0.0, above * density_above) - np.where(np.isinf(below), 0.0, below * density_below)
    direction = np.where(flip, -1.0, 1.0)
    share = variance / total
    tilted_mean = mean + direction * share * slope
    tilted_variance = variance - share**2 * (slope**2 + bend)
    return log_z, tilted_mean, np.clip(tilted_variance, 1e-9 * variance, variance * (1 - 1e-12))
