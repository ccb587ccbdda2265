"""A link's budget as a plain table that a friend can add up by hand, and what it means in sentences."""

from __future__ import annotations

import math
import textwrap
from collections import Counter

from meshplan.propagation.seasons import season_words
from meshplan.records import VERDICT_WORDS, BudgetItem, Link, Plan
from meshplan.reporting.words import bearing, care_of, count, metres, number, opposite, percent, shortened

WIDTH = 80
LEAST_NAME_WIDTH = 40
CELL_WIDTH = 10


def profile_text(link: Link, plan: Plan | None = None) -> str:
    """Return the budget both ways in every season, the clearance and the verdict, ready for a terminal."""
    head = f"{link.a} to {link.b}"
    lines = [
        head,
        "=" * min(len(head), WIDTH),
        f"{metres(link.distance_m)} apart; from {link.a} look {bearing(link.bearing_deg)}, "
        f"from {link.b} look {bearing(opposite(link.bearing_deg))}.",
        f"Antennas {metres(link.antenna_a_agl_m)} and {metres(link.antenna_b_agl_m)} above ground; "
        f"{number(link.frequency_mhz, 1)} MHz.",
        "",
        *budget_lines(link, forward=True),
        "",
        *budget_lines(link, forward=False),
        "",
        *_wrapped(clearance_sentence(link)),
        *_wrapped(verdict_sentence(link)),
    ]
    if link.causes:
        lines += ["", "What costs most: " + "; ".join(link.causes) + "."]
    if link.remedies:
        lines += ["", "What would help:"]
        lines += [
            line
            for remedy in link.remedies
            for line in _wrapped(
                f"{remedy.change} ({remedy.device}): {number(remedy.gain_db, 1)} dB more, "
                f"then a chance of {percent(remedy.chance_after)}{'' if remedy.suffices else ', not enough alone'}",
                indent="  - ",
            )
        ]
        care = care_of(link.remedies)
        lines += ["", "Before you raise anything:"] if care else []
        lines += [line for words in care for line in _wrapped(words, indent="  - ")]
    if link.notes:
        lines += ["", *(line for note in link.notes for line in _wrapped(note, indent="  - "))]
    if plan is not None and plan.assumptions:
        lines += ["", f"The plan rests on {count(len(plan.assumptions), 'assumption')}; its report names all."]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def clearance_sentence(link: Link) -> str:
    """Return what the engine says about the path, with the place of the tightest point."""
    return f"Clearance: {link.clearance.sentence}"


def verdict_sentence(link: Link) -> str:
    """Return the verdict in words with the figures it rests on."""
    words = ("" if link.verdict == "not sure" else "it ") + VERDICT_WORDS[link.verdict]
    if math.isnan(link.margin_db):
        return f"Verdict: {link.verdict}, {words}. {link.sentence}"
    failing = f" First month below what is asked: {season_words(link.first_failing_month)}." if link.first_failing_month else ""
    return (
        f"Verdict: {link.verdict}, {words}. Chance {percent(link.chance)} in the worst season ({season_words(link.worst_season)}), "
        f"in the weaker direction: {number(link.margin_db, 1)} dB over the limit, of which "
        f"{number(link.fade_margin_db, 1)} dB are kept for fading. {link.sentence}{failing}"
    )


def budget_rows(link: Link, *, forward: bool) -> list[tuple[str, tuple[float | None, ...]]]:
    """Return the lines of one direction: a name and its signed dB in each season, None where it does not occur.

    Every figure is rounded to 0.1 dB; a line "rounding" makes them add up to the received power that stands below.
    """
    gains = link.gains_a_to_b if forward else link.gains_b_to_a
    seasons = [_numbered((*gains, *result.losses)) for result in link.seasons]
    names = list(dict.fromkeys(name for items in seasons for name in items))
    rows = [(name[0], tuple(_tenth(items.get(name)) for items in seasons)) for name in names]
    totals = [_tenth(result.received_at_b_dbm if forward else result.received_at_a_dbm) for result in link.seasons]
    rests = tuple(
        None if total is None else round(total - sum(cells[i] or 0.0 for _, cells in rows), 1) for i, total in enumerate(totals)
    )
    if any(rests):
        largest = 0.05 * (len(rows) + 1)
        name = "rounding" if all(abs(rest or 0.0) <= largest + 0.05 for rest in rests) else "not itemised"
        rows.append((name, rests))
    return rows


def budget_lines(link: Link, *, forward: bool) -> list[str]:
    """Return one direction as a table: its lines, the received power, the limit, the margin, the chance."""
    sender, receiver = (link.a, link.b) if forward else (link.b, link.a)
    results = link.seasons
    received = [result.received_at_b_dbm if forward else result.received_at_a_dbm for result in results]
    margins = [result.margin_at_b_db if forward else result.margin_at_a_db for result in results]
    limit = link.sensitivity_b_dbm if forward else link.sensitivity_a_dbm
    room = max(LEAST_NAME_WIDTH, WIDTH - 2 - CELL_WIDTH * len(results))
    rule = f"  {'-' * (room + CELL_WIDTH * len(results))}"
    title = f"From {sender} to {receiver}, dB"
    return [
        _line(room, title, [season_words(result.season) for result in results], indent=""),
        *(_line(room, name, [_signed(cell) for cell in cells]) for name, cells in budget_rows(link, forward=forward)),
        rule,
        _line(room, "= power received, dBm", [number(level, 1) for level in received]),
        _line(room, "  least the receiver needs, dBm", [number(limit, 1)] * len(results)),
        _line(room, "= over the limit (margin), dB", [number(margin, 1) for margin in margins]),
        _line(room, "  spread of the forecast, ± dB", [number(result.spread.total_db, 1) for result in results]),
        _line(room, "  asked for in the worst season, dB", ["", *[""] * (len(results) - 2), number(link.required_margin_db, 1)])
        if len(results) > 1
        else _line(room, "  asked for, dB", [number(link.required_margin_db, 1)]),
    ]


def _numbered(items: tuple[BudgetItem, ...]) -> dict[tuple[str, int], float]:
    """Return signed dB by name and its how-manieth occurrence, so that two woods stay two lines."""
    seen: Counter[str] = Counter()
    values: dict[tuple[str, int], float] = {}
    for item in items:
        values[item.name, seen[item.name]] = item.signed_db
        seen[item.name] += 1
    return values


def _tenth(value: float | None) -> float | None:
    return None if value is None or math.isnan(value) else round(value, 1)


def _signed(value: float | None) -> str:
    if value is None:
        return "."
    return f"+{value:.1f}" if value > 0 else number(value, 1) if value < 0 else "0.0"


def _line(width: int, name: str, cells: list[str], *, indent: str = "  ") -> str:
    room = width + 2 - len(indent)
    return f"{indent}{shortened(name, room) if indent == '' else _fitted(name, room):<{room}}" + "".join(
        f"{shortened(cell, CELL_WIDTH - 1):>{CELL_WIDTH}}" for cell in cells
    )


def _fitted(name: str, room: int) -> str:
    """Return a name that keeps its leading blanks and fits."""
    flat = name.replace("\n", " ").replace("\t", " ")
    return flat if len(flat) < room else f"{flat[: room - 2]}…"


def _wrapped(words: str, indent: str = "") -> list[str]:
    return textwrap.wrap(words, WIDTH, initial_indent=indent, subsequent_indent=" " * len(indent))
