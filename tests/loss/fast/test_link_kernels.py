"""Both link engines give what the readable formulas give, part by part."""

from __future__ import annotations

from dataclasses import fields
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from test_sweep import CELL_M, RELIEFS, rough_ground
from test_sweep_cover import TABLE, patches

from meshplan.errors import InputError
from meshplan.grid import Elevation, Grid
from meshplan.loss.fast import RadioPath, StandingCover
from meshplan.loss.fast.links import LinkLosses, link_losses, losses_of_samples
from meshplan.loss.fast.sampled import sample_links
from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m
from meshplan.propagation.fresnel import path_clearance
from meshplan.propagation.ground import Ground
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import sample_profiles
from meshplan.units import EARTH_RADIUS_KM

Engine = Literal["numpy", "compiled"]
ENGINES: tuple[Engine, ...] = ("numpy", "compiled")


def random_ends(shape: tuple[int, int], count: int, seed: int) -> NDArray[np.float64]:
    """Columns and rows of both ends, anywhere between the outer cell centres."""
    return np.random.default_rng(seed).uniform(0.0, np.array([shape[1], shape[0], shape[1], shape[0]]) - 1.0, (count, 4))


def land_of(ground: NDArray[np.float32]) -> Landscape:
    """The ground alone, as the terrain package holds it."""
    grid = Grid("EPSG:32633", 0.0, ground.shape[0] * CELL_M, CELL_M, ground.shape[1], ground.shape[0])
    elevation = Elevation(grid, ground, None, np.zeros(ground.shape, dtype=np.uint8), (), False, ())
    return Landscape(elevation, (), np.zeros(ground.shape, dtype=np.uint16), None, ())


def assert_equal_to_the_formulas(
    got: LinkLosses, ground: NDArray[np.float32], ends: NDArray[np.float64], antennas: NDArray[np.float64], path: RadioPath,
    samples: int, within_db: float,
) -> None:  # fmt: skip
    """Hold every part against profile sampler and formulas in double precision."""
    land = land_of(ground)
    x_a, y_a = land.grid.x_y(ends[:, 0], ends[:, 1])
    x_b, y_b = land.grid.x_y(ends[:, 2], ends[:, 3])
    profiles = sample_profiles(land, x_a, y_a, x_b, y_b, samples)
    h = profiles.ground_amsl_m
    start, end = h[:, 0] + antennas[:, 0], h[:, -1] + antennas[:, 1]
    radius_km = EARTH_RADIUS_KM * path.k_factor
    soil = Ground(path.relative_permittivity, path.conductivity_s_per_m)
    wanted = low_antenna_loss_db(
        profiles.along_m, h, h, start, end, path.frequency_mhz,
        earth_radius_km=radius_km, polarisation=path.polarisation, ground=soil,
    )  # fmt: skip
    free = free_space_loss_db(slant_distance_m(profiles.distance_m, end - start), path.frequency_mhz)
    clear = path_clearance(profiles.along_m, h, start, end, path.frequency_mhz, earth_radius_km=radius_km)
    unknown = np.isnan(h).any(axis=1)
    assert np.array_equal(np.isnan(got.loss_db), unknown)
    known = ~unknown
    charged = known & (wanted.smooth_earth_db > 0.0)
    for part, reference, rows in (
        (got.free_space_db, free, known),
        (got.edge_db, wanted.bullington_actual_db, known),
        (got.smooth_ground_db, wanted.smooth_earth_db, known),
        (got.smooth_edge_db, wanted.bullington_smooth_db, charged),
        (got.terrain_db, wanted.total_db, known),
    ):
        assert np.abs(part - reference)[rows].max(initial=0.0) < within_db
    assert np.abs(got.clearance_share - clear.fraction)[known].max(initial=0.0) < 1e-3
    place = got.clearance_place * (samples - 1)
    same = known & (np.abs(place - clear.index) < 0.5)
    assert same.sum() >= 0.9 * known.sum()
    assert np.abs(got.clearance_m - clear.clearance_m)[same].max(initial=0.0) < 2e-3


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("relief", RELIEFS.values(), ids=RELIEFS.keys())
def test_every_part_is_that_of_the_formulas(engine: Engine, relief: float) -> None:
    ground = rough_ground(220, 300, relief)
    ends = random_ends((220, 300), 400, seed=2)
    antennas = np.random.default_rng(3).uniform(0.5, 8.0, (400, 2))
    path = RadioPath(868.0)
    got = link_losses(ground, CELL_M, ends, antennas, path, samples=200, engine=engine)
    assert_equal_to_the_formulas(got, ground, ends, antennas, path, 200, within_db=0.01)


@given(
    rows=st.integers(2, 60), columns=st.integers(2, 60), samples=st.integers(3, 90), seed=st.integers(0, 2**16),
    relief=st.sampled_from([0.0, 0.05, 1.0]), frequency_mhz=st.sampled_from([169.0, 868.0, 5800.0]),
    polarisation=st.sampled_from(["vertical", "horizontal"]), holes=st.sampled_from([0.0, 0.01]),
)  # fmt: skip
@settings(max_examples=30, deadline=None)
@pytest.mark.parametrize("engine", ENGINES)
def test_any_raster_any_length(
    engine: Engine, rows: int, columns: int, samples: int, seed: int, relief: float, frequency_mhz: float,
    polarisation: Literal["vertical", "horizontal"], holes: float,
) -> None:  # fmt: skip
    ground = rough_ground(rows, columns, relief, seed)
    ground[np.random.default_rng(seed).random(ground.shape) < holes] = np.nan
    ends = random_ends((rows, columns), 20, seed)
    antennas = np.random.default_rng(seed).uniform(0.5, 8.0, (20, 2))
    path = RadioPath(frequency_mhz, polarisation=polarisation)
    got = link_losses(ground, CELL_M, ends, antennas, path, samples=samples, engine=engine)
    assert_equal_to_the_formulas(got, ground, ends, antennas, path, samples, within_db=0.01)


@pytest.mark.parametrize("canopy", [False, True])
@pytest.mark.parametrize("relief", [0.0, 0.3])
def test_the_two_engines_agree_over_cover(relief: float, canopy: bool) -> None:
    ground = rough_ground(150, 150, relief)
    cover = StandingCover(patches(ground.shape, seed=8, count=30), **TABLE)  # type: ignore[arg-type]
    if canopy:
        seen = np.random.default_rng(1).uniform(0.0, 10.0, ground.shape).astype(np.float32)
        cover = StandingCover(cover.index, **TABLE, canopy_m=seen)  # type: ignore[arg-type]
    ends = random_ends((150, 150), 500, seed=4)
    inside = np.where(np.random.default_rng(5).random((500, 2)) < 0.2, 3, 0)
    one, two = (
        link_losses(ground, CELL_M, ends, [4.0, 1.5], RadioPath(868.0), samples=150, cover=cover, inside=inside, engine=engine)
        for engine in ENGINES
    )
    for field in fields(LinkLosses):
        a, b = getattr(one, field.name), getattr(two, field.name)
        limit = 0.02 if field.name in ("clearance_m", "clearance_place") else 0.005
        assert np.mean(np.abs(a - b) > limit) < 0.01, field.name
    assert np.abs(one.cover_db - two.cover_db).max() < 0.01
    assert (one.cover_db > 1.0).mean() > 0.3
    assert one.depth_m.shape == (500, 2)


def test_one_sampling_serves_several_seasons() -> None:
    ground = rough_ground(100, 100, 0.1)
    summer = StandingCover(patches(ground.shape, seed=8), **TABLE)  # type: ignore[arg-type]
    winter = StandingCover(summer.index, **{**TABLE, "crown_m": (0.0, 12.0, 0.0, 0.0, 0.0, 8.0)})  # type: ignore[arg-type]
    ends = random_ends((100, 100), 60, seed=4)
    sampled = sample_links(ground, CELL_M, ends, 80, cover=summer)
    for cover, height in ((summer, 2.0), (winter, 2.0), (winter, 5.0)):
        again = losses_of_samples(sampled, [height, 1.0], RadioPath(868.0), cover=cover)
        direct = link_losses(ground, CELL_M, ends, [height, 1.0], RadioPath(868.0), samples=80, cover=cover, engine="numpy")
        assert np.array_equal(again.loss_db, direct.loss_db)


@pytest.mark.parametrize("engine", ENGINES)
def test_both_ends_on_one_spot_have_a_finite_loss(engine: Engine) -> None:
    got = link_losses(rough_ground(9, 9), CELL_M, [[3.0, 4.0, 3.0, 4.0]], [2.0, 1.0], RadioPath(868.0), samples=9, engine=engine)
    assert got.loss_db[0] == pytest.approx(float(free_space_loss_db(1.0, 868.0)), abs=1e-5)
    assert got.terrain_db[0] == 0.0


@pytest.mark.parametrize("engine", ENGINES)
def test_a_link_and_its_reverse_lose_the_same(engine: Engine) -> None:
    ground = rough_ground(120, 120)
    cover = StandingCover(patches(ground.shape, seed=6, codes=(1, 2, 5)), **TABLE)  # type: ignore[arg-type]
    ends = random_ends((120, 120), 200, seed=7)
    there = link_losses(ground, CELL_M, ends, [4.0, 1.5], RadioPath(868.0), samples=121, cover=cover, engine=engine)
    back = link_losses(ground, CELL_M, ends[:, [2, 3, 0, 1]], [1.5, 4.0], RadioPath(868.0), samples=121, cover=cover, engine=engine)
    assert np.abs(there.loss_db - back.loss_db).max() < 0.01


def test_ends_outside_the_raster_are_named() -> None:
    with pytest.raises(InputError, match="1 of 2 links end outside the raster") as caught:
        link_losses(rough_ground(9, 9), CELL_M, [[0, 0, 5, 5], [0, 0, 9, 5]], [2.0, 1.0], RadioPath(868.0), samples=9)
    assert caught.value.where == "link 1"


@pytest.mark.parametrize("engine", ENGINES)
def test_half_a_cell_beyond_the_outer_centres_the_border_holds(engine: Engine) -> None:
    ground = rough_ground(40, 50, 0.3)
    corners = np.array([[-0.5, -0.4, 49.4, 39.5], [-0.3, 20.0, 30.0, 39.4], [49.5, -0.5, 2.0, 3.0], [49.0, 39.0, 0.0, 0.0]])
    antennas = np.full((4, 2), 3.0)
    got = link_losses(ground, CELL_M, corners, antennas, RadioPath(868.0), samples=60, engine=engine)
    assert_equal_to_the_formulas(got, ground, corners, antennas, RadioPath(868.0), 60, within_db=0.01)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("shape", [(1, 30), (30, 1)])
def test_a_raster_of_one_row_or_column_serves(engine: Engine, shape: tuple[int, int]) -> None:
    ground = rough_ground(*shape, relief=0.3)
    last = [shape[1] - 1.0, shape[0] - 1.0]
    ends, antennas = np.array([[0.0, 0.0, *last]]), np.full((1, 2), 2.0)
    got = link_losses(ground, CELL_M, ends, antennas, RadioPath(868.0), samples=30, engine=engine)
    assert_equal_to_the_formulas(got, ground, ends, antennas, RadioPath(868.0), 30, within_db=0.01)
