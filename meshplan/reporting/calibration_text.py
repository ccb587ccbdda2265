"""What a calibration taught, in the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from meshplan.measurement_records import Calibration, VerdictChange, Walk
from meshplan.reporting.calibration_charts import describe_residuals
from meshplan.reporting.words import number

MOST_CHANGES = 12
MOST_LEARNED = 8


def calibration_text(calibration: Calibration, changes: Sequence[VerdictChange], walk: Walk | None, files: Sequence[Path]) -> str:
    """Return the calibration as text: readings, what was learned, how far to trust it, changed verdicts, where to go next."""
    blocks = [
        f"{calibration.property_name}: {calibration.readings} readings, {calibration.heard} links heard, "
        f"{calibration.not_heard} tried and not heard",
        _lines("Measured minus predicted, by surroundings:", describe_residuals(calibration)),
        _lines("Learned (90 % interval):", _learned(calibration)),
        _trust(calibration),
        _lines("Mind:", calibration.warnings),
        _lines("Verdicts that changed:", [change.sentence for change in changes[:MOST_CHANGES]] or ["none"]),
        _walk(walk),
        _lines("Written:", [str(path) for path in files]),
        "Plan with it: meshplan plan FOLDER --calibrated",
    ]
    return "\n\n".join(block for block in blocks if block)


def calibration_summary(
    calibration: Calibration, changes: Sequence[VerdictChange], walk: Walk | None, files: Sequence[Path]
) -> dict[str, Any]:
    """Return the calibration for scripts."""
    left = calibration.left_out
    return {
        "property": calibration.property_name,
        "readings": calibration.readings,
        "parameters": [
            {"name": p.name, "unit": p.unit, "mean": p.mean, "low": p.low, "high": p.high, "informed": p.informed}
            for p in calibration.parameters
        ],
        "left_out_error_db": None if left is None else left.error_db,
        "left_out_error_over_readings_db": None if left is None else left.error_over_readings_db,
        "distance_only_over_readings_db": None if left is None else left.distance_only_over_readings_db,
        "warnings": list(calibration.warnings),
        "changes": [{"link": c.key, "before": c.before, "after": c.after, "sentence": c.sentence} for c in changes],
        "next_places": [] if walk is None else [stop.place.name for stop in walk.stops],
        "files": [str(path) for path in files],
    }


def _lines(heading: str, lines: Sequence[str]) -> str:
    return heading + "\n" + "\n".join(f"  {line}" for line in lines) if lines else ""


def _learned(calibration: Calibration) -> list[str]:
    informed = [parameter for parameter in calibration.parameters if parameter.informed]
    informed.sort(key=lambda p: (-abs(p.mean) / max(p.sd, 1e-9), p.name))
    lines = []
    for p in informed[:MOST_LEARNED]:
        decimals = 1 if p.unit == "dB" else 2
        span = f"{number(p.low, decimals)} to {number(p.high, decimals)}"
        lines.append(f"{p.name}: {number(p.mean, decimals)} {p.unit} ({span}): {p.meaning}")
    if len(informed) > MOST_LEARNED:
        lines.append(f"and {len(informed) - MOST_LEARNED} more, nearer to nothing, in calibration.toml")
    return lines


def _trust(calibration: Calibration) -> str:
    left = calibration.left_out
    if left is None:
        return ""
    return (
        f"Left-out places ({left.locations}): error {number(left.error_db, 1)} dB over links, "
        f"{number(left.error_over_readings_db, 1)} dB over readings; before calibration {number(left.before_db, 1)} dB; "
        f"a plain fit on distance with one offset a station {number(left.distance_only_over_readings_db, 1)} dB over readings."
    )


def _walk(walk: Walk | None) -> str:
    if walk is None or not walk.stops:
        return ""
    stops = [f"{i}. {stop.place.name}: {stop.sentence}" for i, stop in enumerate(walk.stops, start=1)]
    return _lines(f"Measure next ({number(walk.length_m, 0)} m to walk):", [*stops, *walk.notes])
