"""Every frame of a network, one after the other: what arrives, what is lost and why, how long it takes."""

from __future__ import annotations

import heapq
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import count
from math import ceil, inf
from typing import Final

import numpy as np

from meshplan.operation.channel import RETRY_SPACING_S
from meshplan.operation.tries import HopTraffic

DAY_S: Final = 86_400.0

JITTER_SHARE: Final = 0.1
"""Random part of each interval where no slots are kept, to either side: clocks that run alike would else meet for hours
(10-20 %: common practice, no source)."""

FADING, COLLISION, DEAF = "fading", "collision", "receiver sending"
CAUSES: Final = (FADING, COLLISION, DEAF)
"""Why a frame is lost: too weak at that moment, another one on the channel, or the receiver itself was sending."""


@dataclass(frozen=True, eq=False)
class Slots:
    """When each hop sends, where the network keeps slots."""

    frame_s: float
    """Slots come again after this time."""
    offset_s: Mapping[int, float]
    """From the start of a frame to the time at which a hop (its index) sends; hops without an entry send when they must."""
    open_from_s: float = 0.0
    open_to_s: float = 0.0
    """Open part of each frame: whatever is tried again or comes late for its slot goes out within it, at a random moment."""
    open_rows: frozenset[int] = frozenset()
    """Hops without a slot that keep to the open part too."""
    first_frame: Mapping[int, int] = field(default_factory=dict)
    """Frame in which the first reading of a sensor's first hop is sent."""
    clock_error_ppm: float = 0.0
    """Most by which each clock runs wrong; drawn evenly for each device."""
    jitter_s: float = 0.0
    """Most by which a start is off besides, to either side."""
    lead_s: float = 0.0
    """How long before its slot a sensor has its reading ready, so that a fast clock may send early."""


@dataclass(frozen=True)
class Day:
    """A day to simulate: the hops with their chances on that day."""

    hops: tuple[HopTraffic, ...]
    name: str = ""


@dataclass(eq=False)
class HopCount:
    """What one hop did."""

    readings: int = 0
    """Readings that its sender had to send."""
    frames: int = 0
    answers: int = 0
    delivered: int = 0
    failed: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    """Frames lost, by cause."""
    given_up: dict[str, int] = field(default_factory=lambda: dict.fromkeys(CAUSES, 0))
    """Readings lost for good, by the cause of the last frame."""


@dataclass(frozen=True, eq=False)
class Simulated:
    """What came of some days."""

    days: int
    hops: tuple[HopCount, ...]
    delays_s: tuple[tuple[float, ...], ...]
    """For each hop that is the last of its way, the delay of each reading that arrived, from its measuring on; else empty."""
    day_readings: tuple[int, ...]
    day_arrived: tuple[int, ...]
    loads: dict[str, float]
    """Share of time on the air in each channel."""
    sending_ms: dict[str, float]
    """All that each device had on the air, acknowledgements included."""

    def frames_per_reading(self, row: int) -> float:
        """Return the mean frames of a hop for each reading that it had to send."""
        return self.hops[row].frames / self.hops[row].readings if self.hops[row].readings else 0.0

    def delivered(self, row: int) -> float:
        """Return the share of its readings that a hop delivered."""
        return self.hops[row].delivered / self.hops[row].readings if self.hops[row].readings else 0.0


def simulate(days: Sequence[Day], *, seed: int, slots: Slots | None = None) -> Simulated:
    """Walk through every frame of some days.

    Parameters
    ----------
    days : sequence of Day
        All with the same hops, which may differ in their chances and in how often readings come.
    seed : int
    slots : Slots, optional
        Without them each sensor starts at a random moment and keeps its interval with a tenth of jitter, and a sender waits at
        random before it tries again (`RETRY_SPACING_S`). With them a hop sends in its slot, and again in the open part of a frame.

    Notes
    -----
    Source
        Own event simulation; it shares no formula with `tries.settle`, only the chance of one frame and what a hop is. Frames and
        acknowledgements that overlap on a channel are lost, both, as if everybody heard everybody (the safe side, as there); so
        is a frame whose receiver is sending. What maps do not tell of a link (`tries.slow_states`) is drawn anew each day, the
        same for both directions, and evenly over all days (Latin hypercube): many days show many networks of which one is yours.
    Valid for
        First routes. A device sends one thing at a time; nothing is stored beyond its tries.
    """
    first = days[0].hops
    counts = tuple(HopCount() for _ in first)
    delays: tuple[list[float], ...] = tuple([] for _ in first)
    air_ms = dict.fromkeys((hop.channel for hop in first), 0.0)
    sending_ms = dict.fromkeys((name for hop in first for name in (hop.sender, hop.receiver)), 0.0)
    readings, arrived = [], []
    random = np.random.default_rng((seed, len(days)))
    states = {
        link: (random.permutation(len(days)) + random.uniform(size=len(days))) / len(days)
        for link in sorted({_ends(hop) for hop in first})
    }
    for number, day in enumerate(days):
        today = {link: float(drawn[number]) for link, drawn in states.items()}
        run = _Day(day.hops, np.random.default_rng((seed, number)), today, slots, counts, delays, air_ms, sending_ms)
        run.walk()
        readings.append(run.readings)
        arrived.append(run.arrived)
    whole_ms = 1000.0 * DAY_S * len(days)
    return Simulated(
        days=len(days),
        hops=counts,
        delays_s=tuple(tuple(each) for each in delays),
        day_readings=tuple(readings),
        day_arrived=tuple(arrived),
        loads={name: busy / whole_ms for name, busy in air_ms.items()},
        sending_ms=sending_ms,
    )


def _ends(hop: HopTraffic) -> tuple[str, str]:
    """Return the link of a hop, whichever way it is used."""
    return min(hop.sender, hop.receiver), max(hop.sender, hop.receiver)


class _Packet:
    """A frame or an acknowledgement on the air."""

    __slots__ = ("begin", "cause", "end", "receiver", "sender")

    def __init__(self, begin: float, end: float, sender: str, receiver: str) -> None:
        self.begin, self.end, self.sender, self.receiver = begin, end, sender, receiver
        self.cause = ""


_MEASURE, _SEND, _FRAME_ENDS, _ANSWER_ENDS = range(4)


class _Day:
    """One day, event by event."""

    def __init__(
        self,
        hops: Sequence[HopTraffic],
        random: np.random.Generator,
        states: Mapping[tuple[str, str], float],
        slots: Slots | None,
        counts: Sequence[HopCount],
        delays: Sequence[list[float]],
        air_ms: dict[str, float],
        sending_ms: dict[str, float],
    ) -> None:
        self.hops, self.random, self.slots = hops, random, slots
        self.counts, self.delays, self.air_ms, self.sending_ms = counts, delays, air_ms, sending_ms
        self.readings = self.arrived = 0
        self.serial = count()
        self.events: list[tuple[float, int, int, int, int, int, float, _Packet | None]] = []
        """Time, serial, kind, hop, tries used, reading, time of measuring, packet."""
        self.air: dict[str, list[_Packet]] = {hop.channel: [] for hop in hops}
        self.busy_until: dict[str, float] = {}
        self.next_hop = {hop.after: row for row, hop in enumerate(hops) if hop.after is not None}
        self.got: set[tuple[int, int]] = set()
        """Hop and reading of what the receiver has already."""
        self.root = list(range(len(hops)))
        for row, hop in enumerate(hops):
            if hop.after is not None:
                self.root[row] = self.root[hop.after]
        self.synced_s: dict[str, float] = {}
        names = sorted({name for hop in hops for name in (hop.sender, hop.receiver)})
        error = slots.clock_error_ppm * 1e-6 if slots else 0.0
        self.drift = dict(zip(names, random.uniform(-error, error, len(names)), strict=True))
        self.chances = []
        for hop in hops:
            at = states[_ends(hop)]
            both = (hop.frame_success, hop.answer_success)
            self.chances.append(tuple(float(each[min(int(at * each.size), each.size - 1)]) for each in both))

    def push(
        self, time_s: float, kind: int, row: int, used: int, reading: int, born_s: float, packet: _Packet | None = None
    ) -> None:
        """Plan an event."""
        heapq.heappush(self.events, (time_s, next(self.serial), kind, row, used, reading, born_s, packet))

    def walk(self) -> None:
        """Go through the readings of one day until nothing is left to send."""
        for row, hop in enumerate(self.hops):
            if hop.after is None and hop.per_second > 0.0:
                self.measure(row, hop)
        while self.events:
            now, _, kind, row, used, reading, born, packet = heapq.heappop(self.events)
            if kind == _MEASURE:
                self.readings += 1
                self.begin(row, reading, now, now)
            elif kind == _SEND:
                self.send(row, used, reading, now, born)
            elif kind == _FRAME_ENDS:
                assert packet is not None
                self.frame_ends(row, used, reading, now, born, packet)
            else:
                assert packet is not None
                self.answer_ends(row, used, reading, now, born, packet)

    def measure(self, row: int, hop: HopTraffic) -> None:
        """Plan the readings of a sensor."""
        interval = 1.0 / hop.per_second
        if self.slots is not None and row in self.slots.offset_s:
            slots = self.slots
            start = slots.first_frame.get(row, 0) * slots.frame_s + slots.offset_s[row] - slots.lead_s
            times = np.arange(start, DAY_S, interval)
        else:
            number = np.arange(ceil(DAY_S / interval))
            jitter = JITTER_SHARE * interval * self.random.uniform(-1.0, 1.0, number.size)
            times = np.sort((self.random.uniform(0.0, interval) + number * interval + jitter) % DAY_S)
        for reading, time_s in enumerate(times):
            self.push(float(time_s), _MEASURE, row, 0, reading, float(time_s))

    def begin(self, row: int, reading: int, now: float, born: float) -> None:
        """Take up a reading at the sender of a hop."""
        self.counts[row].readings += 1
        self.plan_send(row, 0, reading, now, born)

    def plan_send(self, row: int, used: int, reading: int, earliest: float, born: float) -> None:
        """Plan the next try: at once or after the wait that was counted in, or in the next free slot of the hop."""
        slots = self.slots
        if slots is None or (row not in slots.offset_s and row not in slots.open_rows):
            self.push(earliest, _SEND, row, used, reading, born)
            return
        if used == 0 and row in slots.offset_s:
            root = self.root[row]
            frame = round((born + slots.lead_s - slots.offset_s[root]) / slots.frame_s)
            start = frame * slots.frame_s + slots.offset_s[row]
            if start >= earliest - 1e-6:
                sender = self.hops[row].sender
                wrong = self.drift[sender] * (start - self.synced_s.get(sender, start))
                wrong += slots.jitter_s * float(self.random.uniform(-1.0, 1.0))
                self.push(max(start + wrong, earliest), _SEND, row, used, reading, born)
                return
        self.push(self.open_moment(row, earliest), _SEND, row, used, reading, born)

    def open_moment(self, row: int, earliest: float) -> float:
        """Return a random moment of the next open part in which a hop has time for a frame and its answer."""
        slots, hop = self.slots, self.hops[row]
        assert slots is not None
        last = slots.open_to_s - (hop.frame_ms + hop.answer_ms) / 1000.0
        if last <= slots.open_from_s:
            return earliest
        frame = ceil((earliest - last) / slots.frame_s)
        begin = frame * slots.frame_s
        return float(self.random.uniform(max(begin + slots.open_from_s, earliest), begin + last))

    def send(self, row: int, used: int, reading: int, now: float, born: float) -> None:
        """Put a frame on the air, or wait while the sender is busy."""
        hop = self.hops[row]
        free = self.busy_until.get(hop.sender, -inf)
        if now < free:
            self.push(free + float(self.random.exponential(hop.frame_ms / 1000.0)), _SEND, row, used, reading, born)
            return
        self.counts[row].frames += 1
        packet = self.on_air(hop, hop.sender, hop.receiver, now, hop.frame_ms)
        self.busy_until[hop.sender] = packet.end + hop.answer_ms / 1000.0
        self.push(packet.end, _FRAME_ENDS, row, used + 1, reading, born, packet)

    def on_air(self, hop: HopTraffic, sender: str, receiver: str, now: float, length_ms: float) -> _Packet:
        """Return a packet on the air that spoils whatever it overlaps, and is spoilt by it."""
        packet = _Packet(now, now + length_ms / 1000.0, sender, receiver)
        channel = self.air[hop.channel] = [other for other in self.air[hop.channel] if other.end > now]
        for other in channel:
            if other.sender == sender:
                continue
            other.cause = DEAF if sender == other.receiver and not other.cause else other.cause or COLLISION
            packet.cause = DEAF if other.sender == receiver and not packet.cause else packet.cause or COLLISION
        channel.append(packet)
        self.air_ms[hop.channel] += length_ms
        self.sending_ms[sender] += length_ms
        return packet

    def frame_ends(self, row: int, used: int, reading: int, now: float, born: float, packet: _Packet) -> None:
        """Decide what became of a frame."""
        hop, tally = self.hops[row], self.counts[row]
        cause = packet.cause or ("" if self.random.random() < self.chances[row][0] else FADING)
        if cause:
            tally.failed[cause] += 1
            self.again(row, used, reading, now + hop.answer_ms / 1000.0, born, cause)
            return
        answer_s = hop.answer_ms / 1000.0 if hop.acknowledged else 0.0
        if (row, reading) not in self.got:
            self.got.add((row, reading))
            tally.delivered += 1
            onward = self.next_hop.get(row)
            if onward is not None:
                self.begin(onward, reading, now + answer_s, born)
            else:
                self.arrived += 1
                self.delays[row].append(now - born)
        if not hop.acknowledged:
            self.again(row, used, reading, now, born, "")
            return
        if not answer_s:
            self.heard(row, now)  # the answer takes no time of its own
            if self.random.random() >= self.chances[row][1]:
                self.again(row, used, reading, now, born, FADING)
            return
        tally.answers += 1
        answer = self.on_air(hop, hop.receiver, hop.sender, now, hop.answer_ms)
        self.busy_until[hop.receiver] = max(self.busy_until.get(hop.receiver, -inf), answer.end)
        self.push(answer.end, _ANSWER_ENDS, row, used, reading, born, answer)

    def answer_ends(self, row: int, used: int, reading: int, now: float, born: float, packet: _Packet) -> None:
        """Decide whether the sender learns of its success."""
        cause = packet.cause or ("" if self.random.random() < self.chances[row][1] else FADING)
        if cause:
            self.again(row, used, reading, now, born, cause)
        else:
            self.heard(row, now)

    def heard(self, row: int, now: float) -> None:
        """Set the sender's clock by an acknowledgement."""
        self.synced_s[self.hops[row].sender] = now

    def again(self, row: int, used: int, reading: int, now: float, born: float, cause: str) -> None:
        """Try again, or give up."""
        if used < self.hops[row].tries:
            wait = float(self.random.uniform(*RETRY_SPACING_S))
            self.plan_send(row, used, reading, now + wait, born)
        elif (row, reading) not in self.got:
            self.counts[row].given_up[cause or FADING] += 1
