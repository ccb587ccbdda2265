"""The table that takes the readings of the walk: same links and names as the sheets, to be read back by `calibrate`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from meshplan.records import Link, Plan
from meshplan.records.measurement import SurveyWalk
from meshplan.reporting.files import csv_text
from meshplan.reporting.sheets.entries import SiteSheet

COLUMNS: Final = (
    *("link", "a", "b", "a_antenna_agl_m", "b_antenna_agl_m", "date_time", "radio", "season"),
    *("power_dbm", "snr_db", "sent", "received", "note"),
)
"""`b` heard `a`; each link has a row for each direction. Ends are named as in the property's files, heights as planned."""


def readings_csv(plan: Plan, sheets: Iterable[SiteSheet], walk: SurveyWalk | None = None) -> str:
    """Return the empty table, both ways: the links of the next walk in its order, then every link of the plan and every trial
    link on a sheet, hardest first."""
    trials = [entry.link for sheet in sheets if not sheet.part_of_plan for entry in sheet.links]
    links = {link.key: link for link in (*sorted(plan.chosen_links, key=lambda one: (one.chance, one.margin_db)), *trials)}
    sites = {device.name: device.site or device.name for device in plan.devices}
    to_take = {reading.link: reading for stop in (walk.stops if walk else ()) for reading in stop.readings}
    rows: list[tuple[object, ...]] = []
    for reading in to_take.values():
        ends = (reading.here, reading.here_antenna_agl_m), (reading.there, reading.there_antenna_agl_m)
        rows += _both_ways(reading.link, ends, reading.radio)
    for link in links.values():
        if link.key not in to_take:
            ends = (sites[link.a], link.antenna_a_agl_m), (sites[link.b], link.antenna_b_agl_m)
            rows += _both_ways(link.key, ends, _radio_of(plan, link))
    return csv_text(COLUMNS, rows)


def _both_ways(key: str, ends: tuple[tuple[str, float], tuple[str, float]], radio: str) -> list[tuple[object, ...]]:
    return [(key, a, b, up_m, other_up_m, None, radio, *(None,) * 6) for (a, up_m), (b, other_up_m) in (ends, ends[::-1])]


def _radio_of(plan: Plan, link: Link) -> str:
    """Return the class of a link; where places carry different classes, the one that both ends have."""
    if not plan.more_radios:
        return plan.radio.key
    carried = [set(plan.device(name).radio.split("+")) for name in (link.a, link.b)]
    both = [radio for radio in (plan.radio, *plan.more_radios) if all(radio.key in keys for keys in carried)]
    return min(both, key=lambda radio: abs(radio.frequency_mhz - link.frequency_mhz), default=plan.radio).key
