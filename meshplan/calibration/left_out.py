"""Leave one place out: how well is a place predicted by the readings of all others?"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence

import numpy as np

from meshplan.calibration.heard import given_heard
from meshplan.calibration.model import Array
from meshplan.calibration.posterior import Inference, Problem, mixture_quantile
from meshplan.records.measurement import FittedLink, LeftOut, MeasuredLink

LEAST_PRECISION = 1e-6
"""Rows that say less than this are not worth leaving out."""
SUSPECT_SD = 3.0


def places_of(measured: Sequence[MeasuredLink]) -> tuple[str, ...]:
    """Return the place of each link: as the file says, otherwise the end that was measured with fewer partners."""
    partners: Counter[str] = Counter()
    for a, b in {(m.link.a, m.link.b) for m in measured}:
        partners[a] += 1
        partners[b] += 1
    return tuple(m.location or (m.link.a if partners[m.link.a] <= partners[m.link.b] else m.link.b) for m in measured)


def leave_places_out(
    measured: Sequence[MeasuredLink], problem: Problem, inference: Inference, row_of: Sequence[int], cut: Array
) -> tuple[tuple[FittedLink, ...], LeftOut | None]:
    """Return every measured link as the other places predict it, and the errors over all.

    Parameters
    ----------
    measured : sequence, length m
    problem, inference
        As fitted to all rows.
    row_of : sequence of int, length m
        Row of each link's power.
    cut : ndarray, shape (n,)
        Residual below which a row would be missing, −inf where it would not: such a reading is forecast as one that was heard.

    Notes
    -----
    Source
        closed form for Gaussian models: leaving rows g out, the prediction of their values is value − (P_gg)⁻¹ (P·value)_g with
        variance (P_gg)⁻¹, P the inverse covariance of all rows (Gaussian Processes for
        Machine Learning (2006), section 5.4.2, named from memory, for blocks). The grid of error sizes is weighed again without
        the rows left out. Rows that are bounds enter as the Gaussians that expectation propagation found for them
    """
    places = places_of(measured)
    mean = np.full(len(measured), np.nan)
    sd = np.full(len(measured), np.nan)
    inside: list[bool] = []
    for place in sorted(set(places)):
        members = [i for i, name in enumerate(places) if name == place]
        touching = [i for i, m in enumerate(measured) if places[i] == place or place in (m.link.a, m.link.b)]
        if len(touching) == len(measured):
            continue
        rows = _rows_of(touching, row_of, problem)
        _predict_group(members, rows, row_of, measured, problem, inference, mean, sd, inside)
    for i, m in enumerate(measured):
        if not m.censored:
            mean[i], sd[i] = given_heard(float(mean[i]), float(sd[i]), float(cut[row_of[i]]))
    fitted = tuple(
        FittedLink(
            m,
            math.nan,
            math.nan,
            m.link.received_dbm + float(mean[i]),
            float(sd[i]),
            suspect=bool(not m.censored and abs(m.residual_db - mean[i]) > SUSPECT_SD * sd[i]),
        )
        for i, m in enumerate(measured)
    )
    return fitted, _summary(fitted, places, inside)


def _rows_of(touching: Sequence[int], row_of: Sequence[int], problem: Problem) -> list[int]:
    """Return all rows of these links: power and the noise row that follows it."""
    rows = []
    starts = [*row_of, len(problem.value)]
    for i in touching:
        rows += list(range(starts[i], starts[i + 1]))
    return rows


def _predict_group(
    members: Sequence[int],
    rows: Sequence[int],
    row_of: Sequence[int],
    measured: Sequence[MeasuredLink],
    problem: Problem,
    inference: Inference,
    mean: Array,
    sd: Array,
    inside: list[bool],
) -> None:
    """Fill in mean and standard deviation of the members, had from all rows but these.

    What a strange row was widened by is taken off again: it must not excuse itself.
    """
    index = np.array(rows)
    wanted = [row_of[i] for i in members]
    means, variances, logs = [], [], []
    for g in range(len(inference.sizes)):
        kept = index[inference.site_precision[g][index] > LEAST_PRECISION]
        precision = inference.precision[g]
        value = inference.site_shift[g][kept] / inference.site_precision[g][kept]
        block = np.linalg.inv(precision[np.ix_(kept, kept)])
        error = block @ inference.pull[g][kept]
        _, log_det = np.linalg.slogdet(block)
        logs.append(0.5 * float(error @ precision[np.ix_(kept, kept)] @ error) + 0.5 * float(log_det))
        at = {int(row): position for position, row in enumerate(kept)}
        means.append([value[at[r]] - error[at[r]] if r in at else math.nan for r in wanted])
        excess = (inference.sizes[g].own * problem.own_sd) ** 2 * (1 - problem.strangeness**-2.0)
        excess[wanted] += np.array([0.0 if m.censored else 1.0 for m in (measured[i] for i in members)]) * (
            problem.error[wanted] ** 2 - np.array([measured[i].error_db for i in members]) ** 2
        )
        variances.append([max(block[at[r], at[r]] - excess[r], 1e-6) if r in at else math.nan for r in wanted])
    weights = np.log(np.maximum(inference.weights, 1e-300)) + np.array(logs)
    weights = np.exp(weights - weights.max())
    weights /= weights.sum()
    m, v = np.array(means), np.array(variances)
    mixed = weights @ m
    spread = np.sqrt(weights @ (v + (m - mixed) ** 2))
    for position, i in enumerate(members):
        mean[i], sd[i] = mixed[position], spread[position]
        if not measured[i].censored and math.isfinite(mixed[position]):
            column = m[:, [position]], np.sqrt(v[:, [position]])
            low = mixture_quantile(*column, weights, 0.05)[0]
            high = mixture_quantile(*column, weights, 0.95)[0]
            inside.append(bool(low <= measured[i].residual_db <= high))


def _summary(fitted: Sequence[FittedLink], places: Sequence[str], inside: Sequence[bool]) -> LeftOut | None:
    """Return the errors over all places that could be left out."""
    used = [i for i, f in enumerate(fitted) if not f.measured.censored and math.isfinite(f.left_out_dbm)]
    if not used:
        return None
    plain = _distance_only(fitted, places, used)
    error = {i: fitted[i].measured.power_dbm - fitted[i].left_out_dbm for i in used}
    by_place: dict[str, list[float]] = {}
    for i in used:
        by_place.setdefault(places[i], []).append(error[i])
    return LeftOut(
        locations=len(by_place),
        links=len(used),
        error_db=_rms([error[i] for i in used]),
        error_over_readings_db=_rms(_over_readings(fitted, {i: fitted[i].left_out_dbm for i in used})),
        before_db=_rms([fitted[i].measured.residual_db for i in used]),
        before_over_readings_db=_rms(_over_readings(fitted, {i: fitted[i].measured.link.received_dbm for i in used})),
        distance_only_db=_rms([fitted[i].measured.power_dbm - plain[i] for i in plain]) if plain else math.nan,
        distance_only_over_readings_db=_rms(_over_readings(fitted, plain)) if plain else math.nan,
        inside_90=float(np.mean(inside)),
        by_location=tuple((name, _rms(values)) for name, values in sorted(by_place.items())),
    )


def _over_readings(fitted: Sequence[FittedLink], predicted: dict[int, float]) -> list[float]:
    """Return the error of each single reading."""
    return [p - value for i, value in predicted.items() for p in fitted[i].measured.powers_dbm]


def _distance_only(fitted: Sequence[FittedLink], places: Sequence[str], used: Sequence[int]) -> dict[int, float]:
    """Predict each place by least squares on lg(distance) with one offset for each fixed end, fitted to all other places."""
    fixed = {i: _other_end(fitted[i].measured, places[i]) for i in used}
    names = sorted(set(fixed.values()))
    column = {name: k for k, name in enumerate(names)}
    rows = np.zeros((len(used), len(names) + 1))
    for position, i in enumerate(used):
        rows[position, column[fixed[i]]] = 1.0
        rows[position, -1] = -10 * math.log10(max(fitted[i].measured.link.distance_m, 1.0))
    power = np.array([fitted[i].measured.power_dbm for i in used])
    result = {}
    for place in sorted({places[i] for i in used}):
        here = np.array([places[i] == place for i in used])
        known = rows[~here].any(axis=0)
        if (~here).sum() < 3:
            continue
        fit = np.linalg.lstsq(rows[~here], power[~here], rcond=None)[0]
        for position in np.flatnonzero(here).tolist():
            if known[column[fixed[used[position]]]]:
                result[used[position]] = float(rows[position] @ fit)
    return result


def _other_end(measured: MeasuredLink, place: str) -> str:
    """Return the end that is not the place left out."""
    return measured.link.a if measured.link.b == place else measured.link.b


def _rms(values: Sequence[float]) -> float:
    """Return the root mean square."""
    return math.sqrt(float(np.mean(np.square(values)))) if len(values) else math.nan
