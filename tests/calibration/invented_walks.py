"""Invented properties on which places are measured one after the other, until the plan is right."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from invented_readings import drawn_power_dbm, measure, property_links
from scipy.stats import norm

from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.correct import correct_links
from meshplan.calibration.next_places import choose_next_places
from meshplan.records.measurement import Calibration, MeasuredLink, PlaceToStand, PredictedLink, Stake

REQUIRED = 0.8


def places_of_links(links: tuple[PredictedLink, ...]) -> list[PlaceToStand]:
    by_name: dict[str, list[PredictedLink]] = {}
    for link in links:
        by_name.setdefault(link.a, []).append(link)
    return [PlaceToStand(name, own[0].a_x_m, own[0].a_y_m, tuple(own)) for name, own in sorted(by_name.items())]


def with_margins(links: tuple[PredictedLink, ...], rng: np.random.Generator, on_edge: float = 1 / 6) -> tuple[PredictedLink, ...]:
    """Most links are clearly good or clearly bad; a share of them hangs on a few decibels."""
    margins = np.where(rng.random(len(links)) < on_edge, rng.normal(5.0, 3.0, len(links)), rng.choice([-30.0, 35.0], len(links)))
    return tuple(replace(link, sensitivity_dbm=link.received_dbm - float(m)) for link, m in zip(links, margins, strict=True))


def decisions(links: tuple[PredictedLink, ...], calibration: Calibration | None) -> np.ndarray:
    """Return which links the plan uses."""
    if calibration is None:
        return np.array([norm.cdf(link.margin_db / link.spread.total_db) >= REQUIRED for link in links])
    corrected = correct_links(calibration, links)
    margin = np.array([link.margin_db + c.correction_db for link, c in zip(links, corrected, strict=True)])
    return norm.cdf(margin / np.array([c.spread.total_db for c in corrected])) >= REQUIRED


def who_is_served(links: tuple[PredictedLink, ...], calibration: Calibration | None) -> tuple[str, ...]:
    """Return the sensors that the plan serves: those with a link that it uses."""
    used = decisions(links, calibration)
    return tuple(sorted({link.a for link, use in zip(links, used, strict=True) if use}))


@dataclass(frozen=True)
class Walks:
    """Places measured, one after the other, until the plan is the one that measuring everywhere would give."""

    links: tuple[PredictedLink, ...]
    measured: tuple[MeasuredLink, ...]
    plan: Callable[[tuple[PredictedLink, ...], Calibration | None], Any]
    done: Callable[[Any, Any], bool]

    def learn(self, seen: Collection[str]) -> Calibration:
        return calibrate([reading for reading in self.measured if reading.link.a in seen])

    def places_needed(self, choose: Callable[[list[PlaceToStand], Calibration | None], str]) -> int:
        places = places_of_links(self.links)
        target = self.plan(self.links, self.learn({place.name for place in places}))
        seen: list[str] = []
        calibration: Calibration | None = None
        while len(seen) < len(places):
            seen.append(choose([place for place in places if place.name not in seen], calibration))
            calibration = self.learn(seen)
            if self.done(self.plan(self.links, calibration), target):
                break
        return len(seen)

    def nothing_to_find(self) -> bool:
        return self.done(self.plan(self.links, None), self.plan(self.links, self.learn({link.a for link in self.links})))

    def chosen(self, stakes: list[Stake]) -> int:
        def best(rest: list[PlaceToStand], calibration: Calibration | None) -> str:
            walk = choose_next_places(rest, stakes, calibration, 1)
            return walk.stops[0].place.name if walk.stops else rest[0].name

        return self.places_needed(best)

    def at_random(self, seed: int, orders: int = 4) -> float:
        """Return the mean over some orders."""
        names = [place.name for place in places_of_links(self.links)]
        needed = []
        for repeat in range(orders):
            order = np.random.default_rng(seed + 100 * repeat).permutation(len(names)).tolist()
            rank = {names[place]: at for at, place in enumerate(order)}
            needed.append(self.places_needed(lambda rest, _, rank=rank: min(rest, key=lambda one: rank[one.name]).name))  # type: ignore[misc]
        return float(np.mean(needed))


def invented_walks(seed: int, sensors: int, on_edge: float, plan: Any, done: Any) -> Walks:
    rng = np.random.default_rng(700 + seed)
    links = with_margins(property_links(rng, gateways=2, sensors=sensors), rng, on_edge)
    power, _ = drawn_power_dbm(links, rng)
    return Walks(links, measure(links, power, rng, reading_sd_db=1.5), plan, done)


def all_but_one(found: Any, target: Any) -> bool:
    """Whether at most one verdict differs."""
    return int(np.sum(found != target)) <= 1
