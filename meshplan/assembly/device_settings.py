"""What each device of a plan is programmed with; every figure is one of the plan or of the radio class it was made with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import floor
from typing import Final

from meshplan.assembly.device_numbers import number_devices, physical_names, things
from meshplan.assembly.running import radio_name
from meshplan.assembly.slot_plan import SlotPlan
from meshplan.assembly.traffic import command_need, listening_of, station_mode
from meshplan.operation.airtime import acknowledgement_ms, chirp_is_aided
from meshplan.operation.channel import MAX_TRIES, RETRY_SPACING_S
from meshplan.operation.duty_cycle import HOUR_MS
from meshplan.operation.energy import ANSWER_WINDOW_MS
from meshplan.operation.listening import AFTER_REPORT, ALWAYS, SAMPLED, look_ms, sampling_period_s, window_ms
from meshplan.records import Link, Plan, Power, Role
from meshplan.records.device import Device, DutyRecord
from meshplan.records.device_settings import (
    DeviceNumber,
    DeviceSettings,
    DevicesFile,
    DeviceSlots,
    DutyBudget,
    ExpectedSignal,
    Forwarding,
    Listening,
    Neighbour,
    RadioSetup,
    SeasonSignal,
    SlotFrame,
    SlotListen,
    SlotSend,
)
from meshplan.records.radio import Modulation
from meshplan.records.station import Station
from meshplan.settings import PropertySettings

CAUTIONS: Final = (
    "An alarm that depends on radio is never promised: what must not be missed needs a way that does not depend on these devices.",
    "Power is the most at the radio's port with the antenna and cable of the plan; others ask for another power. "
    "Look up what the rules of your country ask before sending; the plan's table of rules is a planning aid.",
)


def device_settings(
    plan: Plan,
    stations: Sequence[Station],
    settings: PropertySettings,
    kept: Sequence[DeviceNumber] = (),
    slots: SlotPlan | None = None,
) -> tuple[DevicesFile, tuple[DeviceNumber, ...]]:
    """Return the settings of all devices of a plan, and all numbers that are given away.

    Parameters
    ----------
    plan : Plan
    stations : sequence of Station
        Those that the plan was made with; each device of it is looked up by its name.
    settings : PropertySettings
    kept : sequence of DeviceNumber
        Numbers that devices have already.
    slots : SlotPlan, optional
    """
    numbers = number_devices(plan, kept)
    book = _Book(plan, stations, settings, numbers, slots)
    devices = sorted((book.settings_of(device) for device in things(plan)), key=lambda each: each.number)
    frame = None
    if slots is not None and slots.planned:
        schedule, own = slots.schedule, settings.slots
        spacing = own.readings_between_settings
        frame = SlotFrame(slots.frame_ms, schedule.makespan_ms, slots.open_ms, schedule.bound_ms, own.clock_error_ppm, spacing)
    note = slots.sentence if slots is not None else ""
    return DevicesFile(plan.property_name, plan.version, CAUTIONS, frame, note, tuple(devices)), numbers


@dataclass(frozen=True, eq=False)
class _Way:
    """A route over things: names of devices as they stand outdoors."""

    sensor: str
    names: tuple[str, ...]
    second: bool


class _Book:
    """A plan with its devices looked up by the things that they are."""

    def __init__(
        self,
        plan: Plan,
        stations: Sequence[Station],
        settings: PropertySettings,
        numbers: Sequence[DeviceNumber],
        slots: SlotPlan | None,
    ) -> None:
        self.plan, self.settings, self.slots = plan, settings, slots
        self.thing = physical_names(plan)
        self.number = {each.name: each for each in numbers}
        self.own: dict[str, list[Station]] = {}
        for station in stations:
            self.own.setdefault(station.key, []).append(station)
        self.same: dict[str, list[str]] = {}
        for name, thing in self.thing.items():
            self.same.setdefault(thing, []).append(name)
        self.ways = [
            _Way(self.thing[route.sensor], tuple(self._things(names)), second)
            for route in plan.routes
            for names, second in ((route.devices, False), (route.second_devices, True))
            if names
        ]
        self.hops = [hop for route in plan.routes for hop in route.hops]

    def _things(self, names: Sequence[str]) -> list[str]:
        """Return things along a way; a sensor that is at once its own first relay stands once."""
        return list(dict.fromkeys(self.thing[name] for name in names))

    def settings_of(self, device: Device) -> DeviceSettings:
        """Return the settings of one thing."""
        thing = self.thing[device.name]
        entry = self.number[thing]
        names = self.same[thing]
        stations = self._stations_of(device, names)
        site = next((one.site for one in stations if one.site.role is Role.SENSOR), stations[0].site)
        sensor = device.role is Role.SENSOR
        forwarding = self._forwarding(thing)
        forwards = any(each.to is not None for each in forwarding if each.sensor != entry.number)
        parent, second = self._parents(thing)
        radios = tuple(self._radio(station, names, device) for station in stations)
        return DeviceSettings(
            number=entry.number,
            name=thing,
            identifier=entry.identifier,
            plan_name=device.name,
            role=device.role.value,
            forwards=forwards,
            served=device.served if sensor else True,
            parent=parent,
            second_parent=second,
            hops=self._hops(thing),
            radios=radios,
            payload_bytes=site.payload_bytes if sensor else None,
            interval_s=site.interval_s if sensor else None,
            fast_interval_s=site.fast_interval_s if sensor else None,
            forwarding=forwarding,
            listening=self._listening(stations[0], sensor=sensor, forwards=forwards),
            slots=self._slots(thing),
            duty=self._duty(names),
            expected=self._expected(names),
            not_chosen=self._not_chosen(stations, forwards=forwards, second=second is not None, fast=bool(site.fast_interval_s)),
        )

    def _stations_of(self, device: Device, names: Sequence[str]) -> list[Station]:
        """Return one station a radio: of a sensor that forwards the sensor's, whose antenna and radio are the same."""
        found = {station.radio.name: station for name in names for station in self.own.get(name, [])}
        own = {station.radio.name: station for station in self.own.get(device.name, [])}
        if not found:
            raise AssertionError(f"{device.name} has no station")
        return [own.get(radio, station) for radio, station in found.items()]

    def _neighbour(self, thing: str) -> Neighbour:
        return Neighbour(self.number[thing].number, thing)

    def _parents(self, thing: str) -> tuple[Neighbour | None, Neighbour | None]:
        """Return the device to which most first routes lead on, and the best other one of any route; ties by number."""
        first: Counter[str] = Counter()
        other: Counter[str] = Counter()
        for way in self.ways:
            for here, there in pairwise(way.names):
                if here == thing:
                    (other if way.second else first)[there] += 1

        def best(count: Counter[str], without: str | None) -> str | None:
            left = [name for name in count if name != without]
            return min(left, key=lambda name: (-count[name], self.number[name].number)) if left else None

        parent = best(first, None) or best(other, None)
        if parent is None:
            return None, None
        second = best(other, parent) or best(first, parent)
        return self._neighbour(parent), self._neighbour(second) if second else None

    def _hops(self, thing: str) -> int | None:
        """Return the hops to the gateway by the first routes, or the second ones where no first one leads here; the fewest."""
        for wanted in (False, True):
            found = [
                len(way.names) - 1 - way.names.index(thing) for way in self.ways if way.second is wanted and thing in way.names
            ]
            if found:
                return min(found)
        roles = {device.role for device in self.plan.devices if device.name in self.same[thing]}
        return 0 if Role.GATEWAY in roles else None

    def _forwarding(self, thing: str) -> tuple[Forwarding, ...]:
        found = []
        for way in self.ways:
            if thing in way.names[1:]:
                at = way.names.index(thing)
                onward = self.number[way.names[at + 1]].number if at + 1 < len(way.names) else None
                found.append(Forwarding(self.number[way.sensor].number, onward, way.second))
        return tuple(sorted(found, key=lambda each: (each.second_route, each.sensor)))

    def _radio(self, station: Station, names: Sequence[str], device: Device) -> RadioSetup:
        mode = station_mode(station)
        chirp = mode.spreading_factor is not None
        setting = next(each for each in mode.radio.settings if each.name == mode.setting)
        index = setting.modulation_index
        shifts = mode.modulation in (Modulation.FSK, Modulation.GFSK)
        senders = {
            radio_name(one, self.own[name]) for name in names for one in self.own.get(name, ()) if one.radio.name == mode.name
        }
        sent = [hop.airtime_ms for hop in self.hops if hop.sender in senders]
        own_ms = max(sent, default=0.0)
        if not sent and device.role is Role.SENSOR and device.duty is not None:
            own_ms = device.duty.airtime_ms_per_packet
        answer_ms = acknowledgement_ms(mode)
        return RadioSetup(
            radio=mode.name,
            title=mode.title,
            frequency_mhz=mode.frequency_mhz,
            modulation=mode.modulation.value,
            bit_rate_bps=mode.bit_rate_bps,
            spreading_factor=mode.spreading_factor,
            bandwidth_khz=mode.bandwidth_khz,
            occupied_bandwidth_khz=mode.occupied_bandwidth_khz,
            coding_rate=f"4/{4 + mode.radio.coding_rate_index}" if chirp else None,
            preamble_symbols=mode.radio.preamble_symbols if chirp else None,
            low_rate_aid=chirp_is_aided(mode) if chirp else None,
            deviation_khz=index.value * mode.bit_rate_bps / 2000.0 if index and shifts else None,
            receiver_filter_khz=setting.filter_bandwidth_khz.value if setting.filter_bandwidth_khz and shifts else None,
            frame_overhead_bytes=0.0 if chirp else mode.radio.frame_overhead_bytes.value,
            header_bytes=mode.header_bytes,
            repeats=int(mode.radio.repeats.value) if mode.tx_only else 1,
            tx_power_dbm=floor(station.tx_power_dbm * 100.0 + 1e-6) / 100.0,
            tx_power_whole_dbm=floor(station.tx_power_dbm + 1e-6),
            eirp_dbm=station.eirp_dbm,
            sensitivity_dbm=station.sensitivity_dbm,
            acknowledged=mode.acknowledged and not mode.tx_only,
            acknowledgement_bytes=mode.acknowledgement_bytes if answer_ms else 0,
            acknowledgement_ms=answer_ms,
            answer_window_ms=ANSWER_WINDOW_MS if answer_ms else 0.0,
            tries=MAX_TRIES if mode.acknowledged and not mode.tx_only else 1,
            retry_wait_s=RETRY_SPACING_S if mode.acknowledged and not mode.tx_only else (),
            longest_frame_ms=own_ms,
        )

    def _listening(self, station: Station, *, sensor: bool, forwards: bool) -> Listening:
        site, mode, need = station.site, station_mode(station), command_need(station.site)
        if not sensor or forwards:
            share = self.settings.supply.relay_listening_share
            partly = site.power is Power.BATTERY and site.role is not Role.GATEWAY and share < 1.0
            return Listening("share", share, None, None) if partly else Listening("always", 1.0, None, None)
        if mode.tx_only or (need is None and not mode.acknowledged):
            return Listening("never", None, None, None)
        if need is None:
            return Listening("acknowledgements", None, None, None)
        return {
            SAMPLED: Listening("sampled", None, sampling_period_s(need[1]), look_ms(mode)),
            AFTER_REPORT: Listening("after report", None, None, window_ms(mode)),
            ALWAYS: Listening("always", 1.0, None, None),
        }[listening_of(site)]

    def _slots(self, thing: str) -> DeviceSlots | None:
        """Return when a thing sends and listens; None where it has no slot."""
        if self.slots is None:
            return None
        sends, listens = [], []
        for start, transfer, each in zip(self.slots.schedule.start_ms, self.slots.transfers, self.slots.planned, strict=True):
            sensor = self.number[self.thing[each.sensor]].number
            to = [self.number[name].number for name in each.receivers]
            if each.sender == thing:
                sends.append(SlotSend(sensor, to[0], to[1] if len(to) > 1 else None, round(start + each.guard_ms)))
            elif thing in each.receivers:
                second = each.row is None or each.receivers[0] != thing
                sender = self.number[each.sender].number
                listens.append(SlotListen(sender, sensor, second, start, start + transfer.length_ms))
        if not sends and not listens:
            return None
        every = next((self.slots.every_frames[name] for name in self.same[thing] if name in self.slots.every_frames), None)
        open_ms = self.slots.open_ms if listens else 0
        share = (open_ms + sum(each.to_ms - each.from_ms for each in listens)) / self.slots.frame_ms
        frames, fast_frames, first_frame = every or (None, None, None)
        return DeviceSlots(
            every_frames=frames,
            fast_every_frames=fast_frames,
            first_frame=first_frame,
            sends=tuple(sorted(sends, key=lambda each: each.offset_ms)),
            listens=tuple(sorted(listens, key=lambda each: (each.from_ms, each.sender))),
            listening_share=min(share, 1.0),
        )

    def _duty(self, names: Sequence[str]) -> DutyBudget | None:
        """Return the budget of a thing; a sensor that forwards is judged as the relay that it is, own readings included."""
        found: dict[bool, DutyRecord] = {
            bool(d.same_as): d.duty for d in self.plan.devices if d.name in names and d.duty is not None
        }
        if not found:
            return None
        duty = found[max(found)]
        return DutyBudget(duty.duty_limit, duty.duty_limit * HOUR_MS, duty.duty_share, duty.fast_duty_share, duty.rule)

    def _expected(self, names: Sequence[str]) -> tuple[ExpectedSignal, ...]:
        first = {key for route in self.plan.routes for key in route.links}
        links = [link for link in self.plan.chosen_links if (link.a in names) is not (link.b in names)]
        found = [self._signal(link, names, second=link.key not in first) for link in links]
        return tuple(sorted(found, key=lambda each: (each.second_route, each.neighbour)))

    def _signal(self, link: Link, names: Sequence[str], *, second: bool) -> ExpectedSignal:
        is_a = link.a in names
        here, there = (link.sensitivity_a_dbm, link.sensitivity_b_dbm) if is_a else (link.sensitivity_b_dbm, link.sensitivity_a_dbm)
        months = {season.name: season.month for season in self.plan.seasons}
        seasons = []
        for each in link.seasons:
            levels = each.received_at_a_dbm, each.received_at_b_dbm
            at_here, at_there = levels if is_a else levels[::-1]
            seasons.append(SeasonSignal(each.season, months[each.season], at_here, at_there, each.spread.total_db))
        return ExpectedSignal(
            neighbour=self.number[self.thing[link.b if is_a else link.a]].number,
            radio=link.radio or self.plan.radio.key,
            second_route=second,
            needed_here_dbm=here,
            needed_there_dbm=there,
            fade_margin_db=link.fade_margin_db,
            alarm_below_here_dbm=here + link.fade_margin_db,
            alarm_below_there_dbm=there + link.fade_margin_db,
            worst_season=link.worst_season,
            first_failing_month=link.first_failing_month,
            seasons=tuple(seasons),
        )

    def _not_chosen(self, stations: Sequence[Station], *, forwards: bool, second: bool, fast: bool) -> tuple[str, ...]:
        """Say what must be programmed too and is no figure of the plan."""
        words: dict[str, None] = {
            "Sync word or network name, and the key that readings are signed with: choose your own, the same on all devices.": None,
            "What stands where in the payload.": None,
        }
        for station in stations:
            mode = station_mode(station)
            setting = next(each for each in mode.radio.settings if each.name == mode.setting)
            if mode.modulation in (Modulation.FSK, Modulation.GFSK) and setting.modulation_index is None:
                words[f"{mode.title}: deviation; the class does not say it."] = None
            if mode.modulation in (Modulation.FSK, Modulation.GFSK) and setting.filter_bandwidth_khz is None:
                words[f"{mode.title}: receiver filter; the class does not say it."] = None
            if mode.hops:
                words[
                    f"{mode.title}: the channels to hop over and their order. Where the rules forbid to coordinate hop "
                    "sequences, each device draws its own."
                ] = None
            if not mode.acknowledged and not mode.tx_only:
                words[f"{mode.title}: nothing confirms a reading, so the sender cannot know of a loss."] = None
        site = stations[0].site
        share = self.settings.supply.relay_listening_share
        if (site.role is Role.RELAY or forwards) and site.power is Power.BATTERY and share < 1.0:
            words[
                f"When its receiver is open: {share:.1%} of the time is stated (supply.relay_listening_share), the hours are not."
            ] = None
        if second:
            words["After how many unanswered readings to change to the second parent, and when to try the first again."] = None
        if fast:
            words["What puts it into the fast mode and back."] = None
        return tuple(words)


def numbers_by_plan_name(plan: Plan, numbers: Sequence[DeviceNumber]) -> Mapping[str, int]:
    """Return the number of each device by its name in the plan."""
    of_thing = {each.name: each.number for each in numbers}
    return {name: of_thing[thing] for name, thing in physical_names(plan).items()}
