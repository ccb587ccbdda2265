"""What a calibration taught, for scripts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from meshplan.records.measurement import Calibration, VerdictChange, Walk


def calibration_summary(
    calibration: Calibration, changes: Sequence[VerdictChange], walk: Walk | None, files: Sequence[Path]
) -> dict[str, object]:
    """Return parameters, errors, changed verdicts and next places as plain values."""
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
