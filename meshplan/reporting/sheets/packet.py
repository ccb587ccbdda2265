"""Write the whole packet into a folder: the pages, the table for readings and, if wanted, a PDF."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from meshplan.inputs.plan_file import holds_readings
from meshplan.records import Plan
from meshplan.records.measurement import SurveyWalk
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.files import write_bytes_atomically, write_text_atomically
from meshplan.reporting.paper import paper_page
from meshplan.reporting.sheets.cover_page import cover_page
from meshplan.reporting.sheets.entries import site_sheets
from meshplan.reporting.sheets.readings import readings_csv
from meshplan.reporting.sheets.site_page import site_page
from meshplan.reporting.sheets.walk_page import walk_pages


def sheets_html(plan: Plan, walk: SurveyWalk | None = None) -> str:
    """Return the packet as one HTML page: the cover, the next walk if there is one, then one A4 page a site."""
    sheets = site_sheets(plan)
    round_on_foot = walk_pages(walk, plan) if walk is not None else ""
    body = cover_page(plan, sheets) + round_on_foot + "".join(site_page(sheet, plan, len(sheets)) for sheet in sheets)
    return paper_page(f"{plan.property_name}: sheets", f"<main>{body}</main>", "sheets/sheets.css")


def readings_name(folder: Path) -> str:
    """Return the name of a new table for readings, so that one which somebody has filled in stays."""
    return "readings-new.csv" if holds_readings(folder / "readings.csv") else "readings.csv"


def write_sheets(
    plan: Plan,
    folder: Path,
    *,
    pdf: bool = False,
    walk: SurveyWalk | None = None,
    readings: str = "",
    on_warning: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """Write sheets.html and readings.csv, and sheets.pdf on request; all of them or none.

    With a `walk`, its places are printed and its links stand first in the table. A readings.csv that somebody has filled in is left
    alone and the new one is called readings-new.csv (`readings` says otherwise). `on_warning` is told what of the text the PDF
    cannot show.
    """
    readings = readings or readings_name(folder)
    with all_or_nothing(folder) as scratch:
        write_text_atomically(scratch / "sheets.html", sheets_html(plan, walk))
        # a byte order mark, so that spreadsheets show names as they are
        write_text_atomically(scratch / readings, "\ufeff" + readings_csv(plan, site_sheets(plan), walk))
        if pdf:
            from meshplan.reporting.sheets.pdf import packet_pdf  # noqa: PLC0415 - needs an optional package

            data, warnings = packet_pdf(plan, walk)
            write_bytes_atomically(scratch / "sheets.pdf", data)
            if on_warning is not None:
                for words in warnings:
                    on_warning(words)
        names = sorted(path.name for path in scratch.iterdir())
    return tuple(folder / name for name in names)
