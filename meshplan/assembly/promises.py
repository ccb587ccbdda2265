"""What a remedy promises a sensor: whether it then has the routes it asks for, over which way, and for what money."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from math import isfinite, isnan, nan

from meshplan.assembly.alternatives import change_words
from meshplan.explain.remedies import Changed
from meshplan.planning.problem import PlacementProblem, PlacementResult
from meshplan.planning.what_if import can_be_served, plan_again
from meshplan.records import Remedy
from meshplan.units import percent_words

Chances = Mapping[tuple[str, str], float]

ONE_ROUTE_ONLY = "then served, by one route only"
NOT_ITS_MONEY = "then its budget or its worth still leaves it out"
NOT_ITS_ROOM = "then others still take the room that it needs"
OTHERS_LOSE = "then it is served in place of {others}"

LEAST_MONEY = 0.005
"""Less is rounding."""

FEW_NODES = 60
"""Candidates up to which every change is judged by planning again: that takes a fraction of a second then (own choice)."""

ChanceOf = Callable[[tuple[str, ...]], float]
"""Chance of a whole route, from a sensor to a gateway, with the errors that its links share."""


def _untold(_: tuple[str, ...]) -> float:
    return nan


@dataclass(frozen=True)
class LinksAfter:
    """Links after a change, from start to end: their chances, and what each gains in dB.

    `more_cost` is what a device costs more then; `chance_of` returns the chance of a route as a plan tells it, NaN where only the
    product of its links is known.
    """

    chances: Chances
    gain_db: Mapping[frozenset[str], float]
    more_cost: Mapping[str, float] = field(default_factory=dict)
    chance_of: ChanceOf = _untold


@dataclass(frozen=True, eq=False)
class Promises:
    """Judges the remedies of one sensor.

    Parameters
    ----------
    problem : PlacementProblem
    sensor : str
    told : frozenset
        The two ends of the link that the remedies are told of.
    cost : float
        What the plan costs without them.
    currency : str
    links_after : callable
        Returns the links that may lie on the way of the sensor after a change.
    served : frozenset
        Sensors that the plan serves, none of which may lose its place by a change.
    """

    problem: PlacementProblem
    sensor: str
    told: frozenset[str]
    cost: float
    currency: str
    links_after: Callable[[Changed], LinksAfter]
    served: frozenset[str] = frozenset()
    _links: dict[int, tuple[Changed, LinksAfter]] = field(default_factory=dict)
    _plans: dict[int, PlacementResult] = field(default_factory=dict)

    def suffices(self, each: Changed) -> bool:
        """Return whether a change gives the sensor the routes it asks for; where others count too, by planning again."""
        if not can_be_served(self.problem, self.sensor, self._after(each).chances):
            return False
        return not self._others_count or self._has_all(self._again(each))

    def told_fully(self, each: Changed, remedy: Remedy) -> Remedy:
        """Return a remedy with the way that the sensor takes where it is another, or with what it still lacks."""
        after = self._after(each)
        if not remedy.suffices:
            return replace(remedy, lacks=self._lacks(each))
        own = {ends: chance for ends, chance in after.chances.items() if set(ends) == self.told}
        if not self._others_count and self._is_whole_way(own) and can_be_served(self.problem, self.sensor, own):
            return remedy
        result = self._again(each)
        if not self._has_all(result):
            return replace(remedy, suffices=False, lacks=self._lacks(each) or NOT_ITS_ROOM)
        route, chance, words = way_of(result, self.sensor, self.cost, self.currency, after.chance_of)
        more = result.plan.cost - self.cost
        if set(route) == self.told:
            words = f"{change_words(more, self.currency)} of gateways and relays" if self._costs_more(more) else ""
            return replace(remedy, change=f"{remedy.change}{f'; {words}' if words else ''}", chance_after=chance)
        change, gain_db = remedy.change, remedy.gain_db
        if each.station.key in route:
            at = route.index(each.station.key)
            partner = route[at + 1] if at + 1 < len(route) else route[at - 1]
            (other,) = self.told - {each.station.key}
            change = change.replace(f", pointed at {other}", f", pointed at {partner}")
            gain_db = round(after.gain_db.get(frozenset((each.station.key, partner)), gain_db), 1)
        return replace(remedy, change=f"{change}; {words}", gain_db=gain_db, chance_after=chance, route=route)

    @property
    def _others_count(self) -> bool:
        """Return whether what others take, or what is spent on them, may decide, or planning again costs next to nothing."""
        return len(self.problem.nodes) <= FEW_NODES or money_decides(self.problem, self.sensor)

    def _is_whole_way(self, own: Chances) -> bool:
        """Return whether the link told of leads from the sensor to a gateway."""
        gateways = {node.id for node in self.problem.nodes if node.is_gateway}
        return any(start == self.sensor and end in gateways for start, end in own)

    @staticmethod
    def _costs_more(more: float) -> bool:
        return abs(more) >= LEAST_MONEY

    def _lacks(self, each: Changed) -> str:
        chances = self._after(each).chances
        if can_be_served(self.problem, self.sensor, chances):
            return self._lost_to_others(each)
        once = replace(self.problem, redundancy="none")
        if self.problem.redundancy == "none" or can_be_served(once, self.sensor, {}):
            return ""
        if not can_be_served(once, self.sensor, chances):
            return ""
        if money_decides(self.problem, self.sensor) and self.sensor not in _served(self._again(each)):
            return NOT_ITS_MONEY
        return ONE_ROUTE_ONLY

    def _lost_to_others(self, each: Changed) -> str:
        """Return why a sensor that could have its routes has them not, or not without loss to others."""
        if not self._others_count:
            return NOT_ITS_ROOM
        result = self._again(each)
        lost = sorted(self.served - _served(result))
        if self.sensor in _served(result) and lost:
            return OTHERS_LOSE.format(others=" and ".join(lost))
        if self.sensor in result.plan.single_route:
            return ONE_ROUTE_ONLY
        return NOT_ITS_MONEY if money_decides(self.problem, self.sensor) else NOT_ITS_ROOM

    def _after(self, each: Changed) -> LinksAfter:
        if id(each) not in self._links:
            self._links[id(each)] = (each, self.links_after(each))
        return self._links[id(each)][1]

    def _again(self, each: Changed) -> PlacementResult:
        if id(each) not in self._plans:
            after = self._after(each)
            self._plans[id(each)] = plan_again(self.problem, after.chances, after.more_cost)
        return self._plans[id(each)]

    def _has_all(self, result: PlacementResult) -> bool:
        served = _served(result)
        return self.sensor in served and self.sensor not in result.plan.single_route and self.served <= served


def money_decides(problem: PlacementProblem, sensor: str) -> bool:
    """Return whether a sensor that could be served may still be left out for its cost."""
    return isfinite(problem.budget) or not problem.sensors[problem.sensor_index[sensor]].required


def way_of(
    result: PlacementResult, sensor: str, cost: float, currency: str, chance_of: ChanceOf = _untold
) -> tuple[tuple[str, ...], float, str]:
    """Return the first route of a served sensor with its chance, and both in words with what the plan then costs more."""
    first = next(item.first for item in result.plan.served if item.sensor_id == sensor)
    more, route = result.plan.cost - cost, (sensor, *first.node_ids)
    told = chance_of(route)
    chance = first.chance if isnan(told) else told
    price = f", {change_words(more, currency)}" if abs(more) >= LEAST_MONEY else ""
    return route, chance, f"its way is then {' → '.join(first.node_ids)}, {percent_words(chance)}{price}"


def _served(result: PlacementResult) -> set[str]:
    return {item.sensor_id for item in result.plan.served}
