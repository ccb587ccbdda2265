"""The table that takes the readings of the walk: same links and names as the sheets, to be read back by `calibrate`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from meshplan.records import Plan
from meshplan.reporting.files import csv_text
from meshplan.reporting.sheets.entries import SiteSheet

COLUMNS: Final = (*("link", "a", "b", "date_time", "radio", "season", "power_dbm", "snr_db", "sent", "received", "note"),)
"""`b` heard `a`; each link has a row for each direction."""


def readings_csv(plan: Plan, sheets: Iterable[SiteSheet]) -> str:
    """Return the empty table: every link of the plan and every trial link on a sheet, both ways, hardest first."""
    trials = [entry.link for sheet in sheets if not sheet.part_of_plan for entry in sheet.links]
    links = {link.key: link for link in (*sorted(plan.chosen_links, key=lambda one: (one.chance, one.margin_db)), *trials)}
    rows = [
        (link.key, sender, receiver, None, plan.radio.key, None, None, None, None, None, None)
        for link in links.values()
        for sender, receiver in ((link.a, link.b), (link.b, link.a))
    ]
    return csv_text(COLUMNS, rows)
