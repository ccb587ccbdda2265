"""Many covers are laid together: the same cells and shares as one after the other, in a hundredth of the calls."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from shapely import affinity

from meshplan.grid import Elevation, Grid
from meshplan.loss.fast.cover import StandingCover, cover_terms
from meshplan.records import Cover
from meshplan.terrain import landscape
from meshplan.terrain.landscape import build_landscape
from meshplan.terrain.profile import cover_at

GRID = Grid("EPSG:32627", 485_000.3, 5_317_600.7, 5.0, 120, 120)


def flat(grid: Grid = GRID) -> Elevation:
    heights = np.full(grid.shape, 100.0, dtype=np.float32)
    return Elevation(grid, heights, None, np.zeros(grid.shape, dtype=np.uint8), (), False, ())


def invented(count: int, seed: int, *, broadest_m: float = 60.0) -> list[Cover]:
    """Return turned rectangles, a third of them buildings, many overlapping, some off the grid, thin ones among them."""
    rng = np.random.default_rng(seed)
    covers = []
    for number in range(count):
        x_m, y_m = rng.uniform(484_950, 485_650), rng.uniform(5_316_950, 5_317_650)
        shape = shapely.box(x_m, y_m, x_m + rng.uniform(1, broadest_m), y_m + rng.uniform(1, 40))
        kind = "building" if number % 3 == 0 else "wood_deciduous"
        covers.append(Cover(f"n{number}", kind, affinity.rotate(shape, rng.uniform(0, 90)), float(rng.integers(2, 20))))
    return covers


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("at_once", [16_000_000, 200_000])
def test_together_is_as_one_after_the_other(seed: int, at_once: int, monkeypatch: pytest.MonkeyPatch) -> None:
    covers = invented(700, seed)
    monkeypatch.setattr(landscape, "PAINTED_AT_ONCE", at_once)
    monkeypatch.setattr(landscape, "MOST_ALONE", 10_000)
    alone = build_landscape(flat(), covers)
    monkeypatch.setattr(landscape, "MOST_ALONE", 50)
    calls = []
    usual = landscape._lay
    monkeypatch.setattr(landscape, "_lay", lambda cover, grid: calls.append(cover) or usual(cover, grid))
    together = build_landscape(flat(), covers)
    assert len(calls) < 150, "most are laid in one go"
    assert (alone.cover_index > 0).mean() > 0.5
    np.testing.assert_array_equal(alone.cover_index, together.cover_index)
    assert alone.cover_share is not None
    assert together.cover_share is not None
    np.testing.assert_array_equal(alone.cover_share, together.cover_share)


def test_more_covers_than_two_bytes_hold() -> None:
    """Numbers beyond 65 535 ended in a traceback; the last cover of all is found where it stands."""
    grid = Grid("EPSG:32627", 485_000.0, 5_317_600.0, 1.0, 270, 270)
    covers = [
        Cover(f"{number:06}", "wood_deciduous", shapely.box(x + 0.1, y + 0.1, x + 0.9, y + 0.9), 5.0)
        for number, (x, y) in enumerate((485_000.0 + k % 270, 5_317_330.0 + k // 270) for k in range(66_000))
    ]
    laid = build_landscape(flat(grid), covers)
    assert int(laid.cover_index.max()) == 66_000
    last = covers[-1].geometry.centroid
    assert int(cover_at(laid, last.x, last.y)) == 66_000
    assert any("more than the map can hold" in line for line in laid.assumptions)
    length = len(covers) + 1
    standing = StandingCover(laid.cover_index, (5.0,) * length, (0.0,) * length, (-1,) * length, (), (0.0,) * length)
    assert int(cover_terms(standing, grid.shape).codes.max()) == 66_000


def test_what_a_land_knows_of_its_covers_by_number() -> None:
    covers = invented(40, 5)
    land = build_landscape(flat(), covers)
    for number, cover in enumerate(land.covers, start=1):
        roof_m = cover.height_m if cover.kind == "building" else 0.0
        assert land.roof_heights_m[number] == roof_m
        assert land.covers_of(frozenset({"wood_deciduous"}))[number] == (cover.kind == "wood_deciduous")
        assert land.covers_of(frozenset({"building"}))[number] == land.building_covers[number] == (cover.kind == "building")
    assert land.roof_heights_m[0] == 0.0
    assert not land.covers_of(frozenset({"building"}))[0]
