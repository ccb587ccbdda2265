"""Coverage tells of a place what a profile to it tells: the same margin, spread and chance, cell by cell."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from meshplan.explain.verdict import SURE_NO_CHANCE, coverage_verdicts, verdict_for, verdict_limits
from meshplan.links.link_table import compute_links
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Role, Site
from meshplan.terrain.geodesy import to_degrees
from meshplan.workflow import profile_between
from meshplan.workflow.coverage import compute_coverage
from meshplan.workflow.prepare import Prepared
from meshplan.workflow.profile import find_station, station_for

pytestmark = pytest.mark.slow

MARGIN_DB, CHANCE, SEED, CELLS, NEAREST_M = 0.1, 0.02, 12_008, 150, 20.0

UNCERTAIN_DB, SAME_WORD = 0.5, 0.97
"""How near elevation may come to all other uncertainty for another word, and the least share of cells with the same word."""

WITHIN = {
    "mirrowick_bottom": (0.99, 0.99, 0.05),
    "pellimoor_orchard": (0.99, 0.99, 0.05),
    "ossaby_terrace": (0.99, 0.99, 0.05),
    "ossaby_terrace_30m": (1.0, 1.0, 0.1),
}
"""Least share of cells within 0.1 dB, least share within 0.02 of chance, and margin that nine cells in ten keep.

Cells are computed as links are, one by one, while their number allows; over land whose raster hides relief, as the terraces over
30 m, with every elevation draw (`workflow.cells_as_links`). Larger land is swept along shared rays, and computed again as links
where a sweep may be off (`links.cells_again`)."""

THINNED_WITHIN = (0.96, 0.98, 0.1)
"""The same over 30 m where the cells are too many to compute all, by less than `THINNED_WORK` times."""

CUT_WITHIN = (0.85, 0.98, 0.15)
"""The same where the budget cuts what should have been computed, as `coverage` tells then."""

SWEPT_WITHIN = (0.08, 0.93, 1.5)
"""The same over 30 m where the land has far too many cells, as `coverage` tells then."""


def margins_and_chances(
    prepared: Prepared, name: str, height_m: float, season: int, x_m: NDArray[Any], y_m: NDArray[Any]
) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any], list[str]]:
    """What the link engine says of sensors at places, their distance, and its verdicts, empty where another word is near."""
    sites = [
        Site(f"{i}", Role.SENSOR, 0.0, 0.0, float(x), float(y), height_m) for i, (x, y) in enumerate(zip(x_m, y_m, strict=True))
    ]
    stations = [find_station(prepared, name, None, []), *(station_for(prepared, site)[0] for site in sites)]
    pairs = np.stack([np.zeros(len(sites), dtype=int), np.arange(1, len(stations))], axis=1)
    fields = draw_error_fields(prepared.landscape)
    table = compute_links(stations, pairs, prepared.landscape, prepared.seasons, prepared.path, error_fields=fields)
    chance, land, total = table.chance[season], table.elevation_spread_db, table.spread_db[season]
    required = prepared.found.settings.requirement.link_chance
    words = []
    for one, land_db, other_db in zip(chance, land, np.sqrt(np.maximum(total**2 - land**2, 0.0)), strict=True):
        near = [abs(one - limit) <= CHANCE for limit in (*verdict_limits(required).values(), SURE_NO_CHANCE)]
        uncertain = any(near) or abs(land_db - other_db) <= UNCERTAIN_DB or np.isnan(one)
        word = (
            "" if uncertain else verdict_for(one, required_chance=required, elevation_spread_db=land_db, other_spread_db=other_db)
        )
        words.append(word)
    return table.margin_db[season], chance, table.distance_m, words


def gateway_of(demo: Any) -> str:
    return str(next(device.name for device in demo.plan.devices if device.in_plan and device.role is Role.GATEWAY))


@pytest.mark.parametrize("name", WITHIN)
@pytest.mark.parametrize("height_m", [0.5, 2.0])
def test_a_cell_has_the_margin_and_chance_of_a_link_to_it(planned_demo: Callable[[str], Any], name: str, height_m: float) -> None:
    compare(planned_demo(name), height_m, WITHIN[name])


def test_land_of_too_many_cells_is_swept_as_near_as_the_note_says(
    planned_demo: Callable[[str], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meshplan.workflow.coverage.MOST_DRAWN_SAMPLES", 15_000_000)
    notes = compare(planned_demo("ossaby_terrace_30m"), 2.0, SWEPT_WITHIN)
    assert any(f"within {SWEPT_WITHIN[2]:g} dB of a link" in note for note in notes)


def test_land_of_some_times_more_cells_has_figures_laid_between_links(
    planned_demo: Callable[[str], Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("meshplan.workflow.coverage.MOST_DRAWN_SAMPLES", 155_000_000)
    assert not compare(planned_demo("ossaby_terrace_30m"), 0.5, THINNED_WITHIN)
    monkeypatch.setattr("meshplan.workflow.coverage.MOST_DRAWN_SAMPLES", 60_000_000)
    (note,) = compare(planned_demo("ossaby_terrace_30m"), 0.5, CUT_WITHIN)
    assert "laid between links 6 m apart" in note


def compare(demo: Any, height_m: float, within: tuple[float, float, float]) -> tuple[str, ...]:
    """Hold cells against links; return what is said of how they were computed."""
    prepared, gateway = demo.planned.prepared, gateway_of(demo)
    season = prepared.seasons[-1].name
    cover, _ = compute_coverage(prepared, demo.plan, transmitters=[gateway], receiver_agl_m=height_m, season=season)
    grid, random = prepared.landscape.grid, np.random.default_rng(SEED)
    rows, columns = random.integers(0, grid.rows, CELLS), random.integers(0, grid.columns, CELLS)
    margin, chance, distance, words = margins_and_chances(prepared, gateway, height_m, -1, *grid.x_y(columns, rows))
    known = np.isfinite(margin) & (distance >= NEAREST_M)
    assert (np.isfinite(cover.chance[rows, columns]) == np.isfinite(margin)).all()
    off_db = np.abs(cover.margin_db[rows, columns] - margin)[known]
    off = np.abs(cover.chance[rows, columns] - chance)[known]
    share_of_margins, share_of_chances, most_db = within
    assert (off_db <= MARGIN_DB).mean() >= share_of_margins
    assert (off <= CHANCE).mean() >= share_of_chances
    assert np.percentile(off_db, 90) <= most_db
    named, classes = coverage_verdicts(cover, demo.plan.required_chance)
    alike = [
        named[classes[row, column]] == word
        for row, column, word, far in zip(rows, columns, words, known, strict=True)
        if word and far
    ]
    assert len(alike) > CELLS // 3
    assert np.mean(alike) >= SAME_WORD
    lon_deg, lat_deg = (float(part) for part in to_degrees(grid)(*grid.x_y(columns[0], rows[0])))
    link, _, _ = profile_between(demo.folder, gateway, f"{lat_deg:.8f},{lon_deg:.8f}", antenna_b_agl_m=height_m)
    of_season = link.season(season)
    assert min(of_season.margin_at_a_db, of_season.margin_at_b_db) == pytest.approx(margin[0], abs=0.01)
    assert of_season.chance == pytest.approx(chance[0], abs=0.001)
    return cover.notes


def test_a_cell_inside_a_building_has_its_wall_and_spread(planned_demo: Callable[[str], Any]) -> None:
    demo = planned_demo("pellimoor_orchard")
    prepared, gateway = demo.planned.prepared, gateway_of(demo)
    season = prepared.seasons[0].name
    cover, _ = compute_coverage(prepared, demo.plan, transmitters=[gateway], receiver_agl_m=1.0, season=season)
    land = prepared.landscape
    low = [number for number, one in enumerate(land.covers, start=1) if one.is_building and one.height_m > 1.0]
    rows, columns = (part[::37] for part in np.nonzero(np.isin(land.cover_index, low)))
    margin, chance, distance, _ = margins_and_chances(prepared, gateway, 1.0, 0, *land.grid.x_y(columns, rows))
    far = distance >= NEAREST_M
    assert far.sum() > 100
    assert (np.abs(cover.margin_db[rows, columns] - margin)[far] <= MARGIN_DB).mean() > 0.98
    assert (np.abs(cover.chance[rows, columns] - chance)[far] <= CHANCE).mean() > 0.98
