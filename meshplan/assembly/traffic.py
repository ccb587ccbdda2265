"""What sensors put on the air before any route is known, and what a device that carries them may still take on."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf
from typing import Final

from meshplan.links.link_table import LinkTable
from meshplan.operation.airtime import acknowledgement_ms, longest_packet_ms, time_on_air_ms
from meshplan.operation.channel import MAX_TRIES
from meshplan.operation.law import Emission, LegalVerdict, lawful_mode, legal_check
from meshplan.operation.law_rows import COMFORT_SHARE
from meshplan.operation.listening import AFTER_REPORT, ALWAYS, SAMPLED, command_ms, sampling_period_s
from meshplan.operation.suitability import demand_for
from meshplan.operation.tries import expected_frames, frame_success, slow_states
from meshplan.records import Power, Purpose, Role, Site
from meshplan.records.radio import Condition, RadioMode, Region
from meshplan.records.station import Station

WORTH_ITS_HEADROOM_DB: Final = 3.0
"""Power given up for a sub-band in which a relay may forward everything (own choice)."""


def emission_of(
    mode: RadioMode,
    peak_gain_dbi: float,
    feed_loss_db: float,
    *,
    purpose: Purpose,
    licence: str | None,
    accepts: tuple[str, ...] = (),
) -> Emission:
    """Return what a device puts on the air, before its traffic is known.

    `accepts` holds the conditions of rules that the user answers for.
    """
    use = {Purpose.TREND: "data", Purpose.ALARM: "alarm", Purpose.CONTROL: "control"}[purpose]
    polite = Condition.POLITE_ACCESS in accepts
    return Emission(
        mode=mode,
        antenna_gain_dbi=peak_gain_dbi,
        feed_loss_db=feed_loss_db,
        use=use,
        licence=licence,
        listens_first=polite or Condition.CARRIER_SENSE in accepts,
        changes_channel=polite,
        accepts=accepts,
    )


def station_mode(station: Station) -> RadioMode:
    """Return the radio of a station at the power it is allowed."""
    return replace(station.radio, tx_power_dbm=station.tx_power_dbm)


def station_emission(station: Station, licence: str | None, accepts: tuple[str, ...] = ()) -> Emission:
    """Return what a station puts on the air with its own antenna and cable, before its traffic is known.

    That a network serves alarms or switches things and does nothing else is nobody's to answer for where a sensor reports a trend.
    """
    if station.site.role is Role.SENSOR and station.site.purpose is Purpose.TREND:
        accepts = tuple(key for key in accepts if key not in (Condition.ALARM, Condition.CONTROL))
    return emission_of(
        station_mode(station),
        station.antenna.peak_gain_dbi[1],
        station.feed_loss_db,
        purpose=station.site.purpose if station.site.role is Role.SENSOR else Purpose.TREND,
        licence=licence,
        accepts=accepts,
    )


def busiest_interval_s(site: Site) -> float:
    """Return the interval of a sensor in its fast mode, or its only one."""
    return min(site.interval_s, site.fast_interval_s or inf)


def with_own_traffic(emission: Emission, sensors: Sequence[Site]) -> Emission:
    """Return an emission with the traffic of the busiest of some sensors: longest packet, most airtime, shortest interval."""
    mode = emission.mode
    shares = [time_on_air_ms(mode, site.payload_bytes) / 1000.0 / busiest_interval_s(site) for site in sensors]
    return replace(
        emission,
        duty=max(shares, default=0.0),
        longest_packet_ms=max((longest_packet_ms(mode, site.payload_bytes) for site in sensors), default=0.0),
        interval_s=min((busiest_interval_s(site) for site in sensors), default=inf),
    )


def lawful_mode_for(
    region: Region, emission: Emission, sensors: Sequence[Site], *, keep_power: bool, keep_frequency: bool
) -> tuple[RadioMode, LegalVerdict]:
    """Return the mode to plan with, and the verdict on the busiest sensor's own traffic.

    A sub-band in which one relay may forward all sensors is taken where it costs at most `WORTH_ITS_HEADROOM_DB` of power.
    """
    own = with_own_traffic(emission, sensors)
    mode, verdict = lawful_mode(region, own, keep_power=keep_power, keep_frequency=keep_frequency)
    if not verdict.lawful:
        return mode, verdict
    forwarding = replace(own, duty=sum(forwarded_share(emission.mode, site) for site in sensors))
    roomy, roomy_verdict = lawful_mode(region, forwarding, keep_power=keep_power, keep_frequency=keep_frequency)
    freer = roomy_verdict.lawful and len(roomy_verdict.open_keys) <= len(verdict.open_keys)
    if freer and roomy.tx_power_dbm >= mode.tx_power_dbm - WORTH_ITS_HEADROOM_DB:
        return roomy, legal_check(region, replace(own, mode=roomy))
    return mode, verdict


def command_need(site: Site) -> tuple[int, float, bool] | None:
    """Return bytes and longest wait of commands to a place, and whether the property states the wait; None if it gets none.

    Everything for control acts on command unless its site says `downlink_bytes = 0`.
    """
    wanted = site.purpose is Purpose.CONTROL if site.downlink_bytes is None else site.downlink_bytes > 0
    if site.role is not Role.SENSOR or not wanted:
        return None
    usual = demand_for("control")
    size = usual.payload_bytes if site.downlink_bytes is None else site.downlink_bytes
    return size, site.command_wait_s or usual.delay_s, site.command_wait_s is not None


def listening_of(site: Site) -> str:
    """Return how a place listens: as its site says, else after its reports on cells and without a break on any other supply."""
    return site.listening or (AFTER_REPORT if site.power is Power.BATTERY else ALWAYS)


def wake_up_ms(mode: RadioMode, site: Site) -> float:
    """Return the preamble before a command to a place, where it looks at the channel from time to time."""
    need = command_need(site)
    if need is None or listening_of(site) != SAMPLED:
        return 0.0
    return command_ms(mode, need[0], sampling_period_s(need[1])) - command_ms(mode, need[0])


def forwarded_share(mode: RadioMode, site: Site, tries: float = 1.0) -> float:
    """Return the share of the busiest hour that a relay spends on one sensor: forwarding and confirming each packet.

    Parameters
    ----------
    mode : RadioMode
    site : Site
        The sensor.
    tries : float
        Mean frames, and at most as many acknowledgements, for each reading.
    """
    once_ms = time_on_air_ms(mode, site.payload_bytes) + acknowledgement_ms(mode)
    return tries * once_ms / 1000.0 / busiest_interval_s(site)


def usual_tries(links: LinkTable) -> dict[str, float]:
    """Return the frames that each sensor's readings take on a hop before any route is known, collisions apart.

    The more of what its own best link takes and what the best way on of the relays takes on average; each over the slow states of
    the link, as `operation.tries` has it.
    """
    stations = links.stations
    chances, worst, spread = links.worst_chance, links.worst_season, links.spread_db
    best: dict[str, tuple[float, int]] = {}
    for row, (i, _) in enumerate(links.pairs):
        sender = stations[i]
        if sender.site.role is not Role.GATEWAY:
            best[sender.key] = max(best.get(sender.key, (0.0, -1)), (float(chances[row]), -row))
    found: dict[str, float] = {}
    relays: list[float] = []
    sizes = [station.site.payload_bytes for station in stations if station.site.role is Role.SENSOR]
    for key, (chance, number) in best.items():
        row = -number
        sender = stations[links.pairs[row][0]]
        mode = sender.radio
        if chance <= 0.0 or mode.tx_only or not mode.acknowledged:
            found[key] = 1.0
            continue
        spread_db = float(spread[worst[row], row])
        size = sender.site.payload_bytes if sender.site.role is Role.SENSOR else max(sizes, default=0)
        there = frame_success(mode, slow_states(float(links.margin_at_b_db[worst[row], row]), spread_db), size)
        back = frame_success(mode, slow_states(float(links.margin_at_a_db[worst[row], row]), spread_db), 0)
        tries = float(expected_frames(there, back, MAX_TRIES, True).mean())
        if sender.site.role is Role.RELAY:
            relays.append(tries)
        else:
            found[key] = tries
    onward = sum(relays) / len(relays) if relays else 1.0
    return {key: max(tries, onward) for key, tries in found.items()}


@dataclass(frozen=True)
class AirtimeBudget:
    """Shares of the busiest hour by station key. Devices without an entry are not limited."""

    load: dict[str, float]
    """What each sensor costs a relay that forwards it."""
    capacity: dict[str, float]
    """What a relay or gateway may take on, in the same measure."""


def airtime_budget(
    stations: Sequence[Station],
    region: Region,
    licence: str | None = None,
    accepts: tuple[str, ...] = (),
    share: float = COMFORT_SHARE,
    tries: Mapping[str, float] | None = None,
) -> AirtimeBudget:
    """Return what sensors load on relays and what relays and gateways may carry under the duty limits of a region.

    Both are empty where even one device could carry all sensors.

    Parameters
    ----------
    stations : sequence of Station
    region : Region
    licence : str, optional
        Licence stated by the user; where the verdict rests on it, duty limits do not bind.
    accepts : tuple of str
        Conditions of rules that the user answers for.
    share : float
        Part of the duty limit that may be filled.
    tries : mapping, optional
        Frames that each sensor's readings take on a hop; one without.

    Notes
    -----
    Source
        A sensor's load is what a relay of the busiest of all classes that its packets may pass spends on it; a device of another
        class, and a gateway, which confirms but does not forward, spends another part of it. The room of a device is divided by
        the largest such part of any sensor, so that it is never overdrawn; of two radios the fuller one counts, with confirming
        and forwarding both. A sensor that forwards has the less room by its own readings.
    """
    modes = {station.radio.name: station.radio for station in stations}
    joined = _joined_classes(stations)
    sensors = [station for station in stations if station.site.role is Role.SENSOR]
    frames = {station.key: (tries or {}).get(station.key, 1.0) for station in sensors}
    load: dict[str, float] = {}
    of_group: dict[str, list[Station]] = {}
    for station in sensors:
        of_group.setdefault(joined[station.radio.name], []).append(station)
    for group, members in of_group.items():
        classes = [mode for name, mode in modes.items() if joined[name] == group]
        sums = [sum(forwarded_share(mode, station.site, frames[station.key]) for station in members) for mode in classes]
        busiest = classes[sums.index(max(sums))]
        load |= {station.key: forwarded_share(busiest, station.site, frames[station.key]) for station in members}
    capacity: dict[str, float] = {}
    for station in stations:
        members = of_group.get(joined[station.radio.name], [])
        if station.site.role is Role.SENSOR or not members:
            continue
        verdict = legal_check(region, station_emission(station, licence, accepts), look_elsewhere=False)
        if verdict.status == "licensed" or not verdict.duty_limit < 1.0:
            continue
        spends = _confirmed_share if station.site.role is Role.GATEWAY else forwarded_share
        largest = max(spends(station.radio, sensor.site, frames[sensor.key]) / load[sensor.key] for sensor in members)
        own = _own_share(station.radio, station.site, frames.get(station.site.same_as, 1.0)) if station.site.same_as else 0.0
        room = max(share * verdict.duty_limit - own, 0.0) / largest if largest else inf
        if room < sum(load[sensor.key] for sensor in members):
            capacity[station.key] = min(room, capacity.get(station.key, inf))
    return AirtimeBudget(load if capacity else {}, capacity)


def _confirmed_share(mode: RadioMode, site: Site, tries: float) -> float:
    """Return the share of the busiest hour that a gateway spends on confirming one sensor, at most once a frame."""
    return tries * acknowledgement_ms(mode) / 1000.0 / busiest_interval_s(site)


def _own_share(mode: RadioMode, site: Site, tries: float) -> float:
    """Return the share of the busiest hour that a sensor spends on its own readings."""
    return tries * time_on_air_ms(mode, site.payload_bytes) / 1000.0 / busiest_interval_s(site)


def _joined_classes(stations: Sequence[Station]) -> dict[str, str]:
    """Return a group for each class: places that carry two classes join them, so that packets pass from one into the other."""
    group = {station.radio.name: station.radio.name for station in stations}
    carried: dict[str, set[str]] = {}
    for station in stations:
        carried.setdefault(station.key, set()).add(station.radio.name)
    for names in carried.values():
        one, *others = sorted({group[name] for name in names})
        group = {name: one if was in others else was for name, was in group.items()}
    return group
