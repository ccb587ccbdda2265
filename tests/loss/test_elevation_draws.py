"""The drawn losses against the formulas on the same drawn profiles, and what of them is hidden relief."""

from __future__ import annotations

import numpy as np
import pytest
from landscapes import NORTH_M, WEST_M, make_landscape, rough
from link_stations import SETTINGS, make_site, make_stations
from shapely.geometry import box

from meshplan.loss import error_fields
from meshplan.loss.elevation_draws import relief_hides, terrain_draws_db
from meshplan.loss.error_fields import height_errors_along
from meshplan.loss.path_loss import Ends
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.records import Cover, Role
from meshplan.terrain.profile import sample_profiles

COVERS = (
    Cover("wood", "wood_deciduous", box(WEST_M + 320, NORTH_M - 600, WEST_M + 420, NORTH_M), 9.0),
    Cover("barn", "building", box(WEST_M + 560, NORTH_M - 420, WEST_M + 620, NORTH_M - 180), 7.0, wall="steel_cladding"),
    Cover("glass", "building", box(WEST_M + 800, NORTH_M - 600, WEST_M + 820, NORTH_M), 3.0, wall="glass"),
)
LAND = make_landscape(rough(120, 240, 7, 1.0), covers=COVERS, error_m=2.0, raster_cell_m=30.0)
SAMPLES = 257


def paths() -> tuple[tuple[np.ndarray, ...], Ends]:
    """Return places and antennas of paths between 24 places on rolling land, one of them inside the barn."""
    random = np.random.default_rng(3)
    places = [(590.0, 300.0), *map(tuple, random.uniform((20.0, 20.0), (1180.0, 580.0), (23, 2)))]
    sites = [make_site(f"s{i}", float(x), float(y), float(random.uniform(0.5, 8.0)), Role.RELAY) for i, (x, y) in enumerate(places)]
    stations, _ = make_stations(sites, LAND)
    a, b = np.array([(i, j) for i in range(24) for j in range(i)]).T
    x, y, height = (np.array(value) for value in zip(*((s.site.x_m, s.site.y_m, s.antenna_agl_m) for s in stations), strict=True))
    inside = np.array([station.inside for station in stations], dtype=np.uint16)
    bearing = np.degrees(np.arctan2(x[b] - x[a], y[b] - y[a]))
    return (x[a], y[a], x[b], y[b]), Ends(height[a], height[b], inside[a], inside[b], bearing)


def by_the_formula(profiles, ends: Ends, error: np.ndarray, over_roofs: np.ndarray) -> np.ndarray:  # type: ignore[no-untyped-def]
    """Return the loss over one elevation draw in double precision."""
    roof = np.array([0.0, *(cover.height_m if cover.is_building else 0.0 for cover in LAND.covers)])[profiles.cover_index]
    around = (profiles.cover_index == ends.inside_a[:, None]) | (profiles.cover_index == ends.inside_b[:, None])
    ground = profiles.ground_amsl_m + error
    return low_antenna_loss_db(
        profiles.along_m,
        ground,
        ground + np.where(over_roofs[:, None] & ~around, roof, 0.0),
        ground[:, 0] + ends.antenna_a_agl_m,
        ground[:, -1] + ends.antenna_b_agl_m,
        SETTINGS.frequency_mhz,
        earth_radius_km=SETTINGS.earth_radius_km,
        polarisation=SETTINGS.polarisation,
        ground=SETTINGS.ground,
    ).total_db


def test_each_draw_is_the_formula_on_the_drawn_profile() -> None:
    places, ends = paths()
    profiles = sample_profiles(LAND, *places, SAMPLES)
    over_roofs = np.arange(len(places[0])) % 2 == 0
    fields = draw_error_fields(LAND)
    drawn = terrain_draws_db(profiles, ends, LAND, SETTINGS, fields, *places, over_roofs=over_roofs)
    errors_m = height_errors_along(fields, LAND, profiles, *places)
    assert drawn.shape == (len(places[0]), 32)
    for pair in (0, 7):
        for draw, sign in ((pair, 1.0), (pair + fields.pairs, -1.0)):
            expected = by_the_formula(profiles, ends, sign * errors_m(pair), over_roofs)
            assert np.abs(drawn[:, draw] - expected).max() < 0.02
    assert drawn.std(axis=1).max() > 3.0


def test_links_of_other_heights_over_one_line_share_its_errors_to_the_bit(monkeypatch: pytest.MonkeyPatch) -> None:
    """Four heights at both ends are sixteen links over one line; a link by itself has the errors that it has among them."""
    places, _ = paths()
    many = tuple(np.repeat(axis, 16) for axis in places)
    fields = draw_error_fields(LAND)
    alone = [height_errors_along(fields, LAND, sample_profiles(LAND, *places, SAMPLES), *places)(pair) for pair in (0, 5)]
    lines = []
    along_lines = error_fields._along_lines

    def counted(waves, pair, ends, samples, **more):  # type: ignore[no-untyped-def]
        lines.append(len(ends[0]))
        return along_lines(waves, pair, ends, samples, **more)

    monkeypatch.setattr(error_fields, "_along_lines", counted)
    errors_m = height_errors_along(fields, LAND, sample_profiles(LAND, *many, SAMPLES), *many)
    for pair, expected in zip((0, 5), alone, strict=True):
        assert errors_m(pair).tobytes() == np.repeat(expected, 16, axis=0).tobytes()
    assert set(lines) == {len(places[0])}
    for row in (0, 3, len(many[0]) - 1):
        one = tuple(axis[row : row + 1] for axis in many)
        found = height_errors_along(fields, LAND, sample_profiles(LAND, *one, SAMPLES), *one)(5)
        assert found.tobytes() == errors_m(5)[row].tobytes()


@pytest.mark.parametrize("numbers", [1, 5_000, 10**9])
def test_how_much_is_worked_out_together_moves_no_bit(numbers: int, monkeypatch: pytest.MonkeyPatch) -> None:
    places, _ = paths()
    profiles = sample_profiles(LAND, *places, SAMPLES)
    expected = height_errors_along(draw_error_fields(LAND), LAND, profiles, *places)(3)
    assert expected.std() > 1.0
    monkeypatch.setattr(error_fields, "_NUMBERS_AT_ONCE", numbers)
    assert height_errors_along(draw_error_fields(LAND), LAND, profiles, *places)(3).tobytes() == expected.tobytes()


def test_only_rasters_that_are_sampled_within_their_cells_hide_relief() -> None:
    """What is drawn on a fine raster is its own noise: that is in its heights already."""
    for raster_cell_m, hides in ((2.0, False), (30.0, True)):
        land = make_landscape(rough(120, 240, 7, 1.0), cell_m=2.0, raster_cell_m=raster_cell_m)
        ends = np.array([WEST_M + 50.0]), np.array([NORTH_M - 60.0]), np.array([WEST_M + 400.0]), np.array([NORTH_M - 150.0])
        profiles = sample_profiles(land, *ends, SAMPLES)
        assert relief_hides(profiles, draw_error_fields(land)).tolist() == [hides]
