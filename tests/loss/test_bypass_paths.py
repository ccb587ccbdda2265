"""A hedge costs no more than the way around its end."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from landscapes import NORTH_M, WEST_M, make_landscape
from link_stations import LEAF, SETTINGS, context_of, links_between, make_site
from shapely import box

from meshplan.explain.describe import describe_links
from meshplan.loss.bypass_paths import row_bypass_losses_db
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.propagation.vegetation import row_loss_db
from meshplan.records import Cover, Role
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import sample_profiles

FLAT = np.full((300, 600), 100.0)
CELL_M = 1.0


def hedge(west: float, south_to: float, east: float, south_from: float, **more: object) -> Cover:
    """Return a hedge as a rectangle of metres east and south of the corner."""
    shape = box(WEST_M + west, NORTH_M - south_to, WEST_M + east, NORTH_M - south_from)
    return replace(Cover("hedge", "hedge_evergreen", shape, 4.0), **more)  # type: ignore[arg-type]


def around_db(landscape: Landscape, a: tuple[float, float], b: tuple[float, float]) -> dict[int, float]:
    """Return the way around each hedge on one path."""
    x_a, x_b = np.array([WEST_M + a[0]]), np.array([WEST_M + b[0]])
    y_a, y_b = np.array([NORTH_M - a[1]]), np.array([NORTH_M - b[1]])
    profiles = sample_profiles(landscape, x_a, y_a, x_b, y_b, 501)
    ways = row_bypass_losses_db(landscape, profiles, x_a, y_a, x_b, y_b, SETTINGS.frequency_mhz)
    return {number: float(losses[0]) for number, losses in ways.items()}


def test_a_thin_row_across_the_path_is_one_edge_beside_its_end() -> None:
    """The row reaches 20 m to one side at mid path of 500 m: the knife edge of ITU-R P.526-16 §4.1 with h = 20 m."""
    landscape = make_landscape(FLAT, CELL_M, (hedge(300, 170.5, 301, 60),))
    ways = around_db(landscape, (50.5, 150.5), (550.5, 150.5))
    wavelength_m = 299.792458 / 868.0
    nu = 20.0 * math.sqrt(2.0 * 500.0 / (wavelength_m * 250.0 * 250.0))
    assert ways[1] == pytest.approx(float(knife_edge_loss_db(nu)), abs=0.3)


def test_a_path_along_a_hedge_slips_out_beside_it() -> None:
    """120 m along a hedge 3 m wide that fills part of the zone: the leaves would cost 15 dB, the free air beside them a few."""
    landscape = make_landscape(FLAT, CELL_M, (hedge(240, 152, 360, 149),))
    sites = [make_site("a", 50, 150.5, 1.5), make_site("b", 550, 150.5, 1.5, Role.GATEWAY)]
    table = links_between(sites, landscape, seasons=(LEAF,))
    depth_m = float(table.losses.cover_depth_m["hedge_evergreen"][0, 0])
    assert 80.0 < depth_m < 120.0
    through_db = float(row_loss_db(depth_m, 868.0))
    way_db = around_db(landscape, (50, 150.5), (550, 150.5))[1]
    assert through_db > 15.0
    assert 6.0 < way_db < 10.0
    assert table.losses.vegetation_db[0, 0] == pytest.approx(way_db, abs=0.1)
    assert table.losses.bypass_saved_db[0, 0] == pytest.approx(through_db - way_db, abs=0.3)
    link = describe_links(table, [0], context_of(landscape))[0]
    assert "Plants, through, around the end of a hedge" in [item.name for item in link.seasons[0].losses]
    assert f"The way around the end of a hedge is {through_db - way_db:.0f} dB cheaper than the way through it." in link.notes


def test_a_hedge_between_walls_has_no_bypass() -> None:
    walls = tuple(
        Cover(f"wall {south}", "building", box(WEST_M + 230, NORTH_M - south - 30, WEST_M + 370, NORTH_M - south), 5.0)
        for south in (119, 152)
    )
    enclosed = make_landscape(FLAT, CELL_M, (hedge(240, 152, 360, 149), *walls))
    free = make_landscape(FLAT, CELL_M, (hedge(240, 152, 360, 149),))
    assert (
        next(iter(around_db(enclosed, (50, 150.5), (550, 150.5)).values())) > 20.0 > around_db(free, (50, 150.5), (550, 150.5))[1]
    )


def test_an_antenna_in_the_hedge_has_no_bypass() -> None:
    landscape = make_landscape(FLAT, CELL_M, (hedge(240, 152, 360, 149),))
    assert around_db(landscape, (300, 150.5), (550, 150.5))[1] == math.inf


def test_a_hedge_without_an_end_in_reach_has_no_bypass() -> None:
    landscape = make_landscape(FLAT, CELL_M, (hedge(300, 300, 301, 0),))
    assert around_db(landscape, (50, 150.5), (550, 150.5))[1] == math.inf


def test_woods_are_no_hedges() -> None:
    wood = replace(hedge(240, 152, 360, 149), kind="wood_evergreen")
    assert around_db(make_landscape(FLAT, CELL_M, (wood,)), (50, 150.5), (550, 150.5)) == {}


@given(
    south=st.floats(120.0, 180.0),
    end_south=st.floats(120.0, 180.0),
    width=st.integers(1, 60),
    height_a=st.floats(0.3, 6.0),
    height_b=st.floats(0.3, 6.0),
)
@settings(max_examples=30)
def test_swapping_the_ends_changes_nothing(south: float, end_south: float, width: int, height_a: float, height_b: float) -> None:
    landscape = make_landscape(FLAT, CELL_M, (hedge(280, 165, 280 + width, 140),))
    sites = [make_site("a", 50.3, south, height_a), make_site("b", 549.1, end_south, height_b, Role.GATEWAY)]
    table = links_between(sites, landscape, pairs=[(0, 1), (1, 0)])
    assert table.losses.total_db[:, 0] == pytest.approx(table.losses.total_db[:, 1], abs=1e-9)


@given(width=st.integers(1, 100), reach=st.floats(1.0, 80.0), height=st.floats(0.5, 4.0))
@settings(max_examples=30)
def test_the_bypass_only_ever_spares(width: int, reach: float, height: float) -> None:
    landscape = make_landscape(FLAT, CELL_M, (hedge(250, 150 + reach, 250 + width, 150 - reach),))
    endless = make_landscape(FLAT, CELL_M, (hedge(250, 300, 250 + width, 0),))
    sites = [make_site("a", 50, 150.5, height), make_site("b", 550, 150.5, height, Role.GATEWAY)]
    short, long = (links_between(sites, land, seasons=(LEAF,)).losses.vegetation_db[0, 0] for land in (landscape, endless))
    assert 0.0 <= short <= long + 1e-9
