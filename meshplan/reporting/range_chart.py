"""Bit rate against range: as a table in the terminal and as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from math import ceil, floor, inf, log10
from pathlib import Path
from typing import Final

from meshplan.records import RangeCurve, RangePoint
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.words import metres, number, text

WIDTH: Final = 860
LEFT, RIGHT, TOP, BOTTOM = 90, 250, 80, 60
PLOT_HEIGHT: Final = 400
SHOWN_HEIGHTS: Final = 1
"""Which of the curve's height pairs the picture shows."""

_INKS: Final = ("#0a3a6b", "#8c2f1b", "#3d6b35", "#7a5195", "#a66f00", "#4d4d4d")
_DASHES: Final = ("", "7 3", "2 3", "9 3 2 3")


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
    """Return a line for each class through its rates, both axes in equal ratios; one rate alone is a dot.

    Presentation attributes only, so that any reader of pictures draws it alike.
    """
    drawn = [(curve, _reached(curve)) for curve in curves]
    drawn = [(curve, points) for curve, points in drawn if points]
    height = TOP + max(PLOT_HEIGHT, 20 * len(drawn)) + BOTTOM
    low_x, high_x = _decades([point.ranges_m[SHOWN_HEIGHTS] for _, points in drawn for point in points])
    low_y, high_y = _decades([point.bit_rate_bps for _, points in drawn for point in points])

    def place(point: RangePoint) -> tuple[float, float]:
        share_x = (log10(point.ranges_m[SHOWN_HEIGHTS]) - low_x) / (high_x - low_x)
        share_y = (log10(point.bit_rate_bps) - low_y) / (high_y - low_y)
        return LEFT + share_x * (WIDTH - LEFT - RIGHT), height - BOTTOM - share_y * (height - TOP - BOTTOM)

    one, other = curves[0].heights_agl_m[SHOWN_HEIGHTS] if curves else (0.0, 0.0)
    title = "Bit rate against range"
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" width="{WIDTH}" height="{height}" role="img" '
        f'font-family="Georgia, serif" font-size="13" fill="#22303a"><title>{title}</title>',
        "<desc>The slower the bits, the further they carry. Real ground, plants and walls take most of it away.</desc>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fbfaf5"/>',
        f'<text x="12" y="24" font-size="16">{title}</text>',
        f'<text x="12" y="44" fill="#55616a">Flat open ground, antennas at {one:g} m and {other:g} m, '
        f"{curves[0].margin_db if curves else 0:g} dB of margin; hills, plants and walls take most of it away.</text>",
        *_axes(low_x, high_x, low_y, high_y, height),
    ]
    for number_, (curve, points) in enumerate(drawn):
        parts.extend(_line(curve, [place(point) for point in points], number_))
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
    parts = [f'<rect x="{LEFT}" y="{TOP}" width="{right - LEFT}" height="{bottom - TOP}" fill="none" stroke="#b9b6a8"/>']
    for power in range(low_x, high_x + 1):
        x = LEFT + (power - low_x) / (high_x - low_x) * (right - LEFT)
        words = f"{number(10.0**power)} m" if power < 3 else f"{number(10.0 ** (power - 3))} km"
        parts.append(f'<line x1="{x:.1f}" y1="{TOP}" x2="{x:.1f}" y2="{bottom}" stroke="#dedbcd"/>')
        parts.append(f'<text x="{x:.1f}" y="{bottom + 20}" text-anchor="middle">{words}</text>')
    for power in range(low_y, high_y + 1):
        y = bottom - (power - low_y) / (high_y - low_y) * (bottom - TOP)
        words = f"{number(10.0**power)}" if power < 3 else f"{number(10.0 ** (power - 3))} k"
        parts.append(f'<line x1="{LEFT}" y1="{y:.1f}" x2="{right}" y2="{y:.1f}" stroke="#dedbcd"/>')
        parts.append(f'<text x="{LEFT - 8}" y="{y + 4:.1f}" text-anchor="end">{words}</text>')
    parts.append(f'<text x="{(LEFT + right) / 2:.1f}" y="{bottom + 42}" text-anchor="middle" fill="#55616a">range</text>')
    parts.append(f'<text x="{LEFT - 8}" y="{TOP - 10}" text-anchor="end" fill="#55616a">bit/s</text>')
    return parts


def _line(curve: RangeCurve, places: Sequence[tuple[float, float]], position: int) -> list[str]:
    ink = _INKS[position % len(_INKS)]
    dash = _DASHES[position // len(_INKS) % len(_DASHES)]
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    track = " ".join(f"{x:.1f},{y:.1f}" for x, y in places)
    parts = [f'<polyline points="{track}" fill="none" stroke="{ink}" stroke-width="2"{dashes}/>'] if len(places) > 1 else []
    parts += [f'<circle cx="{x:.1f}" cy="{y:.1f}" r="3.5" fill="{ink}"/>' for x, y in places]
    y = TOP + 10 + 20 * position
    x = WIDTH - RIGHT + 16
    parts.append(f'<line x1="{x}" y1="{y - 4}" x2="{x + 26}" y2="{y - 4}" stroke="{ink}" stroke-width="2"{dashes}/>')
    parts.append(f'<circle cx="{x + 13}" cy="{y - 4}" r="3.5" fill="{ink}"/>')
    parts.append(f'<text x="{x + 34}" y="{y}">{text(curve.class_key)}</text>')
    return parts
