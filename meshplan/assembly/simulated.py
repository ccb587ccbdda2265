"""A plan's days on the air, simulated frame by frame, beside what the plan expects of them."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from meshplan.assembly.on_air import RouteTraffic
from meshplan.assembly.routes import LinkMargins
from meshplan.assembly.running import Running
from meshplan.assembly.supplies import Catalogue, energy_of
from meshplan.errors import InputError, nearest_name
from meshplan.links.link_table import LinkTable
from meshplan.operation.channel import RETRY_SPACING_S
from meshplan.operation.duty_cycle import AirtimeShare, DeviceAirtime
from meshplan.operation.simulation import COLLISION, DEAF, FADING, Day, HopCount, Simulated, Slots, simulate
from meshplan.operation.tries import HopTraffic
from meshplan.propagation.seasons import Hemisphere, Season, leaf_share
from meshplan.records import Plan, Role
from meshplan.records.simulation import (
    BY_DATE,
    DELAY_STEPS_S,
    WORST,
    SimulatedChannel,
    SimulatedDay,
    SimulatedDevice,
    SimulatedRoute,
    SimulatedRun,
    SimulationRecord,
)
from meshplan.settings import PropertySettings

MONTH_ENDS: Final = (31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365)
"""Last day of each month."""

LONG_FRAME_SHARE: Final = 0.05
"""Share of the mean wait before the next try from which a frame counts as long (own choice)."""

NOTES: Final = (
    "What maps do not tell of a link is drawn anew each day: the days show as many networks, of which one is yours.",
    "Whoever is on the same channel is taken to hear everybody, and frames that overlap to be lost, both: the safe side.",
    "Second routes are not taken, and nothing is sent again after its last try.",
    "An alarm that depends on radio is never promised.",
)


def simulate_plan(
    plan: Plan,
    running: Running,
    table: LinkTable,
    seasons: Sequence[Season],
    catalogue: Catalogue,
    settings: PropertySettings,
    *,
    days: int,
    seed: int = 1,
    fast: bool = False,
    season: str = BY_DATE,
    hemisphere: Hemisphere = "north",
    slots: Slots | None = None,
    slots_note: str = "",
) -> SimulationRecord:
    """Return simulated days, spread evenly over a year: with random offsets, and with slots where there are some.

    Parameters
    ----------
    plan, running, table, seasons
        What was planned, and over which links.
    days, seed : int
    fast : bool
        Whether all sensors that have a fast mode are in it, as on an alarm night.
    season : str
        `BY_DATE`: the dry season of the plan whose leaves are nearest to those of the date. `WORST`: each link in its worst
        season, as the plan counts. Or the name of a season of the plan, for all days.
    hemisphere : "north" or "south"
    slots : Slots, optional
    slots_note : str
        What is said of them.
    """
    names = [each.name for each in seasons]
    if season not in (BY_DATE, WORST, *names):
        raise InputError(
            f"'{season}' is no season of this plan.{nearest_name(season, names)}",
            where="--season",
            fix=f"Write one of: {', '.join((BY_DATE, WORST, *names))}.",
        )
    dates = [int((number + 0.5) * 365.0 / days) + 1 for number in range(days)]
    chosen = [season_of(day, seasons, hemisphere) if season == BY_DATE else season for day in dates]
    hops = {name: hops_of(running, table, names, name, fast=fast) for name in dict.fromkeys(chosen)}
    plan_days = [Day(hops[name], name) for name in chosen]
    ways: list[tuple[str, Slots | None]] = [("random offsets", None)]
    if slots is not None:
        ways.append(("slots", slots))
    runs = []
    for way, kept in ways:
        found = simulate(plan_days, seed=seed, slots=kept)
        runs.append(_run(way, found, plan_days, dates, plan, running, catalogue, settings, fast))
    return SimulationRecord(
        plan.property_name, days, fast, season, seed, DELAY_STEPS_S, tuple(runs), slots_note, (*_long_frames(plan_days), *NOTES)
    )


def _long_frames(days: Sequence[Day]) -> tuple[str, ...]:
    """Say where the plan hopes for too much: frames that met meet again if they are long beside the wait that follows."""
    longest_ms = max((hop.frame_ms for hop in days[0].hops if hop.acknowledged), default=0.0)
    if longest_ms < LONG_FRAME_SHARE * 500.0 * sum(RETRY_SPACING_S):
        return ()
    low, high = RETRY_SPACING_S
    return (
        f"Frames of up to {longest_ms:.0f} ms are long beside the wait of {low:g} to {high:g} s before the next try: two that "
        "met often meet again. The plan does not count that, these days do.",
    )


def season_of(day_of_year: int, seasons: Sequence[Season], hemisphere: Hemisphere) -> str:
    """Return the season of a date: the dry one whose leaves are nearest to those of its month, then the nearest in the year."""
    month = bisect_left(MONTH_ENDS, day_of_year) + 1
    dry = [each for each in seasons if not each.wet and not each.snow] or list(seasons)
    leaf = leaf_share(month, hemisphere)

    def apart(each: Season) -> tuple[float, int]:
        months = abs(each.month - month) % 12
        return round(abs(each.leaf_share - leaf), 6), min(months, 12 - months)

    return min(dry, key=apart).name


def hops_of(running: Running, table: LinkTable, names: Sequence[str], season: str, *, fast: bool) -> tuple[HopTraffic, ...]:
    """Return every hop of every reading and command with the chances of a season."""
    traffic = running.traffic
    if season != WORST:
        margins = LinkMargins.of(table)
        margins = replace(margins, worst_season=np.full_like(margins.worst_season, names.index(season)))
        traffic = RouteTraffic(traffic.sources, traffic.modes, running.senders, margins)
    return tuple(traffic.busier if fast else traffic.hops)


def _run(
    way: str,
    found: Simulated,
    days: Sequence[Day],
    dates: Sequence[int],
    plan: Plan,
    running: Running,
    catalogue: Catalogue,
    settings: PropertySettings,
    fast: bool,
) -> SimulatedRun:
    traffic = running.traffic
    planned = {route.sensor: route.delivered_chance for route in plan.routes}
    routes = []
    all_delays: list[float] = []
    for number, source in enumerate(traffic.sources):
        if not source.hops:
            continue
        rows = range(traffic.first[number], traffic.first[number] + len(source.hops))
        delays = found.delays_s[rows[-1]]
        if not source.is_command:
            all_delays += delays
        lost = {cause: sum(found.hops[row].given_up[cause] for row in rows) for cause in (FADING, COLLISION, DEAF)}
        median, most, longest = np.quantile(delays, (0.5, 0.95, 1.0)) if delays else (np.nan, np.nan, np.nan)
        routes.append(
            SimulatedRoute(
                device=source.name,
                is_command=source.is_command,
                readings=found.hops[rows[0]].readings,
                arrived=found.hops[rows[-1]].delivered,
                lost_by_fading=lost[FADING],
                lost_by_collision=lost[COLLISION],
                lost_receiver_sending=lost[DEAF],
                delay_median_s=float(median),
                delay_95_s=float(most),
                delay_longest_s=float(longest),
                planned_share=None if source.is_command else planned.get(source.name),
            )
        )
    loads = traffic.fast.loads if fast else traffic.normal.loads
    counted = np.bincount(np.searchsorted(DELAY_STEPS_S, all_delays), minlength=len(DELAY_STEPS_S) + 1)
    return SimulatedRun(
        way=way,
        routes=tuple(routes),
        devices=_devices(found, days[0].hops, plan, running, catalogue, settings, fast),
        channels=tuple(SimulatedChannel(name, load, loads.get(name, 0.0)) for name, load in found.loads.items()),
        days=tuple(
            SimulatedDay(date, day.name, readings, arrived)
            for date, day, readings, arrived in zip(dates, days, found.day_readings, found.day_arrived, strict=True)
        ),
        delays=tuple(int(each) for each in counted),
    )


def _devices(
    found: Simulated,
    hops: Sequence[HopTraffic],
    plan: Plan,
    running: Running,
    catalogue: Catalogue,
    settings: PropertySettings,
    fast: bool,
) -> tuple[SimulatedDevice, ...]:
    """Return what each radio of the plan that sends or confirms anything did."""
    records = {device.name: device for device in plan.devices}
    hours = 24.0 * found.days
    devices = []
    for name, sending_ms in sorted(found.sending_ms.items()):
        station = running.senders[name]
        record = records[station.key]
        own: list[HopCount] = [tally for hop, tally in zip(hops, found.hops, strict=True) if hop.sender == name]
        readings, frames = sum(each.readings for each in own), sum(each.frames for each in own)
        life, planned = float("nan"), record.energy.life_years if record.energy else float("nan")
        one_radio = sum(each.key == station.key for each in running.senders.values()) == 1
        if (
            not fast
            and one_radio
            and station.site.role is not Role.GATEWAY
            and not station.site.same_as
            and not _forwards(plan, name)
        ):
            share = AirtimeShare(0.0, sending_ms / hours, 0.0, 0.0)
            airtime = DeviceAirtime(name, 0.0, 0.0, float("inf"), share, share)
            tries = frames / readings if readings else 1.0
            life = energy_of([station], [(airtime, tries)], catalogue, settings).life_years
        failed: Mapping[str, int] = {cause: sum(each.failed[cause] for each in own) for cause in (FADING, COLLISION, DEAF)}
        duty = record.duty
        devices.append(
            SimulatedDevice(
                device=name,
                frames=frames,
                frames_failed_by_fading=failed[FADING],
                frames_failed_by_collision=failed[COLLISION],
                frames_failed_receiver_sending=failed[DEAF],
                airtime_share=sending_ms / (3_600_000.0 * hours),
                planned_airtime_share=(duty.fast_duty_share if fast else duty.duty_share) if duty else float("nan"),
                duty_limit=duty.duty_limit if duty else float("nan"),
                life_years=life,
                planned_life_years=planned,
            )
        )
    return tuple(devices)


def _forwards(plan: Plan, name: str) -> bool:
    """Return whether a sensor is a relay too, whose cells feed both."""
    return any(device.same_as == name and device.in_plan for device in plan.devices)
