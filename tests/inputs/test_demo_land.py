"""The land of the demo properties looks like land: it drains, in channels, has slopes of several scales, and keeps its stories."""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import rasterio
from numpy.typing import NDArray

SAMPLES = Path(__file__).resolve().parents[2] / "sample_sites"
sys.path.insert(0, str(SAMPLES))

import demo_land  # noqa: E402
import make_samples  # noqa: E402
import natural_land  # noqa: E402

DEMOS = {demo.folder: demo for demo in make_samples.DEMOS}
KEPT_M = 0.2
"""How near the ground at sites and at deciding points is to that of the story."""


@dataclass(frozen=True)
class Land:
    """A committed raster: heights, middles of columns and rows on the local grid, size of a cell."""

    height_amsl_m: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    cell_m: float

    def at(self, x: float, y: float) -> float:
        return natural_land.bilinear(self.height_amsl_m, self.x, self.y, x, y)


@cache
def land_of(folder: str) -> Land:
    demo = DEMOS[folder]
    with rasterio.open(SAMPLES / folder / f"ground_{demo.cell_m:g}m.tif") as raster:
        height = raster.read(1) * raster.scales[0] + raster.offsets[0]
    return Land(height, *natural_land.axes(demo.box_m, demo.cell_m), demo.cell_m)


def story_at(folder: str, x: float, y: float) -> float:
    return float(DEMOS[folder].story(np.array(x), np.array(y)))


def test_flooding_fills_a_bowl_to_its_lowest_rim() -> None:
    bowl = np.full((7, 9), 5.0)
    bowl[2:5, 2:7] = 1.0
    bowl[3, 7:] = (3.0, 2.0)
    full = natural_land.filled(bowl)
    assert (full[2:5, 2:7] == 3.0).all()
    full[2:5, 2:7] = bowl[2:5, 2:7]
    np.testing.assert_array_equal(full, bowl)


def test_water_of_a_tilted_plane_leaves_by_its_low_edge() -> None:
    tilted = np.add.outer(np.arange(6.0), np.zeros(4))
    np.testing.assert_array_equal(natural_land.drained_cells(tilted), np.add.outer(np.arange(6, 0, -1), np.zeros(4)))


@pytest.mark.parametrize("folder", DEMOS)
def test_the_land_has_no_pits(folder: str) -> None:
    """From every cell of the raster water finds a way to its edge that never rises (heights are whole centimetres).

    The formulas alone held pits: a basin of 7 m behind the ridge, 12 % of the orchard.
    """
    height = land_of(folder).height_amsl_m
    assert float((natural_land.filled(height) - height).max()) < 0.001


@pytest.mark.parametrize(
    ("folder", "block", "share"), [("ossaby_terrace", 3, 0.2), ("mirrowick_bottom", 5, 0.35), ("pellimoor_orchard", 10, 0.35)]
)
def test_water_gathers_in_channels(folder: str, block: int, share: float) -> None:
    """Much of the land leaves by one outlet, and most does by three; few cells carry more than a hundredth of it.

    Area is counted on block means, along the steepest way down.
    """
    height = land_of(folder).height_amsl_m
    rows, columns = (size // block for size in height.shape)
    means = height[: rows * block, : columns * block].reshape(rows, block, columns, block).mean(axis=(1, 3))
    drained = natural_land.drained_cells(natural_land.filled(means, 1e-4)) / means.size
    edge = np.concatenate([drained[0], drained[-1], drained[1:-1, 0], drained[1:-1, -1]])
    outlets = np.sort(edge)[::-1]
    assert outlets[0] >= share
    assert outlets[:3].sum() >= 0.5
    assert (drained > 0.01).mean() < 0.08


@pytest.mark.parametrize("folder", DEMOS)
def test_slopes_have_several_scales(folder: str) -> None:
    """Height differences grow with distance at every scale, neither as on one smooth slope (power 1) nor not at all (0).

    The root mean square of differences over 20, 40, 80 and 160 m, the plane that fits best taken off, north-south and east-west
    apart: the ruled land failed (its differences fell from 40 to 160 m across the lips, and were none along the ridge).
    """
    land = land_of(folder)
    x, y = np.meshgrid(land.x, land.y)
    sides = np.column_stack([np.ones(x.size), x.ravel() - x.mean(), y.ravel() - y.mean()])
    plane = np.linalg.lstsq(sides[::41], land.height_amsl_m.ravel()[::41], rcond=None)[0]
    rest = land.height_amsl_m - (sides @ plane).reshape(x.shape)
    lags_m = np.array([20.0, 40.0, 80.0, 160.0])
    for axis in (0, 1):
        lines = np.moveaxis(rest, axis, 0)
        grown = [
            float(np.sqrt(np.mean((lines[int(lag / land.cell_m) :] - lines[: -int(lag / land.cell_m)]) ** 2))) for lag in lags_m
        ]
        power = np.polyfit(np.log(lags_m), np.log(grown), 1)[0]
        assert 0.1 < power < 0.98, (axis, grown)


@pytest.mark.parametrize("folder", DEMOS)
def test_slopes_face_many_ways(folder: str) -> None:
    """The mean of doubled directions, as vectors of length 1, is short: no two opposite ones prevail (ruled land: 0.7-0.85)."""
    land = land_of(folder)
    step = round(8 / land.cell_m)
    down, across = (part[::step, ::step] for part in np.gradient(land.height_amsl_m))
    assert abs(np.exp(2j * np.arctan2(down, across)).mean()) < 0.65


@pytest.mark.parametrize("folder", DEMOS)
def test_sites_stand_on_the_ground_of_the_story(folder: str) -> None:
    for site in DEMOS[folder].sites:
        assert land_of(folder).at(*site["at"]) == pytest.approx(story_at(folder, *site["at"]), abs=KEPT_M), site["name"]


def test_points_that_decide_a_link_lie_as_high_as_in_the_story() -> None:
    for folder, points in (("mirrowick_bottom", demo_land.MIRROWICK_KEPT), ("ossaby_terrace", demo_land.OSSABY_KEPT)):
        for point in points:
            assert land_of(folder).at(*point) == pytest.approx(story_at(folder, *point), abs=KEPT_M), point


@pytest.mark.parametrize("far", ["B11", "B12", "B15", "B16", "B17"])
def test_the_ridge_stands_as_high_in_the_way_of_the_roof_as_in_the_story(far: str) -> None:
    """The highest ground between the roof and each sensor behind the ridge; the crest may lie elsewhere along the path."""
    folder = "mirrowick_bottom"
    a, b = (
        np.array(next(site["at"] for site in DEMOS[folder].sites if site["name"].startswith(name))) for name in ("House roof", far)
    )
    path = [a + share * (b - a) for share in np.linspace(0.0, 1.0, 600)]
    found, told = (max(height(*point) for point in path) for height in (land_of(folder).at, lambda *p: story_at(folder, *p)))
    assert found == pytest.approx(told, abs=1.0)


def test_the_stream_falls_all_the_way_and_lies_below_its_plain() -> None:
    land = land_of("mirrowick_bottom")
    west, south, east, north = DEMOS["mirrowick_bottom"].box_m
    line = natural_land.course(demo_land.STREAM, 5.0)
    bed = [land.at(x, y) for x, y, _ in line if west + 5 < x < east - 5 and south < y < north]
    assert bed[0] - bed[-1] > 1.0
    assert np.max(np.array(bed) - np.minimum.accumulate(bed)) < 0.6
    for x, y, depth_m in line[::40]:
        if west + 40 < x < east - 40:
            assert np.median([land.at(x, y + side) for side in (-35, 35)]) - land.at(x, y) > 0.4 * depth_m
