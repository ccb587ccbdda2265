"""Losses over height errors that are read from a lattice against the definition, whose errors are summed wave by wave."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from landscapes import make_landscape, rough
from link_stations import SETTINGS, make_site, make_stations
from test_elevation_draws import LAND, SAMPLES, paths

from meshplan.grid import RasterNote
from meshplan.links.link_table import compute_links
from meshplan.loss import error_lattice as module
from meshplan.loss.elevation_draws import terrain_draws_db
from meshplan.loss.error_fields import height_errors_at
from meshplan.loss.error_lattice import NODES_A_LENGTH, error_lattice, lattice_bytes
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.propagation.seasons import usual_seasons
from meshplan.records import Role
from meshplan.terrain.landscape import build_landscape
from meshplan.terrain.profile import sample_profiles

LENGTH_M = 10.0
"""Over which the error of `LAND` falls to 1/e; what its raster hides goes farther."""


@pytest.mark.parametrize("pairs", [3, 16, 20])
def test_each_draw_is_that_of_the_definition(pairs: int) -> None:
    """Lanes are filled up, filled and filled twice; half of the paths go over roofs, some end inside the barn."""
    places, ends = paths()
    profiles = sample_profiles(LAND, *places, SAMPLES)
    fields, over_roofs = draw_error_fields(LAND, 2 * pairs), np.arange(len(profiles.distance_m)) % 2 == 0
    lattice = error_lattice(fields, LAND)
    assert lattice is not None
    asked = (profiles, ends, LAND, SETTINGS, fields, *places)
    exact = terrain_draws_db(*asked, over_roofs=over_roofs)
    read = terrain_draws_db(*asked, over_roofs=over_roofs, lattice=lattice)
    assert read.shape == exact.shape == (len(profiles.distance_m), 2 * pairs)
    assert exact.std(axis=1).max() > 1.0
    off = np.abs(read - exact)
    assert np.percentile(off, 90) < 0.1
    assert np.abs(read.mean(axis=1) - exact.mean(axis=1)).max() < 0.1
    assert np.abs(read.std(axis=1) - exact.std(axis=1)).max() < 0.1


def test_nodes_hold_the_fields_and_lie_at_whole_multiples_of_their_spacing() -> None:
    fields = draw_error_fields(LAND)
    lattice = error_lattice(fields, LAND)
    assert lattice is not None
    column, row = np.arange(9, 200, 31), np.arange(12, 100, 17)
    x, y = np.meshgrid(lattice.west_m + column * lattice.step_m, lattice.south_m + row * lattice.step_m)
    errors_m = height_errors_at(fields, LAND, x, y)
    for pair in range(0, fields.pairs, 5):
        assert lattice.errors_m[np.ix_(row, column)][:, :, pair] == pytest.approx(errors_m(pair), abs=1e-3)
        assert errors_m(pair + fields.pairs) == pytest.approx(-errors_m(pair))
    assert np.rint(lattice.west_m / lattice.step_m) * lattice.step_m == pytest.approx(lattice.west_m, abs=1e-6)
    assert lattice.errors_m.nbytes <= lattice_bytes(fields, LAND, lattice.step_m)


def test_links_to_the_border_of_known_land_are_those_without_a_lattice() -> None:
    """The last nodes lie beside the land, where no raster tells how large its errors are."""
    ground = rough(60, 90, 5, 1.0)
    ground[:, 70:] = np.nan
    land = make_landscape(ground, error_m=3.0, raster_cell_m=30.0)
    rows = np.arange(3, 57, 6)
    sites = [make_site("mast", 60.0, 150.0, 6.0, Role.RELAY)]
    sites += [make_site(f"s{row}", 69.5 * 5.0, 300.0 - 5.0 * (row + 0.5), 1.0, Role.SENSOR) for row in rows]
    stations, _ = make_stations(sites, land)
    pairs = np.stack([np.zeros(len(rows), dtype=int), np.arange(1, len(rows) + 1)], axis=1)
    fields, seasons = draw_error_fields(land), usual_seasons()[:1]
    exact, read = (
        compute_links(stations, pairs, land, seasons, SETTINGS, error_fields=fields, error_lattice=lattice)
        for lattice in (None, error_lattice(fields, land))
    )
    assert exact.elevation_spread_db.min() > 1.0
    assert read.margin_db == pytest.approx(exact.margin_db, abs=0.05)
    assert read.elevation_spread_db == pytest.approx(exact.elevation_spread_db, abs=0.05)


def test_links_across_the_border_of_two_rasters_are_those_without_a_lattice() -> None:
    """Errors jump where a raster of 5 m ends and one of 30 m begins: nothing may be laid between the two."""
    ground = rough(60, 90, 5, 1.0)
    one = make_landscape(ground, error_m=0.3)
    coarse = RasterNote("coarse.tif", "ground", 30.0, 6.0, 30.0, 0.5, "a test")
    index = np.zeros(ground.shape, dtype=np.uint8)
    index[:, 45:] = 1
    rasters = (replace(one.elevation.rasters[0], share_of_grid=0.5), coarse)
    land = build_landscape(replace(one.elevation, rasters=rasters, raster_index=index), ())
    rows = np.arange(3.0, 57.0, 1.5)
    sites = [make_site("mast", 30.0, 150.0, 6.0, Role.RELAY)]
    sites += [make_site(f"s{row}", 44.0 * 5.0 + row % 20.0, 5.0 * row, 1.0, Role.SENSOR) for row in rows]
    stations, _ = make_stations(sites, land)
    pairs = np.stack([np.zeros(len(rows), dtype=int), np.arange(1, len(rows) + 1)], axis=1)
    fields, seasons = draw_error_fields(land), usual_seasons()[:1]
    exact, read = (
        compute_links(stations, pairs, land, seasons, SETTINGS, error_fields=fields, error_lattice=lattice)
        for lattice in (None, error_lattice(fields, land))
    )
    assert exact.elevation_spread_db.max() > 3.0
    assert read.margin_db == pytest.approx(exact.margin_db, abs=0.05)
    assert read.elevation_spread_db == pytest.approx(exact.elevation_spread_db, abs=0.05)


def test_memory_decides_how_close_the_nodes_lie(monkeypatch: pytest.MonkeyPatch) -> None:
    fields = draw_error_fields(LAND)
    steps_m = []
    for nodes in NODES_A_LENGTH:
        fits = lattice_bytes(fields, LAND, LENGTH_M / nodes)
        monkeypatch.setattr(module, "MOST_LATTICE_BYTES", fits)
        found = error_lattice(fields, LAND)
        assert found is not None
        assert found.errors_m.nbytes <= fits
        steps_m.append(found.step_m)
    assert steps_m == [LENGTH_M / nodes for nodes in NODES_A_LENGTH]
    monkeypatch.setattr(module, "MOST_LATTICE_BYTES", fits - 1.0)
    assert error_lattice(fields, LAND) is None
    assert error_lattice(replace(fields, waves=((),)), LAND) is None
