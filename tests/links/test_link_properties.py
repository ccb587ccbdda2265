"""What holds for every link on any land: the same both ways, never better than free space, finite, without jumps.

Two steps remain. A straight line either clips the corner of a building or does not: moved by one part in ten thousand, 2 of 12 000
random links did so. And crowns are obstacles sample by sample: where a profile takes a sample more, the edge of a wood that ends
just where "near an antenna" ends may move the loss by up to 1 dB (0.2 dB as a rule).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from landscapes import NORTH_M, WEST_M, make_landscape, rough
from link_stations import BARE, LEAF, SETTINGS, links_between, make_site, make_stations
from shapely import box

from meshplan.links.link_table import compute_links, sample_count, sample_counts
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Cover, Role, Site
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import FINEST_STEP_M, MOST_SAMPLES

PART = 1e-4
MOST_JUMP_DB = 0.5
CELL_M = 5.0


def strip(kind: str, west: float, east: float, height_m: float, north: float = 0.0, south: float = 600.0) -> Cover:
    """Return a strip of cover, metres east and south of the corner."""
    return Cover(f"{kind} {west:g}", kind, box(WEST_M + west, NORTH_M - south, WEST_M + east, NORTH_M - north), height_m)


COVERS = (
    strip("wood_deciduous", 320, 420, 9.0),
    strip("hedge_evergreen", 600, 605, 3.0, 200, 420),
    strip("orchard", 820, 930, 3.5),
    strip("building", 700, 730, 6.0, 250, 350),
)
LANDS: dict[float, tuple[Landscape, Landscape]] = {
    relief: tuple(
        make_landscape(np.full((120, 240), 100.0) if relief == 0.0 else rough(120, 240, 7, relief), covers=covers)
        for covers in ((), COVERS)
    )  # type: ignore[misc]
    for relief in (0.0, 0.1, 0.4, 1.0)
}
PLANTED = {
    relief: make_landscape(
        np.full((120, 240), 100.0) if relief == 0.0 else rough(120, 240, 7, relief),
        covers=tuple(cover for cover in COVERS if not cover.is_building),
    )
    for relief in LANDS
}

spots = st.tuples(st.floats(20.0, 1180.0), st.floats(180.0, 420.0))
heights = st.floats(0.3, 12.0)
reliefs = st.sampled_from(sorted(LANDS))


def total_db(landscape: Landscape, links: list[tuple[Site, Site]], frequency_mhz: float = 868.0) -> np.ndarray:
    """Return the path loss of some links, shape (n_seasons, n_links), each with a profile of its own."""
    stations, _ = make_stations([site for link in links for site in link], landscape)
    pairs = np.arange(2 * len(links)).reshape(-1, 2)
    path = replace(SETTINGS, frequency_mhz=frequency_mhz)
    return compute_links(stations, pairs, landscape, (BARE, LEAF), path).losses.total_db


@given(a=spots, b=spots, height_a=heights, height_b=heights, relief=reliefs, covered=st.booleans())
@settings(max_examples=60)
@example(a=(500.0, 300.0), b=(500.0, 300.0), height_a=1.0, height_b=1.0, relief=0.0, covered=False)
@example(a=(500.0, 300.0), b=(500.001, 300.0), height_a=1.0, height_b=1.0, relief=0.0, covered=True)
@example(a=(500.0, 300.0), b=(501.0, 300.0), height_a=0.3, height_b=0.3, relief=1.0, covered=True)
@example(a=(500.0, 300.0), b=(700.0, 250.0), height_a=1.0, height_b=1.0, relief=0.0, covered=True)
def test_both_ways_alike_finite_and_never_better_than_free_space(
    a: tuple[float, float], b: tuple[float, float], height_a: float, height_b: float, relief: float, covered: bool
) -> None:
    """Loss, power and margin of equal radios agree to 1e-9 dB; also with both ends in one cell or on one point.

    An end at a building hears more noise than one in the open: margins are compared at the same end.
    """
    landscape = LANDS[relief][covered]
    sites = [make_site("a", *a, height_a, Role.RELAY), make_site("b", *b, height_b, Role.RELAY)]
    table = links_between(sites, landscape, pairs=[(0, 1), (1, 0)])
    for values in (table.losses.total_db, table.received_at_b_dbm, table.margin_db, table.spread_db):
        assert np.isfinite(values).all()
        assert values[:, 0] == pytest.approx(values[:, 1], abs=1e-9)
    assert table.received_at_a_dbm == pytest.approx(table.received_at_b_dbm, abs=1e-9)
    assert np.isfinite(table.margin_at_a_db).all()
    assert table.margin_at_a_db[:, 0] == pytest.approx(table.margin_at_b_db[:, 1], abs=1e-9)
    assert table.margin_at_a_db[:, 1] == pytest.approx(table.margin_at_b_db[:, 0], abs=1e-9)
    assert (table.losses.total_db >= table.losses.free_space_db - 1e-9).all()
    assert ((table.chance >= 0.0) & (table.chance <= 1.0)).all()


@given(a=spots, b=spots, height_a=heights, height_b=heights, relief=reliefs, covered=st.booleans())
@settings(max_examples=60)
def test_no_jump_when_a_height_or_the_frequency_moves_by_one_part_in_ten_thousand(
    a: tuple[float, float], b: tuple[float, float], height_a: float, height_b: float, relief: float, covered: bool
) -> None:
    landscape = LANDS[relief][covered]
    first, second = make_site("a", *a, height_a), make_site("b", *b, height_b, Role.GATEWAY)
    higher = [
        (replace(first, antenna_agl_m=height_a * (1.0 + PART)), second),
        (first, replace(second, antenna_agl_m=height_b * (1 - PART))),
    ]
    losses = total_db(landscape, [(first, second), *higher])
    shifted = total_db(landscape, [(first, second)], 868.0 * (1.0 + PART))
    assert np.abs(losses[:, 1:] - losses[:, :1]).max() <= MOST_JUMP_DB
    assert np.abs(shifted - losses[:, :1]).max() <= MOST_JUMP_DB


@given(a=spots, b=spots, height_a=heights, height_b=heights, relief=reliefs)
@settings(max_examples=100)
def test_no_jump_when_the_distance_moves_by_one_part_in_ten_thousand(
    a: tuple[float, float], b: tuple[float, float], height_a: float, height_b: float, relief: float
) -> None:
    """Among woods, hedges and orchards, whether or not the profile takes another sample."""
    first, second = make_site("a", *a, height_a), make_site("b", *b, height_b, Role.GATEWAY)
    further = replace(second, x_m=second.x_m + PART * (second.x_m - first.x_m), y_m=second.y_m + PART * (second.y_m - first.y_m))
    losses = total_db(PLANTED[relief], [(first, second), (first, further)])
    assert np.abs(losses[:, 1] - losses[:, 0]).max() <= MOST_JUMP_DB


@given(eighths=st.integers(5, 32), at=st.floats(0.0, 1.0), height_a=heights, height_b=heights)
@settings(max_examples=60)
def test_a_step_in_sample_count_moves_the_loss_little(eighths: int, at: float, height_a: float, height_b: float) -> None:
    """Ends a hair to either side of the length at which the profile takes another sample."""
    distance = (8 * eighths - 1) * FINEST_STEP_M
    assert sample_count(distance * (1.0 - 3e-5), CELL_M) != sample_count(distance * (1.0 + 3e-5), CELL_M)
    west = 20.0 + at * (1160.0 - distance)
    first = make_site("a", west, 301.0, height_a)
    near, far = (make_site("b", west + distance * (1.0 + part), 301.0, height_b, Role.GATEWAY) for part in (-3e-5, 3e-5))
    bare = total_db(LANDS[0.1][False], [(first, near), (first, far)])
    grown = total_db(PLANTED[0.1], [(first, near), (first, far)])
    assert np.abs(bare[:, 1] - bare[:, 0]).max() <= 0.25
    assert np.abs(grown[:, 1] - grown[:, 0]).max() <= 2 * MOST_JUMP_DB


@pytest.mark.parametrize(("kind", "top_m"), [("orchard", 3.5), ("wood_deciduous", 9.0), ("maize", 2.5), ("hedge_evergreen", 3.0)])
def test_a_level_path_rises_past_level_crowns_without_a_step(kind: str, top_m: float) -> None:
    """From inside the crowns to clear of them in steps of one part in ten thousand around the tops, and every 5 cm on the way."""
    depth_m = 5.0 if kind.startswith("hedge") else 200.0
    landscape = make_landscape(np.full((120, 240), 100.0), covers=(strip(kind, 320, 320 + depth_m, top_m),))

    def vegetation_db(heights_m: np.ndarray) -> np.ndarray:
        sites = []
        for height_m in heights_m:
            sites += [make_site("a", 100, 300, float(height_m)), make_site("b", 1000, 300, float(height_m), Role.GATEWAY)]
        stations, _ = make_stations(sites, landscape)
        pairs = np.arange(len(sites)).reshape(-1, 2)
        return np.asarray(compute_links(stations, pairs, landscape, (LEAF,), SETTINGS).losses.vegetation_db[0])

    close = vegetation_db(top_m * (1.0 + PART * np.arange(-5, 6)))
    assert np.abs(np.diff(close)).max() <= 0.01
    wide = vegetation_db(np.arange(max(top_m - 1.5, 0.3), top_m + 8.0, 0.05))
    assert np.abs(np.diff(wide)).max() <= MOST_JUMP_DB
    assert wide[0] > (0.5 if kind.startswith("hedge") else 6.0)
    assert wide[-1] == 0.0


@given(distance=st.floats(0.0, 20_000.0), cell=st.floats(0.5, 100.0))
def test_profiles_are_sampled_by_raster_and_length_and_a_sixteenth_more_at_most(distance: float, cell: float) -> None:
    """Fine rasters cell by cell; coarse ones by a sixth of their cell, 15 m at most, and as finely as what stands there needs."""
    count = sample_count(distance, cell)
    step = cell if cell <= 2.5 else max(min(cell / 6.0, 15.0), 2.5)
    least = min(int(np.ceil(distance / step)) + 1, MOST_SAMPLES)
    assert count >= least
    dense = least if cell <= 2.5 else max(least, min(int(np.ceil(distance / 2.5)), 512) + 1)
    assert count <= max(5, dense * 17 / 16 + 1, 34) or count == MOST_SAMPLES


@given(distances=st.lists(st.floats(0.0, 20_000.0), max_size=300), cell=st.floats(0.5, 100.0))
@example(distances=np.arange(0.0, 9_000.0, 1.7).tolist(), cell=2.0)
def test_many_lengths_take_the_samples_that_each_takes_alone(distances: list[float], cell: float) -> None:
    """The counts of a whole land are found between lengths that take as many; that may change none of them."""
    rising = sorted(distances)
    assert sample_counts(np.array(rising), cell).tolist() == [sample_count(distance, cell) for distance in rising]


def test_a_link_is_the_same_alone_and_among_others() -> None:
    """The profile of a link does not depend on what else is computed with it: plan and single profile agree to the last digit."""
    landscape = LANDS[0.4][True]
    random = np.random.default_rng(2)
    places = random.uniform((20.0, 180.0), (1180.0, 420.0), (12, 2))
    sites = [make_site(f"s{i}", float(east), float(south), 1.0 + i / 10) for i, (east, south) in enumerate(places)]
    stations, _ = make_stations(sites, landscape)
    pairs = np.array([(i, j) for i in range(12) for j in range(i)])
    fields = draw_error_fields(landscape)
    together = compute_links(stations, pairs, landscape, (BARE, LEAF), SETTINGS, error_fields=fields)
    for row in (0, 17, 40, 65):
        alone = compute_links(stations, pairs[row : row + 1], landscape, (BARE, LEAF), SETTINGS, error_fields=fields)
        assert alone.losses.total_db[:, 0].tolist() == together.losses.total_db[:, row].tolist()
        assert alone.worst_chance[0] == together.worst_chance[row]
