"""The link kernel gives what the readable formulas and the composition of losses give, part by part."""

from __future__ import annotations

from dataclasses import replace
from itertools import cycle
from typing import Literal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from landscapes import NORTH_M, WEST_M, make_landscape
from link_stations import SETTINGS
from numpy.typing import NDArray
from shapely import box
from test_sweep import CELL_M, RELIEFS, rough_ground
from test_sweep_cover import TABLE, patches

from meshplan.errors import InputError
from meshplan.grid import Elevation, Grid
from meshplan.loss.fast import RadioPath, StandingCover
from meshplan.loss.fast.links import LinkLosses, link_losses
from meshplan.loss.path_loss import Ends, path_losses
from meshplan.loss.standing_cover import radio_path, standing_cover
from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m
from meshplan.propagation.fresnel import path_clearance
from meshplan.propagation.ground import Ground
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.seasons import Season
from meshplan.records import Cover
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import cover_at, sample_profiles
from meshplan.units import EARTH_RADIUS_KM


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


@pytest.mark.parametrize("relief", RELIEFS.values(), ids=RELIEFS.keys())
def test_every_part_is_that_of_the_formulas(relief: float) -> None:
    ground = rough_ground(220, 300, relief)
    ends = random_ends((220, 300), 400, seed=2)
    antennas = np.random.default_rng(3).uniform(0.5, 8.0, (400, 2))
    path = RadioPath(868.0)
    got = link_losses(ground, CELL_M, ends, antennas, path, samples=200)
    assert_equal_to_the_formulas(got, ground, ends, antennas, path, 200, within_db=0.01)


@given(
    rows=st.integers(2, 60), columns=st.integers(2, 60), samples=st.integers(3, 90), seed=st.integers(0, 2**16),
    relief=st.sampled_from([0.0, 0.05, 1.0]), frequency_mhz=st.sampled_from([169.0, 868.0, 5800.0]),
    polarisation=st.sampled_from(["vertical", "horizontal"]), holes=st.sampled_from([0.0, 0.01]),
)  # fmt: skip
@settings(max_examples=30, deadline=None)
def test_any_raster_any_length(
    rows: int, columns: int, samples: int, seed: int, relief: float, frequency_mhz: float,
    polarisation: Literal["vertical", "horizontal"], holes: float,
) -> None:  # fmt: skip
    ground = rough_ground(rows, columns, relief, seed)
    ground[np.random.default_rng(seed).random(ground.shape) < holes] = np.nan
    ends = random_ends((rows, columns), 20, seed)
    antennas = np.random.default_rng(seed).uniform(0.5, 8.0, (20, 2))
    path = RadioPath(frequency_mhz, polarisation=polarisation)
    got = link_losses(ground, CELL_M, ends, antennas, path, samples=samples)
    assert_equal_to_the_formulas(got, ground, ends, antennas, path, samples, within_db=0.01)


KINDS = (
    ("wood_deciduous", 12.0, None, None),
    ("vines", 2.0, None, 30.0),
    ("building", 5.0, "brick_double", None),
    ("building", 9.0, "steel_cladding", None),
    ("wood_evergreen", 8.0, None, None),
    ("cereal", 0.9, None, None),
)
"""Kind, height, wall and rows of what stands on the land below."""


def standing_land(relief: float, *, canopy: bool) -> Landscape:
    """Rolling land of 150 × 150 cells with 30 patches of cover, with or without heights seen from above."""
    rng = np.random.default_rng(8)
    ground = rough_ground(150, 150, relief).astype(np.float64)
    west, north = np.array([[WEST_M], [NORTH_M]]) + rng.uniform(0.0, 130.0, (2, 30)) * CELL_M * np.array([[1.0], [-1.0]])
    wide, deep = rng.uniform(3.0, 25.0, (2, 30)) * CELL_M
    covers = tuple(
        Cover(f"patch {i}", kind, box(west[i], north[i] - deep[i], west[i] + wide[i], north[i]),
              height_m, wall=wall, row_azimuth_deg=rows)
        for i, (kind, height_m, wall, rows) in zip(range(30), cycle(KINDS))
    )  # fmt: skip
    seen = ground + rng.uniform(0.0, 10.0, ground.shape)
    return make_landscape(ground, CELL_M, covers, surface=seen.astype(np.float32) if canopy else None)


@pytest.mark.parametrize("season", [Season("leaf", 7, 1.0, wet=True, snow=False), Season("bare", 1, 0.0, wet=False, snow=False)],
                         ids=["leaf", "bare"])  # fmt: skip
@pytest.mark.parametrize("canopy", [False, True])
@pytest.mark.parametrize("relief", [0.0, 0.3])
def test_cover_costs_what_the_composition_of_losses_says(relief: float, canopy: bool, season: Season) -> None:
    """Against `loss.path_loss` in double precision, link by link, and the ground loss behind hills beside it.

    The kernel walks the cover of the cells themselves, so the definition is given that and not the parts of these coarse cells.
    """
    land, count = replace(standing_land(relief, canopy=canopy), finer_cover=None), 500
    ends = random_ends((150, 150), count, seed=4)
    (x_a, y_a), (x_b, y_b) = land.grid.x_y(ends[:, 0], ends[:, 1]), land.grid.x_y(ends[:, 2], ends[:, 3])
    profiles = sample_profiles(land, x_a, y_a, x_b, y_b, 150)
    inside = np.stack([cover_at(land, x_a, y_a), cover_at(land, x_b, y_b)], axis=1)
    inside = np.where(np.isin(inside, [1 + i for i, cover in enumerate(land.covers) if cover.is_building]), inside, 0)
    bearing = np.degrees(np.arctan2(x_b - x_a, y_b - y_a)) % 360.0
    agl = np.full((2, count), [[4.0], [1.5]])
    held = Ends(agl[0], agl[1], inside[:, 0].astype(np.uint16), inside[:, 1].astype(np.uint16), bearing)
    wanted = path_losses(profiles, held, land, (season,), SETTINGS)
    cover = standing_cover(land, season, SETTINGS)
    assert cover is not None
    got = link_losses(
        land.ground_amsl_m, CELL_M, ends, [4.0, 1.5], radio_path(SETTINGS), samples=150, cover=cover, inside=inside
    )  # fmt: skip
    covered = wanted.building_db + wanted.vegetation_db[0]
    for part, reference in (
        (got.free_space_db, wanted.free_space_db),
        (got.terrain_db, wanted.terrain_db),
        (got.cover_db, covered),
        (got.behind_hill_db, wanted.behind_hill_db),
        (got.clearance_share, wanted.clearance_share),
    ):
        off = np.abs(part - reference)
        assert np.mean(off > 0.005) < 0.01
        assert off.max() < 0.02
    assert (covered > 1.0).mean() > 0.3
    assert got.depth_m.shape == (count, len(cover.groups))
    by_kind = {kind: metres[0] for kind, metres in wanted.cover_depth_m.items()}
    total_m = sum(by_kind.values(), np.zeros(count))
    assert np.abs(got.depth_m.sum(axis=1) - total_m).max() < 0.05


def test_ground_loss_behind_hills_is_that_of_the_definition() -> None:
    """Against `propagation.behind_hills` in double precision, over land on which one path in twenty has much of it."""
    ground, count, samples = rough_ground(150, 150, 0.2), 500, 150
    land = make_landscape(ground.astype(np.float64), CELL_M)
    ends = random_ends((150, 150), count, seed=9)
    (x_a, y_a), (x_b, y_b) = land.grid.x_y(ends[:, 0], ends[:, 1]), land.grid.x_y(ends[:, 2], ends[:, 3])
    agl = np.random.default_rng(10).uniform(0.3, 6.0, (2, count))
    nowhere = np.zeros(count, dtype=np.uint16)
    profiles = sample_profiles(land, x_a, y_a, x_b, y_b, samples)
    bearing = np.degrees(np.arctan2(x_b - x_a, y_b - y_a)) % 360.0
    wanted = path_losses(
        profiles, Ends(agl[0], agl[1], nowhere, nowhere, bearing), land, (Season("bare", 1, 0.0, wet=False, snow=False),), SETTINGS
    )
    got = link_losses(land.ground_amsl_m, CELL_M, ends, agl.T, radio_path(SETTINGS), samples=samples)
    assert (wanted.behind_hill_db > 0.5).mean() > 0.05
    assert np.abs(got.behind_hill_db - wanted.behind_hill_db).max() < 0.01


def test_both_ends_on_one_spot_have_a_finite_loss() -> None:
    got = link_losses(rough_ground(9, 9), CELL_M, [[3.0, 4.0, 3.0, 4.0]], [2.0, 1.0], RadioPath(868.0), samples=9)
    assert got.loss_db[0] == pytest.approx(float(free_space_loss_db(1.0, 868.0)), abs=1e-5)
    assert got.terrain_db[0] == 0.0


def test_a_link_and_its_reverse_lose_the_same() -> None:
    ground = rough_ground(120, 120)
    cover = StandingCover(patches(ground.shape, seed=6, codes=(1, 2, 5)), **TABLE)  # type: ignore[arg-type]
    ends = random_ends((120, 120), 200, seed=7)
    there = link_losses(ground, CELL_M, ends, [4.0, 1.5], RadioPath(868.0), samples=121, cover=cover)
    back = link_losses(ground, CELL_M, ends[:, [2, 3, 0, 1]], [1.5, 4.0], RadioPath(868.0), samples=121, cover=cover)
    assert np.abs(there.loss_db - back.loss_db).max() < 0.01


def test_ends_outside_the_raster_are_named() -> None:
    with pytest.raises(InputError, match="1 of 2 links end outside the raster") as caught:
        link_losses(rough_ground(9, 9), CELL_M, [[0, 0, 5, 5], [0, 0, 9, 5]], [2.0, 1.0], RadioPath(868.0), samples=9)
    assert caught.value.where == "link 1"


def test_half_a_cell_beyond_the_outer_centres_the_border_holds() -> None:
    ground = rough_ground(40, 50, 0.3)
    corners = np.array([[-0.5, -0.4, 49.4, 39.5], [-0.3, 20.0, 30.0, 39.4], [49.5, -0.5, 2.0, 3.0], [49.0, 39.0, 0.0, 0.0]])
    antennas = np.full((4, 2), 3.0)
    got = link_losses(ground, CELL_M, corners, antennas, RadioPath(868.0), samples=60)
    assert_equal_to_the_formulas(got, ground, corners, antennas, RadioPath(868.0), 60, within_db=0.01)


@pytest.mark.parametrize("shape", [(1, 30), (30, 1)])
def test_a_raster_of_one_row_or_column_serves(shape: tuple[int, int]) -> None:
    ground = rough_ground(*shape, relief=0.3)
    last = [shape[1] - 1.0, shape[0] - 1.0]
    ends, antennas = np.array([[0.0, 0.0, *last]]), np.full((1, 2), 2.0)
    got = link_losses(ground, CELL_M, ends, antennas, RadioPath(868.0), samples=30)
    assert_equal_to_the_formulas(got, ground, ends, antennas, RadioPath(868.0), 30, within_db=0.01)
