"""Sensors without a route, or without the second one they asked for: what is missing, and what would mend it."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from functools import cached_property
from itertools import pairwise

import numpy as np

from meshplan.assembly.missing_link import KnownWays, MissingLink, missing_link
from meshplan.assembly.mixed import Contexts, context_of
from meshplan.assembly.promises import (
    NOT_ITS_MONEY,
    NOT_ITS_ROOM,
    ONE_ROUTE_ONLY,
    OTHERS_LOSE,
    LinksAfter,
    Promises,
    money_decides,
    way_of,
)
from meshplan.assembly.routes import chance_of_route
from meshplan.assembly.traffic import command_need
from meshplan.explain.describe import Context, main_causes, plants_on_path
from meshplan.explain.remedies import Changed, Workshop, find_remedies
from meshplan.links.link_table import LinkTable
from meshplan.operation.cautions import advised_cautions
from meshplan.planning.explain import second_route_gaps
from meshplan.planning.problem import PlacementPlan, PlacementProblem, UnservedSensor
from meshplan.planning.what_if import can_be_served, plan_again, with_power
from meshplan.propagation.seasons import season_words
from meshplan.propagation.variability import reliability_margin_db
from meshplan.records import CautionRule, Power, Remedy, Role, Unserved
from meshplan.records.station import Station
from meshplan.terrain.candidates import FOUND_ON_THE_LAND
from meshplan.units import chance_against_asked, decibel_words, percent_words

REASONS = {
    "no link at all": "no gateway or relay candidate is near enough to be looked at",
    "no lasting power": "a candidate that could carry it has no lasting power",
    "more hops needed": "it would need more hops than the plan may use",
    "no way to a gateway": "it reaches relays, but none of them reaches a gateway",
    "route chance too low": "its whole route would work too rarely",
    "no second route": "it has one route, but no second one that survives a failure",
    "airtime is full": "the devices that hear it would be on the air for longer than the rules allow, and others fit better: "
    "longer intervals, shorter readings or another sub-band make room",
    "budget is spent": "serving it would cost more than the budget",
    "not worth its cost": "it is optional and serving it would cost all that it is worth, or more",
    "one mast per site": "the sites it needs can carry only one of the heights it asks for",
}

SECOND_REASONS = {
    "no second route": "with everything offered in use, no {route} would be left if {critical} failed",
    "airtime is full": "a second route would need more time on the air than the rules allow",
    "budget is spent": "a second route would cost more than the budget",
    "not worth its cost": "it is optional, and a second route would cost all that it is worth, or more",
    "one mast per site": "the places that a second route needs can carry only one device each, and others need them otherwise",
}
"""Why a served sensor has one route where two were asked for."""

DEAF = "its radio is one-way and can never hear a command: take a two-way class, or write downlink_bytes = 0 if it needs none"
SMALLEST_LACK_DB = 0.1
"""A lack is never written as none."""

SURELY = 0.0005
"""A chance that exceeds another by less is not told apart from it."""

RADIO_HELPS = ("no link at all", "no way to a gateway", "more hops needed", "route chance too low", "no second route")
"""Reasons that a better antenna, mast or cable may mend."""

MOST_OTHER_LINKS = 60
"""Other links of a changed device that are computed anew to tell whether the change suffices (own choice)."""

NOT_THE_RADIO = ("airtime is full", "budget is spent", "not worth its cost", "one mast per site")
"""Reasons beside which no decibels are told: a route good enough is there, and others or the money stand in its way."""

LIES_BEYOND = ("no way to a gateway", "more hops needed", "route chance too low")
"""Reasons that may lie at a link which is not the sensor's own."""


WiresAt = Callable[[str, float], tuple[str, ...]]


def _no_wires(station: str, raised_to_m: float) -> tuple[str, ...]:
    return ()


def with_wires(remedy: Remedy, wires_at: WiresAt) -> Remedy:
    """Return a remedy that raises an antenna with what is said of the wires near it, first."""
    if remedy.raised_to_m is None:
        return remedy
    return replace(remedy, cautions=(*wires_at(remedy.device, remedy.raised_to_m), *remedy.cautions))


@dataclass(frozen=True, eq=False)
class Remedying:
    """What the words about sensors without a route are made from.

    `floors` is the least chance of a whole route of each sensor. Each link of a route of n links needs its n-th root, but never
    less than any link does.
    """

    table: LinkTable
    problem: PlacementProblem
    context: Context
    contexts: Contexts
    floors: Mapping[str, float]
    workshop: Workshop
    caution_rules: Sequence[CautionRule] = ()
    wires_at: WiresAt = _no_wires
    """What is said of wires near a station whose antenna is raised to a height."""
    cost: float = 0.0
    """What the plan costs without any remedy."""
    currency: str = ""
    served: frozenset[str] = frozenset()
    """Sensors that the plan serves."""

    def gap(self, sensor: str, row: int, reason: str, *, mended_by_radio: bool, hops: int = 1) -> Unserved:
        """Return what a link of a sensor's route of so many links lacks, with remedies where the radio is what is lacking."""
        other, needed_chance = self.asked_of(sensor, row, hops)
        return self._gap(sensor, other, row, reason, needed_chance, mended_by_radio=mended_by_radio)

    def asked_of(self, sensor: str, row: int, hops: int) -> tuple[str, float]:
        """Return the other end of a link of a sensor's route of so many links, and the chance that it must have."""
        a, b = (self.table.stations[i] for i in self.table.pairs[row])
        other = b if a.key == sensor else a
        links = 1 if other.site.role is Role.GATEWAY else hops  # a link to a gateway is a whole route
        return other.key, max(self.context.required_chance, self.floors.get(sensor, 0.0) ** (1.0 / links))

    def lack_db(self, row: int, needed_chance: float, other: LinkTable | None = None) -> float:
        """Return the margin that a link lacks in its worst season to have a chance; none or less where it has it.

        The row is one of the table, or of another.
        """
        table = other or self.table
        worst = int(table.worst_season[row])
        needed_db = float(table.fade_margin_db[row]) + float(
            reliability_margin_db(needed_chance, float(table.spread_db[worst, row]), table.freedom(worst, row))
        )
        return needed_db - float(table.margin_db[worst, row])

    def gap_beyond(self, sensor: str, missing: MissingLink, reason: str) -> Unserved:
        """Return a gap at the link of a sensor's way that lacks least."""
        reason = f"{reason}; the link from {missing.sender} to {missing.receiver} comes nearest to mending it"
        if missing.needed_chance > self.context.required_chance + SURELY:
            reason += f", and must then work in {percent_words(missing.needed_chance)} of cases"
        return self._gap(sensor, missing.receiver, missing.row, reason, missing.needed_chance, mended_by_radio=True)

    def _gap(self, sensor: str, other: str, row: int, reason: str, needed_chance: float, *, mended_by_radio: bool) -> Unserved:
        table = self.table
        lack_db = self.lack_db(row, needed_chance)
        missing_db = max(lack_db, SMALLEST_LACK_DB) if lack_db > 0.0 else 0.0
        if not mended_by_radio:
            return Unserved(sensor, other, round(missing_db, 1), reason, ())
        own = context_of(table, row, self.context, self.contexts)
        a, b = (table.stations[i].key for i in table.pairs[row])
        promises = Promises(
            self.problem,
            sensor,
            frozenset((a, b)),
            self.cost,
            self.currency,
            lambda each: self._links_after(sensor, row, each, own),
            self.served,
        )

        def told(each: Changed, remedy: Remedy) -> Remedy:
            return self.with_ease(promises.told_fully(each, remedy), row, needed_chance, lambda: self._link_after(row, each, own))

        remedies = find_remedies(
            table,
            row,
            own.landscape,
            own.settings,
            self.workshop,
            required_chance=own.required_chance,
            suffices=promises.suffices,
            told=told,
        )
        advised = [with_wires(remedy, self.wires_at) for remedy in advised_cautions(remedies, self.caution_rules)]
        return Unserved(sensor, other, round(missing_db, 1), reason, tuple(advised))

    def with_ease(self, remedy: Remedy, row: int, needed_chance: float, after: Callable[[], LinkTable]) -> Remedy:
        """Return a remedy that tells how much less margin its link needs then, or more, where its gain alone would mislead.

        A link that loses less to what is uncertain is surer at the same margin. `after` returns the changed link alone.
        """
        lack_db = self.lack_db(row, needed_chance)
        if remedy.route or remedy.lacks or (remedy.gain_db >= round(lack_db, 1)) == remedy.suffices:
            return remedy
        eased_db = lack_db - remedy.gain_db - self.lack_db(0, needed_chance, after())
        if abs(eased_db) < SMALLEST_LACK_DB / 2.0:
            return remedy
        surer, less = ("surer", "less") if eased_db > 0.0 else ("less sure", "more")
        words = f"the link is {surer} then and needs {decibel_words(max(abs(eased_db), SMALLEST_LACK_DB))} dB {less}"
        return replace(remedy, change=f"{remedy.change}; {words}")

    def _link_after(self, row: int, each: Changed, own: Context) -> LinkTable:
        """Return a link alone, after a change at one of its ends."""
        ends = [self.table.stations[i] for i in self.table.pairs[row]]
        ends[each.change.end] = each.station
        return self.workshop.links(ends, [(0, 1)], self.table, own.landscape, own.settings)

    def _links_after(self, sensor: str, row: int, each: Changed, own: Context) -> LinksAfter:
        """Return the links that may lie on a route of a sensor when a row is changed.

        All change with it: those of the device, and of what else the same row stands for.
        """
        table = self.table
        changed = self._rebuilt(int(table.pairs[row][each.change.end]), each)
        rows = dict.fromkeys([row, *(other for index in changed for other in self._other_rows(index, sensor))])
        stations: list[Station] = []
        for other_row in rows:
            stations += [changed.get(int(i), table.stations[i]) for i in table.pairs[other_row]]
        pairs = [(i, i + 1) for i in range(0, len(stations), 2)]
        links = self.workshop.links(stations, pairs, table, own.landscape, own.settings)
        chances: dict[tuple[str, str], float] = {}
        gains = links.margin_db.min(axis=0) - table.margin_db[:, list(rows)].min(axis=0)
        gain_db: dict[frozenset[str], float] = {}
        anew: dict[frozenset[str], int] = {}
        for number, ((i, j), chance, gain) in enumerate(zip(pairs, links.worst_chance.tolist(), gains.tolist(), strict=True)):
            start, end = stations[i], stations[j]
            chances[start.key, end.key] = chance
            gain_db[frozenset((start.key, end.key))] = gain
            anew[frozenset((start.key, end.key))] = number
            if start.site.role is Role.RELAY and end.site.role is Role.RELAY:
                chances[end.key, start.key] = chance

        def chance_of(route: tuple[str, ...]) -> float:
            hops = [frozenset(hop) for hop in pairwise(route)]
            return chance_of_route([(links, anew[hop]) if hop in anew else (table, self._row_of[hop]) for hop in hops])

        more_cost = {station.key: station.cost - table.stations[index].cost for index, station in changed.items()}
        return LinksAfter(chances, gain_db, more_cost, chance_of)

    @cached_property
    def _row_of(self) -> dict[frozenset[str], int]:
        keys = [station.key for station in self.table.stations]
        return {frozenset((keys[i], keys[j])): row for row, (i, j) in enumerate(self.table.pairs)}

    def chance_now(self, route: tuple[str, ...]) -> float:
        """Return the chance of a whole route over the links as they are."""
        return chance_of_route([(self.table, self._row_of[frozenset(hop)]) for hop in pairwise(route)])

    def _rebuilt(self, index: int, each: Changed) -> dict[int, Station]:
        """Return the stations that a changed row makes, by their numbers: the device, and others of the row.

        Where the change is its height, others of the row at another height stay as they are.
        """
        before, after = self.table.stations[index], each.change.site
        values = {f.name: getattr(after, f.name) for f in fields(after) if getattr(after, f.name) != getattr(before.site, f.name)}
        found = {index: each.station}
        for number, station in enumerate(self.table.stations):
            alike = station.site.where == before.site.where and station.radio == before.radio
            alike &= before.site.where not in ("", FOUND_ON_THE_LAND)
            alike &= station.antenna_agl_m == before.antenna_agl_m or "antenna_agl_m" not in values
            if number == index or not alike:
                continue
            built = self.workshop.rebuild(station, replace(station.site, **values))
            if built is not None:
                found[number] = built
        return found

    def _other_rows(self, changed: int, sensor: str) -> list[int]:
        """Return the other links of a station that may lie on the way of a sensor, the best of them where there are many."""
        table, stations = self.table, self.table.stations
        own = stations[changed]
        found = []
        for other_row in np.flatnonzero((table.pairs == changed).any(axis=1)).tolist():
            i, j = (int(number) for number in table.pairs[other_row])
            other = stations[j if i == changed else i]
            on_the_way = own.site.role is Role.SENSOR or other.site.role is not Role.SENSOR or other.key == sensor
            if on_the_way:
                found.append(other_row)
        margins = np.nan_to_num(table.margin_db.min(axis=0), nan=-1e9)
        return sorted(sorted(found, key=lambda one: (-float(margins[one]), one))[:MOST_OTHER_LINKS])

    def cause(self, sensor: str, row: int, opened: set[str]) -> str:
        """Return in one sentence why the best link of a sensor is not used: its chance, when, against what is asked, what costs."""
        table, asked = self.table, max(self.context.required_chance, self.floors.get(sensor, 0.0))
        a, b = (table.stations[i] for i in table.pairs[row])
        own, worst = context_of(table, row, self.context, self.contexts), int(table.worst_season[row])
        chances = [float(chance) for chance in table.chance[:, row]]
        missed = [season_words(season.name) for season, chance in zip(table.seasons, chances, strict=True) if not chance >= asked]
        when = f" in {_and(missed)} only" if 0 < len(missed) < len(chances) else ""
        plants = plants_on_path(table, row, own) or "plants"
        found = main_causes(table, row, worst, plants=plants)
        if when:
            calm = {words: loss for loss, words in main_causes(table, row, int(np.argmax(chances)), plants=plants)}
            found = sorted(((loss - calm.get(words, 0.0), words) for loss, words in found), reverse=True)
        blame = ""
        if found:
            loss_db, words = found[0]
            blame = f"; {decibel_words(loss_db)} dB {'more are lost then' if when else 'are lost'} to {words}"
        other = b.key if a.key == sensor else a.key
        if not missed:
            return f"its link to {other} would do, but what is offered cannot carry it on"
        best = "its best link to what is built" if other in opened else "its best link"
        return (
            f"{best}, to {other}, works in {chance_against_asked(chances[worst], asked)} of "
            f"cases{when}, where {percent_words(asked)} are asked{blame}"
        )


def _and(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def explain_unserved(
    problem: PlacementProblem, plan: PlacementPlan, remedying: Remedying
) -> tuple[tuple[Unserved, ...], tuple[int, ...]]:
    """Return what is missing for each unserved sensor, and the rows of the links that come nearest to serving it."""
    found, rows, ways = [], [], KnownWays(problem)
    opened, barred = set(plan.opened), _barred(problem)
    stations = remedying.table.stations
    deaf = {station.key for station in stations if command_need(station.site) is not None and station.radio.tx_only}
    for sensor in plan.unserved:
        if sensor.sensor_id in deaf:
            found.append(Unserved(sensor.sensor_id, "", float("inf"), DEAF, ()))
            continue
        reason = _reason(sensor, remedying.floors.get(sensor.sensor_id, 0.0))
        if sensor.reason == "no lasting power":
            row = _unpowered_row(sensor.sensor_id, remedying.table)
        else:
            row = nearest_row(sensor.sensor_id, remedying.table, opened, barred)
        if row is None:
            found.append(Unserved(sensor.sensor_id, "", float("inf"), reason, ()))
            continue
        mended_by_radio, hops = sensor.reason in RADIO_HELPS, sensor.hops_needed or 1
        judged = bool(np.isfinite(remedying.table.margin_db[:, row]).all())
        if sensor.reason == "no link at all" and judged:
            reason = remedying.cause(sensor.sensor_id, row, opened)
        reason += _unjudged_words(sensor.sensor_id, remedying.table)
        if not judged:
            found.append(Unserved(sensor.sensor_id, "", float("inf"), reason, ()))
            continue
        lies_beyond = sensor.reason in LIES_BEYOND
        missing = missing_link(ways, remedying.table, sensor.sensor_id, remedying.lack_db) if lies_beyond else None
        own_lack_db = remedying.lack_db(row, remedying.asked_of(sensor.sensor_id, row, hops)[1])
        if missing is not None and missing.row != row and not 0.0 < own_lack_db <= missing.lack_db:
            gap, row = remedying.gap_beyond(sensor.sensor_id, missing, reason), missing.row
        else:
            gap = remedying.gap(sensor.sensor_id, row, reason, mended_by_radio=mended_by_radio, hops=hops)
            if lies_beyond and own_lack_db <= 0.0:
                gap = replace(gap, remedies=())  # its own best link does already: better antennas there would mend nothing
        if sensor.reason in NOT_THE_RADIO:
            gap = replace(gap, missing_db=0.0)
        if sensor.reason == "no lasting power":
            gap = _needs_power(gap, remedying, row)
            row = _row_between(sensor.sensor_id, gap.nearest, remedying.table, row)
        rows.append(row)
        found.append(gap)
    return tuple(found), tuple(rows)


def _unjudged_words(sensor: str, table: LinkTable) -> str:
    """Return how many links of a sensor and of the rest cannot be judged for want of heights; empty where all can."""
    unknown = np.asarray(np.isnan(table.margin_db).any(axis=0))
    if not unknown.any():
        return ""
    keys = np.array([station.key for station in table.stations])[table.pairs]
    own = np.asarray((keys == sensor).any(axis=1))
    return (
        f"; {int(unknown[own].sum())} of its {int(own.sum())} links and {int(unknown[~own].sum())} of the {int((~own).sum())} "
        "others cross a hole in the elevation data and cannot be judged: add a raster that fills it"
    )


def _reason(sensor: UnservedSensor, floor: float) -> str:
    """Return why a sensor is unserved; where its best route is too uncertain, how certain it is and must be."""
    if sensor.reason != "route chance too low" or sensor.best_chance is None:
        return REASONS[sensor.reason]
    return (
        f"its best route would work in {chance_against_asked(sensor.best_chance, floor)} of cases, {percent_words(floor)} are "
        "asked for what it is for (requirement.route_chance); a stronger link, a candidate nearer by or a slower setting mends it"
    )


def explain_single_routes(
    problem: PlacementProblem, plan: PlacementPlan, remedying: Remedying
) -> tuple[tuple[Unserved, ...], tuple[int, ...]]:
    """Return why each served sensor lacks the second route it asked for, with remedies, and the rows that come nearest to it."""
    asking = [name for name, why in zip(plan.single_route, plan.single_reasons, strict=True) if why == "no second route"]
    gaps = second_route_gaps(problem, asking)
    found, rows = [], []
    for name, why in zip(plan.single_route, plan.single_reasons, strict=True):
        gap = gaps.get(name)
        if gap is None:
            found.append(Unserved(name, "", 0.0, SECOND_REASONS.get(why, REASONS[why]), ()))
            continue
        critical = _at_its_place(problem, plan, gap.critical)
        reason = SECOND_REASONS[why].format(critical=critical, route=_second_route_words(problem))
        row = nearest_row(name, remedying.table, set(gap.helpers)) if gap.helpers else None
        if row is None or not {remedying.table.stations[i].key for i in remedying.table.pairs[row]} & set(gap.helpers):
            advice = f"offer another place for a relay or gateway, in sight of {name} and away from {critical}"
            found.append(Unserved(name, "", float("inf"), reason, (Remedy(advice, critical, 0.0, 0.0, suffices=False),)))
            continue
        rows.append(row)
        found.append(remedying.gap(name, row, reason, mended_by_radio=True))
    return tuple(found), tuple(rows)


def _at_its_place(problem: PlacementProblem, plan: PlacementPlan, node_id: str) -> str:
    """Return the device of the plan at the place of a node, which fails with it; the node itself where nothing is built there."""
    sites = {node.id: node.site_id for node in problem.nodes}
    return next((name for name in plan.opened if sites[name] == sites[node_id]), node_id)


def _second_route_words(problem: PlacementProblem) -> str:
    first, second = problem.hop_limit, problem.second_hop_limit
    if second is None or first is None or second >= first:
        return "second route"
    return f"route of at most {second} link{'s' if second > 1 else ''}"


def _is_weak(station: Station) -> bool:
    """Return whether a candidate has no lasting power."""
    return station.site.role is not Role.SENSOR and station.site.power is Power.BATTERY and not station.lasts


def _needs_power(gap: Unserved, remedying: Remedying, row: int) -> Unserved:
    """Return the gap with the remedy that mends it: lasting power for the candidate that hears the sensor, or for all like it."""
    table = remedying.table
    nearest = next(station for station in (table.stations[i] for i in table.pairs[row]) if station.key == gap.nearest)
    weak = {station.key: station.site.name for station in table.stations if _is_weak(station)}
    alone = [key for key, name in weak.items() if name == nearest.site.name]
    powered = with_power(remedying.problem, alone)
    suffices = can_be_served(powered, gap.sensor, {})
    names = nearest.site.name
    if not suffices:
        powered = with_power(remedying.problem, list(weak))
        suffices = can_be_served(powered, gap.sensor, {})
        names = " and ".join(dict.fromkeys(weak.values()))
    supply = {station.key: _panel_price(station, remedying.workshop) for station in table.stations if _is_weak(station)}
    words, chance, lacks = f"give {names} mains or a panel", float(table.worst_chance[row]), ""
    way: tuple[str, ...] = ()
    if suffices:
        again = plan_again(powered, {}, supply)
        served = {item.sensor_id for item in again.plan.served}
        lost = sorted(remedying.served - served)
        suffices = gap.sensor in served and gap.sensor not in again.plan.single_route and not lost
        if not suffices:
            lacks = NOT_ITS_MONEY if money_decides(powered, gap.sensor) else NOT_ITS_ROOM
            lacks = OTHERS_LOSE.format(others=" and ".join(lost)) if lost and gap.sensor in served else lacks
        if suffices:
            way, chance, said = way_of(again, gap.sensor, remedying.cost, remedying.currency, remedying.chance_now)
            words, gap = f"{words}; {said}", replace(gap, nearest=way[1], missing_db=0.0)
    elif can_be_served(replace(powered, redundancy="none"), gap.sensor, {}):
        again = plan_again(powered, {}, supply)
        once = next((item.first for item in again.plan.served if item.sensor_id == gap.sensor), None)
        lacks = NOT_ITS_MONEY if once is None and money_decides(powered, gap.sensor) else ONE_ROUTE_ONLY
        chance = chance if once is None else remedying.chance_now((gap.sensor, *once.node_ids))
    columns = {"power": "panel"} if names == nearest.site.name else {}
    remedy = Remedy(words, nearest.key, 0.0, chance, suffices, columns=columns, route=way, lacks=lacks)
    return replace(gap, remedies=(remedy,))


def _panel_price(station: Station, workshop: Workshop) -> float:
    """Return what a candidate costs more with a panel than on its battery."""
    built = workshop.rebuild(station, replace(station.site, power=Power.PANEL))
    return 0.0 if built is None else built.cost - station.cost


def _row_between(sensor: str, other: str, table: LinkTable, usual: int) -> int:
    """Return the link of a sensor and another station, or the usual one where there is none: the plan shows what it speaks of."""
    keys = [station.key for station in table.stations]
    ends = {sensor, other}
    return next((row for row, (i, j) in enumerate(table.pairs) if {keys[i], keys[j]} == ends), usual)


def _unpowered_row(sensor: str, table: LinkTable) -> int | None:
    """Return the likeliest link of a sensor to a candidate that runs on a battery."""
    stations = table.stations
    mine = [row for row, (i, j) in enumerate(table.pairs) if stations[i].key == sensor and _is_weak(stations[j])]
    return max(mine, key=lambda row: (float(table.worst_chance[row]), -row)) if mine else nearest_row(sensor, table, set())


def _barred(problem: PlacementProblem) -> set[str]:
    """Return the nodes that no route may pass, whatever the radio: ruled out, without power, or a link too far from a gateway."""
    return {
        node.id
        for node, allowed in zip(problem.nodes, problem.allowed.tolist(), strict=True)
        if not allowed or (problem.hop_limit == 1 and not node.is_gateway)
    }


def nearest_row(sensor: str, table: LinkTable, opened: set[str], barred: Collection[str] = ()) -> int | None:
    """Return the link of a sensor with the best margin, to `opened` devices first, to `barred` ones where there is no other.

    None if it was paired with nothing.
    """
    keys: list[str] = [station.key for station in table.stations]
    mine = [row for row, (i, j) in enumerate(table.pairs) if sensor in (keys[i], keys[j])]
    if not mine:
        return None
    margins = np.nan_to_num(table.margin_db.min(axis=0), nan=-1e9)

    def other(row: int) -> str:
        i, j = (int(number) for number in table.pairs[row])
        return keys[j] if keys[i] == sensor else keys[i]

    in_plan = [row for row in mine if other(row) in opened]
    pool = in_plan or [row for row in mine if other(row) not in barred] or mine
    return max(pool, key=lambda row: (float(margins[row]), -row))
