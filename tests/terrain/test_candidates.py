"""Relay candidates from the land: landmarks first, inside the boundary, off buildings and water, apart from each other."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from landscapes import NORTH_M, WEST_M, make_landscape, rough
from shapely import Point, box

from meshplan.records import Cover, Power, Role, Site
from meshplan.terrain.candidates import find_relay_places
from meshplan.terrain.geodesy import place_on_grid, to_degrees
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import cover_at

LAND = box(WEST_M + 20, NORTH_M - 980, WEST_M + 980, NORTH_M - 20)
SHED = Cover("shed", "building", box(WEST_M + 300, NORTH_M - 860, WEST_M + 340, NORTH_M - 840), 6.0)
POND = Cover("pond", "water", box(WEST_M + 600, NORTH_M - 700, WEST_M + 700, NORTH_M - 600), 0.0)
WOOD = Cover("copse", "wood_deciduous", box(WEST_M + 100, NORTH_M - 250, WEST_M + 220, NORTH_M - 150), 12.0)


def two_hills() -> Landscape:
    """Return land of 1 km with two round hills and a pass between them."""
    rows, columns = np.mgrid[0:200, 0:200]
    x, y = columns * 5.0, rows * 5.0
    ground = 50 + 20 * np.exp(-(((x - 250) / 120) ** 2 + ((y - 500) / 120) ** 2))
    ground += 20 * np.exp(-(((x - 750) / 120) ** 2 + ((y - 500) / 120) ** 2)) + 8 * np.exp(-(((y - 500) / 80) ** 2))
    return make_landscape(ground, covers=(SHED, POND, WOOD))


def sensor(x_m: float, y_m: float) -> Site:
    return Site("a sensor", Role.SENSOR, 0.0, 0.0, x_m, y_m, 1.0)


def found(count: int = 12, landscape: Landscape | None = None) -> tuple[Site, ...]:
    land = landscape or two_hills()
    sites = (sensor(WEST_M + 100, NORTH_M - 900), sensor(WEST_M + 900, NORTH_M - 100))
    return find_relay_places(land, LAND, sites, count, to_degrees(land.grid))


def test_hill_tops_and_the_pass_between_them_are_found_first() -> None:
    places = found()
    kinds = [place.name.split(", ")[1] for place in places]
    assert kinds.index("crest") < kinds.index("boundary corner")
    crests = [(p.x_m - WEST_M, NORTH_M - p.y_m) for p in places if "crest" in p.name]
    assert any(math.hypot(x - 252, y - 502) < 40 for x, y in crests)
    assert any(math.hypot(x - 752, y - 502) < 40 for x, y in crests)
    passes = [(p.x_m - WEST_M, NORTH_M - p.y_m) for p in places if "saddle" in p.name]
    assert any(math.hypot(x - 502, y - 502) < 60 for x, y in passes)


def test_a_gable_carries_an_antenna_above_its_roof_and_has_mains() -> None:
    gable = next(place for place in found() if "gable of shed" in place.name)
    assert gable.antenna_agl_m > SHED.height_m
    assert gable.power is Power.MAINS
    assert Point(gable.x_m, gable.y_m).distance(SHED.geometry) == pytest.approx(1.0, abs=0.01)


@pytest.mark.parametrize("count", [1, 5, 12, 60])
def test_places_keep_to_the_land(count: int) -> None:
    land = two_hills()
    places = found(count, land)
    assert 0 < len(places) <= count
    for place in places:
        assert LAND.contains(Point(place.x_m, place.y_m))
        number = int(cover_at(land, place.x_m, place.y_m))
        assert number == 0 or land.covers[number - 1].kind not in ("building", "water")
    spacing = 0.5 * math.sqrt(LAND.area / count)
    for one, other in itertools.combinations(places, 2):
        assert math.hypot(one.x_m - other.x_m, one.y_m - other.y_m) >= spacing - 1e-6


def test_no_place_lies_on_unknown_ground() -> None:
    ground = rough(200, 200)
    ground[:, :100] = np.nan
    places = found(20, make_landscape(ground))
    assert places
    assert all(place.x_m > WEST_M + 495 for place in places)


def test_names_are_unique_and_positions_agree_with_degrees() -> None:
    land = two_hills()
    places = found(30, land)
    assert len({place.name for place in places}) == len(places)
    for place in places:
        x, y = place_on_grid(land.grid, place.lon_deg, place.lat_deg)
        assert math.hypot(x - place.x_m, y - place.y_m) < 0.05


def test_without_a_boundary_the_sites_span_the_land() -> None:
    land = two_hills()
    sites = tuple(sensor(WEST_M + x, NORTH_M - y) for x, y in ((300, 300), (700, 300), (500, 700)))
    places = find_relay_places(land, None, sites, 10, to_degrees(land.grid))
    assert places
    assert all(200 < place.x_m - WEST_M < 800 for place in places)


def test_the_same_land_gives_the_same_places() -> None:
    assert found(25) == found(25)
