"""Which link keeps a sensor from a gateway where its own best link is good enough: the one that lacks least on any way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import exp

from meshplan.links.link_table import LinkTable
from meshplan.planning.problem import LOG_UNITS, Links, PlacementProblem, log_loss
from meshplan.records import Role

MOST_CHANCE = 0.999
"""A link that must be surer than this is not asked for: no setting asks for more of any link."""


Losses = dict[str, dict[int, int]]
"""The least log loss of a way between a place and one end, by its number of links."""

Arc = tuple[str, str, int]
"""From where, to where, log loss."""


@dataclass(frozen=True, slots=True)
class MissingLink:
    """A link by its row in the table, the chance it must have for the whole way, who sends, who receives, and what it lacks."""

    row: int
    needed_chance: float
    sender: str
    receiver: str
    lack_db: float


@dataclass(frozen=True, eq=False)
class KnownWays:
    """What stands already: links between relays, and ways to a gateway, worked out once for all sensors."""

    problem: PlacementProblem

    @cached_property
    def most(self) -> int:
        """Return the most links that a way may have."""
        return self.problem.hop_limit or len(self.problem.nodes)

    @cached_property
    def relay_links(self) -> list[Arc]:
        """Return the usable links between relays."""
        links = self.problem.usable_backhaul
        names = _names(self.problem)
        return [(names[a], names[b], c) for a, b, c in _least_last(links.only(~self.problem.is_gateway[links.end]))]

    @cached_property
    def to_gateway(self) -> Losses:
        """Return the losses from relays to a gateway, 0 from a gateway itself."""
        problem, names = self.problem, _names(self.problem)
        ends = {names[i] for i in range(len(names)) if problem.is_gateway[i] and problem.allowed[i]}
        back = [(names[b], names[a], c) for a, b, c in _least_last(problem.usable_backhaul)]
        first: dict[str, int] = {}
        for end, start, loss in back:
            if end in ends:
                first[start] = min(loss, first.get(start, loss))
        return _grown({name: {0: 0} for name in ends}, first, [arc for arc in back if arc[0] not in ends], self.most)

    def from_sensor(self, sensor: int) -> Losses:
        """Return the losses from a sensor to the relays that it reaches, and to itself."""
        problem, names, links = self.problem, _names(self.problem), self.problem.usable_access
        own = links.only((links.start == sensor) & ~problem.is_gateway[links.end])
        here = {names[end]: loss for _, end, loss in _least_last(own)}
        return _grown({problem.sensors[sensor].id: {0: 0}}, here, self.relay_links, self.most)


def missing_link(ways: KnownWays, table: LinkTable, sensor: str, lack_db: Callable[[int, float], float]) -> MissingLink | None:
    """Return the one link that would serve a sensor if it were better, and lacks least; None if no single link would.

    Before it lies what the sensor reaches over usable links, behind it what reaches a gateway; all of it together keeps the hop
    limit and the least chance of the sensor's route.

    Parameters
    ----------
    ways : KnownWays
    table : LinkTable
    sensor : str
    lack_db : callable
        What a link, by its row, lacks to have a chance.
    """
    problem, most = ways.problem, ways.most
    index = problem.sensor_index[sensor]
    floor_units = int(problem.route_loss_limits[index])
    before, behind = ways.from_sensor(index), ways.to_gateway
    best: MissingLink | None = None
    for row, (i, j) in enumerate(table.pairs):
        a, b = table.stations[i], table.stations[j]
        both = [(a, b)] + ([(b, a)] if a.site.role is Role.RELAY and b.site.role is Role.RELAY else [])
        for start, end in both:
            if start.site.role is Role.SENSOR and start.key != sensor:
                continue
            left = _loss_left(before.get(start.key), behind.get(end.key), most - 1, floor_units)
            if left is None:
                continue
            needed = max(problem.min_link_chance, exp(-left / LOG_UNITS))
            if needed > MOST_CHANCE:
                continue
            lack = lack_db(row, needed)
            if lack > 0 and (best is None or lack < best.lack_db):
                best = MissingLink(row, needed, start.key, end.key, lack)
    return best


def _loss_left(before: dict[int, int] | None, behind: dict[int, int] | None, most: int, limit: int) -> int | None:
    """Return the most that one link between two parts of a way may lose; None if no parts fit."""
    if before is None or behind is None:
        return None
    losses = [one + other for n, one in before.items() for m, other in behind.items() if n + m <= most]
    left = limit - min(losses, default=limit + 1)
    return left if left >= 0 else None


def _grown(found: Losses, here: dict[str, int], links: list[Arc], most: int) -> Losses:
    """Return `found` with what is one link away, `here`, and all that follows over `links` in at most so many links."""
    for n in range(1, most):
        for name, loss in here.items():
            found.setdefault(name, {})[n] = loss
        onward: dict[str, int] = {}
        for start, end, loss in links:
            if start in here:
                onward[end] = min(here[start] + loss, onward.get(end, here[start] + loss))
        here = onward
    return found


def _least_last(links: Links) -> list[tuple[int, int, int]]:
    """Return start, end and log loss of links, parallel ones with the least loss last, which a mapping then keeps."""
    rows = zip(links.start.tolist(), links.end.tolist(), log_loss(links.chance).tolist(), strict=True)
    return sorted(rows, key=lambda row: (row[0], row[1], -row[2]))


def _names(problem: PlacementProblem) -> list[str]:
    return [node.id for node in problem.nodes]
