"""Can the plan run? Airtime, law, energy and delay of every device, from the routes it carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

from meshplan.assembly.traffic import station_emission, station_mode
from meshplan.errors import InputError, nearest_name
from meshplan.links.stations import Station
from meshplan.operation.airtime import time_on_air_ms
from meshplan.operation.channel import HopDelay, route_delay
from meshplan.operation.duty_cycle import DeviceAirtime, TrafficSource, channel_groups, channel_loads, device_airtimes
from meshplan.operation.energy import Duty, average_current_ua, battery_life, energy_wh_per_day, solar_supply
from meshplan.operation.law import LegalVerdict, legal_check
from meshplan.planning.problem import PlacementPlan
from meshplan.radio_records import Battery, Board, RadioMode, Region, SolarTable
from meshplan.records import DutyRecord, EnergyRecord, LegalLine, Power, Role
from meshplan.settings import PropertySettings

TRIES = 3
"""Sendings of one reading, the first included (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Catalogue:
    """Everything packaged or overridden that running a plan needs."""

    region: Region
    batteries: dict[str, Battery]
    boards: dict[str, Board]
    solar: SolarTable


@dataclass(frozen=True, eq=False)
class Running:
    """What running costs each device; keys are station keys."""

    duty: dict[str, DutyRecord]
    energy: dict[str, EnergyRecord]
    legal: tuple[LegalLine, ...]
    latency_s: dict[str, float]


def run_plan(
    plan: PlacementPlan,
    stations: Sequence[Station],
    chances: Mapping[tuple[str, str], float],
    catalogue: Catalogue,
    settings: PropertySettings,
) -> Running:
    """Return airtime, law, energy and delay of the devices of a plan.

    Parameters
    ----------
    plan : PlacementPlan
    stations : sequence of Station
        All stations; those of the plan and all sensors are judged.
    chances : mapping
        Chance of each link of the plan by its two station keys.
    catalogue : Catalogue
    settings : PropertySettings
    """
    by_key = {station.key: station for station in stations}
    routes = {served.sensor_id: (served.sensor_id, *served.first.node_ids) for served in plan.served}
    sensors = [station for station in stations if station.site.role is Role.SENSOR]
    used = [*sensors, *(by_key[key] for key in plan.opened)]
    modes = {station.key: station_mode(station) for station in used}
    sources = [
        TrafficSource(
            name=station.key,
            payload_bytes=station.site.payload_bytes,
            interval_s=station.site.interval_s,
            route=routes.get(station.key, (station.key,)),
            fast_interval_s=station.site.fast_interval_s,
            acknowledged=station.radio.acknowledged,
        )
        for station in sensors
    ]
    airtimes = device_airtimes(sources, modes)
    groups, busiest = channel_groups(modes), channel_loads(airtimes, modes, fast=True)
    verdicts = {station.key: _verdict(station, airtimes[station.key], catalogue.region, settings) for station in used}
    duty = {key: _duty(airtimes[key], verdict, busiest[groups[key]]) for key, verdict in verdicts.items()}
    energy = {station.key: _energy(station, airtimes[station.key], catalogue, settings) for station in used}
    latency = {sensor: _latency_s(route, modes, by_key[sensor].site.payload_bytes, chances) for sensor, route in routes.items()}
    return Running(duty, energy, _legal_lines(verdicts), latency)


def find_in(catalogue: Mapping[str, object], key: str, setting: str) -> str:
    """Return a key that the catalogue holds, or raise with the nearest known one."""
    if key not in catalogue:
        raise InputError(
            f"'{key}' is not known.{nearest_name(key, catalogue)}",
            where=f"property.toml, key '{setting}'",
            fix=f"Write one of: {', '.join(catalogue)}.",
        )
    return key


def _verdict(station: Station, airtime: DeviceAirtime, region: Region, settings: PropertySettings) -> LegalVerdict:
    busy = replace(
        station_emission(station, settings.radio_settings.licence),
        duty=airtime.fast.duty,
        longest_packet_ms=airtime.longest_packet_ms,
        interval_s=airtime.shortest_interval_s,
    )
    return legal_check(region, busy)


def _duty(airtime: DeviceAirtime, verdict: LegalVerdict, channel_load: float) -> DutyRecord:
    return DutyRecord(
        airtime_ms_per_packet=airtime.airtime_ms_per_packet,
        packets_per_hour=airtime.normal.packets,
        duty_share=airtime.normal.duty,
        duty_limit=verdict.duty_limit,
        fast_duty_share=airtime.fast.duty,
        channel_load=channel_load,
        lawful=verdict.lawful,
        rule=verdict.rule,
    )


def _energy(station: Station, airtime: DeviceAirtime, catalogue: Catalogue, settings: PropertySettings) -> EnergyRecord:
    site, supply = station.site, settings.supply
    sensor = site.role is Role.SENSOR
    board_key = getattr(supply, f"{site.role.value}_board")
    board = catalogue.boards[find_in(catalogue.boards, board_key, f"supply.{site.role.value}_board")]
    duty = Duty(
        mode=station_mode(station),
        board=board,
        payload_bytes=site.payload_bytes,
        interval_s=site.interval_s if sensor else 3600.0,
        forwarded_packets_per_hour=0.0 if sensor else airtime.normal.packets,
        listening_share=0.0 if sensor else 1.0,
    )
    if site.power is Power.MAINS:
        return EnergyRecord("mains", "", float("inf"), 0.0, 0.0, "", "")
    cell = catalogue.batteries[find_in(catalogue.batteries, supply.sensor_battery, "supply.sensor_battery")]
    store = catalogue.batteries[find_in(catalogue.batteries, supply.panel_battery, "supply.panel_battery")]
    if site.power is Power.PANEL:
        sun = solar_supply(
            energy_wh_per_day(average_current_ua(duty), board.supply_v.value),
            store,
            catalogue.solar,
            latitude_deg=site.lat_deg,
            peak_sun_hours=supply.peak_sun_hours,
            temperature_c=supply.coldest_month_c,
        )
        return EnergyRecord("panel", supply.panel_battery, float("inf"), sun.panel_w, sun.storage_wh, "listening", "")
    life = battery_life(
        duty,
        cell,
        temperature_c=supply.coldest_month_c,
        better_board=catalogue.boards.get("tuned-microcontroller"),
        batteries=catalogue.batteries,
    )
    return EnergyRecord("battery", supply.sensor_battery, life.years, 0.0, 0.0, life.dominant, life.best_change)


def _latency_s(
    route: tuple[str, ...], modes: Mapping[str, RadioMode], payload_bytes: int, chances: Mapping[tuple[str, str], float]
) -> float:
    hops = [
        HopDelay(
            airtime_ms=time_on_air_ms(modes[sender], payload_bytes),
            success=chances[sender, receiver],
            acknowledged=modes[sender].acknowledged,
        )
        for sender, receiver in pairwise(route)
    ]
    return route_delay(hops, tries=TRIES).worst_s


def _legal_lines(verdicts: Mapping[str, LegalVerdict]) -> tuple[LegalLine, ...]:
    """One line for each kind of verdict, naming the devices it is for, breaches first."""
    alike: dict[tuple[object, ...], list[str]] = {}
    first: dict[tuple[object, ...], LegalVerdict] = {}
    for key, verdict in verdicts.items():
        kind = (verdict.lawful, verdict.rule, verdict.sub_band, verdict.status, tuple(b.kind for b in verdict.breaches))
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
        )
        for kind, verdict in first.items()
    ]
    return tuple(sorted(lines, key=lambda line: line.lawful))
