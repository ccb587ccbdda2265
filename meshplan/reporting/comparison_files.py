"""The comparison as a table for spreadsheets and as a chart."""

from __future__ import annotations

from pathlib import Path

from meshplan.records import Comparison, ComparisonRow
from meshplan.reporting.comparison_text import HEADINGS, comparison_rows, row_cells, shown_rows
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.files import csv_text, write_text_atomically
from meshplan.reporting.range_chart import write_range_svg
from meshplan.reporting.svg import TABLE_FONT, TABLE_INK, box, element, head, label
from meshplan.reporting.words import text

SOFT = "#55616a"
ROW_HEIGHT = 26
LEFT = 240
BAR_WIDTH = 180
TOP = 78
COLUMNS = (
    ("served", 72),
    ("weakest", 88),
    ("relays", 50),
    ("cost", 56),
    ("a year", 56),
    ("rules", 62),
    ("air left", 88),
    ("cells last", 70),
    ("slowest", 62),
    ("wiring and supply", 260),
)
"""Headings of the figures beside the bars, with their widths."""


def write_comparison(comparison: Comparison, folder: Path) -> tuple[Path, ...]:
    """Write comparison.csv (every setting), comparison.svg (the best of each class) and rate_and_range.svg; return their paths."""
    with all_or_nothing(folder) as scratch:
        write_text_atomically(scratch / "comparison.csv", comparison_csv(comparison))
        write_text_atomically(scratch / "comparison.svg", comparison_svg(comparison))
        write_range_svg(comparison.curves, scratch / "rate_and_range.svg")
    return folder / "comparison.csv", folder / "comparison.svg", folder / "rate_and_range.svg"


def comparison_csv(comparison: Comparison) -> str:
    """Return every row with every field as CSV."""
    rows = comparison_rows(comparison)["rows"]
    names = list(rows[0]) if rows else []
    return csv_text(names, [[_cell(row[name]) for name in names] for row in rows])


def comparison_svg(comparison: Comparison) -> str:
    """Return a bar for each class, as long as its share of sensors served, with its figures beside it.

    Bars are dark for the recommended class and hatched where the rules refuse one.
    """
    rows = shown_rows(comparison, all_settings=False)
    width, height = LEFT + BAR_WIDTH + 14 + sum(wide for _, wide in COLUMNS), TOP + 12 + ROW_HEIGHT * len(rows)
    heading = f"Radio classes compared at {comparison.property_name}"
    parts = [
        head(width, height, heading, font=TABLE_FONT, font_size=13, ink=TABLE_INK),
        element("desc", text(comparison.recommendation)),
        '<defs><pattern id="refused" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect width="6" height="6" fill="#f3f0e6"/><rect width="2" height="6" fill="#8a8f94"/></pattern></defs>',
        element("rect", width=width, height=height, fill="#fbfaf5"),
        label(12, 24, heading, font_size=16),
        label(12, 44, f"{comparison.country}; cost in {comparison.currency}", fill=SOFT),
        label(LEFT, TOP - 8, "share of sensors served", fill=SOFT),
        *(label(x, TOP - 8, name, fill=SOFT) for x, (name, _) in zip(_column_edges(), COLUMNS, strict=True)),
    ]
    for position, row in enumerate(rows):
        parts.extend(_bar(row, TOP + ROW_HEIGHT * position, comparison))
    parts.append("</svg>\n")
    return "\n".join(parts)


def _column_edges() -> list[int]:
    """Return where each column of figures starts."""
    edges, x = [], LEFT + BAR_WIDTH + 14
    for _, wide in COLUMNS:
        edges.append(x)
        x += wide
    return edges


def _bar(row: ComparisonRow, top: int, comparison: Comparison) -> list[str]:
    chosen = row.radio == comparison.chosen
    share = row.served / row.sensors if row.sensors else 0.0
    fill = "url(#refused)" if not row.lawful else "#0a3a6b" if chosen else "#6f9bb8"
    length = BAR_WIDTH if not row.lawful else BAR_WIDTH * share
    weight = "bold" if chosen else None
    cells = dict(zip(HEADINGS, row_cells(row, comparison), strict=True))
    return [
        label(LEFT - 8, top + 14, row.radio, text_anchor="end", font_weight=weight),
        box(LEFT, top, BAR_WIDTH, 18, fill="none", stroke="#b9b6a8"),
        box(LEFT, top, float(length), 18, fill=fill),
        *(label(x, top + 14, cells[name], font_weight=weight) for x, (name, _) in zip(_column_edges(), COLUMNS, strict=True)),
    ]


def _cell(value: object) -> object:
    return "; ".join(str(part) for part in value) if isinstance(value, list) else value
