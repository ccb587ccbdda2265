"""Many links are shaken by compiled code, few by the readable formulas: both must say the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from landscapes import NORTH_M, WEST_M, make_landscape, rough
from link_stations import BARE, LEAF, SETTINGS, make_site, make_stations
from shapely.geometry import box

from meshplan.kernels.engine import BREAK_EVEN_SAMPLES
from meshplan.links import engine
from meshplan.links.engine import LinkTable, compute_links
from meshplan.links.path_loss import WAYS_PAST_BUILDINGS
from meshplan.links.shaken_ground import worth_compiling
from meshplan.links.uncertainty import draw_error_fields
from meshplan.records import Cover, Role

COVERS = (
    Cover("wood", "wood_deciduous", box(WEST_M + 320, NORTH_M - 600, WEST_M + 420, NORTH_M), 9.0),
    Cover("barn", "building", box(WEST_M + 560, NORTH_M - 420, WEST_M + 620, NORTH_M - 180), 7.0, wall="steel_cladding"),
    Cover("glass", "building", box(WEST_M + 800, NORTH_M - 600, WEST_M + 820, NORTH_M), 3.0, wall="glass"),
)


def table_of(monkeypatch: pytest.MonkeyPatch, *, compiled: bool, coarse: bool = False) -> LinkTable:
    """Return the links between 24 places on rolling land, one of them inside the barn."""
    landscape = make_landscape(rough(120, 240, 7, 1.0), covers=COVERS)
    if coarse:
        notes = tuple(replace(note, cell_m=30.0, error_m=5.0) for note in landscape.elevation.rasters)
        landscape = replace(landscape, elevation=replace(landscape.elevation, rasters=notes))
    random = np.random.default_rng(3)
    places = [(590.0, 300.0), *map(tuple, random.uniform((20.0, 20.0), (1180.0, 580.0), (23, 2)))]
    sites = [make_site(f"s{i}", float(x), float(y), float(random.uniform(0.5, 8.0)), Role.RELAY) for i, (x, y) in enumerate(places)]
    stations, _ = make_stations(sites, landscape)
    pairs = np.array([(i, j) for i in range(24) for j in range(i)])
    monkeypatch.setattr(engine, "worth_compiling", lambda *_: compiled)
    return compute_links(stations, pairs, landscape, (BARE, LEAF), SETTINGS, error_fields=draw_error_fields(landscape))


@pytest.mark.parametrize("coarse", [False, True])
def test_compiled_code_shakes_a_link_as_the_formulas_do(monkeypatch: pytest.MonkeyPatch, coarse: bool) -> None:
    readable = table_of(monkeypatch, compiled=False, coarse=coarse)
    fast = table_of(monkeypatch, compiled=True, coarse=coarse)
    assert (readable.losses.building_way == WAYS_PAST_BUILDINGS.index("over the roof")).sum() > 10
    assert readable.elevation_spread_db.max() > 1.0
    assert np.abs(fast.elevation_shift_db - readable.elevation_shift_db).max() < 0.02
    assert np.abs(fast.hidden_relief_db - readable.hidden_relief_db).max() < 0.02
    assert bool(readable.hidden_relief_db.max() > 0.5) is coarse
    assert np.abs(fast.chance - readable.chance).max() < 1e-3


def test_which_of_the_two_depends_on_the_property_alone() -> None:
    samples = np.full(1000, 200)
    assert not worth_compiling(samples, 16)
    assert worth_compiling(np.tile(samples, 1 + BREAK_EVEN_SAMPLES // (16 * 200_000)), 16)
    assert not worth_compiling(samples, 0)
