"""Drawings as SVG text: elements with safe attributes and words, the head of a drawing, round figures along an axis.

Presentation attributes only, no style sheet, so that browsers and every PDF writer show the same.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

from meshplan.reporting.words import text

INK: Final = "#23211c"
FONT: Final = "Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif"
TABLE_FONT: Final = "Georgia, serif"
TABLE_INK: Final = "#22303a"

Value = str | float | None


def element(kind: str, *inside: str, **attributes: Value) -> str:
    """Return an element around markup; empty if `inside` is not given.

    Attributes stand in the order given, `_` for `-`. Real numbers get one decimal, whole ones none; None leaves an attribute out.

    >>> element("circle", cx=2.0, r=3, stroke_width="0.6", fill=None)
    '<circle cx="2.0" r="3" stroke-width="0.6"/>'
    """
    written = "".join(f' {name.replace("_", "-")}="{_value(value)}"' for name, value in attributes.items() if value is not None)
    return f"<{kind}{written}>{''.join(inside)}</{kind}>" if inside else f"<{kind}{written}/>"


def label(x: float, y: float, words: str, **attributes: Value) -> str:
    """Return words at a place."""
    return element("text", text(words), x=x, y=y, **attributes)


def title(words: str) -> str:
    """Return what an element is called, shown when it is pointed at."""
    return element("title", text(words))


def line(x1: float, y1: float, x2: float, y2: float, *inside: str, **attributes: Value) -> str:
    """Return a straight line."""
    return element("line", *inside, x1=x1, y1=y1, x2=x2, y2=y2, **attributes)


def circle(cx: float, cy: float, radius: Value, *inside: str, **attributes: Value) -> str:
    """Return a circle."""
    return element("circle", *inside, cx=cx, cy=cy, r=radius, **attributes)


def box(x: float, y: float, width: float, height: float, **attributes: Value) -> str:
    """Return a rectangle."""
    return element("rect", x=x, y=y, width=width, height=height, **attributes)


def path(steps: str, *inside: str, fill: str | None = "none", **attributes: Value) -> str:
    """Return a path, by default without filling."""
    return element("path", *inside, d=steps, fill=fill, **attributes)


def points(places: Iterable[tuple[float, float]]) -> str:
    """Return places as the points of a polygon or polyline."""
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in places)


def track(places: Iterable[tuple[float, float]]) -> str:
    """Return places as the steps of a path."""
    return "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in places)


def head(
    width: int, height: int, heading: str, *, aria_label: str = "", font: str = FONT, font_size: int = 11, ink: str = INK
) -> str:
    """Return the opening of a drawing with what it is called; whoever draws closes it."""
    said = f'aria-label="{text(aria_label)}" ' if aria_label else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}" role="img" '
        f'{said}font-family="{font}" font-size="{font_size}" fill="{ink}">{title(heading)}'
    )


def page(width: int, height: int, heading: str, note: str, *parts: str) -> str:
    """Return a white sheet with a heading, what is drawn, and a note at its foot."""
    return (
        f"{box(0, 0, width, height, fill='#ffffff')}{label(12, 18, heading, font_size=14, font_weight='bold')}{''.join(parts)}"
        f"{label(12, height - 6, note, font_size=10, fill='#5d594f')}"
    )


def notice(width: int, height: int, words: str) -> str:
    """Return words in the middle of a drawing that has nothing else to show."""
    return element("text", text(words), x=f"{width / 2:g}", y=f"{height / 2:g}", text_anchor="middle")


def nice_step(span: float, most: int) -> float:
    """Return a tick step of 1, 2 or 5 times a power of ten that gives at most that many steps."""
    rough = span / most
    power = 10.0 ** math.floor(math.log10(rough))
    return next(step * power for step in (1.0, 2.0, 5.0, 10.0) if step * power >= rough * (1 - 1e-9))


def ticks(low: float, high: float, step: float = 0.0) -> list[float]:
    """Return round figures from low to high, at most a dozen steps, none below one."""
    size = step or max(1.0, nice_step(high - low, 12))
    return [k * size for k in range(math.ceil(low / size), math.floor(high / size) + 1)]


def decades(low: float, high: float) -> list[float]:
    """Return 1, 2, 5, 10 … within limits."""
    values = [base * 10.0**power for power in range(7) for base in (1, 2, 5)]
    return [value for value in values if low <= value <= high]


def _value(value: str | float) -> str:
    return text(value) if isinstance(value, str) else f"{value:.1f}" if isinstance(value, float) else str(value)
