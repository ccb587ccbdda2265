"""Where to measure next: the places whose reading is expected to save most wrong decisions.

A decision is to use a link or not: it is used if its chance reaches what is required. It is wrong if it would not stand once every
place had been measured; the uncertainty that no reading takes away is left out of account. A reading helps only as far as it may
turn a decision: a link that is surely good or surely bad gains nothing, however uncertain its figure is. Where several links may
serve the same site the decision is about the best of them: beside one that surely works the others gain nothing; what counts there
is the expected cost of an error, as links replace one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri
from scipy.stats import qmc

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
from meshplan.records.measurement import Calibration, NextPlace, PlaceToStand, PredictedLink, Stake, Walk

READING_ERROR_DB = 2.0
"""Error of the middle of several readings at a place (common practice: three spots within half a wavelength, median)."""
LEAST_HEARD = 0.05
NODES = ndtri((np.arange(64) + 0.5) / 64)
"""Outcomes of a reading, equally likely, in standard deviations."""
OUTCOMES = 128
"""Outcomes of several readings at one place, spread evenly (a power of two)."""
LEAST_VALUE = 1e-9
"""Share of what is open that a place must be expected to save."""
LEAST_VARIANCE = 1e-9
SHARE_OF_COST = 0.01
"""Weight of the expected cost of an error beside decisions that would not stand: it ranks places where all decisions stand (own
choice)."""
NAMED = 3


def choose_next_places(
    candidates: Sequence[PlaceToStand],
    stakes: Sequence[Stake],
    calibration: Calibration | None,
    count: int,
    *,
    start: tuple[float, float] | None = None,
    boundary: shapely.Geometry | None = None,
    obstacles: Sequence[shapely.Geometry] = (),
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
        expected value of sample information (Applied Statistical Decision Theory, 1961, part I; named from memory), for
        Gaussian links; what an error costs is that the decision would not stand. Places are added one by one, each judged
        together with those before it
    Differs from source
        a reading that may not be heard counts as one with an error larger by 1/√chance
    """
    if count < 1:
        raise InputError(f"{count} places is no walk", where="number of places", fix="Ask for at least one place.")
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


def expected_wrong(mean_db: Array, variance: Array, learned: Array, knowable: Array, required: Array) -> Array:
    """Return the chance that the decision about a link, as it is after some readings, is not the one after all of them.

    Parameters
    ----------
    mean_db, variance : array_like, shape (n,)
        Of the margin, as now known.
    learned : array_like, shape (..., n)
        Variance that the readings would take away.
    knowable : array_like, shape (n,)
        Variance that measuring everywhere would take away.
    required : array_like, shape (n,)
        Chance from which a link is used.

    Returns
    -------
    ndarray, shape (..., n)
    """
    learned = np.clip(learned, 0.0, knowable)
    after = mean_db + np.sqrt(learned)[..., None, :] * NODES[:, None]
    used = after >= ndtri(required) * np.sqrt(variance - learned)[..., None, :]
    stands = _later_used(after, variance, learned[..., None, :], knowable, required)
    return np.asarray(np.where(used, 1.0 - stands, stands).mean(axis=-2))


def _later_used(after: Array, variance: Array, learned: Array, knowable: Array, required: Array) -> Array:
    """Return the chance that a link is used once everything has been measured, given its mean after some readings."""
    left = np.sqrt(np.maximum(knowable - learned, LEAST_VARIANCE))
    return np.asarray(ndtr((after - ndtri(required) * np.sqrt(variance - knowable)) / left))


@dataclass(frozen=True, eq=False)
class Decisions:
    """One decision for each site that is to be served: about the best of the links that may serve it.

    Parameters
    ----------
    members : ndarray, shape (m, g)
        Stakes of each decision, -1 where it has fewer than g.
    mean, variance, knowable, required, weight : ndarray, shape (n,)
        Of the stakes, as now known; `knowable` is the variance that measuring everywhere would take away.
    """

    members: NDArray[np.intp]
    mean: Array
    variance: Array
    knowable: Array
    required: Array
    weight: Array

    @classmethod
    def of(cls, stakes: Sequence[Stake], mean: Array, variance: Array, knowable: Array) -> Decisions:
        """Bring together the stakes that serve the same site."""
        groups: dict[object, list[int]] = {}
        for number, stake in enumerate(stakes):
            groups.setdefault(stake.served or number, []).append(number)
        members = np.full((len(groups), max(map(len, groups.values()))), -1, dtype=np.intp)
        for row, group in enumerate(groups.values()):
            members[row, : len(group)] = group
        required = np.array([stake.required_chance for stake in stakes])
        weight = np.array([stake.weight for stake in stakes])
        knowable = np.clip(knowable, 0.0, np.maximum(variance - SEASON_RESERVE_DB**2, 0.0))
        return cls(members, mean, variance, knowable, required, weight)

    def losses(self, learned: Array) -> Array:
        """Return how likely each decision is wrong, by weight, shape (m,), once readings took away `learned`, shape (n, n)."""
        loss = np.empty(len(self.members))
        alone = self.members.shape[1] == 1 or self.members[:, 1] < 0
        alone = np.broadcast_to(alone, loss.shape)
        one = self.members[alone, 0]
        wrong = expected_wrong(self.mean[one], self.variance[one], np.diag(learned)[one], self.knowable[one], self.required[one])
        loss[alone] = self.weight[one] * wrong + SHARE_OF_COST * self._of_the_best(self.members[alone, :1], learned)
        if not alone.all():
            loss[~alone] = self._of_the_best(self.members[~alone], learned)
        return loss

    def _of_the_best(self, members: NDArray[np.intp], learned: Array) -> Array:
        """Return the cost of the better decision where several links may serve a site; one, at its worst, is that of even chance.

        At the required chance both errors cost the same: to serve by a link that fails `required`, not to serve `1 − required`.
        """
        there = members >= 0
        taken = np.diag(learned)[members]
        known = np.clip(taken, 0.0, np.maximum(self.variance[members] - SEASON_RESERVE_DB**2, 0.0))
        scale = np.where(there, np.sqrt(known / np.maximum(taken, 1e-12)), 0.0)
        shift = learned[members[:, :, None], members[:, None, :]] * scale[:, :, None] * scale[:, None, :]
        root = np.linalg.cholesky(shift + 1e-9 * np.eye(members.shape[1]))
        after = self.mean[members] + np.einsum("mij,oj->omi", root, _even_outcomes(members.shape[1]))
        chance = np.where(there, ndtr(after / np.sqrt(np.maximum(self.variance[members] - known, LEAST_VARIANCE))), 0.0).max(axis=2)
        required = self.required[members[:, 0]]
        cost = np.minimum(required * (1 - chance), (1 - required) * chance) / np.maximum(required * (1 - required), LEAST_VARIANCE)
        return np.asarray(self.weight[members[:, 0]] * cost.mean(axis=0))

    def by_stake(self, gain: Array, learned: Array) -> Array:
        """Return the gain of each decision at that stake of it about which most is learned, shape (n,)."""
        taken = np.where(self.members >= 0, np.diag(learned)[self.members], -1.0)
        result = np.zeros(self.mean.size)
        result[self.members[np.arange(len(gain)), taken.argmax(axis=1)]] = gain
        return result


@cache
def _even_outcomes(n: int) -> Array:
    """Return normal outcomes of n readings, spread evenly, shape (OUTCOMES, n)."""
    points = qmc.Sobol(n, scramble=False).random(2 * OUTCOMES)[OUTCOMES:]
    return np.asarray(ndtri(points + 0.25 / OUTCOMES))


def _choose(
    places: Sequence[PlaceToStand], stakes: Sequence[Stake], calibration: Calibration | None, count: int
) -> tuple[list[NextPlace], float]:
    """Return the places in order of value, and the wrong decisions to be expected with no reading at all."""
    links = [stake.link for stake in stakes] + [link for place in places for link in place.links]
    correction, covariance = joint_posterior(calibration, links)
    margin = np.array([link.margin_db for link in links]) + correction
    heard = np.maximum(ndtr(margin / np.sqrt(np.diag(covariance))), LEAST_HEARD)
    n = len(stakes)
    mean = margin[:n] - np.array([stake.fade_margin_db for stake in stakes])
    variance = np.diag(covariance)[:n].copy()
    rows: list[NDArray[np.intp]] = []
    at = n
    for place in places:
        rows.append(np.arange(at, at + len(place.links)))
        at += len(place.links)
    error = READING_ERROR_DB**2 / heard
    prior = covariance[:n, :n]
    decisions = Decisions.of(stakes, mean, variance, np.diag(_learned(covariance, np.concatenate(rows), error, n)))
    now = decisions.losses(np.zeros((n, n)))
    before = total = float(now.sum())
    chosen: list[NextPlace] = []
    open_places = list(range(len(places)))
    while open_places and len(chosen) < count:
        gone = prior - covariance[:n, :n]
        losses = np.array([decisions.losses(gone + _learned(covariance, rows[k], error, n)) for k in open_places])
        best = int(np.argmin(np.round(losses.sum(axis=1), 12)))
        value = before - float(losses[best].sum())
        if value <= LEAST_VALUE * total:
            break
        k = open_places.pop(best)
        gain = decisions.by_stake(now - losses[best], _learned(covariance, rows[k], error, n))
        now = losses[best]
        chosen.append(_described(places[k], value, gain, stakes, total))
        covariance = _after(covariance, rows[k], error)
        before -= value
    return chosen, total


def _learned(covariance: Array, rows: NDArray[np.intp], error: Array, n: int) -> Array:
    """Return the covariance of the stakes that readings of some rows take away, shape (n, n)."""
    across = covariance[:n, rows]
    return np.asarray(across @ np.linalg.solve(_readings(covariance, rows, error), across.T))


def _readings(covariance: Array, rows: NDArray[np.intp], error: Array) -> Array:
    """Return the covariance of readings of some rows."""
    return np.asarray(covariance[np.ix_(rows, rows)] + np.diag(error[rows]))


def _after(covariance: Array, rows: NDArray[np.intp], error: Array) -> Array:
    """Return the covariance of all links after reading some rows."""
    across = covariance[:, rows]
    return np.asarray(covariance - across @ np.linalg.solve(_readings(covariance, rows, error), across.T))


def _described(place: PlaceToStand, value: float, gain: Array, stakes: Sequence[Stake], total: float) -> NextPlace:
    """Say what a place would decide."""
    order = [int(i) for i in np.argsort(-gain, kind="stable")[:NAMED] if gain[i] > 0.05 * gain.max()]
    named = [f"{stakes[i].link.a} to {stakes[i].link.b}" for i in order]
    share = 100 * value / total if total > 0 else 0.0
    sentence = f"Measure at {place.name}: it settles {share:.0f} % of what is open, most of all {', '.join(named)}."
    return NextPlace(place, value, tuple(stakes[i].link.key for i in order), sentence)


def _walk(
    chosen: Sequence[NextPlace], total: float, start: tuple[float, float] | None, area: shapely.Geometry | None, notes: list[str]
) -> Walk:
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
