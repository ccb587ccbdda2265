"""Losses are put together once each: the rules of `loss.path_loss`."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from landscapes import NORTH_M, WEST_M, make_landscape, rough
from numpy.typing import NDArray
from shapely import box

from meshplan.loss.path_loss import Ends, PathLosses, PathSettings, path_losses
from meshplan.loss.walls import enclosure_loss_db
from meshplan.propagation.free_space import free_space_loss_db
from meshplan.propagation.ground import REFERENCE_LAND
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Season, usual_seasons
from meshplan.propagation.vegetation import cover_loss_db
from meshplan.records import Cover
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import sample_profiles

RADIUS_KM = float(effective_earth_radius_km())
SETTINGS = PathSettings(868.0, RADIUS_KM, "vertical", REFERENCE_LAND)
BARE = Season("bare", 1, 0.0, wet=False, snow=False)
LEAF = Season("leaf", 7, 1.0, wet=False, snow=False)
FLAT = np.full((120, 240), 100.0)


def losses_between(
    landscape: Landscape,
    a: tuple[float, float, float],
    b: tuple[float, float, float],
    *,
    seasons: tuple[Season, ...] = (BARE, LEAF),
    inside: tuple[int, int] = (0, 0),
    samples: int = 241,
    path: PathSettings = SETTINGS,
) -> PathLosses:
    """Return the losses between two antennas given as metres east and south of the corner, and height above ground."""
    x = np.array([WEST_M + a[0]]), np.array([WEST_M + b[0]])
    y = np.array([NORTH_M - a[1]]), np.array([NORTH_M - b[1]])
    profiles = sample_profiles(landscape, x[0], y[0], x[1], y[1], samples)
    ends = Ends(
        np.array([a[2]]),
        np.array([b[2]]),
        np.array([inside[0]], dtype=np.uint16),
        np.array([inside[1]], dtype=np.uint16),
        np.degrees(np.arctan2(x[1] - x[0], y[1] - y[0])) % 360.0,
    )
    return path_losses(profiles, ends, landscape, seasons, path)


def strip(kind: str, west: float, east: float, height_m: float, **more: object) -> Cover:
    """Return a north–south strip of cover across the whole landscape."""
    return Cover(kind, kind, box(WEST_M + west, NORTH_M - 600, WEST_M + east, NORTH_M), height_m, **more)  # type: ignore[arg-type]


def test_ground_loss_comes_from_the_low_antenna_rule_alone() -> None:
    """No two-ray loss is added to it: the sum is free space and the rule, to the last digit."""
    loss = losses_between(make_landscape(FLAT), (100, 300, 1.0), (1100, 300, 2.0))
    along = np.linspace(0.0, 1000.0, 241)
    rule = low_antenna_loss_db(along, np.full(241, 100.0), np.full(241, 100.0), 101.0, 102.0, 868.0, earth_radius_km=RADIUS_KM)
    expected = float(free_space_loss_db(np.hypot(1000.0, 1.0), 868.0)) + float(rule.total_db)
    assert loss.total_db[0, 0] == pytest.approx(expected, abs=1e-9)
    assert float(rule.total_db) > 15.0


def test_a_wood_counts_once_through_its_leaves() -> None:
    """Antennas under the crowns: the way over them is dearer, so the loss is P.833 on the metres inside and nothing more."""
    wood = strip("wood_deciduous", 500, 540, 30.0)
    loss = losses_between(make_landscape(FLAT, covers=(wood,)), (420, 300, 2.0), (620, 300, 2.0), samples=401)
    bare = losses_between(make_landscape(FLAT), (420, 300, 2.0), (620, 300, 2.0), samples=401)
    through = float(cover_loss_db("wood_deciduous", 40.0, 868.0))
    assert loss.vegetation_path[1, 0] == 1
    assert loss.vegetation_db[1, 0] == pytest.approx(through, abs=0.15)
    assert loss.total_db[1, 0] - bare.total_db[1, 0] == pytest.approx(through, abs=0.15)


def test_a_deep_low_crop_is_passed_over_its_tops() -> None:
    wood = strip("wood_evergreen", 300, 900, 4.0)
    landscape = make_landscape(FLAT, covers=(wood,))
    loss = losses_between(landscape, (250, 300, 4.2), (950, 300, 3.5))
    over = losses_between(make_landscape(FLAT + np.where(landscape.cover_index > 0, 4.0, 0.0)), (250, 300, 4.2), (950, 300, 3.5))
    through = float(cover_loss_db("wood_evergreen", 600.0, 868.0))
    assert loss.vegetation_path[1, 0] in (2, 3)
    assert loss.vegetation_db[1, 0] < through - 3.0
    assert np.isfinite(over.total_db).all()


@given(height=st.floats(0.5, 20.0), crown=st.floats(1.0, 25.0), width=st.floats(10.0, 300.0))
@settings(max_examples=40, deadline=None)
def test_cover_never_costs_more_than_going_through_it(height: float, crown: float, width: float) -> None:
    wood = strip("wood_evergreen", 500, 500 + width, crown)
    loss = losses_between(make_landscape(FLAT, covers=(wood,)), (100, 300, height), (1100, 300, 3.0), seasons=(LEAF,))
    depth = loss.cover_depth_m.get("wood_evergreen", np.zeros((1, 1)))[0, 0]
    through = float(cover_loss_db("wood_evergreen", depth, 868.0))
    assert 0.0 <= loss.vegetation_db[0, 0] <= through + 1e-9


def test_a_building_costs_its_roof_or_its_walls_never_both() -> None:
    shed = Cover("shed", "building", box(WEST_M + 580, NORTH_M - 400, WEST_M + 620, NORTH_M - 200), 8.0, wall="steel_cladding")
    hut = replace(shed, name="hut", wall="glass")
    ends = ((500.0, 300.0, 2.0), (700.0, 300.0, 2.0))
    bare = losses_between(make_landscape(FLAT), *ends)
    steel = losses_between(make_landscape(FLAT, covers=(shed,)), *ends)
    glass = losses_between(make_landscape(FLAT, covers=(hut,)), *ends)
    assert steel.building_path[0] == 1
    assert steel.building_db[0] < 2 * enclosure_loss_db("steel_cladding", 868.0)
    assert glass.building_path[0] == 2
    assert glass.building_db[0] == pytest.approx(2 * enclosure_loss_db("glass", 868.0))
    assert glass.total_db[0, 0] - bare.total_db[0, 0] == pytest.approx(glass.building_db[0], abs=1e-9)


def test_the_building_around_an_antenna_is_no_obstacle() -> None:
    """Its wall is paid at the antenna; as an obstacle as well it would be paid twice."""
    shed = Cover("shed", "building", box(WEST_M + 480, NORTH_M - 400, WEST_M + 520, NORTH_M - 200), 8.0, wall="steel_cladding")
    landscape = make_landscape(FLAT, covers=(shed,))
    ends = ((500.0, 300.0, 2.0), (700.0, 300.0, 2.0))
    outside = losses_between(landscape, *ends)
    within = losses_between(landscape, *ends, inside=(1, 0))
    assert outside.building_db[0] > 5.0
    assert within.building_db[0] == 0.0
    assert within.total_db[0, 0] == pytest.approx(losses_between(make_landscape(FLAT), *ends).total_db[0, 0])


def test_a_surface_model_holds_the_trees_already() -> None:
    wood = strip("wood_deciduous", 500, 700, 14.0)
    raised = make_landscape(FLAT, covers=(wood,))
    surface = FLAT + np.where(raised.cover_index > 0, 14.0, 0.0)
    with_polygon = losses_between(make_landscape(surface, covers=(wood,), ground_is_surface=True), (300, 300, 2.0), (900, 300, 2.0))
    without = losses_between(make_landscape(surface), (300, 300, 2.0), (900, 300, 2.0))
    assert with_polygon.total_db[1, 0] == without.total_db[1, 0]
    assert with_polygon.vegetation_db[1, 0] == 0.0


def test_leaves_come_and_go_with_the_season_and_maize_with_its_height() -> None:
    heights = (0.0,) * 6 + (2.0, 2.5, 2.5) + (0.0,) * 3
    wood, maize = strip("wood_deciduous", 300, 400, 12.0), strip("maize", 600, 800, 2.5, heights_by_month_m=heights)
    loss = losses_between(make_landscape(FLAT, covers=(wood, maize)), (100, 300, 1.0), (1100, 300, 1.0), seasons=usual_seasons())
    bare, leaf, tall, wet, snow = loss.vegetation_db[:, 0]
    assert bare < leaf < tall
    assert wet > leaf
    assert snow == pytest.approx(bare)


def test_rows_are_easier_along_than_across() -> None:
    across = strip("orchard", 300, 400, 4.0, row_azimuth_deg=0.0)
    along = replace(across, row_azimuth_deg=90.0)
    ends = ((250.0, 300.0, 1.5), (950.0, 300.0, 1.5))
    dear = losses_between(make_landscape(FLAT, covers=(across,)), *ends)
    cheap = losses_between(make_landscape(FLAT, covers=(along,)), *ends)
    assert cheap.vegetation_db[1, 0] < dear.vegetation_db[1, 0]


@given(seed=st.integers(0, 10_000), a=st.floats(0.3, 10.0), b=st.floats(0.3, 10.0), relief=st.sampled_from([0.02, 0.3, 1.0]))
@settings(max_examples=40, deadline=None)
def test_swapping_the_ends_changes_no_loss(seed: int, a: float, b: float, relief: float) -> None:
    covers = (
        strip("wood_deciduous", 320, 420, 9.0),
        strip("hedge_evergreen", 600, 605, 3.0),
        Cover("barn", "building", box(WEST_M + 760, NORTH_M - 350, WEST_M + 790, NORTH_M - 250), 6.0),
    )
    landscape = make_landscape(rough(120, 240, seed, relief), covers=covers)
    one = losses_between(landscape, (100, 300, a), (1100, 310, b))
    other = losses_between(landscape, (1100, 310, b), (100, 300, a))
    np.testing.assert_allclose(one.total_db, other.total_db, atol=1e-9)
    assert np.isfinite(one.total_db).all()
    assert (one.total_db >= one.free_space_db - 1e-9).all()


def test_unknown_ground_gives_an_unknown_loss() -> None:
    ground: NDArray[np.float64] = rough(120, 240)
    ground[:, 100:104] = np.nan
    loss = losses_between(make_landscape(ground), (100, 300, 2.0), (1100, 300, 2.0))
    assert np.isnan(loss.total_db).all()
