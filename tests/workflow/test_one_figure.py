"""One link, one figure: plan, profile, comparison and coverage tell the same of the same link."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from meshplan.records import Link, Role
from meshplan.terrain.geodesy import to_degrees
from meshplan.workflow import compare_radios, profile_between
from meshplan.workflow.coverage import compute_coverage
from meshplan.workflow.prepare import Prepared
from meshplan.workflow.profile import find_station

DEMOS = ("mirrowick_bottom", "ossaby_terrace", "ossaby_terrace_30m", "pellimoor_orchard")
MARGIN_DB = 0.1
CHANCE = 0.02
SEED = 12_008


def same_link(one: Link, other: Link) -> None:
    """Two records of a link agree in all seasons; words may differ only within the tolerance of a limit."""
    for first, second in zip(one.seasons, other.seasons, strict=True):
        assert first.season == second.season
        assert first.margin_at_a_db == pytest.approx(second.margin_at_a_db, abs=MARGIN_DB)
        assert first.margin_at_b_db == pytest.approx(second.margin_at_b_db, abs=MARGIN_DB)
        assert first.chance == pytest.approx(second.chance, abs=CHANCE)
        assert first.spread.total_db == pytest.approx(second.spread.total_db, abs=0.2)
    assert one.worst_season == other.worst_season
    assert one.verdict == other.verdict


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMOS)
def test_profile_tells_what_the_plan_tells(planned_demo: Callable[[str], Any], name: str) -> None:
    demo = planned_demo(name)
    random = np.random.default_rng(SEED)
    for number in random.choice(len(demo.plan.links), 4, replace=False):
        link = demo.plan.links[number]
        alone, _, _ = profile_between(demo.folder, link.a, link.b)
        same_link(link, alone)


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMOS)
def test_comparison_tells_the_weakest_route_that_the_plan_tells(planned_demo: Callable[[str], Any], name: str) -> None:
    demo = planned_demo(name)
    row = compare_radios(demo.folder, classes=[demo.plan.radio.key]).rows[0]
    assert row.radio == demo.plan.radio.key
    assert row.served == len(demo.plan.routes)
    assert row.weakest_chance == pytest.approx(min(route.chance for route in demo.plan.routes), abs=1e-9)


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMOS)
@pytest.mark.parametrize("height_m", [0.5, 2.0])
def test_coverage_tells_what_a_profile_to_the_same_place_tells(
    planned_demo: Callable[[str], Any], name: str, height_m: float
) -> None:
    demo = planned_demo(name)
    prepared: Prepared = demo.planned.prepared
    device = next(device for device in demo.plan.devices if device.in_plan and device.role is Role.GATEWAY)
    season = prepared.seasons[-1].name
    cover, _ = compute_coverage(prepared, demo.plan, transmitters=[device.name], receiver_agl_m=height_m, season=season)
    station = find_station(prepared, device.name, None, [])
    grid = prepared.landscape.grid
    random = np.random.default_rng(SEED)
    degrees = to_degrees(grid)
    checked = 0
    while checked < 6:
        row, column = int(random.integers(grid.rows)), int(random.integers(grid.columns))
        x_m, y_m = (float(value) for value in grid.x_y(column, row))
        distance_m = float(np.hypot(x_m - station.site.x_m, y_m - station.site.y_m))
        number = prepared.landscape.cover_index[row, column]
        building = number and prepared.landscape.covers[number - 1].is_building
        if not np.isfinite(cover.chance[row, column]) or distance_m < 20.0 or building:
            continue
        lon_deg, lat_deg = degrees(x_m, y_m)
        place = f"{float(lat_deg):.8f},{float(lon_deg):.8f}"
        link, _, _ = profile_between(demo.folder, device.name, place, antenna_b_agl_m=height_m)
        of_season = link.season(season)
        margin_db = min(of_season.margin_at_a_db, of_season.margin_at_b_db)
        assert float(cover.margin_db[row, column]) == pytest.approx(margin_db, abs=MARGIN_DB)
        assert float(cover.chance[row, column]) == pytest.approx(of_season.chance, abs=CHANCE)
        checked += 1
