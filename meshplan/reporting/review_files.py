"""A review as tables: findings, devices, and readings that `meshplan calibrate` takes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any, Final

from meshplan.records.review import DeviceReview, Review
from meshplan.reporting.files import csv_text, write_text_atomically
from meshplan.reporting.words import number
from meshplan.review.findings import day_words

FINDING_COLUMNS: Final = ("rank", "kind", "device", "others", "since", "sentence", "check_first")
DEVICE_COLUMNS: Final = (
    "device", "receiver", "packets", "lost", "loss_share_4_weeks", "duplicates", "reboots", "wraps", "jumps", "not_countable",
    "counter_bits", "interval_s", "planned_interval_s", "level_4_weeks_dbm", "against_plan_db", "needed_dbm", "first_failing_month",
    "cells", "last_packet",
)  # fmt: skip
READING_COLUMNS: Final = ("a", "b", "date_time", "month", "power_dbm", "rssi_dbm", "snr_db", "sent", "received", "note")
MONTHS: Final = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def write_review_tables(review: Review, folder: Path) -> tuple[Path, ...]:
    """Write findings.csv, devices.csv and readings.csv into a folder."""
    tables = {
        "findings": (FINDING_COLUMNS, _finding_rows(review)),
        "devices": (DEVICE_COLUMNS, [_device_row(each) for each in review.devices]),
        "readings": (READING_COLUMNS, _reading_rows(review)),
    }
    return tuple(write_text_atomically(folder / f"{name}.csv", csv_text(*table)) for name, table in tables.items())


def review_text(review: Review) -> str:
    """Return a review as plain text for the command line."""
    lines = [_head(review), ""]
    if not review.findings:
        lines.append("Nothing needs attention.")
    for rank, finding in enumerate(review.findings, start=1):
        lines += [f"{rank}. {finding.sentence}", f"   Check first: {finding.check_first}"]
    for title, sentences in (("What this review cannot see", review.blind), ("Noticed in the logs", review.notes)):
        if sentences:
            lines += ["", title, *(f"  - {sentence}" for sentence in sentences)]
    return "\n".join(lines) + "\n"


def review_summary(review: Review, files: tuple[Path, ...]) -> dict[str, object]:
    """Return a review as plain values for scripts."""
    return {
        "property": review.property_name,
        "from": day_words(review.first_s),
        "until": day_words(review.last_s),
        "rows": review.rows,
        "attention": bool(review.findings),
        "findings": [
            {
                "kind": finding.kind,
                "device": finding.device,
                "others": list(finding.others),
                "since": day_words(finding.since_s),
                "sentence": finding.sentence,
                "check_first": finding.check_first,
                "figures": finding.figures,
            }
            for finding in review.findings
        ],
        "devices": [dict(zip(DEVICE_COLUMNS, _device_row(each), strict=True)) for each in review.devices],
        "never_heard": list(review.unheard),
        "cannot_see": list(review.blind),
        "notes": list(review.notes),
        "files": [str(path) for path in files],
    }


def _head(review: Review) -> str:
    rows = number(review.rows)
    devices = len(review.devices)
    return (
        f"{rows} rows of {devices} device{'s' * (devices != 1)} of {review.property_name}, {day_words(review.first_s)} to "
        f"{day_words(review.last_s)} ({', '.join(review.files)})."
    )


def _finding_rows(review: Review) -> list[list[Any]]:
    return [
        [rank, each.kind, each.device, "; ".join(each.others), day_words(each.since_s), each.sentence, each.check_first]
        for rank, each in enumerate(review.findings, start=1)
    ]


def _device_row(each: DeviceReview) -> list[Any]:
    story = each.counters
    failing = next((MONTHS[month.month - 1] for month in each.outlook if not month.holds), "")
    return [
        each.expected.name, each.days.receiver, story.packets, story.lost, _rounded(each.loss_share, 4), story.duplicates,
        story.reboots, story.wraps, story.jumps, story.uncountable, story.bits, _rounded(story.interval_s, 2),
        each.expected.interval_s, _rounded(each.level_dbm, 1), _rounded(each.correction_db, 1),
        _rounded(each.expected.needed_dbm, 1), failing, each.cell_words, day_words(each.days.last_s),
    ]  # fmt: skip


def _reading_rows(review: Review) -> list[list[Any]]:
    """Return one reading for each link and month.

    A strength with a signal-to-noise ratio stands under rssi_dbm, from which `calibrate` takes the noise.
    """
    rows = []
    for each in review.devices:
        for month in each.months:
            both = math.isfinite(month.power_dbm) and math.isfinite(month.snr_db)
            rows.append(
                [
                    month.a, month.b, f"{month.year}-{month.month:02d}-15", month.month,
                    "" if both else _rounded(month.power_dbm, 1), _rounded(month.power_dbm, 1) if both else "",
                    _rounded(month.snr_db, 1), month.sent, month.received, "median of the month, meshplan review",
                ]
            )  # fmt: skip
    return rows


def _rounded(value: float, digits: int) -> float | str:
    return round(value, digits) + 0.0 if math.isfinite(value) else ""
