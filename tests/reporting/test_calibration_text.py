"""The calibration in words."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from meshplan.calibration.calibrate import calibrate
from meshplan.records.measurement import NextPlace, PlaceToStand, VerdictChange, Walk
from meshplan.reporting.calibration_text import calibration_text, changes_text, walk_text

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))
from invented_readings import Truth, measure, property_links, true_power_dbm


def test_a_calibration_tells_errors_causes_and_doubts() -> None:
    rng = np.random.default_rng(3)
    links = property_links(rng, sensors=9)
    result = calibrate(measure(links, true_power_dbm(links, Truth(orchard_db=7.0), rng), rng))
    written = calibration_text(result)
    assert written.startswith("27 readings: 27 links.\n")
    assert f"Each of 9 places left out in turn: predicted to {result.left_out.error_db:.1f} dB" in written  # type: ignore[union-attr]
    for line in result.residuals:
        assert f"  {line.environment}" in written
    assert all(warning in written for warning in result.warnings)


def test_no_readings_are_told() -> None:
    assert "There are no readings: everything stays as the engine says." in calibration_text(calibrate([]))


def test_changes_are_counted_for_better_and_worse() -> None:
    change = VerdictChange("a", "S1", "House", "thin", "good", 5, 9, 0.6, 0.9, 8, 5, True, "S1 to House: better.")
    assert changes_text([]) == "No verdict changed.\n"
    assert changes_text([change]) == "1 verdict changed: 1 for the better, 0 for the worse.\n  + S1 to House: better.\n"


def test_a_walk_is_told_in_walking_order() -> None:
    stop = NextPlace(PlaceToStand("gate", 0.0, 0.0, ()), 0.3, ("k",), "Measure at gate: it settles 30 % of what is open.")
    written = walk_text(Walk((stop,), ((0.0, 0.0),), 420.0, 0.3, 1.0, ("2 places lie outside the boundary.",)))
    assert written == (
        "Measure next at 1 place, a round of 420 m. Together they are expected to save 30 % of the wrong decisions still open.\n"
        "  1. Measure at gate: it settles 30 % of what is open.\n"
        "2 places lie outside the boundary.\n"
    )
    assert walk_text(Walk((), (), 0, 0, 0)) == "There is nowhere to measure.\n"
