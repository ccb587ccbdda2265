"""Who is on the air for how long: own packets, forwarded packets, acknowledgements, in the normal and in the fast mode."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from meshplan.errors import InputError
from meshplan.operation.airtime import acknowledgement_ms, longest_packet_ms, time_on_air_ms
from meshplan.records.radio import RadioMode

HOUR_MS = 3_600_000.0


@dataclass(frozen=True)
class HopSends:
    """Mean frames and acknowledgements of a hop for one reading of its sensor, in the normal and in the fast mode."""

    frames: float
    answers: float
    fast_frames: float
    fast_answers: float


@dataclass(frozen=True)
class TrafficSource:
    """A device that reports, and the way its packets take."""

    name: str
    payload_bytes: int
    interval_s: float
    route: tuple[str, ...]
    """From the device to its gateway, both included; only itself if it is not served."""
    fast_interval_s: float | None = None
    """Interval on a frost night or while irrigating; None if it has no fast mode."""
    acknowledged: bool = True
    """Whether each hop confirms (where the class can)."""
    mean_tries: float = 1.0
    """Frames of each hop for one reading where `sends` says nothing."""
    sends: tuple[HopSends, ...] = ()
    """For each hop, how often its sender and its receiver are on the air for one reading."""
    hops: tuple[tuple[str, str], ...] = ()
    """Sender and receiver of each hop, where a device has a name for each of its radios; by default those of the route."""
    is_command: bool = False
    """Whether it goes the other way, from a gateway to a device that acts on command; then `name` is that device."""
    wake_up_ms: float = 0.0
    """Preamble before the last hop, where the device looks at the channel from time to time."""

    def more_ms(self, position: int) -> float:
        """Return what a hop takes besides the packet."""
        return self.wake_up_ms if position == len(self.hops) - 1 else 0.0


@dataclass(frozen=True)
class AirtimeShare:
    """Milliseconds on the air in an hour, and how often."""

    own_ms: float
    forwarded_ms: float
    acknowledgement_ms: float
    packets: float
    """All transmissions in the hour, acknowledgements included."""

    @property
    def total_ms(self) -> float:
        """All of it together."""
        return self.own_ms + self.forwarded_ms + self.acknowledgement_ms

    @property
    def duty(self) -> float:
        """Share of the hour."""
        return self.total_ms / HOUR_MS


@dataclass(frozen=True)
class DeviceAirtime:
    """One device's time on the air."""

    name: str
    airtime_ms_per_packet: float
    longest_packet_ms: float
    shortest_interval_s: float
    """Mean time between two of its transmissions in its busiest mode; infinite if it never sends."""
    normal: AirtimeShare
    fast: AirtimeShare


def device_airtimes(sources: Sequence[TrafficSource], modes: Mapping[str, RadioMode]) -> dict[str, DeviceAirtime]:
    """Return the time on the air of every device, by name.

    Parameters
    ----------
    sources : sequence of TrafficSource
    modes : mapping
        Radio mode that each device sends with. A two-radio relay is entered once for each radio, and its sources have `hops`.

    Notes
    -----
    Source
        Duty counts per device, relays and gateways included: each hop's receiver forwards the whole packet, and confirms it
        where the class can (ERC/REC 70-03: duty of a device covers all its transmissions).
    """
    normal = {name: [0.0, 0.0, 0.0, 0.0] for name in modes}
    fast = {name: [0.0, 0.0, 0.0, 0.0] for name in modes}
    packet_ms = dict.fromkeys(modes, 0.0)
    longest_ms = dict.fromkeys(modes, 0.0)
    for source in sources:
        hops: list[tuple[str, str | None]] = [*(source.hops or pairwise(source.route))] or [(source.route[0], None)]
        for name in dict.fromkeys(name for hop in hops for name in hop if name is not None):
            if name not in modes:
                raise InputError(f"device '{name}' has no radio mode.", where=f"route of '{source.name}'", fix="Give it one.")
        hurried = source.interval_s if source.fast_interval_s is None else min(source.fast_interval_s, source.interval_s)
        for position, (sender, receiver) in enumerate(hops):
            mode = modes[sender]
            once = time_on_air_ms(mode, source.payload_bytes) + source.more_ms(position)
            packet_ms[sender] = max(packet_ms[sender], once)
            longest_ms[sender] = max(longest_ms[sender], longest_packet_ms(mode, source.payload_bytes) + source.more_ms(position))
            tries = source.mean_tries
            sends = source.sends[position] if source.sends else HopSends(tries, tries, tries, tries)
            for table, interval, frames, answers in (
                (normal, source.interval_s, sends.frames, sends.answers),
                (fast, hurried, sends.fast_frames, sends.fast_answers),
            ):
                per_hour = 3600.0 / interval
                table[sender][min(position, 1)] += once * frames * per_hour
                table[sender][3] += frames * per_hour
                if source.acknowledged and receiver is not None and not mode.tx_only:
                    confirm = acknowledgement_ms(mode)
                    table[receiver][2] += confirm * answers * per_hour
                    table[receiver][3] += answers * per_hour if confirm else 0.0
                    longest_ms[receiver] = max(longest_ms[receiver], confirm)
    return {
        name: DeviceAirtime(
            name=name,
            airtime_ms_per_packet=packet_ms[name],
            longest_packet_ms=longest_ms[name],
            shortest_interval_s=3600.0 / fast[name][3] if fast[name][3] else float("inf"),
            normal=AirtimeShare(*normal[name]),
            fast=AirtimeShare(*fast[name]),
        )
        for name in modes
    }


def channel_groups(modes: Mapping[str, RadioMode]) -> dict[str, str]:
    """Return, for each device, the channel it disturbs: frequency, and spreading factor of a chirp."""
    return {
        name: f"{mode.frequency_mhz:g} MHz" + (f" SF{mode.spreading_factor}" if mode.spreading_factor else "")
        for name, mode in modes.items()
    }


def channel_loads(airtimes: Mapping[str, DeviceAirtime], modes: Mapping[str, RadioMode], *, fast: bool = False) -> dict[str, float]:
    """Return the offered load of every channel, as if all its devices heard each other (the safe side)."""
    loads: dict[str, float] = {}
    for name, group in channel_groups(modes).items():
        share = airtimes[name].fast if fast else airtimes[name].normal
        loads[group] = loads.get(group, 0.0) + share.duty
    return loads
