"""The routes of a plan on the air: every hop with its repeats, settled with the collisions that they cause."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from meshplan.operation.airtime import acknowledgement_ms, airtime_parts, time_on_air_ms
from meshplan.operation.channel import MAX_TRIES, HopDelay, route_delay
from meshplan.operation.duty_cycle import DeviceAirtime, HopSends, TrafficSource, channel_groups
from meshplan.operation.tries import HopTraffic, SettledTraffic, frame_success, settle, slow_states
from meshplan.records import ChannelRecord, HopRecord
from meshplan.records.radio import RadioMode
from meshplan.records.station import Station

Margins = Callable[[str, str], tuple[float, float, float]]
"""From two station keys to the margin at the second, that at the first for the way back, and their spread, in the worst season."""


class RouteTraffic:
    """Every hop of every served reading and command with its repeats, settled in the normal and in the busiest hour."""

    def __init__(
        self, sources: Sequence[TrafficSource], modes: Mapping[str, RadioMode], senders: Mapping[str, Station], margins: Margins
    ) -> None:
        self.sources, self.modes = sources, modes
        groups = channel_groups(modes)
        self.first: list[int] = []
        normal: list[HopTraffic] = []
        for source in sources:
            self.first.append(len(normal))
            for position, (sender, receiver) in enumerate(source.hops):
                mode = modes[sender]
                there, back, spread_db = _margins_of(margins, senders[sender].key, senders[receiver].key, source.is_command)
                blind = mode.tx_only or not mode.acknowledged
                repeats = mode.radio.repeats.value if mode.tx_only else 1.0
                normal.append(
                    HopTraffic(
                        sender=sender,
                        receiver=receiver,
                        channel=groups[sender],
                        frame_ms=time_on_air_ms(mode, source.payload_bytes) / repeats + source.more_ms(position),
                        answer_ms=0.0 if blind else acknowledgement_ms(mode),
                        per_second=1.0 / source.interval_s,
                        frame_success=frame_success(mode, slow_states(there, spread_db), source.payload_bytes),
                        answer_success=frame_success(mode, slow_states(back, spread_db), 0),
                        tries=int(repeats) if blind else MAX_TRIES,
                        acknowledged=not blind,
                        after=len(normal) - 1 if position else None,
                    )
                )
        hurried = [min(source.interval_s, source.fast_interval_s or source.interval_s) for source in sources]
        rates = [1.0 / hurried[number] for number, source in enumerate(sources) for _ in source.hops]
        self.hops = normal
        self.normal = settle(normal)
        self.busier = busier = [replace(hop, per_second=rate) for hop, rate in zip(normal, rates, strict=True)]
        self.fast = settle(busier) if rates != [hop.per_second for hop in normal] else self.normal

    def _rows(self, number: int) -> range:
        return range(self.first[number], self.first[number] + len(self.sources[number].hops))

    def _tries_at(self, row: int, settled: SettledTraffic) -> float:
        """Return how often a whole reading goes out on a hop: a one-way class's repeats are one sending."""
        hop = self.hops[row]
        return float(settled.frames[row]) / (self.modes[hop.sender].radio.repeats.value if not hop.acknowledged else 1.0)

    def sends(self, number: int) -> tuple[HopSends, ...]:
        """Return how often each hop of a source is on the air for one reading."""
        found = []
        for row in self._rows(number):
            figures = []
            for settled in (self.normal, self.fast):
                share = float(settled.arriving[row])
                figures += [share * self._tries_at(row, settled), share * float(settled.answers[row])]
            found.append(HopSends(*figures))
        return tuple(found)

    def tries(self, name: str) -> tuple[float, float]:
        """Return the mean frames of a device for each reading that it sends on, in the normal and in the busiest hour."""
        rows = [row for row, hop in enumerate(self.hops) if hop.sender == name]
        if not rows:
            return 1.0, 1.0
        found = []
        for settled in (self.normal, self.fast):
            weights = [self.hops[row].per_second * float(settled.arriving[row]) for row in rows]
            sent = sum(weight * self._tries_at(row, settled) for weight, row in zip(weights, rows, strict=True))
            found.append(sent / sum(weights) if sum(weights) else 1.0)
        return found[0], found[1]

    def longest_payload(self, name: str) -> int:
        """Return the largest reading that a device sends on."""
        sizes = [
            source.payload_bytes
            for source in self.sources
            if (name == source.name and not source.is_command) or any(sender == name for sender, _ in source.hops)
        ]
        return max(sizes, default=0)

    def hop_records(self, number: int) -> tuple[HopRecord, ...]:
        """Return the hops of a source as they are written down."""
        found = []
        for row in self._rows(number):
            hop, mode = self.hops[row], self.modes[self.hops[row].sender]
            parts = airtime_parts(mode, self.sources[number].payload_bytes)
            found.append(
                HopRecord(
                    sender=hop.sender,
                    receiver=hop.receiver,
                    preamble_ms=parts.preamble_ms,
                    header_ms=parts.header_ms,
                    payload_ms=parts.payload_ms,
                    check_ms=parts.check_ms,
                    acknowledgement_ms=hop.answer_ms,
                    airtime_ms=parts.total_ms,
                    mean_tries=self._tries_at(row, self.normal),
                    fast_mean_tries=self._tries_at(row, self.fast),
                    clear_chance=float(self.fast.clear[row]),
                    delivered_chance=float(self.fast.delivered[row]),
                )
            )
        return tuple(found)

    def delivered(self, number: int) -> float:
        """Return the share of a source's readings that arrive in the busiest hour."""
        last = self._rows(number)[-1]
        return float(self.fast.arriving[last] * self.fast.delivered[last])

    def latency_s(self, number: int) -> float:
        """Return the delay of a source's route with all tries."""
        source = self.sources[number]
        hops = [
            HopDelay(
                airtime_ms=time_on_air_ms(self.modes[self.hops[row].sender], source.payload_bytes),
                success=float(self.fast.frame_chance[row]),
                acknowledged=self.hops[row].acknowledged,
            )
            for row in self._rows(number)
        ]
        return route_delay(hops, tries=MAX_TRIES).worst_s


def _margins_of(margins: Margins, sender: str, receiver: str, is_command: bool) -> tuple[float, float, float]:
    """Return margin at the receiver, at the sender and their spread; a command goes against the link that readings use."""
    if not is_command:
        return margins(sender, receiver)
    there, back, spread_db = margins(receiver, sender)
    return back, there, spread_db


def channel_records(
    loads: Mapping[str, float],
    busiest: Mapping[str, float],
    groups: Mapping[str, str],
    fast: SettledTraffic,
    airtimes: Mapping[str, DeviceAirtime],
    starved: Mapping[str, Sequence[str]] | None = None,
) -> tuple[ChannelRecord, ...]:
    """Return what each channel carries, and whether repeats and collisions leave it stable.

    `starved` names for each channel the sensors of whose readings fewer arrive than was asked.
    """
    found = []
    for channel, load in loads.items():
        busy = busiest[channel]
        if busy <= 0.0:
            continue
        known = channel in fast.loads
        stable = fast.stable(channel) if known else True
        over = busy + fast.other_loads[channel] - fast.loads[channel] if known and fast.can_collapse(channel) else busy
        senders = sum(group == channel and airtimes[name].fast.packets > 0.0 for name, group in groups.items())
        words = (
            f"{channel}: {senders} sender{'s are' if senders != 1 else ' is'} on the air {_percent(load)} of the time, "
            f"{_percent(busy)} in the busiest hour, repeats and acknowledgements included."
        )
        if known and not fast.settled:
            words += " Repeats and the collisions that they cause did not settle at any load: report less often."
        elif known and fast.can_collapse(channel):
            words += (
                f" This network can collapse: after a burst it may stay at {over * 100:.0f} % on the air, where repeats collide "
                "with repeats and hardly a reading arrives, and it does not come back by itself. Report less often, or take a "
                "faster setting."
            )
        elif not stable:
            words += (
                " This is too much: above half of the time more packets bring fewer through. Report less often, or take a faster "
                "setting."
            )
        missed = (starved or {}).get(channel, ())
        if missed:
            words += f" Fewer readings arrive than was asked of {len(missed)} sensor{'s' if len(missed) > 1 else ''}."
        found.append(ChannelRecord(channel, senders, load, busy, over, stable and not missed, words))
    return tuple(found)


def _percent(share: float) -> str:
    """Return a share in percent: two figures where it is small, whole ones above ten."""
    return f"{share * 100:.0f} %" if share >= 0.1 else f"{share * 100:.2g} %"
