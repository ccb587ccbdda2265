"""Links inside one building go through rooms, not through two walls and open air."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from landscapes import NORTH_M, WEST_M, make_landscape
from link_stations import context_of, links_between, make_site, make_stations
from shapely import box

from meshplan.explain.describe import describe_links
from meshplan.kinds import WALL_KINDS
from meshplan.loss.indoor_legs import ROOM_BY_WALL, indoor_leg
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.loss.walls import enclosure_loss_db
from meshplan.propagation.buildings import INDOOR_ROOMS
from meshplan.propagation.free_space import free_space_loss_db
from meshplan.records import Cover, Role

FLAT = np.full((120, 240), 100.0)
HOUSE = Cover("house", "building", box(WEST_M + 400, NORTH_M - 340, WEST_M + 460, NORTH_M - 260), 8.0, wall="brick_double")
SHED = replace(HOUSE, name="shed", wall="steel_cladding")


def test_both_ends_in_one_house_pay_rooms_and_no_outer_wall() -> None:
    """ITU-R P.1238-10, residential: 20·log10 f + 28·log10 d − 28 with f in MHz, on one floor."""
    landscape = make_landscape(FLAT, covers=(HOUSE,))
    table = links_between([make_site("cellar", 410, 300, 1.0), make_site("hall", 450, 300, 1.0, Role.GATEWAY)], landscape)
    expected = 20.0 * math.log10(868.0) + 28.0 * math.log10(40.0) - 28.0
    assert table.losses.total_db[0, 0] == pytest.approx(expected, abs=1e-9)
    link = describe_links(table, [0], context_of(landscape))[0]
    assert not any(item.name.startswith("Wall around") for item in link.gains_a_to_b)
    assert [item.name for item in link.seasons[0].losses] == ["Free space", "Rooms inside the building"]
    assert link.clearance.sentence == "Both stand inside the same building; rooms and walls count, not the land."
    assert link.notes[0] == (
        "Both stand inside one building, taken for a home with rooms and floors: guessed from its wall, test it on site."
    )
    received = sum(item.signed_db for item in (*link.gains_a_to_b, *link.seasons[0].losses))
    assert received == pytest.approx(link.seasons[0].received_at_b_dbm, abs=1e-9)


def test_one_end_outside_pays_the_wall_and_the_air() -> None:
    landscape = make_landscape(FLAT, covers=(HOUSE,))
    table = links_between([make_site("cellar", 410, 300, 1.0), make_site("yard", 560, 300, 3.0, Role.GATEWAY)], landscape)
    assert not table.indoor_legs
    assert table.stations[0].entry_loss_db == pytest.approx(enclosure_loss_db("brick_double", 868.0))


def test_a_floor_between_costs_four_decibels_in_a_home() -> None:
    same = indoor_leg(HOUSE, 12.0, 0.3, 868.0)
    above = indoor_leg(HOUSE, 12.0, 2.6, 868.0)
    assert (same.floors, above.floors) == (0, 1)
    assert above.total_db - same.total_db == pytest.approx(4.0)
    assert above.words == "a home with rooms and floors, 1 floor between them"


def test_a_steel_shed_is_a_hall_with_its_own_spread() -> None:
    """ITU-R P.1238-11, industrial without sight: 37.9·log10 d + 21.01 + 13.4·log10 f with f in GHz."""
    leg = indoor_leg(SHED, 40.0, 4.0, 868.0)
    assert leg.total_db == pytest.approx(37.9 * math.log10(40.0) + 21.01 + 13.4 * math.log10(0.868), abs=1e-9)
    assert leg.floors == 0
    assert leg.spread_db == INDOOR_ROOMS["industrial"].spread_db
    landscape = make_landscape(FLAT, covers=(SHED,))
    table = links_between([make_site("store", 410, 300, 1.0), make_site("bench", 450, 300, 5.0, Role.GATEWAY)], landscape)
    assert table.model_spread_db[0] == leg.spread_db


@pytest.mark.parametrize("wall", ["brick_double", "steel_cladding", "polytunnel", "concrete_200mm"])
@pytest.mark.parametrize("frequency_mhz", [433.0, 868.0, 2450.0])
def test_rooms_never_cost_less_than_free_space(wall: str, frequency_mhz: float) -> None:
    for distance_m in (0.5, 1.0, 5.0, 30.0):
        free_db = float(free_space_loss_db(distance_m, frequency_mhz))
        leg = indoor_leg(replace(HOUSE, wall=wall), distance_m, 0.0, frequency_mhz, least_db=free_db)
        assert leg.total_db >= free_db


def test_every_wall_word_tells_a_room() -> None:
    assert set(ROOM_BY_WALL) == set(WALL_KINDS) - {"steel_lid", "soil_10_40cm"}


def test_a_lid_over_the_antenna_stays_inside_a_building() -> None:
    landscape = make_landscape(FLAT, covers=(HOUSE,))
    sites = [
        make_site("pit", 410, 300, 0.3, indoors="steel_lid+brick_double"),
        make_site("hall", 450, 300, 1.0, Role.GATEWAY),
        make_site("desk", 410, 300, 0.3),
    ]
    table = links_between(sites, landscape, pairs=[(0, 1), (2, 1)])
    lid_db = enclosure_loss_db("steel_lid", 868.0)
    assert table.margin_db[0, 1] - table.margin_db[0, 0] == pytest.approx(lid_db, abs=1e-9)


def test_rooms_take_no_error_from_the_elevation() -> None:
    landscape = make_landscape(FLAT, covers=(HOUSE,), error_m=3.0, error_length_m=20.0)
    table = links_between(
        [make_site("cellar", 410, 300, 1.0), make_site("hall", 450, 300, 1.0, Role.GATEWAY)],
        landscape,
        error_fields=draw_error_fields(landscape),
    )
    assert table.elevation_spread_db[0] == 0.0
    assert table.hidden_relief_db[0] == 0.0


def test_the_assumption_about_rooms_is_printed() -> None:
    sites = [make_site("cellar", 410, 300, 1.0), make_site("hall", 450, 300, 1.0, Role.GATEWAY)]
    _, assumptions = make_stations(sites, make_landscape(FLAT, covers=(HOUSE,)))
    assert (
        "cellar and hall stand inside house: between them it is taken for a home with rooms and floors, which is guessed from its "
        "wall (brick_double)."
    ) in assumptions
