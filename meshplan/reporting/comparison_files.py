"""The comparison as a table for spreadsheets and as a chart."""

from __future__ import annotations

from pathlib import Path

from meshplan.records import Comparison, ComparisonRow
from meshplan.reporting.comparison_text import HEADINGS, comparison_rows, row_cells, shown_rows
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.files import csv_text, write_text_atomically
from meshplan.reporting.range_chart import write_range_svg
from meshplan.reporting.words import number, text

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

    Bars are dark for the recommended class and hatched where the rules refuse one. Presentation attributes only, so that any
    reader of pictures draws it alike.
    """
    rows = shown_rows(comparison, all_settings=False)
    width, height = LEFT + BAR_WIDTH + 14 + sum(wide for _, wide in COLUMNS), TOP + 12 + ROW_HEIGHT * len(rows)
    title = f"Radio classes compared at {comparison.property_name}"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'font-family="Georgia, serif" font-size="13" fill="#22303a"><title>{text(title)}</title>',
        f"<desc>{text(comparison.recommendation)}</desc>",
        '<defs><pattern id="refused" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
        '<rect width="6" height="6" fill="#f3f0e6"/><rect width="2" height="6" fill="#8a8f94"/></pattern></defs>',
        f'<rect width="{width}" height="{height}" fill="#fbfaf5"/>',
        f'<text x="12" y="24" font-size="16">{text(title)}</text>',
        f'<text x="12" y="44" fill="#55616a">{text(comparison.country)}; cost in {text(comparison.currency)}</text>',
        f'<text x="{LEFT}" y="{TOP - 8}" fill="#55616a">share of sensors served</text>',
    ]
    for x, heading in zip(_column_edges(), (name for name, _ in COLUMNS), strict=True):
        parts.append(f'<text x="{x}" y="{TOP - 8}" fill="#55616a">{text(heading)}</text>')
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
    weight = ' font-weight="bold"' if chosen else ""
    cells = dict(zip(HEADINGS, row_cells(row, comparison), strict=True))
    drawn = [
        f'<text x="{LEFT - 8}" y="{top + 14}" text-anchor="end"{weight}>{text(row.radio)}</text>',
        f'<rect x="{LEFT}" y="{top}" width="{BAR_WIDTH}" height="18" fill="none" stroke="#b9b6a8"/>',
        f'<rect x="{LEFT}" y="{top}" width="{number(length, 1)}" height="18" fill="{fill}"/>',
    ]
    for x, (heading, _) in zip(_column_edges(), COLUMNS, strict=True):
        drawn.append(f'<text x="{x}" y="{top + 14}"{weight}>{text(cells[heading])}</text>')
    return drawn


def _cell(value: object) -> object:
    return "; ".join(str(part) for part in value) if isinstance(value, list) else value
