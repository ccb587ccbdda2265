"""Relay candidates are looked for in the ground that somebody drew for it, and nowhere else."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import shapely
from small_property import SOUTH_M, WEST_M, lay_small_property, lon_lat, usual_sites

from meshplan.errors import MeshplanError
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.inputs.property import read_property
from meshplan.inputs.property_files import find_files
from meshplan.inputs.settings_file import read_settings
from meshplan.records import Role
from meshplan.terrain.candidates import FOUND_ON_THE_LAND
from meshplan.workflow.prepare import read_base

AREA = (260.0, 380.0, 420.0, 480.0)
"""West, south, east, north in metres from the south-west corner: beyond the bank, beside the usual sites."""


def draw(path: Path, west: float, south: float, east: float, north: float) -> None:
    ring = [list(lon_lat(x, y)) for x, y in ((west, south), (east, south), (east, north), (west, north), (west, south))]
    feature = {"type": "Feature", "properties": {}, "geometry": {"type": "Polygon", "coordinates": [ring]}}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))


def found_places(folder: Path) -> list[tuple[str, float, float]]:
    base = read_base(folder)
    return [
        (site.name, site.x_m - WEST_M, site.y_m - SOUTH_M)
        for site in base.found.sites
        if site.role is Role.RELAY and site.where == FOUND_ON_THE_LAND
    ]


def test_places_are_found_in_the_drawn_ground_alone_though_relays_are_named(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    assert found_places(folder) == [], "the sites name relays"
    draw(folder / "look.geojson", *AREA)
    toml = folder / "property.toml"
    toml.write_text('search_ground = "look.geojson"\ngenerate_relays = 5\n' + toml.read_text())
    places = found_places(folder)
    assert 1 <= len(places) <= 5
    box = shapely.box(*AREA).buffer(0.1)
    assert all(box.contains(shapely.Point(x, y)) for _, x, y in places)
    assert not any("corner" in name for name, _, _ in places), "the corners of what was drawn are no corners of the land"
    said = " ".join(read_base(folder).found.assumptions)
    assert f"{len(places)} relay candidates were found in the ground to search; each must be looked at" in said
    toml.write_text(toml.read_text().replace("generate_relays = 5\n", ""))
    assert len(found_places(folder)) > len(places), "without a number as many as usual"
    toml.write_text("generate_relays = 0\n" + toml.read_text())
    assert found_places(folder) == []


def test_ground_beyond_the_boundary_is_not_searched_and_ground_beyond_the_sites_lies_on_the_grid(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    draw(folder / "search_ground.geojson", 380.0, 300.0, 560.0, 560.0)
    assert find_files(folder, read_settings(folder)).search_ground == ("search_ground.geojson",), "found by its usual name"
    places = found_places(folder)
    assert max(x for _, x, _ in places) > 420.0, "the land reaches as far as what was drawn"
    draw(folder / "boundary.geojson", 5.0, 5.0, 450.0, 595.0)
    inside = found_places(folder)
    assert inside
    assert max(x for _, x, _ in inside) < 450.0
    assert read_property(folder).search_ground.area == pytest.approx(180 * 260, rel=2e-3)


def test_it_is_one_of_the_files_of_a_plan_and_its_faults_are_told(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding", sites=usual_sites())
    path = folder / "search_ground.geojson"
    draw(path, *AREA)
    assert "search_ground.geojson" in {one.name for one in hash_inputs(folder, read_settings(folder))}
    line = {"type": "LineString", "coordinates": [list(lon_lat(10, 10)), list(lon_lat(90, 90))]}
    feature = {"type": "Feature", "properties": {}, "geometry": line}
    path.write_text(json.dumps({"type": "FeatureCollection", "features": [feature]}))
    with pytest.raises(MeshplanError, match=r"the line does not close\n  Draw the ground to search as areas"):
        read_property(folder)
    path.unlink()
    assert np.isfinite([x for _, x, _ in found_places(folder)]).all()
    assert read_property(folder).search_ground is None
