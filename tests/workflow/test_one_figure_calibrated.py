"""One link, one figure, with what readings taught: plan, profile and comparison agree, and the chance is the learned tail's."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from orchard_holding import lay_orchard, orchard_and_antenna, walk_rows, write_rows
from scipy.stats import norm
from scipy.stats import t as student

from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Link, Role
from meshplan.terrain.geodesy import to_degrees
from meshplan.workflow import (
    Planned,
    calibrate_property,
    check_plan,
    compare_radios,
    plan_property,
    profile_between,
    write_calibrated,
)
from meshplan.workflow.cells_as_links import cells_of, every
from meshplan.workflow.coverage import compute_coverage

MARGIN_DB = 0.1
CHANCE = 0.02
HEAVY_FREEDOM = 4.0


def same_link(one: Link, other: Link) -> None:
    """Two records of a link agree in all seasons."""
    for first, second in zip(one.seasons, other.seasons, strict=True):
        assert first.season == second.season
        assert first.margin_at_a_db == pytest.approx(second.margin_at_a_db, abs=MARGIN_DB)
        assert first.margin_at_b_db == pytest.approx(second.margin_at_b_db, abs=MARGIN_DB)
        assert first.chance == pytest.approx(second.chance, abs=CHANCE)
        assert first.spread.total_db == pytest.approx(second.spread.total_db, abs=0.2)
    assert one.worst_season == other.worst_season
    assert one.verdict == other.verdict


@pytest.fixture(scope="module")
def calibrated(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    """Return the plan of the orchard holding with what its readings taught; a heavy tail is written into the file."""
    folder = lay_orchard(tmp_path_factory.mktemp("calibrated"))
    rows = walk_rows(plan_property(folder), orchard_and_antenna)
    result = calibrate_property(folder, [write_rows(folder / "walk.csv", rows)])
    write_calibrated(result, folder, tmp_path_factory.mktemp("out"))
    stored = folder / "calibration.toml"
    text, count = re.subn(r"(?m)^freedom = .*$", f"freedom = {HEAVY_FREEDOM}", stored.read_text(encoding="utf-8"))
    assert count == 1
    stored.write_text(text, encoding="utf-8")
    return plan_property(folder, calibrated=True)


def never_measured(planned: Planned) -> list[int]:
    """Return the links of the table that no reading was of: those to the post."""
    table = planned.links
    return [row for row, pair in enumerate(table.pairs) if any(table.stations[i].site.name == "Post" for i in pair)]


def test_readings_tell_profile_and_comparison_what_they_tell_the_plan(calibrated: Planned) -> None:
    """The same margins, spread, chance, required margin and word of every link, also with the learned tail."""
    plan, table, folder = calibrated.plan, calibrated.links, calibrated.prepared.found.folder
    for link in plan.links[::4]:
        alone, _, notes = profile_between(folder, link.a, link.b, calibrated=True)
        same_link(link, alone)
        assert alone.required_margin_db == pytest.approx(link.required_margin_db, abs=0.05)
        assert any("Calibrated with 24 readings" in note for note in notes)
    for row in never_measured(calibrated)[::5]:
        a, b = (table.stations[i].key for i in table.pairs[row])
        alone, _, _ = profile_between(folder, a, b, calibrated=True)
        assert [one.chance for one in alone.seasons] == pytest.approx(table.chance[:, row].tolist(), abs=CHANCE)
    row = compare_radios(folder, classes=[plan.radio.key], calibrated=True).rows[0]
    assert row.weakest_chance == pytest.approx(min(route.chance for route in plan.routes), abs=1e-9)


def test_a_calibrated_coverage_tells_of_a_cell_what_a_calibrated_profile_to_it_tells(
    calibrated: Planned, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Here of every so-many-th cell, as where there are too many; the plain coverage differs and tells of the readings."""
    most_samples = 3_000_000
    monkeypatch.setattr("meshplan.workflow.coverage.MOST_LEARNED_SAMPLES", most_samples)
    prepared, plan, folder = calibrated.prepared, calibrated.plan, calibrated.prepared.found.folder
    gateway = next(device.name for device in plan.devices if device.in_plan and device.role is Role.GATEWAY)
    season = prepared.seasons[0].name
    asked: dict[str, Any] = {"transmitters": [gateway], "receiver_agl_m": 1.5, "season": season}
    best, _ = compute_coverage(prepared, plan, calibrated=True, **asked)
    grid, station = prepared.landscape.grid, next(one for one in prepared.stations if one.key == gateway)
    step = every(prepared, [station], draw_error_fields(prepared.landscape), most_samples)
    assert any("Calibrated with 24 readings" in note for note in best.notes)
    assert step > 2
    assert any("each stands for the land around it" in note for note in best.notes)
    cells, random = cells_of(prepared, step), np.random.default_rng(12_012)
    for number in random.choice(len(cells.rows), 10, replace=False):
        row, column = int(cells.rows[number]), int(cells.columns[number])
        lon_deg, lat_deg = (float(part) for part in to_degrees(grid)(*grid.x_y(column, row)))
        alone, _, _ = profile_between(folder, gateway, f"{lat_deg:.8f},{lon_deg:.8f}", antenna_b_agl_m=1.5, calibrated=True)
        one = alone.season(season)
        corners = [(row, column), (min(row + step // 2, grid.rows - 1), max(column - step // 2, 0))]
        for at in corners:
            assert best.margin_db[at] == pytest.approx(min(one.margin_at_a_db, one.margin_at_b_db), abs=MARGIN_DB)
            assert best.chance[at] == pytest.approx(one.chance, abs=CHANCE)
    plain, _ = compute_coverage(prepared, plan, **asked)
    assert any("`meshplan coverage --calibrated` uses it" in note for note in plain.notes)
    assert np.nanmedian(np.abs(plain.margin_db - best.margin_db)) > MARGIN_DB


def test_a_calibration_that_was_not_asked_for_is_told_of(calibrated: Planned) -> None:
    folder, link = calibrated.prepared.found.folder, calibrated.plan.links[0]
    plain, _, notes = profile_between(folder, link.a, link.b)
    assert any("`meshplan profile --calibrated` uses it" in note for note in notes)
    assert abs(plain.margin_db - link.margin_db) > MARGIN_DB
    told = compare_radios(folder, classes=[calibrated.plan.radio.key]).assumptions
    assert any("`meshplan compare --calibrated` uses it" in note for note in told)


def test_the_chance_of_a_calibrated_link_is_what_the_learned_tail_says(calibrated: Planned) -> None:
    """Student-t of scipy with the stored degrees of freedom in the own part; a link is good exactly from its required margin on."""
    table, required = calibrated.links, calibrated.prepared.context.required_chance
    assert table.tail_freedom is not None
    tailed = 0
    for row in range(len(table.pairs)):
        season = int(table.worst_season[row])
        freedom, spread = table.freedom(season, row), float(table.spread_db[season, row])
        reserve = float(table.margin_db[season, row] - table.fade_margin_db[row])
        law = student(freedom, scale=np.sqrt((freedom - 2) / freedom)) if freedom < 1000 else norm()
        assert table.chance[season, row] == pytest.approx(float(law.cdf(reserve / spread)), abs=1e-4)
        tailed += HEAVY_FREEDOM <= freedom < 100
    assert tailed >= 3
    for link in calibrated.plan.links:
        assert (link.chance >= required) == (link.margin_db >= link.required_margin_db - 1e-9)


def test_a_whole_route_draws_its_ground_as_large_as_the_readings_leave_it(calibrated: Planned) -> None:
    """The shifts of the elevation draws, which only whole routes use, have the spread that each corrected link has."""
    table = calibrated.links
    assert table.elevation_spread_db.max() > 0.2
    assert table.elevation_shift_db.std(axis=1, dtype=float, ddof=1) == pytest.approx(table.elevation_spread_db, rel=1e-3, abs=1e-3)


def test_the_check_says_that_readings_were_used(calibrated: Planned) -> None:
    report = check_plan(calibrated.prepared.found.folder, calibrated.plan)
    assert report.good, report.faults
    assert "what readings taught (--calibrated)" in dict(report.facts)["made with"]
