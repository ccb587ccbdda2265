"""Simulated days as files: simulation.json and three tables."""

from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path
from typing import Any

from meshplan.records.codec import json_text, record_to_values, rounded
from meshplan.records.simulation import SimulatedDay, SimulatedDevice, SimulatedRoute, SimulationRecord
from meshplan.reporting.files import csv_text, write_text_atomically

TABLES: dict[str, tuple[str, type]] = {
    "sensors": ("routes", SimulatedRoute),
    "devices": ("devices", SimulatedDevice),
    "days": ("days", SimulatedDay),
}


def write_simulation_files(record: SimulationRecord, folder: Path) -> tuple[Path, ...]:
    """Write the record as JSON and one table each for sensors, devices and days; return their paths."""
    files = [write_text_atomically(folder / "simulation.json", json_text(simulation_document(record)))]
    for name, (part, kind) in TABLES.items():
        header = ("way", *(one.name for one in fields(kind)))
        rows = [(run.way, *_cells(each)) for run in record.runs for each in getattr(run, part)]
        files.append(write_text_atomically(folder / "tables" / f"simulation_{name}.csv", csv_text(header, rows)))
    return tuple(files)


def simulation_document(record: SimulationRecord) -> dict[str, Any]:
    """Return the record as JSON values with a head that says what it is."""
    return {"format": "meshplan simulation", "format_version": 1, **record_to_values(record)}


def _cells(row: Any) -> list[object]:
    values = [(one.name, getattr(row, one.name)) for one in fields(row)]
    return [_number(value, name) if isinstance(value, float) else value for name, value in values]


def _number(value: float, name: str) -> float | None:
    return rounded(value, name) if math.isfinite(value) else None
