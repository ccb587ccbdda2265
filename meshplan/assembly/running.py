"""Can the plan run? Airtime, law, energy and delay of every device, from the routes it carries."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import pairwise

from meshplan.assembly.forwarding import shared_airtimes
from meshplan.assembly.on_air import Margins, RouteTraffic, channel_records
from meshplan.assembly.supplies import Catalogue, energy_of
from meshplan.assembly.traffic import command_need, station_emission, station_mode, wake_up_ms
from meshplan.operation.airtime import acknowledgement_ms, airtime_parts, time_on_air_ms
from meshplan.operation.duty_cycle import (
    HOUR_MS,
    DeviceAirtime,
    TrafficSource,
    channel_groups,
    channel_loads,
    device_airtimes,
)
from meshplan.operation.law import LegalVerdict, legal_check
from meshplan.planning.problem import PlacementPlan
from meshplan.records import ChannelRecord, DutyRecord, EnergyRecord, HopRecord, LegalLine, Role, enough_arrives
from meshplan.records.radio import RadioMode, Region
from meshplan.records.station import Station
from meshplan.settings import PropertySettings
from meshplan.terrain.landscape import Landscape


@dataclass(frozen=True, eq=False)
class Running:
    """What running costs each device; keys are station keys."""

    duty: dict[str, DutyRecord]
    supplies: Callable[[], dict[str, EnergyRecord]]
    """Works `energy` out."""
    legal: tuple[LegalLine, ...]
    latency_s: dict[str, float]
    hops: dict[str, tuple[HopRecord, ...]]
    """First route of each served sensor on the air."""
    delivered: dict[str, float]
    """Share of each served sensor's readings that arrive in the busiest hour."""
    channels: tuple[ChannelRecord, ...]
    starved: tuple[str, ...]
    """Served sensors of whose readings fewer arrive than was asked of their route."""
    command_shares: dict[str, tuple[float, float]]
    """Share of time that the last device before each commanded sensor spends on its commands, and how often each goes out."""
    modes: dict[str, RadioMode]
    """Radio of each device, by the name of the radio."""
    traffic: RouteTraffic
    """Every reading and command on the air."""
    senders: dict[str, Station]
    """Station of each radio, by the name of the radio."""

    @cached_property
    def energy(self) -> dict[str, EnergyRecord]:
        """Supply of each device; worked out when it is asked for, since many plans are only asked whether they fit on the air."""
        return self.supplies()


def run_plan(
    plan: PlacementPlan,
    stations: Sequence[Station],
    margins: Margins,
    catalogue: Catalogue,
    settings: PropertySettings,
    hop_radios: Mapping[tuple[str, str], str] | None = None,
    landscape: Landscape | None = None,
) -> Running:
    """Return airtime, law, energy and delay of the devices of a plan.

    Parameters
    ----------
    plan : PlacementPlan
    stations : sequence of Station
        All stations; those of the plan and all sensors are judged. A place with two radios has two under one key.
    margins : callable
        Of each link of the plan by its two station keys.
    catalogue : Catalogue
    settings : PropertySettings
    hop_radios : mapping, optional
        Radio class of each link by its two station keys; needed where places carry two radios.
    landscape : Landscape, optional
        Shades panels.
    """
    opened = set(plan.opened)
    used = [station for station in stations if station.site.role is Role.SENSOR or station.key in opened]
    of_key: dict[str, list[Station]] = {}
    for station in used:
        of_key.setdefault(station.key, []).append(station)
    senders = {radio_name(station, of_key[station.key]): station for station in used}
    modes = {name: station_mode(station) for name, station in senders.items()}
    sensors = [station for station in used if station.site.role is Role.SENSOR]
    hops = {served.sensor_id: _hops(served.sensor_id, served.first.node_ids, of_key, hop_radios or {}) for served in plan.served}
    sources = [
        TrafficSource(
            name=station.key,
            payload_bytes=station.site.payload_bytes,
            interval_s=station.site.interval_s,
            route=(station.key,),
            fast_interval_s=station.site.fast_interval_s,
            acknowledged=station.radio.acknowledged,
            hops=hops.get(station.key, ()),
        )
        for station in sensors
    ]
    readings = len(sources)
    sources += _commands(sensors, hops, modes, senders)
    while True:
        traffic = RouteTraffic(sources, modes, senders, margins)
        sources = [replace(source, sends=traffic.sends(number)) for number, source in enumerate(sources)]
        airtimes = device_airtimes(sources, modes)
        whole = shared_airtimes(airtimes, senders)
        verdicts = {name: _verdict(station, whole[name], catalogue.region, settings) for name, station in senders.items()}
        # a command that the rules forbid is not sent: its device is told so (assembly.commands), and readings go first
        left = [source for source in sources if not source.is_command or all(verdicts[near].lawful for near, _ in source.hops)]
        if len(left) == len(sources):
            break
        sources = left
    groups = channel_groups(modes)
    # who has no route is not built, and disturbs nobody
    built = {name: mode for name, mode in modes.items() if senders[name].site.role is not Role.SENSOR or senders[name].key in hops}
    on_air = {name: airtimes[name] for name in built}
    busiest = channel_loads(on_air, built, fast=True)
    duty: dict[str, DutyRecord] = {}
    for key, own in of_key.items():
        names = [radio_name(station, own) for station in own]
        records = [_duty(whole[name], verdicts[name], busiest.get(groups[name], 0.0), modes[name], traffic) for name in names]
        duty[key] = max(records, key=lambda record: (not record.lawful, record.fast_duty_share / (record.duty_limit or 1.0)))

    def supplies() -> dict[str, EnergyRecord]:
        energy: dict[str, EnergyRecord] = {}
        for key, own in of_key.items():
            names = [radio_name(station, own) for station in own]
            reporting = own[0].site.same_as  # what forwards has its own readings on the air beside those of others
            tries = [traffic.tries(reporting or name)[0] for name in names]
            sent = [(airtimes[name], one) for name, one in zip(names, tries, strict=True)]
            energy[key] = energy_of(own, sent, catalogue, settings, landscape)
            if reporting:
                energy[reporting] = energy[key]  # one device: its sensor stands before it among the stations
        return energy

    served = {source.name: number for number, source in enumerate(sources[:readings]) if source.hops}
    delivered = {sensor: traffic.delivered(number) for sensor, number in served.items()}
    starved: dict[str, list[str]] = {}
    for station in sensors:
        floor = settings.requirement.route_floor(station.site.purpose.value)
        if not enough_arrives(delivered.get(station.key), floor):
            starved.setdefault(groups[hops[station.key][0][0]], []).append(station.key)
    return Running(
        duty=duty,
        supplies=supplies,
        legal=_legal_lines(verdicts),
        latency_s={sensor: traffic.latency_s(number) for sensor, number in served.items()},
        hops={sensor: traffic.hop_records(number) for sensor, number in served.items()},
        delivered=delivered,
        channels=channel_records(
            channel_loads(on_air, built), busiest, channel_groups(built), traffic.fast, on_air, starved=starved
        ),
        starved=tuple(name for names in starved.values() for name in names),
        command_shares={source.name: _sent_last(source, modes) for source in sources[readings:]},
        modes=modes,
        traffic=traffic,
        senders=senders,
    )


def _commands(
    sensors: Sequence[Station],
    hops: Mapping[str, tuple[tuple[str, str], ...]],
    modes: Mapping[str, RadioMode],
    senders: Mapping[str, Station],
) -> list[TrafficSource]:
    """Return the commands to served sensors: one in each interval (the safe side), against the way of the readings."""
    found = []
    for station in sensors:
        need, way = command_need(station.site), tuple((near, far) for far, near in reversed(hops.get(station.key, ())))
        if need is None or not way or any(modes[name].tx_only for hop in way for name in hop):
            continue
        found.append(
            TrafficSource(
                name=station.key,
                payload_bytes=need[0],
                interval_s=station.site.interval_s,
                route=tuple(senders[name].key for name in (way[0][0], *(far for _, far in way))),
                acknowledged=station.radio.acknowledged,
                hops=way,
                is_command=True,
                wake_up_ms=wake_up_ms(modes[way[-1][0]], station.site),
            )
        )
    return found


def _sent_last(source: TrafficSource, modes: Mapping[str, RadioMode]) -> tuple[float, float]:
    """Return the share of time of a command's last hop, and its mean frames, in the busiest hour."""
    frames, mode = source.sends[-1].fast_frames, modes[source.hops[-1][0]]
    once_ms = time_on_air_ms(mode, source.payload_bytes) + source.wake_up_ms
    return frames * once_ms / 1000.0 / source.interval_s, frames


def radio_name(station: Station, own: Sequence[Station]) -> str:
    """Return the name of one radio of a device: the device's key, with the class where it carries several."""
    return station.key if len(own) == 1 else f"{station.key} ({station.radio.name})"


def _hops(
    sensor: str, node_ids: Sequence[str], of_key: Mapping[str, Sequence[Station]], hop_radios: Mapping[tuple[str, str], str]
) -> tuple[tuple[str, str], ...]:
    """Return sender and receiver of each hop as radios of devices."""
    hops = []
    for a, b in pairwise((sensor, *node_ids)):
        both = [station for station in of_key[a] if station.radio.name in {other.radio.name for other in of_key[b]}]
        radio = hop_radios.get((a, b), both[0].radio.name)
        ends = [next(one for one in of_key[key] if one.radio.name == radio) for key in (a, b)]
        hops.append((radio_name(ends[0], of_key[a]), radio_name(ends[1], of_key[b])))
    return tuple(hops)


def _verdict(station: Station, airtime: DeviceAirtime, region: Region, settings: PropertySettings) -> LegalVerdict:
    busy = replace(
        station_emission(station, settings.radio_settings.licence, settings.radio_settings.accepts),
        duty=airtime.fast.duty,
        longest_packet_ms=airtime.longest_packet_ms,
        interval_s=airtime.shortest_interval_s,
    )
    return legal_check(region, busy)


def _duty(
    airtime: DeviceAirtime,
    verdict: LegalVerdict,
    channel_load: float,
    mode: RadioMode,
    traffic: RouteTraffic,
) -> DutyRecord:
    tries = traffic.tries(airtime.name)
    parts = airtime_parts(mode, traffic.longest_payload(airtime.name)) if airtime.airtime_ms_per_packet else None
    return DutyRecord(
        airtime_ms_per_packet=airtime.airtime_ms_per_packet,
        packets_per_hour=airtime.normal.packets,
        duty_share=airtime.normal.duty,
        duty_limit=verdict.duty_limit,
        fast_duty_share=airtime.fast.duty,
        channel_load=channel_load,
        lawful=verdict.lawful,
        rule=verdict.rule,
        preamble_ms=parts.preamble_ms if parts else 0.0,
        header_ms=parts.header_ms if parts else 0.0,
        payload_ms=parts.payload_ms if parts else 0.0,
        check_ms=parts.check_ms if parts else 0.0,
        acknowledgement_ms=acknowledgement_ms(mode),
        acknowledgement_share=airtime.normal.acknowledgement_ms / HOUR_MS,
        mean_tries=tries[0],
        fast_mean_tries=tries[1],
    )


def _legal_lines(verdicts: Mapping[str, LegalVerdict]) -> tuple[LegalLine, ...]:
    """One line for each kind of verdict, naming the devices it is for, breaches first."""
    alike: dict[tuple[object, ...], list[str]] = {}
    first: dict[tuple[object, ...], LegalVerdict] = {}
    for key, verdict in verdicts.items():
        kind = (
            verdict.lawful,
            verdict.rule,
            verdict.sub_band,
            verdict.status,
            verdict.condition,
            tuple(b.kind for b in verdict.breaches),
        )
        alike.setdefault(kind, []).append(key)
        worse = kind not in first or verdict.duty > first[kind].duty
        if worse:
            first[kind] = verdict
    lines = [
        LegalLine(
            subject=", ".join(alike[kind]),
            lawful=verdict.lawful,
            rule=verdict.rule,
            detail=" ".join((verdict.sentence, *verdict.conditions, verdict.advice)),
            remedy=verdict.changes[0] if verdict.changes else "",
            source=verdict.source,
            standing=str(verdict.standing),
            as_of=verdict.checked,
            status=verdict.status,
            verdict=verdict.verdict,
            condition=verdict.condition if verdict.keys else "",
            to_answer_for=tuple(str(key) for key in verdict.open_keys),
        )
        for kind, verdict in first.items()
    ]
    return tuple(sorted(lines, key=lambda line: (line.lawful, not line.to_answer_for)))
