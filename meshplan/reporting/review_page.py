"""A review as one page: what needs attention, a calendar of the network, a chart of each device; offline, and for paper."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Final

import numpy as np

from meshplan.records.review import DeviceReview, Review
from meshplan.reporting.files import write_text_atomically
from meshplan.reporting.paper import paper_page
from meshplan.reporting.svg import box, element, head, label, line, path, ticks, title
from meshplan.reporting.words import number, percent, shortened, text
from meshplan.review.days import DAY_S
from meshplan.review.expect import planned_level_dbm
from meshplan.review.findings import MONTHS, day_words
from meshplan.review.outlook import PROBABLY_FAILS
from meshplan.units import Array

WIDTH: Final = 760
LEFT: Final = 130
MOST_COLUMNS: Final = 130
"""Of the calendar; more days than this are shown by the week, and more weeks by several."""
STATES: Final = (
    ("nothing heard", "#23211c"),
    ("over 30 % lost", "#8c0f2b"),
    ("10 to 30 % lost", "#d98c5f"),
    ("3 to 10 % lost", "#ecd9b0"),
    ("under 3 % lost", "#cfe0d4"),
    ("before its first packet", "#ffffff"),
)
"""From dark to pale in this order, so that they stay apart in print without colour."""
BLUE, RED, SOFT = "#0072b2", "#8c0f2b", "#9a958a"


def write_review_page(review: Review, path: Path) -> Path:
    """Write the page."""
    return write_text_atomically(path, review_page(review))


def review_page(review: Review) -> str:
    """Return the page of a review."""
    lead = "Nothing needs attention." if not review.findings else f"{_several(len(review.findings))} attention, worst first."
    parts = [
        f'<main><header><p class="kicker">Review of a running network</p><h1 class="name">{text(review.property_name)}</h1>'
        f'<p class="lead">{lead}</p><p>{number(review.rows)} rows, {day_words(review.first_s)} to {day_words(review.last_s)}: '
        f"{text(', '.join(review.files))}.</p></header>",
        _findings(review),
        f"<h2>Calendar</h2><figure>{calendar_svg(review)}<figcaption>{_key()}</figcaption></figure>",
        _table(review),
        _outlook(review),
        f"<h2>Devices</h2>{''.join(_device(each, review) for each in review.devices)}",
        _list("What this review cannot see", review.blind),
        _list("Noticed in the logs", review.notes),
        "</main>",
    ]
    return paper_page(f"Review: {review.property_name}", "\n".join(parts), "report.css")


def _several(count: int) -> str:
    return "One thing needs" if count == 1 else f"{count} things need"


def _findings(review: Review) -> str:
    if not review.findings:
        return ""
    rows = "".join(
        f"<li><strong>{text(each.sentence)}</strong><br>Check first: {text(each.check_first)}</li>" for each in review.findings
    )
    return f"<h2>What needs attention</h2><ol>{rows}</ol>"


def _list(heading: str, sentences: tuple[str, ...]) -> str:
    if not sentences:
        return ""
    return f"<h2>{heading}</h2><ul>{''.join(f'<li>{text(sentence)}</li>' for sentence in sentences)}</ul>"


def _key() -> str:
    return "; ".join(
        f'<span class="nowrap"><span style="background: {colour}; border: 1px solid {SOFT}; padding: 0 .5em; '
        f'print-color-adjust: exact">&#8199;</span> {words}</span>'
        for words, colour in STATES
    )


def calendar_svg(review: Review) -> str:
    """Return what was heard of every device on every day, or week, of the log."""
    days = max((each.days.days for each in review.devices), default=1)
    group = 1 if days <= MOST_COLUMNS else 7 * math.ceil(days / 7 / MOST_COLUMNS)
    columns = math.ceil(days / group)
    cell = (WIDTH - LEFT - 6) / columns
    top, row = 26, 16
    parts = []
    first = review.devices[0].days.first_day if review.devices else int(review.first_s // DAY_S)
    for day in range(days):
        date = np.datetime64(first + day, "D").astype(object)
        if date.day == 1 or day == 0:
            words = MONTHS[date.month - 1] + (f" {date.year}" if date.month == 1 or day == 0 else "")
            if day == 0 and days > 40 and date.day > 10:
                continue
            parts.append(label(LEFT + day / group * cell, 18, words, font_size=9))
    for number_, each in enumerate(review.devices):
        y = top + number_ * row
        parts.append(label(LEFT - 6, y + 11, shortened(each.expected.name, 20), text_anchor="end", font_size=10))
        states = day_states(each)
        for column in range(columns):
            part = states[column * group : (column + 1) * group]
            state = int(part.min()) if group == 1 else int(np.median(part))
            said = f"{each.expected.name}, {day_words((first + column * group) * DAY_S)}: {STATES[state][0]}"
            parts.append(
                element(
                    "rect", title(said), x=LEFT + column * cell, y=float(y), width=max(cell - 0.4, 0.6), height=13.0,
                    fill=STATES[state][1], stroke="#e3ddcd", stroke_width="0.3",
                )
            )  # fmt: skip
    height = top + max(len(review.devices), 1) * row + 6
    return f"{head(WIDTH, height, 'Calendar of the network')}{''.join(parts)}</svg>"


def day_states(each: DeviceReview) -> Array:
    """Return for each day its state as a place in `STATES`."""
    share = each.days.loss_share
    state = np.full(each.days.days, 4)
    for limit, place in ((0.03, 3), (0.10, 2), (0.30, 1)):
        state[np.nan_to_num(share) > limit] = place
    state[each.days.heard == 0] = 0
    heard = np.flatnonzero(each.days.heard)
    state[: heard[0] if len(heard) else 0] = 5
    return state


def _table(review: Review) -> str:
    rows = "".join(
        f'<tr><th scope="row" class="name">{text(each.expected.name)}</th><td>{text(each.days.receiver)}</td>'
        f'<td class="num">{number(each.counters.packets)}</td><td class="num nowrap">{percent(each.loss_share)}</td>'
        f'<td class="num nowrap">{_figure(each.level_dbm, "dBm")}</td>'
        f'<td class="num nowrap">{_figure(each.correction_db, "dB")}</td>'
        f'<td class="num">{each.counters.reboots}</td></tr>'
        for each in review.devices
    )
    return (
        '<div class="wide"><table><caption>Devices, last four weeks</caption><thead><tr><th scope="col">Device</th>'
        '<th scope="col">Heard by</th><th scope="col" class="num">Packets in all</th><th scope="col" class="num">Lost</th>'
        '<th scope="col" class="num">Level</th><th scope="col" class="num">Against plan</th>'
        f'<th scope="col" class="num">Restarts</th></tr></thead><tbody>{rows}</tbody></table></div>'
    )


def _figure(value: float, unit: str) -> str:
    return f"{number(value, 0)} {unit}" if math.isfinite(value) else "not known"


def _outlook(review: Review) -> str:
    shown = [each for each in review.devices if each.outlook]
    if not shown:
        return ""
    months = "".join(f'<th scope="col">{MONTHS[month.month - 1]}</th>' for month in shown[0].outlook)
    rows = "".join(
        f'<tr><th scope="row" class="name">{text(each.expected.name)}</th>'
        + "".join(f"<td>{_mark(month.chance, month.holds)}</td>" for month in each.outlook)
        + "</tr>"
        for each in shown
    )
    return (
        "<h2>The months to come</h2><p>The plan's seasons corrected by what was measured: holds (●), not sure (○), will probably "
        "fall "
        f'under its need (✗).</p><div class="wide"><table><thead><tr><th scope="col">Link of</th>{months}</tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _mark(chance: float, holds: bool) -> str:
    mark, words = (
        ("●", "holds") if holds else ("✗", "will probably fall under its need") if chance < PROBABLY_FAILS else ("○", "not sure")
    )
    return f'<span title="{words}: {percent(chance)}">{mark}</span>'


def _device(each: DeviceReview, review: Review) -> str:
    mine = [finding for finding in review.findings if each.expected.name in (finding.device, *finding.others)]
    said = "".join(f"<li>{text(finding.sentence)}</li>" for finding in mine)
    cell = f"<p>Cells: {text(each.cell_words)}</p>" if each.cell_words else ""
    return (
        f'<h3 class="name">{text(each.expected.name)}</h3>{f"<ul>{said}</ul>" if said else ""}<figure>{device_svg(each)}'
        f"<figcaption>{text(_counter_words(each))}</figcaption></figure>{cell}"
    )


def _counter_words(each: DeviceReview) -> str:
    story = each.counters
    counted = (
        f"counter of {story.bits} bits: {story.reboots} restarts, {story.wraps} times round, {story.jumps} jumps"
        if story.bits
        else "no counter"
    )
    unsure = f", {story.uncountable} gaps too long to count" if story.uncountable else ""
    return f"{story.packets} packets, {story.lost} lost, {story.duplicates} heard twice; {counted}{unsure}."


def device_svg(each: DeviceReview) -> str:
    """Return signal, loss and cell voltage of a device by day; planned level and need as lines."""
    days = each.days
    planned = planned_level_dbm(each.expected, days.first_day, days.days)
    strips = [
        ("signal, dBm", days.power_dbm, planned, each.expected.needed_dbm),
        ("lost, %", 100 * days.loss_share, None, math.nan),
    ]
    if np.isfinite(days.cell_v).any():
        strips.append(("cells, V", days.cell_v, None, math.nan))
    height, parts = 70, []
    for number_, (words, values, plan, need) in enumerate(strips):
        parts += _strip(words, values, plan, need, 12 + number_ * (height + 16), height, days.first_day)
    return f"{head(WIDTH, len(strips) * (height + 16) + 26, f'{each.expected.name} by day')}{''.join(parts)}</svg>"


def _strip(words: str, values: Array, plan: Array | None, need: float, top: float, height: float, first_day: int) -> list[str]:
    known = [
        v for v in (*values[np.isfinite(values)], *(plan[np.isfinite(plan)] if plan is not None else ()), need) if np.isfinite(v)
    ]
    low, high = (min(known), max(known)) if known else (0.0, 1.0)
    step = 5.0 if high - low > 8 else 1.0
    low, high = math.floor(low / step) * step, max(math.ceil(high / step) * step, math.floor(low / step) * step + step)

    def x(day: float) -> float:
        return LEFT + (WIDTH - LEFT - 6) * day / max(len(values) - 1, 1)

    def y(value: float) -> float:
        return top + height * (high - value) / (high - low)

    parts = [box(LEFT, top, WIDTH - LEFT - 6, height, fill="none", stroke="#c9c5bb"), label(6, top + 12, words)]
    for tick in ticks(low, high, (high - low) if high - low <= 2 else max(step, 5.0 * math.ceil((high - low) / 20.0))):
        parts.append(line(LEFT, y(tick), WIDTH - 6, y(tick), stroke="#e3ddcd"))
        parts.append(label(LEFT - 6, y(tick) + 4, number(tick), text_anchor="end", font_size=9))
    for day in range(len(values)):
        date = np.datetime64(first_day + day, "D").astype(object)
        if date.day == 1 and (len(values) < 500 or date.month % 3 == 1):
            parts.append(label(x(day), top + height + 11, MONTHS[date.month - 1], font_size=9))
            parts.append(line(x(day), top + height, x(day), top + height + 3, stroke=SOFT))
    if plan is not None:
        parts.append(_curve(plan, x, y, SOFT, "4 3"))
    if math.isfinite(need):
        parts.append(line(LEFT, y(need), WIDTH - 6, y(need), title("what the link needs"), stroke=RED, stroke_dasharray="2 3"))
    parts.append(_curve(values, x, y, BLUE, None))
    return parts


def _curve(values: Array, x: object, y: object, colour: str, dash: str | None) -> str:
    """Return a line through the days that have a figure, broken where some are missing."""
    assert callable(x)
    assert callable(y)
    steps, pen = "", "M"
    for day, value in enumerate(values):
        if not math.isfinite(value):
            pen = "M"
            continue
        steps += f"{pen}{x(day):.1f} {y(value):.1f}"
        if pen == "M":
            steps += "h0.8"
        pen = "L"
    return path(steps, stroke=colour, stroke_width="1.2", stroke_dasharray=dash) if steps else ""
