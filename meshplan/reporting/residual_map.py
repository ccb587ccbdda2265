"""Where measured and predicted power differ, drawn on the ground (SVG, north up)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Final

from meshplan.records.measurement import Calibration, FittedLink
from meshplan.reporting.svg import INK, circle, element, head, label, line, notice, page, path, title
from meshplan.reporting.words import metres, number, shortened

MARGIN, TOP, BOTTOM = 46, 44, 62
MOST_NAMES: Final = 60
STRONGER, WEAKER, ALIKE = "#0072b2", "#d55e00", "#b9b4a8"
STEPS: Final = ((3.0, 1.0), (6.0, 2.0), (10.0, 3.5), (math.inf, 5.0))
"""Width of a line up to each size of residual in dB."""


def residual_map_svg(calibration: Calibration, *, width: int = 640, after: bool = True) -> str:
    """Return each measured link as a line: blue and whole if stronger than predicted, orange and dashed if weaker, wide if by much.

    `after` shows what is left after calibration, otherwise what it was before.
    """
    shown = [fit for fit in calibration.fitted if not fit.measured.censored and _placed(fit)]
    heading = f"Measured minus predicted on the ground, {'after' if after else 'before'} calibration"
    ends = {name: at for fit in shown for name, at in _ends(fit)}
    if not shown:
        return _page(heading, [notice(width, 160, "There are no readings with positions to show.")], width, 160)
    west, east = min(x for x, _ in ends.values()), max(x for x, _ in ends.values())
    south, north = min(y for _, y in ends.values()), max(y for _, y in ends.values())
    scale = (width - 2 * MARGIN) / max(east - west, (north - south) * 0.6, 1.0)
    height = round(TOP + BOTTOM + 24 + scale * (north - south))

    def at(place: tuple[float, float]) -> tuple[float, float]:
        return MARGIN + scale * (place[0] - west), TOP + 12 + scale * (north - place[1])

    parts = [_line(fit, *at(_ends(fit)[0][1]), *at(_ends(fit)[1][1]), after=after) for fit in sorted(shown, key=_size(after))]
    for count, (name, place) in enumerate(sorted(ends.items())):
        x, y = at(place)
        parts.append(circle(x, y, 2.6, title(name), fill=INK))
        if count < MOST_NAMES:
            side, shift = ("end", -5) if x > 0.7 * width else ("start", 5)
            parts.append(label(x + shift, y - 4, shortened(name, 18), font_size=9, text_anchor=side))
    return _page(heading, [*parts, *_scale_bar(scale, width, height)], width, height)


def _placed(fit: FittedLink) -> bool:
    link = fit.measured.link
    return all(math.isfinite(value) for value in (link.a_x_m, link.a_y_m, link.b_x_m, link.b_y_m, fit.after_dbm))


def _ends(fit: FittedLink) -> tuple[tuple[str, tuple[float, float]], tuple[str, tuple[float, float]]]:
    link = fit.measured.link
    return (link.a, (link.a_x_m, link.a_y_m)), (link.b, (link.b_x_m, link.b_y_m))


def _residual(fit: FittedLink, after: bool) -> float:
    return fit.measured.power_dbm - fit.after_dbm if after else fit.measured.residual_db


def _size(after: bool) -> Callable[[FittedLink], tuple[float, str]]:
    """Return the order of drawing: the largest on top."""
    return lambda fit: (abs(_residual(fit, after)), fit.measured.link.key)


def _line(fit: FittedLink, x1: float, y1: float, x2: float, y2: float, *, after: bool) -> str:
    """Return one link."""
    residual = _residual(fit, after)
    thick = next(width for limit, width in STEPS if abs(residual) <= limit)
    colour = ALIKE if abs(residual) <= STEPS[0][0] else STRONGER if residual > 0 else WEAKER
    dash = "7 4" if colour == WEAKER else None
    link = fit.measured.link
    words = title(f"{link.a} to {link.b}: {number(residual, 1)} dB")
    return line(x1, y1, x2, y2, words, stroke=colour, stroke_width=f"{thick:g}", stroke_dasharray=dash, stroke_opacity="0.85")


def _scale_bar(scale: float, width: int, height: int) -> list[str]:
    """Return a bar of a round length, at most a third of the drawing."""
    longest = (width - 2 * MARGIN) / 3 / scale
    power = 10.0 ** math.floor(math.log10(longest))
    length = next(base * power for base in (5.0, 2.0, 1.0) if base * power <= longest)
    right, y = width - MARGIN, height - 40
    left = right - scale * length
    return [
        path(f"M{left:.1f},{y - 4} v4 H{right:.1f} v-4", stroke=INK),
        label((left + right) / 2, y - 7, metres(length), text_anchor="middle"),
    ]


def _page(heading: str, parts: Sequence[str], width: int, height: int) -> str:
    """Return the finished drawing with its key."""
    key, x = [], 12.0
    for colour, dash, meaning in (
        (STRONGER, None, "stronger than predicted"),
        (WEAKER, "7 4", "weaker than predicted"),
        (ALIKE, None, "within 3 dB"),
    ):
        key.append(path(f"M{x:.0f},{height - 24} h26", stroke=colour, stroke_width=3, stroke_dasharray=dash))
        key.append(element("text", meaning, x=f"{x + 31:.0f}", y=height - 20))
        x += 60 + 5.6 * len(meaning)
    note = "width: up to 3, 6, 10 dB and more · north is up"
    return f"{head(width, height, heading, aria_label=heading)}{page(width, height, heading, note, *parts, *key)}</svg>"
