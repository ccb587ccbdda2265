"""Write the whole packet into a folder: the pages, the table for readings and, if wanted, a PDF."""

from __future__ import annotations

from pathlib import Path

from meshplan.inputs.plan_file import holds_readings
from meshplan.records import Plan
from meshplan.reporting.files import all_or_nothing, write_bytes_atomically, write_text_atomically
from meshplan.reporting.paper import paper_page
from meshplan.reporting.sheets.cover_page import cover_page
from meshplan.reporting.sheets.entries import site_sheets
from meshplan.reporting.sheets.readings import readings_csv
from meshplan.reporting.sheets.site_page import site_page


def sheets_html(plan: Plan) -> str:
    """Return the packet as one HTML page: the cover, then one A4 page a site."""
    sheets = site_sheets(plan)
    body = cover_page(plan, sheets) + "".join(site_page(sheet, plan, len(sheets)) for sheet in sheets)
    return paper_page(f"{plan.property_name}: sheets", f"<main>{body}</main>", "sheets/sheets.css")


def write_sheets(plan: Plan, folder: Path, *, pdf: bool = False) -> tuple[Path, ...]:
    """Write sheets.html and readings.csv, and sheets.pdf on request; all of them or none.

    A readings.csv that somebody has filled in is left alone and the new one is called readings-new.csv.
    """
    readings = "readings-new.csv" if holds_readings(folder / "readings.csv") else "readings.csv"
    with all_or_nothing(folder) as scratch:
        write_text_atomically(scratch / "sheets.html", sheets_html(plan))
        # a byte order mark, so that spreadsheets show names as they are
        write_text_atomically(scratch / readings, "\ufeff" + readings_csv(plan, site_sheets(plan)))
        if pdf:
            from meshplan.reporting.sheets.pdf import sheets_pdf  # noqa: PLC0415 - needs an optional package

            write_bytes_atomically(scratch / "sheets.pdf", sheets_pdf(plan))
        names = sorted(path.name for path in scratch.iterdir())
    return tuple(folder / name for name in names)
