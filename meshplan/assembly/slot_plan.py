"""Slots for a plan: which transfers there are, who hears whom, how often a frame of slots comes, what each device keeps."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, gcd
from typing import Final

import numpy as np

from meshplan.assembly.device_numbers import physical_names
from meshplan.assembly.routes import row_index
from meshplan.assembly.running import Running, radio_name
from meshplan.assembly.traffic import station_emission
from meshplan.links.link_table import LinkTable
from meshplan.operation.airtime import acknowledgement_ms, time_on_air_ms
from meshplan.operation.duty_cycle import TrafficSource, channel_groups
from meshplan.operation.energy import ANSWER_WINDOW_MS
from meshplan.operation.law import legal_check
from meshplan.operation.simulation import Slots
from meshplan.operation.slots import Schedule, Transfer, conflicts_of, guard_ms, hidden_pairs, make_schedule
from meshplan.records import Plan, Role
from meshplan.records.radio import Condition, Region
from meshplan.records.station import Station
from meshplan.settings import PropertySettings

SPREADS_HEARD: Final = 2.0
"""A sender counts as not heard where even so many standard deviations above its median, in the best season, its power stays below
what the receiver needs (own choice)."""


LONGEST_FRAME_MS: Final = 60_000
"""Frames of slots are no longer than this where the intervals allow it: what was lost goes out again within it (own choice)."""

OPEN_TRANSFERS: Final = 3
OPEN_SHARE: Final = 0.1
"""The open part of a frame, for what was lost, came late, or is a command: so many of its longest transfers, and no less than this
share of the frame (own choice)."""


@dataclass(frozen=True)
class PlannedTransfer:
    """One slot: whose reading goes from which thing to which."""

    sensor: str
    sender: str
    receivers: tuple[str, ...]
    guard_ms: float
    row: int | None
    """Index of the hop of the simulation; None for hops of second routes."""
    first: bool
    """Whether it starts at the sensor."""


@dataclass(frozen=True, eq=False)
class SlotPlan:
    """The slots of a plan; without any, `sentence` says why."""

    frame_ms: int
    open_ms: int
    """Length of the open part, which follows on the slots."""
    open_rows: frozenset[int]
    """Hops of the simulation that have no slot and keep to the open part: commands."""
    schedule: Schedule
    transfers: tuple[Transfer, ...]
    planned: tuple[PlannedTransfer, ...]
    every_frames: Mapping[str, tuple[int, int | None, int]]
    """For each sensor: after how many frames it sends again, the same in its fast mode, and its first frame."""
    clock_error_ppm: float
    jitter_ms: float
    hidden: int
    sentence: str

    def for_simulation(self) -> Slots | None:
        """Return what the simulation needs; None without slots."""
        if not self.planned:
            return None
        offsets, first = {}, {}
        for start, each in zip(self.schedule.start_ms, self.planned, strict=True):
            if each.row is not None:
                offsets[each.row] = (start + each.guard_ms) / 1000.0
                if each.first:
                    first[each.row] = self.every_frames[each.sensor][2]
        lead_s = max(each.guard_ms for each in self.planned) / 1000.0
        used_s = self.schedule.makespan_ms / 1000.0
        return Slots(
            frame_s=self.frame_ms / 1000.0,
            offset_s=offsets,
            open_from_s=used_s,
            open_to_s=used_s + self.open_ms / 1000.0,
            open_rows=self.open_rows,
            first_frame=first,
            clock_error_ppm=self.clock_error_ppm,
            jitter_s=self.jitter_ms / 1000.0,
            lead_s=lead_s,
        )


def plan_slots(plan: Plan, running: Running, table: LinkTable, region: Region, settings: PropertySettings) -> SlotPlan:
    """Return slots for the readings of a plan, or why there are none.

    Notes
    -----
    Source
        A frame of slots comes again after a time of which every interval, also of the fast mode, is a multiple: each transfer
        keeps its place in it, and on an alarm night it is only used more often. Behind the slots each frame has an open part, in
        which what was lost is sent again, late readings go on, and commands go out, each at a random moment. Guard times follow
        from the clock error that is stated and from how long a sender may not have heard an acknowledgement (`slots.*` of
        property.toml).
    """
    own = settings.slots
    sources = [(number, source) for number, source in enumerate(running.traffic.sources) if source.hops and not source.is_command]
    why = {source.name: _why_not(source, running, region, settings) for _, source in sources}
    kept = [(number, source) for number, source in sources if not why[source.name]]
    reasons = sorted({reason for reason in why.values() if reason})
    if not kept:
        return _none(reasons[0] if reasons else "no reading is on the air.", settings)
    book = _Transfers(plan, running, kept, settings)
    heard = _Hearing(table, book.keys)
    conflicts = conflicts_of(book.transfers, heard)
    schedule = make_schedule(book.transfers, conflicts)
    steps = [round(1000.0 * each) for _, source in kept for each in (source.interval_s, source.fast_interval_s) if each]
    step = gcd(*steps)
    frame, open_ms = _frame(step, schedule.makespan_ms, max(each.length_ms for each in book.transfers))
    if not frame:
        least = schedule.makespan_ms + open_ms
        return _none(
            f"{len(book.transfers)} transfers take {schedule.makespan_ms / 1000.0:.1f} s, {open_ms / 1000.0:.1f} s must stay open "
            f"for what is sent again, and the intervals, with those of the fast mode, are multiples of no more than "
            f"{step / 1000.0:g} s. Make all of them multiples of {ceil(least / 1000.0)} s or more, or name better clocks "
            "(slots.clock_error_ppm).",
            settings,
        )
    every = {}
    for place, (_, source) in enumerate(kept):
        frames = round(1000.0 * source.interval_s) // frame
        fast = round(1000.0 * source.fast_interval_s) // frame if source.fast_interval_s else None
        every[source.name] = (frames, fast, place % frames)
    hidden = hidden_pairs(book.transfers, heard)
    return SlotPlan(
        frame_ms=frame,
        open_ms=open_ms,
        open_rows=frozenset(
            running.traffic.first[number] + place
            for number, source in enumerate(running.traffic.sources)
            if source.is_command
            for place in range(len(source.hops))
        ),
        schedule=schedule,
        transfers=tuple(book.transfers),
        planned=tuple(book.planned),
        every_frames=every,
        clock_error_ppm=own.clock_error_ppm,
        jitter_ms=own.jitter_ms,
        hidden=hidden,
        sentence=_sentence(book, schedule, frame, open_ms, hidden, reasons, len(sources) - len(kept), settings),
    )


def _frame(step_ms: int, used_ms: int, longest_ms: int) -> tuple[int, int]:
    """Return the frame and its open part: the longest part of a step within `LONGEST_FRAME_MS`, else the shortest that holds both.

    The frame is 0 where not even the step does.
    """

    def open_of(frame: int) -> int:
        return max(OPEN_TRANSFERS * longest_ms, ceil(OPEN_SHARE * frame))

    fits = [
        frame
        for frame in (step_ms // parts for parts in range(1, step_ms // max(used_ms, 1) + 1) if step_ms % parts == 0)
        if used_ms + open_of(frame) <= frame
    ]
    if not fits:
        return 0, OPEN_TRANSFERS * longest_ms
    frame = next((each for each in fits if each <= LONGEST_FRAME_MS), fits[-1])
    return frame, open_of(frame)


def _none(why: str, settings: PropertySettings) -> SlotPlan:
    own = settings.slots
    return SlotPlan(
        0, 0, frozenset(), Schedule((), 0, 0, "greedy"), (), (), {}, own.clock_error_ppm, own.jitter_ms, 0, f"No slots: {why}"
    )


def _why_not(source: TrafficSource, running: Running, region: Region, settings: PropertySettings) -> str:
    """Return why a sensor's readings cannot keep slots; empty if they can."""
    wish = settings.radio_settings
    for sender, receiver in source.hops:
        mode = running.modes[sender]
        if mode.tx_only or not mode.acknowledged:
            return f"nothing sets the clock of a device with {mode.title}: it hears no acknowledgement."
        for name in (sender, receiver):
            verdict = legal_check(region, station_emission(running.senders[name], wish.licence, wish.accepts), look_elsewhere=False)
            if mode.hops or {Condition.HOPPING, Condition.HYBRID} & set(verdict.keys):
                return f"{mode.title} hops over channels, which devices must not do by a common plan under such a rule."
    return ""


def _sentence(
    book: _Transfers,
    schedule: Schedule,
    frame: int,
    open_ms: int,
    hidden: int,
    reasons: Sequence[str],
    left: int,
    settings: PropertySettings,
) -> str:
    own = settings.slots
    proof = "and none is shorter" if schedule.optimal else f"none shorter than {schedule.bound_ms / 1000.0:.1f} s is possible"
    words = (
        f"{len(book.transfers)} transfers keep slots in a frame of {frame / 1000.0:g} s; together they take "
        f"{schedule.makespan_ms / 1000.0:.1f} s, {proof}. Behind them {open_ms / 1000.0:.1f} s are "
        f"open for what is sent again. Guard times are for clocks wrong by {own.clock_error_ppm:g} ppm "
        f"that hear an acknowledgement at least every {own.readings_between_settings:g} readings."
    )
    if hidden:
        words += (
            f" By the link graph {hidden} pair{'s' if hidden != 1 else ''} of senders share a receiver without hearing each other."
        )
    commands = sum(source.is_command for source in book.running.traffic.sources)
    if commands:
        words += " Commands go out in the open part of the frame."
    if left:
        words += f" {left} sensor{'s send' if left != 1 else ' sends'} at random all the same: {' '.join(reasons)}"
    return words


class _Transfers:
    """The transfers of all readings that keep slots, over things that stand outdoors."""

    def __init__(self, plan: Plan, running: Running, kept: Sequence[tuple[int, TrafficSource]], settings: PropertySettings) -> None:
        self.running, self.settings = running, settings
        self.groups = channel_groups(running.modes)
        thing = physical_names(plan)
        self.of_key: dict[str, list[Station]] = {}
        for station in running.senders.values():
            self.of_key.setdefault(station.key, []).append(station)
        self.thing_of = {name: thing[station.key] for name, station in running.senders.items() if station.key in thing}
        self.keys: dict[str, list[str]] = {}
        for name, station in running.senders.items():
            if name in self.thing_of:
                self.keys.setdefault(self.thing_of[name], []).append(station.key)
        self.transfers: list[Transfer] = []
        self.planned: list[PlannedTransfer] = []
        self.shortest: dict[str, float] = {}
        for _, source in kept:
            for sender, _ in source.hops:
                at = self.thing_of[sender]
                self.shortest[at] = min(self.shortest.get(at, source.interval_s), source.interval_s)
        seconds = {route.sensor: route.second_devices for route in plan.routes}
        for number, source in kept:
            self._add(number, source, seconds.get(source.name, ()))

    def _add(self, number: int, source: TrafficSource, second: Sequence[str]) -> None:
        first_row = self.running.traffic.first[number]
        ways: list[list[tuple[str, str, int | None]]] = [
            [(sender, receiver, first_row + place) for place, (sender, receiver) in enumerate(source.hops)]
        ]
        ways.append([(a, b, None) for a, b in self._radios(second, source)])
        at: dict[str, int] = {}
        for way in ways:
            before: int | None = None
            for place, (sender, receiver, row) in enumerate(way):
                here, there = self.thing_of[sender], self.thing_of[receiver]
                if here in at and self.transfers[at[here]].channel == self.groups[sender]:
                    known = self.transfers[at[here]]
                    if there not in known.receivers:
                        self._also_to(at[here], there)
                else:
                    at[here] = len(self.transfers)
                    self._new(source, sender, there, row, before, first=place == 0)
                before = at[here]

    def _radios(self, names: Sequence[str], source: TrafficSource) -> list[tuple[str, str]]:
        """Return the hops of a second route by the names of radios; those of the class that both ends carry."""
        found = []
        for a, b in pairwise(names):
            both = [one for one in self.of_key[a] if one.radio.name in {other.radio.name for other in self.of_key[b]}]
            other = next(each for each in self.of_key[b] if each.radio.name == both[0].radio.name)
            found.append((radio_name(both[0], self.of_key[a]), radio_name(other, self.of_key[b])))
        return found

    def _also_to(self, number: int, there: str) -> None:
        old, plan = self.transfers[number], self.planned[number]
        receivers = (*old.receivers, there)
        self.transfers[number] = Transfer(old.sender, receivers, old.channel, old.length_ms, old.after, old.answered)
        self.planned[number] = PlannedTransfer(plan.sensor, plan.sender, receivers, plan.guard_ms, plan.row, plan.first)

    def _new(self, source: TrafficSource, sender: str, there: str, row: int | None, before: int | None, *, first: bool) -> None:
        own, mode, here = self.settings.slots, self.running.modes[sender], self.thing_of[sender]
        interval_s = self.shortest.get(here, source.interval_s)
        guard = guard_ms(own.clock_error_ppm, own.readings_between_settings * interval_s, own.jitter_ms)
        answer_ms = acknowledgement_ms(mode)
        frame_ms = time_on_air_ms(mode, source.payload_bytes)
        length = frame_ms + (answer_ms + ANSWER_WINDOW_MS if answer_ms else 0.0) + 2.0 * guard
        self.transfers.append(Transfer(here, (there,), self.groups[sender], ceil(length), before, answer_ms > 0.0))
        self.planned.append(PlannedTransfer(source.name, here, (there,), guard, row, first))


class _Hearing:
    """Who disturbs whom, by the link graph; pairs that nobody computed count as heard."""

    def __init__(self, table: LinkTable, keys: Mapping[str, Sequence[str]]) -> None:
        self.keys = keys
        self.known: dict[tuple[str, str], bool] = {}
        self.rows = row_index(table)
        self.role = {station.key: station.site.role for station in table.stations}
        self.first = {row: table.stations[i].key for row, (i, _) in enumerate(table.pairs)}
        lift = SPREADS_HEARD * table.spread_db
        self.at_b = np.max(np.nan_to_num(table.margin_at_b_db + lift, nan=np.inf), axis=0)
        self.at_a = np.max(np.nan_to_num(table.margin_at_a_db + lift, nan=np.inf), axis=0)

    def __call__(self, receiver: str, sender: str) -> bool:
        """Return whether a sender disturbs at a receiver, both by the names of things."""
        if receiver == sender:
            return True
        pair = (receiver, sender)
        if pair not in self.known:
            self.known[pair] = any(self._keys(here, there) for here in self.keys[receiver] for there in self.keys[sender])
        return self.known[pair]

    def _keys(self, receiver: str, sender: str) -> bool:
        row = self.rows.get((sender, receiver))
        if row is None:
            roles = self.role[receiver], self.role[sender]
            computed = roles[0] is not roles[1] or roles[0] is Role.RELAY
            return not computed  # computed pairs that are missing are hopeless even in free space
        margin = self.at_b[row] if self.first[row] == sender else self.at_a[row]
        return bool(margin >= 0.0)
