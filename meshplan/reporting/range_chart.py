"""Bit rate against range: as a table in the terminal and as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, inf, log10
from pathlib import Path
from typing import Final

from meshplan.records import RangeCurve, RangePoint
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.svg import TABLE_FONT, TABLE_INK, box, circle, element, head, label, line, points
from meshplan.reporting.words import metres, number

WIDTH: Final = 860
LEFT, RIGHT, TOP, BOTTOM = 90, 250, 80, 60
PLOT_HEIGHT: Final = 400
SHOWN_HEIGHTS: Final = 1
"""Which of the curve's height pairs the picture shows."""

_INKS: Final = ("#0a3a6b", "#8c2f1b", "#3d6b35", "#7a5195", "#a66f00", "#4d4d4d")
_DASHES: Final = (None, "7 3", "2 3", "9 3 2 3")
_SOFT: Final = "#55616a"
_GRID: Final = "#dedbcd"


def range_table(curve: RangeCurve) -> str:
    """Return the ranges of one class as text, slowest rate first."""
    heads = [f"{one:g} m to {other:g} m" for one, other in curve.heights_agl_m]
    rows = [["setting", "bit/s", "loss it bears", *heads]]
    for point in curve.points:
        rows.append(
            [
                point.setting,
                number(point.bit_rate_bps),
                f"{number(point.allowed_loss_db)} dB",
                *(metres(distance) if distance < inf else "beyond 100 km" for distance in point.ranges_m),
            ]
        )
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    lines = ["    " + "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]
    return "\n".join([f"  bit rate against range, {conditions(curve)}:", *lines])


def conditions(curve: RangeCurve) -> str:
    """Return what the ranges hold for."""
    return (
        f"flat open ground, nothing in between, {curve.margin_db:g} dB of margin, its own antenna at both ends, up to "
        f"{number(curve.tx_power_dbm, 1)} dBm at {curve.frequency_mhz:g} MHz, antennas at the heights named"
    )


def write_range_svg(curves: Sequence[RangeCurve], path: Path) -> Path:
    """Write the picture and return its path."""
    write_text_atomically(path, range_svg(curves))
    return path


def range_svg(curves: Sequence[RangeCurve]) -> str:
    """Return a line for each class through its rates, both axes in equal ratios; one rate alone is a dot."""
    drawn = [(curve, _reached(curve)) for curve in curves]
    drawn = [(curve, reached) for curve, reached in drawn if reached]
    height = TOP + max(PLOT_HEIGHT, 20 * len(drawn)) + BOTTOM
    low_x, high_x = _decades([point.ranges_m[SHOWN_HEIGHTS] for _, reached in drawn for point in reached])
    low_y, high_y = _decades([point.bit_rate_bps for _, reached in drawn for point in reached])

    def place(point: RangePoint) -> tuple[float, float]:
        share_x = (log10(point.ranges_m[SHOWN_HEIGHTS]) - low_x) / (high_x - low_x)
        share_y = (log10(point.bit_rate_bps) - low_y) / (high_y - low_y)
        return LEFT + share_x * (WIDTH - LEFT - RIGHT), height - BOTTOM - share_y * (height - TOP - BOTTOM)

    one, other = curves[0].heights_agl_m[SHOWN_HEIGHTS] if curves else (0.0, 0.0)
    heading = "Bit rate against range"
    ground = (
        f"Flat open ground, antennas at {one:g} m and {other:g} m, {curves[0].margin_db if curves else 0:g} dB of margin; "
        "hills, plants and walls take most of it away."
    )
    parts = [
        head(WIDTH, height, heading, font=TABLE_FONT, font_size=13, ink=TABLE_INK),
        "<desc>The slower the bits, the further they carry. Real ground, plants and walls take most of it away.</desc>",
        element("rect", width=WIDTH, height=height, fill="#fbfaf5"),
        label(12, 24, heading, font_size=16),
        label(12, 44, ground, fill=_SOFT),
        *_axes(low_x, high_x, low_y, high_y, height),
    ]
    for position, (curve, reached) in enumerate(drawn):
        parts.extend(_line(curve, [place(point) for point in reached], position))
    parts.append("</svg>\n")
    return "\n".join(parts)


def _reached(curve: RangeCurve) -> list[RangePoint]:
    return [point for point in curve.points if 0.0 < point.ranges_m[SHOWN_HEIGHTS] < inf]


def _decades(values: Sequence[float]) -> tuple[int, int]:
    """Return the powers of ten around some values, at least one apart."""
    if not values:
        return 0, 1
    low, high = floor(log10(min(values))), ceil(log10(max(values)))
    return low, max(high, low + 1)


def _axes(low_x: int, high_x: int, low_y: int, high_y: int, height: int) -> list[str]:
    right, bottom = WIDTH - RIGHT, height - BOTTOM
    parts = [box(LEFT, TOP, right - LEFT, bottom - TOP, fill="none", stroke="#b9b6a8")]
    for power in range(low_x, high_x + 1):
        x = LEFT + (power - low_x) / (high_x - low_x) * (right - LEFT)
        words = f"{number(10.0**power)} m" if power < 3 else f"{number(10.0 ** (power - 3))} km"
        parts.append(line(x, TOP, x, bottom, stroke=_GRID))
        parts.append(label(x, bottom + 20, words, text_anchor="middle"))
    for power in range(low_y, high_y + 1):
        y = bottom - (power - low_y) / (high_y - low_y) * (bottom - TOP)
        words = f"{number(10.0**power)}" if power < 3 else f"{number(10.0 ** (power - 3))} k"
        parts.append(line(LEFT, y, right, y, stroke=_GRID))
        parts.append(label(LEFT - 8, y + 4, words, text_anchor="end"))
    parts.append(label((LEFT + right) / 2, bottom + 42, "range", text_anchor="middle", fill=_SOFT))
    parts.append(label(LEFT - 8, TOP - 10, "bit/s", text_anchor="end", fill=_SOFT))
    return parts


def _line(curve: RangeCurve, places: Sequence[tuple[float, float]], position: int) -> list[str]:
    ink = _INKS[position % len(_INKS)]
    dash = _DASHES[position // len(_INKS) % len(_DASHES)]
    parts = []
    if len(places) > 1:
        parts = [element("polyline", points=points(places), fill="none", stroke=ink, stroke_width=2, stroke_dasharray=dash)]
    parts += [circle(x, y, 3.5, fill=ink) for x, y in places]
    y = TOP + 10 + 20 * position
    x = WIDTH - RIGHT + 16
    parts.append(line(x, y - 4, x + 26, y - 4, stroke=ink, stroke_width=2, stroke_dasharray=dash))
    parts.append(circle(x + 13, y - 4, 3.5, fill=ink))
    parts.append(label(x + 34, y, curve.class_key))
    return parts
