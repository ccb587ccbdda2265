"""What the readings did to the predictions, as drawings for page and paper (SVG)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from meshplan.records.measurement import Calibration, FittedLink, Parameter
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.residual_map import residual_map_svg
from meshplan.reporting.svg import INK, circle, decades, element, head, label, line, notice, page, path, points, ticks, title
from meshplan.reporting.words import count, metres, number, shortened, text

FAINT: Final = "#c9c5bb"
LEFT, RIGHT, TOP, BOTTOM = 62, 18, 44, 78
NINETY: Final = 1.6448536

_STYLES: Final = (
    ("#0072b2", "circle"),
    ("#d55e00", "square"),
    ("#009e73", "triangle"),
    ("#cc79a7", "diamond"),
    ("#56b4e9", "cross"),
    ("#e69f00", "bar"),
)
"""Colours that stay apart for colour-blind eyes (a palette published in 2002, from memory; tested by simulation), each with a
shape of its own."""


@dataclass(frozen=True)
class _Frame:
    """Scales of one drawing."""

    x_low: float
    x_high: float
    y_low: float
    y_high: float
    width: int
    height: int
    logarithmic: bool = False

    def x(self, value: float) -> float:
        low, high, at = self.x_low, self.x_high, value
        if self.logarithmic:
            low, high, at = math.log(low), math.log(high), math.log(value)
        return LEFT + (self.width - LEFT - RIGHT) * (at - low) / (high - low)

    def y(self, value: float) -> float:
        return TOP + (self.height - TOP - BOTTOM) * (self.y_high - value) / (self.y_high - self.y_low)


def predicted_against_measured_svg(calibration: Calibration, *, width: int = 640, height: int = 560) -> str:
    """Return measured power over predicted power: each link as the other places predict it, with its 90 % interval.

    Hollow marks show the prediction before calibration. Links that were tried and not heard stand as arrows at their upper bound.
    """
    fitted = [fit for fit in calibration.fitted if math.isfinite(_predicted(fit))]
    heading = "Measured against predicted power"
    if not fitted:
        return _empty(heading, width, height)
    values = [v for fit in fitted for v in (fit.measured.link.received_dbm, _predicted(fit), _shown_power(fit))]
    low, high = _rounded(min(values) - 4, max(values) + 4, 10)
    frame = _Frame(low, high, low, high, width, height)
    styles = _styles(fitted)
    parts = [
        *_grid(frame, ticks(low, high), ticks(low, high), "predicted power, dBm", "measured power, dBm"),
        _line(frame.x(low), frame.y(low), frame.x(high), frame.y(high), INK, dash="5 4"),
    ]
    for fit in fitted:
        colour, shape = styles[fit.measured.link.environment]
        y = frame.y(_shown_power(fit))
        before, after = frame.x(fit.measured.link.received_dbm), frame.x(_predicted(fit))
        half = NINETY * _predicted_sd(fit)
        parts.append(
            _line(frame.x(max(_predicted(fit) - half, low)), y, frame.x(min(_predicted(fit) + half, high)), y, colour, opacity=0.45)
        )
        parts.append(_mark(before, y, shape, colour, hollow=True))
        parts.append(_mark(after, y, shape, colour, words=_words(fit)))
        if fit.measured.censored:
            parts.append(_arrow(after, y, colour))
    left = calibration.left_out
    summary = (
        f"Left-out places are predicted to {number(left.error_db, 1)} dB (before: {number(left.before_db, 1)} dB); "
        f"{number(100 * left.inside_90)} % lie inside their 90 % interval."
        if left
        else "Nothing could be left out."
    )
    note = "filled: predicted from the other places, with 90 % interval · hollow: before · arrow: not heard · dashed: equal"
    return _drawing(heading, summary, note, parts, styles, width, height)


def residual_along_distance_svg(calibration: Calibration, *, width: int = 640, height: int = 400) -> str:
    """Return measured minus predicted over distance, before (hollow) and after (filled)."""
    fitted = [fit for fit in calibration.fitted if not fit.measured.censored and math.isfinite(fit.after_dbm)]
    heading = "Measured minus predicted along distance"
    if not fitted:
        return _empty(heading, width, height)
    residuals = [r for fit in fitted for r in (fit.measured.residual_db, fit.measured.power_dbm - fit.after_dbm)]
    low, high = _rounded(min(*residuals, -10) - 1, max(*residuals, 10) + 1, 5)
    distances = [max(fit.measured.link.distance_m, 1.0) for fit in fitted]
    frame = _Frame(min(distances) / 1.15, max(distances) * 1.15, low, high, width, height, logarithmic=True)
    styles = _styles(fitted)
    distance_ticks = decades(frame.x_low, frame.x_high)
    parts = [
        *_grid(frame, distance_ticks, ticks(low, high), "distance", "measured − predicted, dB", distances=True),
        _line(LEFT, frame.y(0), width - RIGHT, frame.y(0), INK),
    ]
    for fit in fitted:
        colour, shape = styles[fit.measured.link.environment]
        x = frame.x(max(fit.measured.link.distance_m, 1.0))
        before, after = frame.y(fit.measured.residual_db), frame.y(fit.measured.power_dbm - fit.after_dbm)
        parts.append(_line(x, before, x, after, FAINT))
        parts.append(_mark(x, before, shape, colour, hollow=True))
        parts.append(_mark(x, after, shape, colour, words=_words(fit)))
    every = next(line for line in calibration.residuals if line.environment == "all")
    summary = (
        f"Mean {number(every.mean_before_db, 1)} dB before, {number(every.mean_after_db, 1)} dB after; "
        f"spread {number(every.sd_before_db, 1)} dB before, {number(every.sd_after_db, 1)} dB after."
    )
    return _drawing(heading, summary, "hollow: before · filled: after calibration", parts, styles, width, height)


def parameters_svg(calibration: Calibration, *, width: int = 640) -> str:
    """Return what was learned about each cause in dB: before (thin line) and after (thick line with a mark), 90 % intervals."""
    shown = [p for p in calibration.parameters if p.unit == "dB"]
    heading = "What the readings say about each cause"
    if not shown:
        return _empty(heading, width, 160)
    row, left = 20, 170
    height = TOP + row * len(shown) + 56
    reach = max(max(abs(p.low), abs(p.high), NINETY * p.prior_sd) for p in shown) * 1.05

    def x(value: float) -> float:
        return left + (width - left - RIGHT) * (value + reach) / (2 * reach)

    parts = [_line(x(0), TOP - 6, x(0), height - 50, INK)]
    step = 2 if reach < 12 else 5 if reach < 30 else 10
    for tick in ticks(-reach, reach, step):
        parts.append(_line(x(tick), TOP - 6, x(tick), height - 50, FAINT, opacity=0.6))
        parts.append(label(x(tick), height - 36, number(tick), text_anchor="middle"))
    for index, parameter in enumerate(shown):
        parts += _parameter_row(parameter, TOP + row * index + row / 2, x, left)
    parts.append(label(x(0), height - 20, "dB stronger than the engine says", text_anchor="middle"))
    note = "thin grey: believed before · thick: after, 90 % · hollow mark: the readings say next to nothing"
    return _drawing(heading, "", note, parts, {}, width, height)


def write_calibration_charts(calibration: Calibration, folder: Path) -> tuple[Path, ...]:
    """Write all charts into a folder."""
    charts = {
        "measured-against-predicted.svg": predicted_against_measured_svg(calibration),
        "residual-along-distance.svg": residual_along_distance_svg(calibration),
        "residual-on-the-ground.svg": residual_map_svg(calibration),
        "causes.svg": parameters_svg(calibration),
    }
    return tuple(write_text_atomically(folder / name, svg + "\n") for name, svg in charts.items())


def _parameter_row(parameter: Parameter, y: float, x: Callable[[float], float], left: int) -> list[str]:
    """Return one line of the chart of causes."""
    half = NINETY * parameter.prior_sd
    return [
        label(left - 8, y + 4, shortened(parameter.name, 24), text_anchor="end"),
        _line(x(-half), y, x(half), y, "#9a958a"),
        _line(x(parameter.low), y, x(parameter.high), y, "#0072b2", thick=4),
        _mark(
            x(parameter.mean), y, "circle", "#0072b2", hollow=not parameter.informed,
            words=f"{parameter.name}: {number(parameter.mean, 1)} dB, {number(parameter.low, 1)} to {number(parameter.high, 1)} dB",
        ),
    ]  # fmt: skip


def _predicted(fit: FittedLink) -> float:
    """Return the prediction from other places, or after calibration where no place is left."""
    return fit.left_out_dbm if math.isfinite(fit.left_out_dbm) else fit.after_dbm


def _predicted_sd(fit: FittedLink) -> float:
    return fit.left_out_sd_db if math.isfinite(fit.left_out_dbm) else fit.after_sd_db


def _shown_power(fit: FittedLink) -> float:
    """Return the measured power, or the bound of a link that was not heard."""
    if not fit.measured.censored:
        return fit.measured.power_dbm
    return fit.measured.high_dbm if math.isfinite(fit.measured.high_dbm) else fit.measured.low_dbm


def _words(fit: FittedLink) -> str:
    """Return what one mark says when pointed at."""
    link = fit.measured.link
    read = (
        f"not heard (below {number(_shown_power(fit))} dBm)"
        if fit.measured.censored
        else f"measured {number(fit.measured.power_dbm)} dBm"
    )
    packets = fit.measured.packets
    share = (
        f", {packets.received} of {packets.sent} packets ({number(100 * packets.low)} to {number(100 * packets.high)} %)"
        if packets
        else ""
    )
    strange = ", does not go with the others" if fit.suspect else ""
    return (
        f"{link.a} to {link.b}, {metres(link.distance_m)}: {read}{share}, predicted {number(_predicted(fit))} "
        f"± {number(NINETY * _predicted_sd(fit))} dBm, before {number(link.received_dbm)} dBm{strange}"
    )


def _styles(fitted: Sequence[FittedLink]) -> dict[str, tuple[str, str]]:
    """Return colour and shape of each environment."""
    names = sorted({fit.measured.link.environment for fit in fitted})
    return {name: _STYLES[index % len(_STYLES)] for index, name in enumerate(names)}


def _drawing(
    heading: str, summary: str, note: str, parts: Sequence[str], styles: dict[str, tuple[str, str]], width: int, height: int
) -> str:
    """Return the finished drawing with title, key and note."""
    key, at = [], float(LEFT)
    for name, (colour, shape) in styles.items():
        key.append(_mark(at + 5, height - 26, shape, colour))
        key.append(label(at + 14, height - 22, shortened(name, 22)))
        at += 26 + 6.2 * len(shortened(name, 22))
    return (
        f"{head(width, height, heading, aria_label=f'{heading}. {summary}')}{element('desc', text(f'{summary} {note}'))}"
        f"{page(width, height, heading, note, label(12, 34, summary), *parts, *key)}</svg>"
    )


def _empty(heading: str, width: int, height: int) -> str:
    """Return a drawing that says that there is nothing to show."""
    return _drawing(heading, "", "", [notice(width, height, "There are no readings to show.")], {}, width, height)


def _grid(
    frame: _Frame, x_ticks: Sequence[float], y_ticks: Sequence[float], x_words: str, y_words: str, *, distances: bool = False
) -> list[str]:
    """Return grid lines with their figures and what they count."""
    parts = []
    bottom = frame.height - BOTTOM
    for tick in x_ticks:
        at = frame.x(tick)
        words = metres(tick) if distances else number(tick)
        parts.append(_line(at, TOP, at, bottom, FAINT, opacity=0.7))
        parts.append(label(at, bottom + 14, words, text_anchor="middle"))
    for tick in y_ticks:
        at = frame.y(tick)
        parts.append(_line(LEFT, at, frame.width - RIGHT, at, FAINT, opacity=0.7))
        parts.append(label(LEFT - 6, at + 4, number(tick), text_anchor="end"))
    middle = TOP + (bottom - TOP) / 2
    parts.append(label((LEFT + frame.width - RIGHT) / 2, bottom + 30, x_words, text_anchor="middle"))
    parts.append(label(16, middle, y_words, text_anchor="middle", transform=f"rotate(-90 16 {middle:.1f})"))
    return parts


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, *, thick: float = 1, dash: str = "", opacity: float = 1) -> str:
    faint = f"{opacity:g}" if opacity < 1 else None
    ends = float(x1), float(y1), float(x2), float(y2)
    return line(*ends, stroke=colour, stroke_width=f"{thick:g}", stroke_dasharray=dash or None, stroke_opacity=faint)


def _mark(x: float, y: float, shape: str, colour: str, *, hollow: bool = False, words: str = "") -> str:
    """Return one mark; hollow ones are drawn in outline."""
    paint = (
        {"fill": "none", "stroke": colour, "stroke_opacity": "0.7"}
        if hollow
        else {"fill": colour, "stroke": "#ffffff", "stroke_width": "0.6"}
    )
    said = title(words) if words else ""
    if shape == "circle":
        return circle(float(x), float(y), 4, said, **paint)
    corners = {
        "square": ((-3.6, -3.6), (3.6, -3.6), (3.6, 3.6), (-3.6, 3.6)),
        "triangle": ((0, -4.8), (4.4, 3.4), (-4.4, 3.4)),
        "diamond": ((0, -5), (5, 0), (0, 5), (-5, 0)),
        "cross": (
            *((-1.6, -4.6), (1.6, -4.6), (1.6, -1.6), (4.6, -1.6), (4.6, 1.6), (1.6, 1.6)),
            *((1.6, 4.6), (-1.6, 4.6), (-1.6, 1.6), (-4.6, 1.6), (-4.6, -1.6), (-1.6, -1.6)),
        ),
        "bar": ((-5, -2), (5, -2), (5, 2), (-5, 2)),
    }[shape]
    return element("polygon", said, points=points((x + dx, y + dy) for dx, dy in corners), **paint)


def _arrow(x: float, y: float, colour: str) -> str:
    """Return an arrow down from a mark: the truth lies below."""
    return path(f"M{x:.1f},{y + 5:.1f} v11 m-3.5,-4 l3.5,4 l3.5,-4", stroke=colour, stroke_width=1.4)


def _rounded(low: float, high: float, step: float) -> tuple[float, float]:
    """Return limits on whole steps."""
    return math.floor(low / step) * step, math.ceil(high / step) * step


def describe_residuals(calibration: Calibration) -> tuple[str, ...]:
    """Return the table of residuals by environment as sentences."""
    return tuple(
        f"{line.environment} ({count(line.links, 'link')}): {number(line.mean_before_db, 1)} ± {number(line.sd_before_db, 1)} dB "
        f"before, {number(line.mean_after_db, 1)} ± {number(line.sd_after_db, 1)} dB after. {line.sentence}"
        for line in calibration.residuals
    )
