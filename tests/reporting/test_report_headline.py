"""The first lines of the report count what the terminal counts: second routes that are lacking, and one sensor as one."""

from __future__ import annotations

import re
from pathlib import Path

from small_property import lay_small_property, usual_sites

from meshplan.reporting.report import write_report
from meshplan.workflow import plan_property


def test_the_headline_counts_missing_second_routes_beside_sensors_that_are_not_served(tmp_path: Path) -> None:
    """The trough hangs on South post alone; nobody hears the pond behind a wall of steel."""
    pond = {"name": "Pond", "role": "sensor", "x": 590, "y": 590, "antenna_agl_m": 0.1, "purpose": "trend", "indoors": "steel_lid"}
    rows = [row for row in usual_sites() if row["name"] != "North post"]
    settings = 'requirement.second_route = "any one relay"\ngenerate_relays = 0\n'
    folder = lay_small_property(tmp_path / "holding", sites=[*rows, pond], settings=settings)
    plan = plan_property(folder, radio="fsk-868-500k").plan
    assert [miss.sensor for miss in plan.unserved] == ["Pond"]
    assert [miss.sensor for miss in plan.single_routes] == ["Trough"]
    page = write_report(plan, tmp_path / "report.html").read_text(encoding="utf-8")
    words = re.sub(r"<[^>]+>", "", page)
    assert "2 of 3 sensors are served, 1 of them without the second route that was asked for, 1 not." in words
    assert "Without South post, 1 sensor loses service: Trough." in words
    assert "1 sensor lose " not in words
