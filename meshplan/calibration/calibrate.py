"""Learn from measured links: parameters with intervals, errors before and after, and what the readings cannot tell."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from meshplan.calibration.causes import prior_factors
from meshplan.calibration.combine import NOISE_ERROR_DB
from meshplan.calibration.heard import SETTLED_DB, heard_only
from meshplan.calibration.left_out import leave_places_out, places_of
from meshplan.calibration.model import (
    NOISE_SD_DB,
    Array,
    Term,
    alikeness,
    choose_terms,
    design_matrix,
    own_sd_db,
    reference_distance_m,
)
from meshplan.calibration.posterior import Inference, Problem, evaluate, infer, joined, mixture_quantile, scan, solve_at
from meshplan.calibration.tails import freedom_of, learn_tail, strangeness_of
from meshplan.calibration.warn import warnings_of
from meshplan.errors import InputError
from meshplan.records.measurement import (
    Calibration,
    Evidence,
    FittedLink,
    MeasuredLink,
    Parameter,
    PredictedLink,
    ReadingsFile,
    ResidualLine,
    SpreadFactors,
)

CORRELATION_LENGTHS_M = (0.0, 30.0, 100.0, 300.0, 1000.0, 3000.0)
"""Lengths over which own errors may be alike, each as likely as the other before measuring (assumed)."""
HIGH_NOISE_DB = 3 * NOISE_SD_DB
"""A bound on the noise that lies higher says nothing."""
LEAST_SITE_PRECISION = 1e-4
"""Bounds that say less than a standard deviation of 100 dB are not kept."""
MANY_ROWS = 300
"""The sizes of errors are learned from about so many rows; more would add time and hardly knowledge."""
MOST_LINKS = 3000
"""More would take minutes and much memory; combine readings over larger cells."""
LEAST_LINKS_OF_A_CLASS = 5
"""Fewer links say nothing about an environment (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class ModelRow:
    """One row of the model and the measured link it came from."""

    kind: str
    link: PredictedLink
    measured: int
    value: float
    error: float
    low: float
    high: float


def calibrate(
    measured: Sequence[MeasuredLink],
    *,
    property_name: str = "",
    source: ReadingsFile | None = None,
    created: str = "",
    crs: str = "",
) -> Calibration:
    """Return what the measured links teach.

    Parameters
    ----------
    measured : sequence of MeasuredLink
        From `combine_readings`. With none, the result is what was believed before.
    property_name, created : str
        Kept in the result. `created` is an ISO date; by default that of the last reading.
    crs : str
        Projection of the positions, kept so that the file stays true when the grid changes.
    source : ReadingsFile, optional
        Where the readings come from, for the record.
    """
    if len(measured) > MOST_LINKS:
        raise InputError(
            f"{len(measured)} measured links are too many at once",
            where="readings",
            fix=f"Combine the readings of a track over larger cells, so that at most {MOST_LINKS} links are left.",
        )
    rows = _rows(measured)
    links = [row.link for row in rows if row.kind != "noise"]
    terms = choose_terms(links, noise_ends=[row.link.b for row in rows if row.kind != "power"])
    reference_m = reference_distance_m(links)
    readings = source.readings if source else ()
    common = Calibration(
        property_name=property_name,
        created=created or max((r.time.date().isoformat() for r in readings if r.time), default=""),
        files=source.files if source else (),
        sha256=source.sha256 if source else "",
        readings=len(readings) or sum(max(len(link.where), 1) for link in measured),
        heard=sum(not link.censored for link in measured),
        not_heard=sum(link.censored for link in measured),
        parameters=tuple(term.as_parameter() for term in terms),
        factors=SpreadFactors(1.0, math.exp(-1.645 * 0.5), math.exp(1.645 * 0.5), 1.0, 0.0),
        reference_distance_m=reference_m,
        crs=crs,
        evidence=(),
        notes=source.notes if source else (),
    )
    if not rows:
        return replace(common, warnings=("There are no readings: everything stays as the engine says.",))
    problem = _problem(rows, terms, reference_m)
    part = _part(rows, measured)
    first = scan(problem.chosen(part))
    tail = learn_tail(problem.chosen(part), first.plug_in())
    strange = strangeness_of(problem, tail)
    problem = replace(problem, own_sd=problem.own_sd * strange, strangeness=strange)
    cut = _cut(rows)
    problem = heard_only(problem, first.plug_in(), cut)
    factors, even_share = prior_factors(problem, first.plug_in())
    even = solve_at(problem, first.plug_in())
    problem = replace(problem, prior_sd=problem.prior_sd * factors)
    few = infer(problem.chosen(part), first)
    if len(part) < len(rows):
        few = evaluate(problem, few.sizes, few.weights)
    inference = joined(few, even, even_share)
    row_of = _row_of(rows, len(measured))
    fitted, left_out = leave_places_out(measured, problem, inference, row_of, cut)
    result = replace(
        common,
        parameters=_parameters(terms, factors, few, inference),
        factors=replace(_factors(few), freedom=freedom_of(tail)),
        evidence=_evidence(rows, strange, problem, few),
        left_out=left_out,
        fitted=_with_after(fitted, row_of, problem, few),
    )
    residuals = _residual_lines(result.fitted, terms, problem, (few, inference), row_of)
    return replace(result, residuals=residuals, warnings=warnings_of(replace(result, residuals=residuals), inference, measured))


def _rows(measured: Sequence[MeasuredLink]) -> list[ModelRow]:
    """Return the rows of the model: power or bounds of each link, and noise where it was read."""
    noisy = {m.link.b for m in measured if math.isfinite(m.noise_rise_db) or m.snr_only}
    rows = []
    for index, m in enumerate(measured):
        predicted = m.link.received_dbm
        kind = "snr" if m.snr_only or (m.censored and m.link.b in noisy) else "power"
        rows.append(ModelRow(kind, m.link, index, m.residual_db, m.error_db, m.low_dbm - predicted, m.high_dbm - predicted))
        if math.isfinite(m.noise_rise_db):
            rows.append(ModelRow("noise", m.link, index, m.noise_rise_db, NOISE_ERROR_DB, -math.inf, math.inf))
        if m.noise_high_db < HIGH_NOISE_DB:
            rows.append(ModelRow("noise", m.link, index, math.nan, NOISE_ERROR_DB, -math.inf, m.noise_high_db))
    return rows


def _cut(rows: Sequence[ModelRow]) -> Array:
    """Return below which residual each row would be missing: its sensitivity where the readings list nothing that was not heard.

    Receivers that were read below their sensitivity hear better than the engine knows: all are taken to, by as much as the
    farthest reading below.
    """
    if any(row.kind != "noise" and math.isnan(row.value) and math.isinf(row.low) for row in rows):
        return np.full(len(rows), -math.inf)
    cut = np.array([-math.inf if row.kind == "noise" else row.link.sensitivity_dbm - row.link.received_dbm for row in rows])
    above = np.array([row.value for row in rows]) - cut
    return cut + min(float(np.min(above[np.isfinite(above)], initial=0.0)), 0.0)


def _part(rows: Sequence[ModelRow], measured: Sequence[MeasuredLink]) -> NDArray[np.intp]:
    """Return the rows from which the sizes of errors are learned: all, or of many those of evenly chosen places."""
    if len(rows) <= MANY_ROWS:
        return np.arange(len(rows))
    places = places_of(measured)
    names = sorted(set(places))
    step = len(rows) / MANY_ROWS
    chosen = {names[int(k * step)] for k in range(int(len(names) / step))}
    return np.array([index for index, row in enumerate(rows) if places[row.measured] in chosen])


def _row_of(rows: Sequence[ModelRow], count: int) -> list[int]:
    """Return the first row of each measured link."""
    first = [-1] * count
    for index, row in enumerate(rows):
        if row.kind != "noise":
            first[row.measured] = index
    return first


def _problem(rows: Sequence[ModelRow], terms: Sequence[Term], reference_m: float) -> Problem:
    """Set the rows up as matrices."""
    links = [row.link for row in rows]
    names = [term.name for term in terms]
    design = np.vstack([design_matrix([row.link], names, reference_m, kind=row.kind) for row in rows])
    power_terms = [term for term in terms if term.group != "noise"]
    own = own_sd_db(links, power_terms, reference_m) * np.array([row.kind != "noise" for row in rows])
    return Problem(
        design,
        np.array([term.prior_sd for term in terms]),
        np.array([term.scaled for term in terms]),
        np.array([term.sparse for term in terms]),
        own,
        {length: alikeness(links, links, length) for length in _lengths(links)},
        np.array([row.value for row in rows]),
        np.array([row.error for row in rows]),
        np.array([row.low for row in rows]),
        np.array([row.high for row in rows]),
        np.ones(len(rows)),
    )


def _lengths(links: Sequence[PredictedLink]) -> tuple[float, ...]:
    """Return the correlation lengths that these links could show: up to half their extent."""
    x = np.array([(link.a_x_m, link.b_x_m) for link in links])
    y = np.array([(link.a_y_m, link.b_y_m) for link in links])
    known = np.isfinite(x) & np.isfinite(y)
    extent = math.hypot(np.ptp(x[known]), np.ptp(y[known])) if known.any() else 0.0
    return tuple(length for length in CORRELATION_LENGTHS_M if length <= extent / 2)


def _parameters(terms: Sequence[Term], factors: Array, few: Inference, joint: Inference) -> tuple[Parameter, ...]:
    """Return the parameters: the figure from the account with few causes, the interval from both accounts."""
    mean = few.mixed_mean
    variance = np.diag(joint.mixed_covariance) + (joint.mixed_mean - mean) ** 2
    low, high = joint.interval()
    return tuple(
        replace(
            term.as_parameter(),
            mean=float(mean[i]),
            sd=math.sqrt(max(float(variance[i]), 0.0)),
            low=min(float(low[i]), float(mean[i])),
            high=max(float(high[i]), float(mean[i])),
            prior_factor=float(factors[i]),
        )
        for i, term in enumerate(terms)
    )


def _factors(inference: Inference) -> SpreadFactors:
    """Return what is now believed about the size of errors."""
    point = inference.plug_in()
    logs = np.log([size.own for size in inference.sizes])
    middle = float(inference.weights @ logs)
    sd = math.sqrt(float(inference.weights @ (logs - middle) ** 2))
    return SpreadFactors(
        point.own,
        math.exp(middle - 1.645 * sd),
        math.exp(middle + 1.645 * sd),
        point.places,
        point.correlation_m,
    )


def _evidence(rows: Sequence[ModelRow], strange: Array, problem: Problem, inference: Inference) -> tuple[Evidence, ...]:
    """Return each row as a Gaussian statement at the one point kept for use."""
    at = solve_at(problem, inference.plug_in())
    precision, shift = at.site_precision[0], at.site_shift[0]
    moved = np.abs(problem.value - np.array([row.value for row in rows])) > SETTLED_DB
    return tuple(
        Evidence(
            row.kind,
            row.link,
            float(shift[i] / precision[i]),
            float(precision[i] ** -0.5),
            float(strange[i]),
            row.value if moved[i] else math.nan,
            row.error if moved[i] else math.nan,
        )
        for i, row in enumerate(rows)
        if precision[i] > LEAST_SITE_PRECISION
    )


def _with_after(
    fitted: Sequence[FittedLink], row_of: Sequence[int], problem: Problem, inference: Inference
) -> tuple[FittedLink, ...]:
    """Add what the parameters alone say about each measured link; a link's own part is not tuned away."""
    mean, covariance = inference.mixed_mean, inference.mixed_covariance
    own = inference.plug_in().own * problem.own_sd
    result = []
    for row_index, fit in zip(row_of, fitted, strict=True):
        x = problem.design[row_index]
        sd = math.sqrt(float(x @ covariance @ x) + float(own[row_index]) ** 2)
        result.append(replace(fit, after_dbm=fit.measured.link.received_dbm + float(x @ mean), after_sd_db=sd))
    return tuple(result)


def _residual_lines(
    fitted: Sequence[FittedLink],
    terms: Sequence[Term],
    problem: Problem,
    accounts: tuple[Inference, Inference],
    row_of: Sequence[int],
) -> tuple[ResidualLine, ...]:
    """Return measured minus predicted in each environment, all environments last."""
    local = np.array([term.group in ("class", "cover", "ground") for term in terms])
    classes = sorted({fit.measured.link.environment for fit in fitted if not fit.measured.censored})
    design = problem.design[list(row_of)] * local
    lines = []
    for name in [*classes, "all"] if classes else []:
        here = np.array([name in ("all", fit.measured.link.environment) for fit in fitted])
        x = design[here].mean(axis=0) - (design[~here].mean(axis=0) if not here.all() else design.mean(axis=0))
        exact = [fit for fit, wanted in zip(fitted, here, strict=True) if wanted and not fit.measured.censored]
        lines.append(_residual_line(name, exact, _learned(x, *accounts)))
    return tuple(lines)


def _learned(x: Array, few: Inference, joint: Inference) -> tuple[float, float, float]:
    """Return figure and 90 % interval of a sum of parameters."""
    sd = np.sqrt(np.maximum(np.einsum("i,gij,j->g", x, joint.covariance, x), 1e-18))[:, None]
    mean = (joint.mean @ x)[:, None]
    figure = float(few.mixed_mean @ x)
    low, high = (float(mixture_quantile(mean, sd, joint.weights, chance)[0]) for chance in (0.05, 0.95))
    return figure, min(low, figure), max(high, figure)


def _residual_line(name: str, fitted: Sequence[FittedLink], learned: tuple[float, float, float]) -> ResidualLine:
    """Return mean and standard deviation before and after, with a verdict in words."""
    before = np.array([fit.measured.residual_db for fit in fitted])
    after = np.array([fit.measured.power_dbm - fit.after_dbm for fit in fitted])
    sd_before = float(before.std(ddof=1)) if len(before) > 1 else math.nan
    sd_after = float(after.std(ddof=1)) if len(after) > 1 else math.nan
    fits = len(fitted) < LEAST_LINKS_OF_A_CLASS or bool(sd_after <= 6.0 and abs(after.mean()) <= 3.0)
    if len(fitted) < LEAST_LINKS_OF_A_CLASS:
        sentence = f"Only {len(fitted)} measured: fewer than {LEAST_LINKS_OF_A_CLASS} links say nothing about a class."
    elif fits:
        sentence = "Fits: mean within 3 dB, spread at most 6 dB."
    else:
        sentence = "Does not fit: look for a cause that only some of these links share, and name it as a class of its own."
    return ResidualLine(name, len(fitted), float(before.mean()), sd_before, float(after.mean()), sd_after, *learned, sentence, fits)
