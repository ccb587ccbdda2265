"""Clutter named for a site is charged by ITU-R P.2108, and only where the landscape does not hold it already."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from landscapes import NORTH_M, WEST_M, make_landscape
from link_stations import LEAF, context_of, links_between, make_site, make_stations
from shapely.geometry import box

from meshplan.explain.describe import describe_links
from meshplan.loss.end_clutter import named_clutter
from meshplan.propagation.clutter import CLUTTER_SPREAD_DB, end_loss_db, height_gain_loss_db
from meshplan.records import CLUTTER_KINDS, Cover, Role
from meshplan.terrain.landscape import Landscape

FLAT = np.full((120, 240), 100.0)
STREET = replace(make_site("street", 100, 300, 1.5), clutter="suburban")
OPEN = replace(STREET, clutter=None)
GATEWAY = make_site("gateway", 1000, 300, 12.0, Role.GATEWAY)


def house(west: float) -> Cover:
    """A house of 8 m, 10 m square, its west wall so many metres east of the corner."""
    return Cover(
        "house", "building", box(WEST_M + west, NORTH_M - 330, WEST_M + west + 10, NORTH_M - 320), 8.0, wall="brick_double"
    )


def margin_db(site: object, landscape: Landscape) -> float:
    return float(links_between([site, GATEWAY], landscape, seasons=(LEAF,)).margin_db[0, 0])  # type: ignore[list-item]


def test_houses_around_an_antenna_cost_what_the_path_from_their_tops_costs() -> None:
    """The whole path from 10 m, and the loss of ITU-R P.2108-1 against an antenna there; in free space from where it stands."""
    landscape = make_landscape(FLAT)
    raised = replace(OPEN, antenna_agl_m=10.0)
    bare, above = (links_between([site, GATEWAY], landscape, seasons=(LEAF,)).losses for site in (OPEN, raised))
    table = links_between([STREET, GATEWAY], landscape, seasons=(LEAF,))
    expected = above.total_db - above.free_space_db + bare.free_space_db + end_loss_db(10.0, 1.5, 868.0)
    assert table.losses.total_db == pytest.approx(expected, abs=1e-9)
    charged_db = margin_db(OPEN, landscape) - margin_db(STREET, landscape)
    assert charged_db == pytest.approx(float((expected - bare.total_db)[0, 0]), abs=1e-9)
    assert charged_db < float(height_gain_loss_db("suburban", 1.5, 868.0)) - 1.0, "not the ground from 1.5 m and the loss as well"
    assert margin_db(replace(STREET, antenna_agl_m=10.0), landscape) == margin_db(raised, landscape)


def test_both_directions_the_spread_and_the_budget_know_it() -> None:
    table = links_between([STREET, GATEWAY], make_landscape(FLAT), seasons=(LEAF,))
    bare = links_between([OPEN, GATEWAY], make_landscape(FLAT), seasons=(LEAF,))
    assert table.margin_at_a_db - table.margin_at_b_db == pytest.approx(bare.margin_at_a_db - bare.margin_at_b_db)
    assert table.clutter_spread_db[0, 0] == pytest.approx(CLUTTER_SPREAD_DB)
    assert table.spread_db[0, 0] ** 2 == pytest.approx(bare.spread_db[0, 0] ** 2 + CLUTTER_SPREAD_DB**2)
    assert table.stations[0].eirp_dbm == bare.stations[0].eirp_dbm
    link = describe_links(table, [0], context_of(make_landscape(FLAT)))[0]
    line = next(item for item in link.seasons[0].losses if "what stands around street" in item.name.lower())
    assert line.value_db == pytest.approx(float(table.losses.clutter_db[0, 0]))
    assert link.seasons[0].path_loss_db == pytest.approx(float(table.losses.total_db[0, 0]))


@pytest.mark.parametrize(("west", "counted"), [(130, False), (152, True), (400, True)])
def test_what_the_files_show_nearby_is_not_counted_twice(west: float, counted: bool) -> None:
    landscape = make_landscape(FLAT, covers=(house(west),))
    stations, assumed = make_stations([STREET, GATEWAY], landscape)
    assert (stations[0].clutter is not None) is counted
    assert any("already show house" in line for line in assumed) is not counted


def test_a_surface_model_holds_the_houses_already() -> None:
    landscape = replace(make_landscape(FLAT), elevation=replace(make_landscape(FLAT).elevation, ground_is_surface=True))
    stations, assumed = make_stations([STREET, GATEWAY], landscape)
    assert stations[0].clutter is None
    assert any("surface model" in line for line in assumed)


def test_every_kind_that_people_may_name_costs_something_but_open_ground() -> None:
    for kind in CLUTTER_KINDS:
        around = named_clutter(kind)
        cost = float(end_loss_db(around.low_middle_high_m[1], 1.0, 868.0))
        assert (cost == 0.0) is (kind == "open"), kind
        assert cost == 0.0 or cost > 5.0


def test_the_published_lines_stay_readable_and_unused() -> None:
    """The line of ITU-R P.2108-1 for open land grows without bound near the ground, which links charge anyway."""
    assert float(height_gain_loss_db("open_rural", 0.2, 868.0)) > 30.0
    landscape = make_landscape(FLAT)
    assert margin_db(replace(STREET, clutter="open"), landscape) == margin_db(OPEN, landscape)
