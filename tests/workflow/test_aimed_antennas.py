"""Aimed antennas from sites.csv to the sheet: one meaning of tilt, partners by name, and two devices at one place."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
import small_property
from small_property import Rows, changed, lay_small_property, usual_sites

from meshplan.records import Link, Plan
from meshplan.reporting.profile_chart import profile_svg
from meshplan.reporting.sheets import write_sheets
from meshplan.reporting.sheets.entries import orientation_words, site_sheets
from meshplan.workflow.plan import plan_property

UP_DEG = 12.0
"""South post's antenna stands at 128 m, the trough's at 101 m, 133 m apart: 11.5° up (trigonometry)."""


def planned(folder: Path, rows: Rows) -> Plan:
    return plan_property(lay_small_property(folder, sites=rows)).plan


def trough_words(plan: Plan) -> str:
    return orientation_words(next(sheet for sheet in site_sheets(plan) if sheet.device.name == "Trough"))


def test_a_tilt_down_costs_on_a_link_that_climbs_and_the_sheet_says_down(tmp_path: Path) -> None:
    """The reader's words, the gain and the sheet: positive leans down, negative leans up."""
    margins, words = {}, {}
    for tilt_deg in (UP_DEG, -UP_DEG):
        aimed = {"antenna": "yagi_3", "azimuth_deg": 257.0, "tilt_deg": tilt_deg}
        plan = planned(tmp_path / f"tilt{tilt_deg:g}", changed(usual_sites(), {"Trough": aimed}))
        (link,) = (one for one in plan.links if {one.a, one.b} == {"Trough", "South post"})
        margins[tilt_deg], words[tilt_deg] = link.margin_db, trough_words(plan)
    assert margins[-UP_DEG] > margins[UP_DEG] + 0.5
    assert words[UP_DEG].endswith("tilted down 12°")
    assert words[-UP_DEG].endswith("tilted up 12°")
    assert "aimed at 257° (west-south-west) from true north" in words[UP_DEG]


def test_an_antenna_aimed_at_the_bearing_that_is_printed_points_at_its_partner(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Far from the central meridian the grid's north is 2.5 degrees off; 20 degrees to either side lose the same all the same."""
    monkeypatch.setattr(small_property, "WEST_M", 250_000.0)

    def link_of(name: str, aimed: dict[str, object]) -> Link:
        plan = planned(tmp_path / name, changed(usual_sites(), {"Trough": aimed}))
        return next(one for one in plan.links if {one.a, one.b} == {"Trough", "South post"})

    straight = link_of("straight", {"antenna": "yagi_3"})
    bearing_deg = straight.bearing_deg if straight.a == "Trough" else (straight.bearing_deg + 180.0) % 360.0
    on_grid_deg = math.degrees(math.atan2(200 - 330, 270 - 300)) % 360.0
    assert abs(bearing_deg - on_grid_deg) > 2.0
    left, right = (
        link_of(f"off {off:g}", {"antenna": "yagi_3", "azimuth_deg": (bearing_deg + off) % 360.0}) for off in (-20.0, 20.0)
    )
    assert left.margin_db < straight.margin_db - 0.5
    assert left.margin_db == pytest.approx(right.margin_db, abs=0.03)


def test_a_directional_antenna_without_azimuth_is_aimed_at_its_partner(tmp_path: Path) -> None:
    plan = planned(tmp_path / "aimed", changed(usual_sites(), {"Trough": {"antenna": "yagi_3"}}))
    assert trough_words(plan) == "upright, aimed at its partner South post, 257° (west-south-west) from true north"
    post = next(sheet for sheet in site_sheets(plan) if sheet.device.name == "South post")
    assert orientation_words(post) == "upright, all directions alike"


def test_two_devices_at_one_place_get_their_sheets(tmp_path: Path) -> None:
    """A sensor on the gateway's own roof: no direction, no land between, and no page that fails."""
    rows = [*usual_sites(), {"name": "Wind", "role": "sensor", "x": 60, "y": 300, "antenna_agl_m": 3.0, "antenna": "yagi_3"}]
    plan = planned(tmp_path / "one", rows)
    (link,) = (one for one in plan.chosen_links if one.distance_m < 0.5)
    assert "Wind" in (link.a, link.b)
    assert "Both antennas stand at one place: there is no section." in profile_svg(link, plan)
    pytest.importorskip("reportlab")
    paths = {path.name: path for path in write_sheets(plan, tmp_path / "papers", pdf=True)}
    assert "same place" in paths["sheets.html"].read_text(encoding="utf-8")
    assert paths["sheets.pdf"].read_bytes().startswith(b"%PDF-")
