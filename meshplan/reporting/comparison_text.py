"""Radio classes side by side, for the terminal, for scripts and for a README."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from meshplan.records import Comparison, ComparisonRow
from meshplan.reporting.words import number, percent

HEADINGS = ("radio", "served", "weakest", "gateways", "relays", "cost", "rules", "air used", "cells last", "slowest", "wiring")


def comparison_text(comparison: Comparison, *, all_settings: bool = False) -> str:
    """Return the table, the advice and the refusals with their reasons."""
    rows = _shown(comparison, all_settings)
    table = [HEADINGS, *(_cells(row, comparison) for row in rows)]
    widths = [max(len(line[column]) for line in table) for column in range(len(HEADINGS))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip() for line in table]
    blocks = [f"{comparison.property_name}, rules: {comparison.country}", "\n".join(lines), comparison.recommendation]
    refused = [row for row in rows if not row.lawful]
    if refused:
        blocks.append("Refused:\n" + "\n".join(f"  {row.radio}: {row.rule}" for row in refused))
    unfit = [row for row in rows if row.lawful and row.unfit_for]
    if unfit:
        blocks.append("Not fit for everything here:\n" + "\n".join(f"  {row.radio}: {'; '.join(row.unfit_for)}" for row in unfit))
    blocks.append("A planning aid, not legal advice; check the local table.")
    return "\n\n".join(blocks)


def comparison_markdown(comparison: Comparison) -> str:
    """Return the table and the advice as Markdown."""
    head = f"| {' | '.join(HEADINGS)} |\n|{' --- |' * len(HEADINGS)}"
    rows = [f"| {' | '.join(_cells(row, comparison))} |" for row in _shown(comparison, all_settings=False)]
    return "\n".join([head, *rows, "", comparison.recommendation])


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
                **{name: value for name, value in vars(row).items() if name != "unfit_for"},
                "battery_years": None if row.battery_years == float("inf") else row.battery_years,
                "unfit_for": list(row.unfit_for),
            }
            for row in comparison.rows
        ],
        "assumptions": list(comparison.assumptions),
    }


def _shown(comparison: Comparison, all_settings: bool) -> Sequence[ComparisonRow]:
    rows = [row for row in comparison.rows if all_settings or row.best_of_class]
    return sorted(rows, key=lambda row: (not row.lawful, -row.served, row.cost, row.radio))


def _cells(row: ComparisonRow, comparison: Comparison) -> tuple[str, ...]:
    mark = " *" if row.radio == comparison.chosen else ""
    if not row.lawful and not row.served:
        return (row.radio, *("–",) * 5, "refused", "–", "–", "–", row.wiring.split(". ")[0])
    return (
        row.radio + mark,
        f"{row.served} of {row.sensors}",
        percent(row.weakest_chance) if row.served else "–",
        str(row.gateways),
        str(row.relays),
        number(row.cost, 0),
        "within" if row.lawful else "broken",
        percent(row.duty_share_of_limit) if row.duty_share_of_limit >= 0.005 else "under 1 %",
        "mains" if row.battery_years == float("inf") else f"{number(row.battery_years, 1)} y",
        f"{number(row.latency_s, 1)} s" if row.served else "–",
        row.wiring.split(". ")[0],
    )
