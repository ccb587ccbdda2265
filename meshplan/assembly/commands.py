"""Devices that must act on command: how each listens, how long a command takes, what would do better and what it costs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from meshplan.assembly.on_air import Margins
from meshplan.assembly.running import Running
from meshplan.assembly.supplies import Catalogue, energy_of
from meshplan.assembly.traffic import command_need, listening_of, station_emission
from meshplan.operation.airtime import acknowledgement_ms
from meshplan.operation.channel import MAX_TRIES, HopDelay, chance_with_tries, route_delay
from meshplan.operation.law import legal_check
from meshplan.operation.listening import AFTER_REPORT, ALWAYS, NEVER, SAMPLED, command_ms, sampling_period_s
from meshplan.operation.suitability import PurposeDemand, demand_for, suitability
from meshplan.operation.tries import frame_success, slow_states
from meshplan.planning.problem import PlacementPlan
from meshplan.records import CommandOption, CommandRecord, Power
from meshplan.records.station import Station
from meshplan.settings import PropertySettings
from meshplan.terrain.landscape import Landscape

LEAST_INTERVAL_S = 5.0
"""Shorter reporting intervals are not offered."""

WAYS = {
    AFTER_REPORT: "listens in windows after its own reports",
    SAMPLED: "looks at the channel every {period}",
    ALWAYS: "listens without a break",
    NEVER: "cannot hear",
}


@dataclass(frozen=True)
class _Way:
    """One way to listen, judged."""

    listening: str
    wait_s: float
    delivered: float
    fit: bool
    reasons: tuple[str, ...]
    must: tuple[str, ...]
    late: str = ""
    """The reason among them that is its delay."""


def command_records(
    plan: PlacementPlan,
    stations: Sequence[Station],
    running: Running,
    margins: Margins,
    catalogue: Catalogue,
    settings: PropertySettings,
    landscape: Landscape | None = None,
) -> tuple[CommandRecord, ...]:
    """Return a record for each sensor that must act on command, in the order of the stations."""
    routes = {served.sensor_id: (served.sensor_id, *served.first.node_ids) for served in plan.served}
    of_key = {station.key: station for station in stations}
    found = []
    for station in stations:
        need = command_need(station.site)
        if need is None:
            continue
        judge = _Judge(station, need, routes.get(station.key, ()), of_key, running, margins, catalogue, settings, landscape)
        found.append(judge.record())
    return tuple(found)


@dataclass(frozen=True, eq=False)
class _Judge:
    """One device with all that is needed to judge its ways to listen."""

    station: Station
    need: tuple[int, float, bool]
    route: Sequence[str]
    of_key: Mapping[str, Station]
    running: Running
    margins: Margins
    catalogue: Catalogue
    settings: PropertySettings
    landscape: Landscape | None

    @property
    def demand(self) -> PurposeDemand:
        """What the purpose asks, with the wait and the size that the property states."""
        size, wait_s, _ = self.need
        return replace(demand_for("control"), delay_s=wait_s, payload_bytes=size, title="acting on command")

    def record(self) -> CommandRecord:
        """Return the record, with other ways to listen where the planned one does not serve."""
        site, (size, wait_s, stated) = self.station.site, self.need
        way = self.way(self.listening, site.interval_s)
        words = WAYS[way.listening].format(period=_time(sampling_period_s(wait_s)))
        verdict = "acts in time" if way.fit else "is NOT fit to act on command"
        sentence = f"{self.station.key} {verdict}: it {words}"
        if math.isfinite(way.wait_s):
            sentence += f", so a command may wait {_time(way.wait_s)}; {_time(wait_s)} are {'asked for' if stated else 'usual'}"
        others = [reason for reason in way.reasons if reason != way.late]
        return CommandRecord(
            device=self.station.key,
            purpose=site.purpose.value,
            downlink_bytes=size,
            most_wait_s=wait_s,
            wait_stated=stated,
            listening=way.listening,
            wait_s=way.wait_s,
            delivered_chance=way.delivered,
            fit=way.fit,
            sentence=f"{'; '.join([sentence, *others])}.",
            reasons=way.reasons,
            must=way.must,
            options=() if way.fit or not self.route or self.station.radio.tx_only else self.options(),
        )

    @property
    def listening(self) -> str:
        """How the device listens as it is planned."""
        return NEVER if self.station.radio.tx_only else listening_of(self.station.site)

    def way(self, listening: str, interval_s: float) -> _Way:
        """Return whether a way to listen serves."""
        size, wait_s, _ = self.need
        mode = self.station.radio
        if listening == NEVER or not self.route:
            why = "the far device cannot hear: it is one-way" if listening == NEVER else "it has no route"
            return _Way(listening, math.inf, 0.0, False, (why,), ())
        period_s = sampling_period_s(wait_s) if listening == SAMPLED else 0.0
        hops, clear, delivered = [], self.running.hops[self.station.key], 1.0
        pairs = list(pairwise(self.route))
        for number, (far, near) in reversed(list(enumerate(pairs))):
            hop_mode = self.running.modes[clear[number].sender]
            there_db, back_db, spread_db = self.margins(far, near)
            arrives = frame_success(hop_mode, slow_states(back_db, spread_db), size) * clear[number].clear_chance
            confirmed = arrives
            if hop_mode.acknowledged:  # the command goes against the readings, its answer with them
                confirmed = arrives * frame_success(hop_mode, slow_states(there_db, spread_db), 0)
            tries = MAX_TRIES if hop_mode.acknowledged else 1
            delivered *= float(chance_with_tries(confirmed, tries).mean())
            air_ms = command_ms(hop_mode, size, 0.0 if number else period_s)
            hops.append(HopDelay(air_ms, float(confirmed.mean()), acknowledged=hop_mode.acknowledged))
        delay = replace(route_delay(hops), delivered=delivered)
        verdict = suitability(
            self.demand,
            mode,
            delay,
            hops=len(pairs),
            battery_downlink=listening == AFTER_REPORT,
            reporting_interval_s=interval_s,
            relays_two_way=all(not self.running.modes[hop.sender].tx_only for hop in clear),
        )
        reasons = list(verdict.reasons)
        refusal = self._refusal(command_ms(mode, size, period_s), interval_s)
        if refusal:
            reasons.append(refusal)
        wait = delay.worst_s + (interval_s if listening == AFTER_REPORT else 0.0)
        return _Way(listening, wait, delay.delivered, not reasons, tuple(reasons), verdict.must, verdict.late)

    def _refusal(self, air_ms: float, interval_s: float) -> str:
        """Return why the device that sends the command may not: one in each reporting interval, in place of those planned."""
        sender, wish = self.of_key[self.route[1]], self.settings.radio_settings
        duty = self.running.duty.get(sender.key)
        planned_share, frames = self.running.command_shares.get(self.station.key, (0.0, 1.0))
        emission = replace(
            station_emission(sender, wish.licence, wish.accepts),
            duty=(duty.fast_duty_share if duty else 0.0) - planned_share + frames * air_ms / 1000.0 / interval_s,
            longest_packet_ms=max(air_ms, acknowledgement_ms(sender.radio)),
            interval_s=interval_s,
        )
        verdict = legal_check(self.catalogue.region, emission, look_elsewhere=False)
        return "" if verdict.lawful else f"{sender.key} may not send it so: {'; '.join(each.problem for each in verdict.breaches)}"

    def options(self) -> tuple[CommandOption, ...]:
        """Return other ways to listen, on cells, on a panel and from the mains, each judged and priced."""
        site, (_, wait_s, _) = self.station.site, self.need
        prices = self.settings.cost
        found = [
            self._option(SAMPLED, 'listening = "sampled"', site.power, site.interval_s, 0.0),
            self._option(ALWAYS, 'power = "panel", listening = "always"', Power.PANEL, site.interval_s, prices.panel),
            self._option(ALWAYS, 'power = "mains", listening = "always"', Power.MAINS, site.interval_s, 0.0),
        ]
        after = self.way(ALWAYS, site.interval_s).wait_s
        interval_s = math.floor(wait_s - after)
        if LEAST_INTERVAL_S <= interval_s < site.interval_s:
            found.insert(1, self._option(AFTER_REPORT, f"interval_s = {interval_s}", site.power, float(interval_s), 0.0))
        return tuple(sorted(found, key=lambda option: not option.fit))

    def _option(self, listening: str, change: str, power: Power, interval_s: float, extra_cost: float) -> CommandOption:
        site = replace(self.station.site, power=power, interval_s=interval_s, listening=listening)
        changed = replace(self.station, site=site)
        way = self.way(listening, interval_s)
        first = self.running.hops[self.station.key][0]
        energy = energy_of([changed], [(None, first.mean_tries)], self.catalogue, self.settings, self.landscape)
        cost = extra_cost if power is not self.station.site.power else 0.0
        if power is Power.BATTERY:
            supply = f"about {_life(energy.life_years)} on {energy.cells}"
        elif power is Power.PANEL:
            supply = f"a panel of {energy.panel_w:.1f} W, {cost:.0f} {self.settings.cost.currency} more"
        else:
            supply = "needs a mains line to the place, which is not priced"
        verdict = "would serve" if way.fit else "would NOT serve"
        sentence = f"{change}: {verdict}, a command waits up to {_time(way.wait_s)}; {supply}"
        if not way.fit:
            sentence += f" ({'; '.join(way.reasons)})"
        return CommandOption(
            listening, change, way.wait_s, energy.life_years, energy.panel_w, round(cost, 2), way.fit, f"{sentence}."
        )


def _time(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "for ever"
    if seconds < 10.0:
        return f"{seconds:.1f} s"
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"


def _life(years: float) -> str:
    return (
        f"{years:.1f} years"
        if years >= 1.0
        else f"{years * 12.0:.1f} months"
        if years * 12.0 >= 2.0
        else f"{years * 365.25:.0f} days"
    )
