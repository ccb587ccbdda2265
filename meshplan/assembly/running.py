"""Can the plan run? Airtime, law, energy and delay of every device, from the routes it carries."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from meshplan.assembly.traffic import station_emission, station_mode
from meshplan.errors import InputError, nearest_name
from meshplan.links.stations import Station
from meshplan.operation.airtime import longest_packet_ms, time_on_air_ms
from meshplan.operation.cells import choose_supply, fed_through
from meshplan.operation.channel import HopDelay, route_delay
from meshplan.operation.duty_cycle import DeviceAirtime, TrafficSource, channel_groups, channel_loads, device_airtimes
from meshplan.operation.energy import (
    Duty,
    average_current_ua,
    battery_life,
    energy_wh_per_day,
    solar_supply,
    sun_band,
    tx_current_ma,
)
from meshplan.operation.law import LegalVerdict, legal_check
from meshplan.operation.sun import Horizon, winter_sun_share
from meshplan.planning.problem import PlacementPlan
from meshplan.radio_records import Battery, Board, RadioMode, Region, Regulator, SolarTable
from meshplan.records import DutyRecord, EnergyRecord, LegalLine, Power, Role
from meshplan.settings import PropertySettings
from meshplan.terrain.horizon import horizon_deg
from meshplan.terrain.landscape import Landscape

TRIES = 3
"""Sendings of one reading, the first included (common practice, no source)."""

OPEN_SUN_SHARE = 0.98
"""Share of the winter sun from which a horizon counts as open (own choice: the sun table is no better)."""

SUNNY_STEPS = 10
"""Steps of azimuth to either side of noon where the winter sun stands."""


@dataclass(frozen=True, eq=False)
class Catalogue:
    """Everything packaged or overridden that running a plan needs."""

    region: Region
    batteries: dict[str, Battery]
    boards: dict[str, Board]
    solar: SolarTable
    regulators: dict[str, Regulator] = field(default_factory=dict)


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
    hop_radios: Mapping[tuple[str, str], str] | None = None,
    landscape: Landscape | None = None,
) -> Running:
    """Return airtime, law, energy and delay of the devices of a plan.

    Parameters
    ----------
    plan : PlacementPlan
    stations : sequence of Station
        All stations; those of the plan and all sensors are judged. A place with two radios has two under one key.
    chances : mapping
        Chance of each link of the plan by its two station keys.
    catalogue : Catalogue
    settings : PropertySettings
    hop_radios : mapping, optional
        Radio class of each link by its two station keys; needed where places carry two radios.
    landscape : Landscape, optional
        Shades the panels; without it their horizon is open.
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
    airtimes = device_airtimes(sources, modes)
    groups, busiest = channel_groups(modes), channel_loads(airtimes, modes, fast=True)
    verdicts = {name: _verdict(station, airtimes[name], catalogue.region, settings) for name, station in senders.items()}
    duty: dict[str, DutyRecord] = {}
    energy: dict[str, EnergyRecord] = {}
    for key, own in of_key.items():
        names = [radio_name(station, own) for station in own]
        records = [_duty(airtimes[name], verdicts[name], busiest[groups[name]]) for name in names]
        duty[key] = max(records, key=lambda record: (not record.lawful, record.fast_duty_share / (record.duty_limit or 1.0)))
        energy[key] = _energy(own, [airtimes[name] for name in names], catalogue, settings, landscape)
    latency = {
        sensor: _latency_s(route, modes, of_key[sensor][0].site.payload_bytes, chances, senders) for sensor, route in hops.items()
    }
    return Running(duty, energy, _legal_lines(verdicts), latency)


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
        station_emission(station, settings.radio_settings.licence, settings.radio_settings.accepts),
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


def _energy(
    own: Sequence[Station],
    airtimes: Sequence[DeviceAirtime],
    catalogue: Catalogue,
    settings: PropertySettings,
    landscape: Landscape | None,
) -> EnergyRecord:
    """Return the supply of a device; two radios on one board count the board twice, which errs on the safe side."""
    site, supply = own[0].site, settings.supply
    sensor = site.role is Role.SENSOR
    board_key = getattr(supply, f"{site.role.value}_board")
    board = catalogue.boards[find_in(catalogue.boards, board_key, f"supply.{site.role.value}_board")]
    duties = [
        Duty(
            mode=station_mode(station),
            board=board,
            payload_bytes=site.payload_bytes,
            interval_s=site.interval_s if sensor else 3600.0,
            forwarded_packets_per_hour=0.0 if sensor else airtime.normal.packets,
            listening_share=0.0 if sensor else 1.0,
        )
        for station, airtime in zip(own, airtimes, strict=True)
    ]
    if site.power is Power.MAINS:
        return EnergyRecord("mains", "", float("inf"), 0.0, 0.0, "", "")
    cell = catalogue.batteries[find_in(catalogue.batteries, supply.sensor_battery, "supply.sensor_battery")]
    store = catalogue.batteries[find_in(catalogue.batteries, supply.panel_battery, "supply.panel_battery")]
    if site.power is Power.PANEL:
        hours, shade = _winter_sun(own[0], catalogue, settings, landscape)
        sun = solar_supply(
            sum(energy_wh_per_day(average_current_ua(duty), board.supply_v.value) for duty in duties),
            store,
            catalogue.solar,
            latitude_deg=site.lat_deg,
            peak_sun_hours=hours,
            temperature_c=supply.coldest_month_c,
        )
        return EnergyRecord(
            "panel", supply.panel_battery, float("inf"), sun.panel_w, sun.storage_wh, "listening", "", supply_words=shade
        )
    pulse_ma = max(tx_current_ma(duty.mode) for duty in duties)
    pulse_ms = max(longest_packet_ms(duty.mode, duty.payload_bytes) for duty in duties)
    cells = choose_supply(
        own[0].radio.radio,
        board,
        cell,
        catalogue.regulators,
        pulse_ma=pulse_ma,
        pulse_ms=pulse_ms,
        temperature_c=supply.coldest_month_c,
        in_series=supply.cells_in_series,
    )
    side_by_side = 1
    if cells is not None and cells.feasible:
        cell, board = fed_through(cells, cell, board, own[0].radio.radio.supply_v.value)
        duties = [replace(duty, board=board) for duty in duties]
        side_by_side = cells.in_parallel
    lives = [
        battery_life(
            duty,
            cell,
            temperature_c=supply.coldest_month_c,
            in_parallel=side_by_side,
            better_board=catalogue.boards.get("tuned-microcontroller"),
            batteries=catalogue.batteries,
        )
        for duty in duties
    ]
    worst = min(lives, key=lambda life: life.years)
    years = 1.0 / sum(1.0 / life.years for life in lives) if len(lives) > 1 else worst.years
    record = EnergyRecord("battery", supply.sensor_battery, years, 0.0, 0.0, worst.dominant, worst.best_change)
    if cells is None:
        return record
    return replace(
        record,
        life_years=years if cells.feasible else 0.0,
        cells_in_series=cells.in_series,
        cells_in_parallel=cells.in_parallel,
        regulator="" if cells.regulator is None else cells.regulator.title,
        capacitor_mf=cells.capacitor_mf,
        supply_words=cells.sentence,
    )


def _winter_sun(
    station: Station, catalogue: Catalogue, settings: PropertySettings, landscape: Landscape | None
) -> tuple[float | None, str]:
    """Return the hours of full sun on a panel at the top of its mast, and what its horizon takes of them in words.

    What the user states holds for the place as it is; None leaves it to the sun table.
    """
    if settings.supply.peak_sun_hours is not None or landscape is None:
        return settings.supply.peak_sun_hours, ""
    site = station.site
    month = 12 if site.lat_deg >= 0 else 6
    horizon = Horizon(*horizon_deg(landscape, site.x_m, site.y_m, station.antenna_agl_m, month))
    hours = sun_band(catalogue.solar, site.lat_deg).peak_sun_hours.value
    share = winter_sun_share(site.lat_deg, horizon, hours)
    if share > OPEN_SUN_SHARE:
        return None, ""
    towards = "south" if site.lat_deg >= 0 else "north"
    middle = len(horizon.bare_deg) // 2 if site.lat_deg >= 0 else 0
    around = np.take(horizon.bare_deg, range(middle - SUNNY_STEPS, middle + SUNNY_STEPS + 1), mode="wrap")
    words = (
        f"ground and cover up to {float(around.max()):.0f}° high in the {towards} leave {share * 100:.0f} % of the sun of the "
        "worst month; a panel beside the shade may be smaller"
    )
    return hours * share, words


def _latency_s(
    route: Sequence[tuple[str, str]],
    modes: Mapping[str, RadioMode],
    payload_bytes: int,
    chances: Mapping[tuple[str, str], float],
    senders: Mapping[str, Station],
) -> float:
    hops = [
        HopDelay(
            airtime_ms=time_on_air_ms(modes[sender], payload_bytes),
            success=chances[senders[sender].key, senders[receiver].key],
            acknowledged=modes[sender].acknowledged,
        )
        for sender, receiver in route
    ]
    return route_delay(hops, tries=TRIES).worst_s


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
