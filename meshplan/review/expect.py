"""What a plan expects of each device that sends: interval, level in every month, need, cells, way."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

import numpy as np

from meshplan.propagation.seasons import CROP_HEIGHT_BY_MONTH_M, Hemisphere, leaf_share, northern_month
from meshplan.records import Device, Link, Plan, SeasonResult
from meshplan.records.radio import Battery
from meshplan.records.review import ExpectedCell, ExpectedDevice
from meshplan.records.site import Power, Purpose
from meshplan.units import Array

MONTH_WORDS: Final = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


def expected_devices(plan: Plan, batteries: Mapping[str, Battery]) -> tuple[ExpectedDevice, ...]:
    """Return the served sensors of a plan with what their logs are held against."""
    hemisphere: Hemisphere = "north" if np.mean([device.lat_deg for device in plan.devices] or [0.0]) >= 0.0 else "south"
    links = {link.key: link for link in plan.links}
    devices = {device.name: device for device in plan.devices}
    found = []
    for route in plan.routes:
        device, link = devices[route.sensor], links.get(route.links[0])
        levels, taken, spread = _by_month(plan, device.name, link, hemisphere) if link is not None else ((), (), ())
        found.append(
            ExpectedDevice(
                name=device.name,
                interval_s=device.interval_s,
                receiver=route.devices[1],
                link=route.links[0],
                level_by_month_dbm=levels,
                leaf_by_month_db=taken,
                season_spread_by_month_db=spread,
                needed_dbm=_needed_dbm(device.name, link),
                spread_db=math.nan if link is None else _spread(link),
                required_chance=plan.required_chance,
                importance=device.importance,
                alarm=device.purpose is Purpose.ALARM,
                relays=tuple(name for name in route.devices[1:-1]),
                gateway=route.devices[-1],
                second_receiver=route.second_devices[1] if len(route.second_devices) > 1 else "",
                cell=_cell(device, batteries),
            )
        )
    return tuple(found)


def crop_share(month: int, hemisphere: Hemisphere) -> float:
    """Return how high crops stand in a month against their highest, the highest of the usual crops."""
    northern = northern_month(month, hemisphere) - 1
    return max(heights[northern] / max(heights) for heights in CROP_HEIGHT_BY_MONTH_M.values())


def _by_month(
    plan: Plan, sender: str, link: Link, hemisphere: Hemisphere
) -> tuple[tuple[float, ...], tuple[float, ...], tuple[float, ...]]:
    """Return level, what the season takes, and how uncertain that is, by month.

    Notes
    -----
    Source
        Straight between the seasons that the plan was made for (bare, in leaf, with tall crops), by the share of leaf and crop
        height of the month that `propagation.seasons` holds. A month that the plan names itself is taken as it is. Wet leaves and
        snow come and go with the weather and are no month's usual
    """
    records = {season.name: season for season in plan.seasons}
    results = {result.season: result for result in link.seasons if result.season in records}
    dry = {name: result for name, result in results.items() if not records[name].wet and not records[name].snow}
    months = {name.casefold()[:3]: result for name, result in results.items() if name.casefold()[:3] in MONTH_WORDS}
    bare = [result for name, result in dry.items() if not records[name].in_leaf]
    leaf = [result for name, result in dry.items() if records[name].in_leaf and name != "tall_crop"]
    tall = [result for name, result in dry.items() if name == "tall_crop"]
    usual = (bare or leaf or list(results.values()))[0]
    in_leaf = (leaf or [usual])[0]
    high = (tall or [in_leaf])[0]
    levels, sizes = [], []
    for month in range(1, 13):
        named = months.get(MONTH_WORDS[month - 1])
        if named is not None:
            levels.append(_level(named, sender, link))
            sizes.append(_season_size(named, usual))
            continue
        share, crop = leaf_share(month, hemisphere), crop_share(month, hemisphere)
        first, second, third = (_level(result, sender, link) for result in (usual, in_leaf, high))
        levels.append(first + share * (second - first) + crop * (third - second))
        sizes.append(math.hypot(share * _season_size(in_leaf, usual), crop * _season_size(high, in_leaf)))
    best = max(levels)
    return tuple(levels), tuple(best - level for level in levels), tuple(sizes)


def _season_size(one: SeasonResult, other: SeasonResult) -> float:
    """Return how uncertain the difference of two seasons is: what plants add to the spread."""
    return math.sqrt(abs(one.spread.vegetation_db**2 - other.spread.vegetation_db**2))


def _level(result: SeasonResult, sender: str, link: Link) -> float:
    return result.received_at_b_dbm if sender == link.a else result.received_at_a_dbm


def _needed_dbm(sender: str, link: Link | None) -> float:
    if link is None:
        return math.nan
    return (link.sensitivity_b_dbm if sender == link.a else link.sensitivity_a_dbm) + link.fade_margin_db


def _spread(link: Link) -> float:
    return max(result.spread.total_db for result in link.seasons)


def _cell(device: Device, batteries: Mapping[str, Battery]) -> ExpectedCell | None:
    """Return the cells that feed a device; None where a panel or the mains does, or nobody says the voltage."""
    energy = device.energy
    battery = batteries.get(energy.battery) if energy is not None else None
    if energy is None or battery is None or battery.voltage is None or device.power is not Power.BATTERY:
        return None
    count = max(energy.cells_in_series, 1) * max(energy.cells_in_parallel, 1)
    words = f"{count} {battery.one if count == 1 else battery.several}"
    return ExpectedCell(
        words, battery.voltage, max(energy.cells_in_series, 1), battery.end_factor.value, energy.life_years, battery.rechargeable
    )


def planned_level_dbm(expected: ExpectedDevice, first_day: int, days: int) -> Array:
    """Return the planned level of each day, NaN where the plan has none."""
    if not expected.level_by_month_dbm:
        return np.full(days, np.nan)
    month = np.arange(first_day, first_day + days).astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12
    return np.asarray(np.array(expected.level_by_month_dbm)[month])
