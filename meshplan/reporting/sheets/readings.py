"""The table that takes the readings of the walk: same links and names as the sheets, to be read back by `calibrate`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from meshplan.records import Plan
from meshplan.reporting.files import csv_text
from meshplan.reporting.sheets.entries import SiteSheet

COLUMNS: Final = (
    *("link", "a", "b", "a_antenna_agl_m", "b_antenna_agl_m", "date_time", "radio", "season"),
    *("power_dbm", "snr_db", "sent", "received", "note"),
)
"""`b` heard `a`; each link has a row for each direction. Ends are named as in the property's files, heights as planned."""


def readings_csv(plan: Plan, sheets: Iterable[SiteSheet]) -> str:
    """Return the empty table: every link of the plan and every trial link on a sheet, both ways, hardest first."""
    trials = [entry.link for sheet in sheets if not sheet.part_of_plan for entry in sheet.links]
    links = {link.key: link for link in (*sorted(plan.chosen_links, key=lambda one: (one.chance, one.margin_db)), *trials)}
    sites = {device.name: device.site or device.name for device in plan.devices}
    rows: list[tuple[object, ...]] = []
    for link in links.values():
        ends = ((sites[link.a], link.antenna_a_agl_m), (sites[link.b], link.antenna_b_agl_m))
        for (sender, up_m), (receiver, receiver_up_m) in (ends, ends[::-1]):
            rows.append((link.key, sender, receiver, up_m, receiver_up_m, None, plan.radio.key, *(None,) * 6))
    return csv_text(COLUMNS, rows)
