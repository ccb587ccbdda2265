"""Radio classes side by side, for the terminal, for scripts and for a README."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from meshplan.records import Comparison, ComparisonRow
from meshplan.reporting.words import number, percent

HEADINGS = (
    "radio",
    "served",
    "weakest",
    "gateways",
    "relays",
    "cost",
    "a year",
    "rules",
    "air left",
    "cells last",
    "slowest",
    "wiring and supply",
)
"""Columns of the table; `COLUMN_WORDS` says what they mean."""

COLUMN_WORDS = (
    "served: sensors with a route; too rarely where so many collide that fewer readings arrive than was asked. "
    "weakest: chance of the least certain route. cost: gateways, relays, sensors and radio modules. "
    "a year: data, mains power and cells of gateways and relays. "
    "rules: within those of the country, conditional (lawful only if what they ask for is true), or broken. "
    "air left: what is free in the busiest hour, of duty limit or channel. "
    "cells last: until the first sensor's cell is empty. slowest: delay of the slowest route with all tries. "
    "wiring and supply: interface wires beside supply and ground, volts, and what the supply needs."
)

_SHORT = (("a capacitor at the pins", "capacitor"), ("a step-up converter", "step-up"), ("a regulator", "regulator"))


def comparison_text(comparison: Comparison, *, all_settings: bool = False) -> str:
    """Return the table, the advice and the refusals with their reasons."""
    rows = shown_rows(comparison, all_settings=all_settings)
    table = [HEADINGS, *(row_cells(row, comparison) for row in rows)]
    widths = [max(len(line[column]) for line in table) for column in range(len(HEADINGS))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in table]
    blocks = [
        f"{comparison.property_name}, rules: {comparison.country}",
        "\n".join(lines),
        COLUMN_WORDS,
        comparison.recommendation,
    ]
    refused = [row for row in rows if not row.lawful]
    if refused:
        blocks.append("Not lawful:\n" + "\n".join(f"  {row.radio}: {row.rule}" for row in refused))
    conditional = [row for row in rows if row.lawful and row.to_answer_for]
    if conditional:
        shown = "\n".join(
            f"  {', '.join(row.radio for row in conditional if row.condition == words)}: {words}"
            for words in dict.fromkeys(row.condition for row in conditional)
        )
        blocks.append(f"Lawful on a condition (radio_settings.accepts says that you answer for it):\n{shown}")
    unfit = [row for row in rows if row.lawful and row.unfit_for]
    if unfit:
        blocks.append("Not fit for everything here:\n" + "\n".join(f"  {row.radio}: {'; '.join(row.unfit_for)}" for row in unfit))
    blocks.append("A planning aid, not legal advice; check the local table.")
    return "\n\n".join(blocks)


def comparison_markdown(comparison: Comparison) -> str:
    """Return the table and the advice as Markdown; classes that are refused or reach nothing are only named below it."""
    rows = shown_rows(comparison, all_settings=False)
    shown = [row for row in rows if row.served]
    head = f"| {' | '.join(HEADINGS)} |\n|{' --- |' * len(HEADINGS)}"
    lines = [head, *(f"| {' | '.join(row_cells(row, comparison))} |" for row in shown), "", comparison.recommendation]
    for words, names in (
        ("Lawful, but reach no sensor", [row.radio for row in rows if row.lawful and not row.served]),
        (
            "Lawful on a condition only",
            [f"{row.radio} ({', '.join(row.to_answer_for)})" for row in rows if row.lawful and row.to_answer_for],
        ),
        ("Not lawful here", [row.radio if row.served else row.class_key for row in rows if not row.lawful]),
        ("Not fit for the alarms or the control asked for here", [row.radio for row in shown if row.lawful and row.unfit_for]),
    ):
        if names:
            lines += ["", f"{words}: {', '.join(names)}."]
    return "\n".join(lines)


SUMMARY_HEADINGS = (
    "property and rules",
    "take",
    "serves",
    "gateways",
    "relays",
    "cost",
    "weakest route",
    "cells last",
    "next best",
)
"""Columns of the table of recommendations."""


def summary_markdown(comparisons: Mapping[str, Comparison]) -> str:
    """Return one line for each comparison (title → comparison): the recommended class, what it comes to, and the next best."""
    lines = [f"| {' | '.join(SUMMARY_HEADINGS)} |", f"|{' --- |' * len(SUMMARY_HEADINGS)}"]
    for title, comparison in comparisons.items():
        row = next((row for row in comparison.rows if row.radio == comparison.chosen), None)
        if row is None:
            cells = ("no class can be recommended", *("–",) * 6)
        else:
            shown = dict(zip(HEADINGS, row_cells(row, comparison), strict=True))
            take = row.radio + (" (on a condition of the rules)" if row.to_answer_for else "")
            cost = f"{shown['cost']} {comparison.currency}"
            cells = (take, shown["served"], shown["gateways"], shown["relays"], cost, shown["weakest"], shown["cells last"])
        lines.append(f"| {' | '.join((title, *cells, comparison.runner_up or '–'))} |")
    return "\n".join(lines)


def comparison_rows(comparison: Comparison) -> dict[str, Any]:
    """Return all rows for scripts; an unlimited cell life is null."""
    return {
        "property": comparison.property_name,
        "country": comparison.country,
        "recommendation": comparison.recommendation,
        "chosen": comparison.chosen,
        "runner_up": comparison.runner_up,
        "rows": [
            {
                **{name: value for name, value in vars(row).items() if name not in ("unfit_for", "to_answer_for")},
                "battery_years": None if row.battery_years == float("inf") else row.battery_years,
                "unfit_for": list(row.unfit_for),
                "to_answer_for": list(row.to_answer_for),
            }
            for row in comparison.rows
        ],
        "assumptions": list(comparison.assumptions),
    }


def shown_rows(comparison: Comparison, *, all_settings: bool) -> Sequence[ComparisonRow]:
    """Return the rows to show: lawful first, then those that serve most, those without an open condition, the cheapest."""
    rows = [row for row in comparison.rows if all_settings or row.best_of_class]
    return sorted(rows, key=lambda row: (not row.lawful, -row.served, bool(row.to_answer_for), row.cost, row.radio))


def row_cells(row: ComparisonRow, comparison: Comparison) -> tuple[str, ...]:
    """Return a row as words, one for each of `HEADINGS`."""
    mark = " *" if row.radio == comparison.chosen else ""
    if not row.lawful and not row.served:
        return (row.radio, *("–",) * 6, "refused", "–", "–", "–", short_wiring(row))
    return (
        row.radio + mark,
        f"{row.served} of {row.sensors}{f', {row.starved} too rarely' if row.starved else ''}",
        percent(row.weakest_chance) if row.served else "–",
        str(row.gateways),
        str(row.relays),
        number(row.cost, 0),
        number(row.running_cost_per_year, 0),
        ("conditional" if row.to_answer_for else "within") if row.lawful else "broken",
        percent(row.airtime_headroom) if row.airtime_headroom >= 0.0 else "overdrawn",
        "mains" if row.battery_years == float("inf") else f"{number(row.battery_years, 1)} y",
        f"{number(row.latency_s, 1)} s" if row.served else "–",
        short_wiring(row),
    )


def short_wiring(row: ComparisonRow) -> str:
    """Return wires, volts and what the supply needs, in a few words for each radio of the row."""
    words = " / ".join(part.split(". ")[0] for part in row.wiring.split(" / "))
    for full, short in _SHORT:
        words = words.replace(full, short)
    return words
