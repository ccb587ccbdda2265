"""Where to measure next: the places whose reading is expected to save most wrong decisions.

A decision is to use a link or not. It is right to use it if its chance reaches what is required; at that chance both errors cost
the same, so an error of using costs `required` and an error of not using `1 − required`. A reading helps only as far as it may
turn a decision: a link that is surely good or surely bad gains nothing, however uncertain its figure is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from meshplan.calibration.correct import SEASON_RESERVE_DB, joint_posterior
from meshplan.calibration.model import Array
from meshplan.calibration.walk_route import (
    shortest_order,
    tour_length_m,
    walkable_area,
    walking_distances,
    way_between,
)
from meshplan.errors import InputError
from meshplan.measurement_records import Calibration, NextPlace, PlaceToStand, PredictedLink, Stake, Walk

READING_ERROR_DB = 2.0
"""Error of the middle of several readings at a place (common practice: three spots within half a wavelength, median)."""
LEAST_HEARD = 0.05
NODES = ndtri((np.arange(64) + 0.5) / 64)
"""Outcomes of a reading, equally likely, in standard deviations."""
NAMED = 3


def choose_next_places(
    candidates: Sequence[PlaceToStand],
    stakes: Sequence[Stake],
    calibration: Calibration | None,
    count: int,
    *,
    start: tuple[float, float] | None = None,
    boundary: Any | None = None,
    obstacles: Sequence[Any] = (),
) -> Walk:
    """Return up to `count` places in walking order.

    Parameters
    ----------
    candidates : sequence of PlaceToStand
        Places with the links that could be heard there. A place outside the boundary is left out, and said.
    stakes : sequence of Stake
        Links on which the plan hangs: those it uses and those it would use if they were better.
    calibration : Calibration or None
        What is known; None before any reading.
    count : int
        Most places.
    start : (x_m, y_m), optional
        Where the walk begins and ends; by default at the first place.
    boundary, obstacles : shapely polygons on the local grid, optional
        Where one may walk.

    Notes
    -----
    Source
        expected value of sample information (Applied Statistical Decision Theory, 1961, part I; named from memory),
        closed-form for Gaussian links; places are added one by one, each judged together with those before it
    Differs from source
        a reading that may not be heard counts as one with an error larger by 1/√chance
    """
    if count < 1:
        raise InputError(f"{count} places is no walk", fix="Ask for at least one place.")
    area = walkable_area(boundary, obstacles)
    notes = []
    inside = [p for p in candidates if p.links and (area is None or area.buffer(0.5).covers(shapely.Point(p.x_m, p.y_m)))]
    if len(inside) < len(candidates):
        out = len(candidates) - len(inside)
        lie = "1 place lies" if out == 1 else f"{out} places lie"
        notes.append(f"{lie} outside the boundary, in the way, or out of hearing.")
    if not inside or not stakes:
        return Walk((), (), 0.0, 0.0, 0.0, (*notes, "No place is left to measure." if stakes else "No decision is open."))
    chosen, total = _choose(inside, stakes, calibration, count)
    if not chosen:
        notes.append("No reading is expected to change a decision.")
    return _walk(chosen, total, start, area, notes)


def expected_loss(mean_db: Array, variance: Array, learned: Array, required: Array, weight: Array) -> Array:
    """Return the expected cost of wrong decisions about links.

    Parameters
    ----------
    mean_db, variance : array_like, shape (n,)
        Of the margin, as now known.
    learned : array_like, shape (..., n)
        Variance that readings would take away. The reserve for other seasons cannot be measured away.
    required, weight : array_like, shape (n,)
        Chance from which a link is used; what an error costs.

    Returns
    -------
    ndarray, shape (..., n)
    """
    learned = np.clip(learned, 0.0, np.maximum(variance - SEASON_RESERVE_DB**2, 0.0))
    after = mean_db + np.sqrt(learned)[..., None, :] * NODES[:, None]
    chance = ndtr(after / np.sqrt(variance - learned)[..., None, :])
    loss = np.minimum(required * (1 - chance), (1 - required) * chance)
    return np.asarray(weight * loss.mean(axis=-2))


def _choose(
    places: Sequence[PlaceToStand], stakes: Sequence[Stake], calibration: Calibration | None, count: int
) -> tuple[list[NextPlace], float]:
    """Return the places in order of value, and the cost with no reading at all."""
    links = [stake.link for stake in stakes] + [link for place in places for link in place.links]
    correction, covariance = joint_posterior(calibration, links)
    margin = np.array([link.margin_db for link in links]) + correction
    heard = np.maximum(ndtr(margin / np.sqrt(np.diag(covariance))), LEAST_HEARD)
    n = len(stakes)
    mean = margin[:n] - np.array([stake.fade_margin_db for stake in stakes])
    variance = np.diag(covariance)[:n].copy()
    required = np.array([stake.required_chance for stake in stakes])
    weight = np.array([stake.weight for stake in stakes])
    rows: list[NDArray[np.intp]] = []
    at = n
    for place in places:
        rows.append(np.arange(at, at + len(place.links)))
        at += len(place.links)
    error = READING_ERROR_DB**2 / heard
    before = total = float(expected_loss(mean, variance, np.zeros(n), required, weight).sum())
    chosen: list[NextPlace] = []
    open_places = list(range(len(places)))
    while open_places and len(chosen) < count:
        learned = np.array([_learned(covariance, rows[k], error, n) for k in open_places])
        gone = variance - np.diag(covariance)[:n]
        losses = expected_loss(mean, variance, learned + gone, required, weight)
        best = int(np.argmin(np.round(losses.sum(axis=1), 12)))
        value = before - float(losses[best].sum())
        if value <= 1e-9 * max(total, 1e-9):
            break
        k = open_places.pop(best)
        gain = expected_loss(mean, variance, gone, required, weight) - losses[best]
        chosen.append(_described(places[k], value, gain, stakes, total))
        covariance = _after(covariance, rows[k], error)
        before -= value
    return chosen, total


def _learned(covariance: Array, rows: NDArray[np.intp], error: Array, n: int) -> Array:
    """Return the variance of each stake that readings of some rows take away, shape (n,)."""
    inner = covariance[np.ix_(rows, rows)] + np.diag(error[rows])
    across = covariance[:n, rows]
    return np.asarray(np.sum(across * np.linalg.solve(inner, across.T).T, axis=1))


def _after(covariance: Array, rows: NDArray[np.intp], error: Array) -> Array:
    """Return the covariance of all links after reading some rows."""
    inner = covariance[np.ix_(rows, rows)] + np.diag(error[rows])
    across = covariance[:, rows]
    return np.asarray(covariance - across @ np.linalg.solve(inner, across.T))


def _described(place: PlaceToStand, value: float, gain: Array, stakes: Sequence[Stake], total: float) -> NextPlace:
    """Say what a place would decide."""
    order = [int(i) for i in np.argsort(-gain, kind="stable")[:NAMED] if gain[i] > 0.05 * gain.max()]
    named = [f"{stakes[i].link.a} to {stakes[i].link.b}" for i in order]
    share = 100 * value / total if total > 0 else 0.0
    sentence = f"Measure at {place.name}: it settles {share:.0f} % of what is open, most of all {', '.join(named)}."
    return NextPlace(place, value, tuple(stakes[i].link.key for i in order), sentence)


def _walk(chosen: Sequence[NextPlace], total: float, start: tuple[float, float] | None, area: Any | None, notes: list[str]) -> Walk:
    """Return the places in walking order with the way."""
    if not chosen:
        return Walk((), (), 0.0, 0.0, total, tuple(notes))
    begin = start if start is not None else (chosen[0].place.x_m, chosen[0].place.y_m)
    points = [begin, *((stop.place.x_m, stop.place.y_m) for stop in chosen)]
    distance, nodes, before = walking_distances(points, area)
    cut_off = [k for k in range(1, len(points)) if not np.isfinite(distance[0, k])]
    if cut_off:
        names = ", ".join(chosen[k - 1].place.name for k in cut_off)
        notes.append(f"No way inside the boundary leads from the start to {names}: the way is drawn straight.")
        distance, nodes, before = walking_distances(points, None)
    order = shortest_order(distance)
    path, at = [begin], 0
    for stop in (*order, 0):
        path += way_between(at, stop, nodes, before)
        at = stop
    stops = tuple(chosen[k - 1] for k in order)
    value = float(sum(stop.value for stop in chosen))
    return Walk(stops, tuple(path), tour_length_m(order, distance), value, total, tuple(notes))


def links_of(places: Sequence[PlaceToStand]) -> tuple[PredictedLink, ...]:
    """Return all links of some places."""
    return tuple(link for place in places for link in place.links)
