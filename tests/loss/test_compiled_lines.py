"""Losses over elevation draws by compiled code are those of numpy to the bit: which of them runs hangs on the size of the job."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from landscapes import make_landscape, rough
from link_stations import BARE, LEAF, SETTINGS, make_site, make_stations
from test_elevation_draws import LAND, SAMPLES, paths

from meshplan.links import link_table
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss import error_fields
from meshplan.loss.elevation_draws import terrain_draws_db
from meshplan.loss.path_loss import Ends
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Role
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import sample_profiles


@pytest.mark.parametrize("samples", [5, 16, 33, SAMPLES])
@pytest.mark.parametrize("draws", [2, 32])
def test_draws_are_the_same_to_the_bit(samples: int, draws: int) -> None:
    """With roofs on some paths, ends inside a building, and each line under two pairs of heights."""
    places, ends = paths()
    places = tuple(np.repeat(axis, 2) for axis in places)
    raised = [np.repeat(height, 2) + np.tile([0.0, 5.0], len(height)) for height in (ends.antenna_a_agl_m, ends.antenna_b_agl_m)]
    both = Ends(*raised, *(np.repeat(part, 2) for part in (ends.inside_a, ends.inside_b, ends.bearing_deg)))
    profiles, over_roofs = sample_profiles(LAND, *places, samples), np.arange(len(places[0])) % 3 == 0
    errors = draw_error_fields(LAND, draws)
    plain, compiled = (
        terrain_draws_db(profiles, both, LAND, SETTINGS, errors, *places, over_roofs=over_roofs, compiled=each)
        for each in (False, True)
    )
    assert plain.shape == (len(places[0]), draws)
    assert plain.std(axis=1).max() > 1.0
    assert plain.tobytes() == compiled.tobytes()


def two_heights(land: Landscape, seed: int, places: int) -> tuple[tuple, np.ndarray]:  # type: ignore[type-arg]
    """Return stations at two heights of random places, and all pairs of different places; the last two places are one."""
    random = np.random.default_rng(seed)
    xy = random.uniform((12.0, 12.0), (440.0, 285.0), (places, 2)).tolist()
    sites = [
        make_site(f"p{place} {height}", *at, height, Role.RELAY) for place, at in enumerate([*xy, xy[-1]]) for height in (0.6, 7.0)
    ]
    pairs = [(a, b) for a in range(len(sites)) for b in range(a + 1, len(sites)) if a // 2 != b // 2]
    return make_stations(sites, land)[0], np.array(pairs)


def bytes_of(table: LinkTable) -> dict[str, bytes]:
    """Return all figures of a table."""
    return {item.name: value.tobytes() for item in fields(table) if isinstance(value := getattr(table, item.name), np.ndarray)}


@given(st.integers(0, 10_000), st.integers(2, 7), st.sampled_from([10.0, 30.0, 90.0]), st.booleans())
@settings(max_examples=12, deadline=None)
def test_links_do_not_hang_on_how_many_there_are(seed: int, places: int, cell_m: float, holes: bool) -> None:
    """The same bytes whichever code runs, and for a link by itself; on land with unknown ground too."""
    ground = rough(60, 90, seed, 1.0)
    if holes:
        ground[20:26, 30:60] = np.nan
    land = make_landscape(ground, error_m=2.0, raster_cell_m=cell_m, error_length_m=2.0 * cell_m)
    stations, pairs = two_heights(land, seed, places)
    errors = draw_error_fields(land)
    tables = []
    with pytest.MonkeyPatch.context() as patch:
        for least in (10**12, 0):
            patch.setattr(link_table, "COMPILED_FROM_SAMPLES", least)
            tables.append(compute_links(stations, pairs, land, (BARE, LEAF), SETTINGS, error_fields=errors))
    plain, compiled = map(bytes_of, tables)
    assert plain == compiled
    assert {"elevation_shift_db", "hidden_relief_db", "margin_at_a_db", "chance"} <= set(plain)
    for row in (0, len(pairs) // 2, len(pairs) - 1):
        alone = compute_links(stations, pairs[row : row + 1], land, (BARE, LEAF), SETTINGS, error_fields=errors)
        for name in ("elevation_shift_db", "hidden_relief_db"):
            assert getattr(alone, name)[0].tobytes() == getattr(tables[1], name)[row].tobytes()


def test_large_jobs_run_compiled(monkeypatch: pytest.MonkeyPatch) -> None:
    stations, pairs = two_heights(LAND, 3, 4)
    asked = []
    monkeypatch.setattr(error_fields, "_compiled_phases", lambda *_: asked.append(1) or error_fields._phases(*_))
    counts = compute_links(stations, pairs, LAND, (BARE,), SETTINGS, error_fields=draw_error_fields(LAND)).samples
    assert not asked
    monkeypatch.setattr(link_table, "COMPILED_FROM_SAMPLES", int(counts.sum()))
    compute_links(stations, pairs, LAND, (BARE,), SETTINGS, error_fields=draw_error_fields(LAND))
    assert asked


@given(st.lists(st.floats(-1e6, 1e6), min_size=4, max_size=4), st.integers(1, 40), st.integers(0, 99))
@settings(max_examples=60, deadline=None)
def test_phases_are_the_same_to_the_bit(ends: list[float], strides: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    waves = random.standard_normal((error_fields.WAVES, 2)) / 10.0, random.uniform(0.0, 6.3, error_fields.WAVES)
    lines = [np.array([value, value * 0.5]) for value in ends]
    lines[2:] = [turn / 1e5 for turn in lines[2:]]
    for plain, compiled in zip(
        error_fields._phases(*lines, *waves, strides), error_fields._compiled_phases(*lines, *waves, strides), strict=True
    ):
        assert plain.shape[1:] == compiled.shape[1:]
        assert plain.tobytes() == compiled.tobytes()
