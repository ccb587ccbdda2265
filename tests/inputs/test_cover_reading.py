"""Cover and boundary: kinds, heights, widths, shapes that need mending."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.inputs.cover import CoverList, boundary_of, cover_on_grid, read_cover_features
from meshplan.inputs.cover_columns import COVER_COLUMNS, PLAIN_WORDS, describe_cover_columns
from meshplan.inputs.vector import WGS84, move_geometry, read_features
from meshplan.inputs.walls import WALL_WORDS, WALLS
from meshplan.kinds import COVER_KINDS
from meshplan.propagation.buildings import ENTRY_COEFFICIENTS, KNOWN_WALLS
from meshplan.records import Cover

CRS = "EPSG:32632"
EAST_M, NORTH_M = 500_000.0, 5_540_000.0


def at(geometry: Any) -> Any:
    """Return a shape drawn in local metres in longitude and latitude."""
    return move_geometry(shapely.transform(geometry, lambda xy: xy + np.array([EAST_M, NORTH_M])), CRS, WGS84)


def write(tmp_path: Path, *features: tuple[dict[str, Any], Any], name: str = "cover.geojson") -> Path:
    path = tmp_path / name
    collection = [
        {"type": "Feature", "properties": properties, "geometry": None if shape is None else shapely.geometry.mapping(at(shape))}
        for properties, shape in features
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": collection}), encoding="utf-8")
    return path


def read(path: Path) -> CoverList:
    return read_cover_features([(path.name, read_features(path, path.name, key="cover", default_crs=None))])


def only(tmp_path: Path, properties: dict[str, Any], shape: Any) -> tuple[Cover, CoverList]:
    result = read(write(tmp_path, (properties, shape)))
    assert [str(fault) for fault in result.faults] == []
    covers = cover_on_grid(result.raw, CRS)
    assert len(covers) == 1
    return covers[0], result


def faults_of(tmp_path: Path, properties: dict[str, Any], shape: Any) -> list[str]:
    return [str(fault) for fault in read(write(tmp_path, (properties, shape))).faults]


FIELD = shapely.box(0, 0, 100, 50)
LINE = shapely.LineString([(0, 0), (100, 0)])


def test_an_area_keeps_its_kind_height_and_place(tmp_path: Path) -> None:
    cover, result = only(tmp_path, {"kind": "wood_evergreen", "name": "spruces", "height_m": 18}, FIELD)
    assert (cover.name, cover.kind, cover.height_m, cover.where) == ("spruces", "wood_evergreen", 18.0, "cover.geojson, feature 1")
    assert cover.geometry.area == pytest.approx(5000.0, rel=1e-4)
    assert cover.geometry.centroid.distance(shapely.Point(EAST_M + 50, NORTH_M + 25)) < 0.01
    assert result.assumptions == []


def test_holes_and_several_parts_are_kept(tmp_path: Path) -> None:
    ring = FIELD.difference(shapely.box(40, 20, 60, 30))
    cover, _ = only(tmp_path, {"kind": "maize", "height_m": 2}, shapely.MultiPolygon([ring, shapely.box(200, 0, 210, 10)]))
    assert cover.geometry.area == pytest.approx(5000 - 200 + 100, rel=1e-4)
    assert cover.geometry.geom_type == "MultiPolygon"


def test_a_line_is_widened_to_its_width_and_not_lengthened(tmp_path: Path) -> None:
    cover, _ = only(tmp_path, {"kind": "hedge_evergreen", "height_m": 3, "width_m": 4}, LINE)
    assert cover.geometry.area == pytest.approx(400.0, rel=1e-3)
    assert cover.name == "hedge_evergreen 1"


def test_a_tree_is_a_point_with_the_width_of_its_crown(tmp_path: Path) -> None:
    cover, _ = only(tmp_path, {"kind": "wood_deciduous", "height_m": 12, "width_m": 10}, shapely.Point(5, 5))
    assert cover.geometry.area == pytest.approx(np.pi * 25, rel=0.02)


def test_plain_words_are_understood_and_told(tmp_path: Path) -> None:
    cover, result = only(tmp_path, {"kind": "Wood", "height_m": 12}, FIELD)
    assert cover.kind == "wood_deciduous"
    assert result.assumptions == ["cover.geojson, feature 1 ('wood_deciduous 1'): 'Wood' is taken as wood_deciduous."]


@pytest.mark.parametrize("word", sorted(PLAIN_WORDS))
def test_every_plain_word_means_a_known_kind(word: str) -> None:
    assert PLAIN_WORDS[word] in COVER_KINDS


def test_missing_heights_and_widths_are_assumed_by_kind_and_told(tmp_path: Path) -> None:
    cover, result = only(tmp_path, {"kind": "hedge_deciduous", "name": "lane"}, LINE)
    assert cover.height_m == 2.0
    assert cover.geometry.area == pytest.approx(200.0, rel=1e-3)
    assert result.assumptions == [
        "cover.geojson, feature 1 ('lane'): height assumed as 2 m, usual for hedge_deciduous; give height_m.",
        "cover.geojson, feature 1 ('lane'): width of the line assumed as 2 m; give width_m.",
    ]


TWELVE = (0.0, 0.0, 0.0, 0.0, 0.2, 0.9, 2.0, 2.5, 2.5, 0.0, 0.0, 0.0)


@pytest.mark.parametrize(
    "months",
    [
        {"months": "0; 0; 0; 0; 0.2; 0.9; 2; 2.5; 2.5; 0; 0; 0"},
        {"heights_by_month_m": "0 0 0 0 0.2 0.9 2 2.5 2.5 0 0 0"},
        {"heights_by_month_m": "0, 0, 0, 0, 0.2, 0.9, 2, 2.5, 2.5, 0, 0, 0"},
        {"heights_by_month_m": list(TWELVE)},
        {f"h{index:02d}": height for index, height in enumerate(TWELVE, start=1)},
    ],
    ids=["semicolons", "spaces", "commas", "list", "h01 to h12"],
)
def test_heights_by_month_may_be_written_in_several_ways(tmp_path: Path, months: dict[str, Any]) -> None:
    cover, result = only(tmp_path, {"kind": "maize", "name": "corn", **months}, FIELD)
    assert cover.heights_by_month_m == TWELVE
    assert (cover.height_m, cover.height_in_month_m(8), cover.height_in_month_m(1)) == (2.5, 2.5, 0.0)
    assert result.assumptions == []


def test_months_that_are_left_out_have_the_height_of_the_rest(tmp_path: Path) -> None:
    cover, _ = only(tmp_path, {"kind": "maize", "height_m": 2.0, "h01": 0, "h02": 0}, FIELD)
    assert cover.heights_by_month_m == (0.0, 0.0, *[2.0] * 10)


def test_a_crop_without_months_stands_all_year_and_that_is_told(tmp_path: Path) -> None:
    _, result = only(tmp_path, {"kind": "maize", "name": "corn", "height_m": 2.5}, FIELD)
    assert result.assumptions == [
        "cover.geojson, feature 1 ('corn'): 2.5 m all year assumed, the worst case; give heights_by_month_m."
    ]


def test_a_building_has_a_wall_and_plain_words_for_it_are_told(tmp_path: Path) -> None:
    cover, result = only(tmp_path, {"kind": "building", "name": "house", "height_m": 7, "wall": "stone"}, FIELD)
    assert cover.is_building
    assert cover.wall == "stone_500mm"
    assert result.assumptions == ["cover.geojson, feature 1: wall 'stone' is taken as stone_500mm."]
    _, silent = only(tmp_path, {"kind": "building", "name": "house", "height_m": 7}, FIELD)
    assert silent.assumptions == ["cover.geojson, feature 1 ('house'): wall type not given."]


def test_wall_names_and_kinds_are_those_of_the_formulas() -> None:
    assert set(WALLS) == set(KNOWN_WALLS) | set(ENTRY_COEFFICIENTS)
    assert set(WALL_WORDS.values()) <= set(WALLS)
    assert {name for name, kind in COVER_KINDS.items() if kind.plant is None} == {"building", "water"}


FAULTS = [
    (
        {"kind": "wodo_deciduous"},
        FIELD,
        "cover.geojson, feature 1, field 'kind': 'wodo_deciduous' is not known. Did you mean 'wood_deciduous'?\n"
        f"  Write one of: {', '.join(COVER_KINDS)}.",
    ),
    (
        {"kind": "hedge", "height_m": "2,5"},
        FIELD,
        "cover.geojson, feature 1, field 'height_m': '2,5' is not a number\n  Write 2.5 with a decimal point.",
    ),
    (
        {"kind": "hedge", "height_m": "10 ft"},
        FIELD,
        "cover.geojson, feature 1, field 'height_m': '10 ft' is not in metres\n  Write 3.05, the same length in metres.",
    ),
    (
        {"kind": "building", "height_m": 4, "wall": "bricks"},
        FIELD,
        "cover.geojson, feature 1, field 'wall': 'bricks' is not known. Did you mean 'brick'?\n"
        f"  Write one of: {', '.join(WALLS)}.",
    ),
    ({"kind": "wood"}, None, "cover.geojson, feature 1: has no shape\n  Draw it again, or remove it."),
    (
        {"kind": "maize", "height_m": 2},
        LINE,
        "cover.geojson, feature 1: a line of maize has no width\n  Give width_m, or draw it as an area.",
    ),
    (
        {"kind": "wood", "height_m": 2},
        shapely.Point(1, 1),
        "cover.geojson, feature 1: a point of wood_deciduous has no width\n  Give width_m, or draw it as an area.",
    ),
    (
        {"kind": "maize", "months": "0; 1; 2"},
        FIELD,
        "cover.geojson, feature 1, field 'heights_by_month_m': 3 numbers stand there, 12 are needed\n"
        "  Write them with semicolons between: 0; 0.5; 2.",
    ),
    (
        {"kind": "maize", "h01": 0, "h02": 1},
        FIELD,
        "cover.geojson, feature 1: heights of some months are missing (h03, h04, h05, h06, h07, h08, h09, h10, h11, h12)\n"
        "  Give all of h01 … h12, or height_m for the others.",
    ),
    (
        {"kind": "wood", "hieght_m": 2},
        FIELD,
        "cover.geojson: field 'hieght_m' is not known. Did you mean 'height_m'?\n  Rename the field, or remove it.",
    ),
    (
        {"name": "x"},
        FIELD,
        "cover.geojson: field 'kind' is missing\n"
        "  Add the field 'kind': What stands there. Plain words such as wood, hedge, house are understood, "
        "and what they are taken for is reported.",
    ),
]


@pytest.mark.parametrize(("properties", "shape", "message"), FAULTS)
def test_a_fault_of_cover_is_told_with_its_remedy(tmp_path: Path, properties: dict[str, Any], shape: Any, message: str) -> None:
    assert faults_of(tmp_path, properties, shape) == [message]


def test_a_crossed_outline_is_mended_and_told(tmp_path: Path) -> None:
    bow = shapely.Polygon([(0, 0), (10, 10), (10, 0), (0, 10), (0, 0)])
    cover, result = only(tmp_path, {"kind": "wood_deciduous", "name": "bow", "height_m": 9}, bow)
    assert cover.geometry.is_valid
    assert cover.geometry.area == pytest.approx(50.0, rel=1e-3)
    assert result.assumptions == [
        "cover.geojson, feature 1: its outline was not sound (self-intersection) and was mended; look at it on the map."
    ]


def test_an_outline_that_encloses_nothing_is_a_fault(tmp_path: Path) -> None:
    flat = shapely.Polygon([(0, 0), (10, 0), (5, 0), (0, 0)])
    assert faults_of(tmp_path, {"kind": "wood_deciduous", "height_m": 9}, flat) == [
        "cover.geojson, feature 1: its outline encloses nothing\n  Draw it again, or remove it."
    ]


@pytest.mark.parametrize("suffix", [".gpkg", ".shp", ".kml", ".fgb"])
def test_cover_is_read_from_any_map_format_and_projection(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"cover{suffix}"
    table = geopandas.GeoDataFrame({"kind": ["orchard"], "height_m": [3.5]}, geometry=[at(FIELD)], crs=WGS84)
    if suffix != ".kml":
        table = table.to_crs("EPSG:25832")
    table.to_file(path, driver="LIBKML" if suffix == ".kml" else None)
    result = read(path)
    assert [str(fault) for fault in result.faults] == []
    cover = cover_on_grid(result.raw, CRS)[0]
    assert (cover.kind, cover.height_m) == ("orchard", 3.5)
    assert cover.geometry.area == pytest.approx(5000.0, rel=1e-3)


def test_every_field_is_in_the_manual() -> None:
    manual = describe_cover_columns()
    for column in COVER_COLUMNS:
        assert f"{column.name} " in manual


corner = st.tuples(st.integers(0, 60), st.integers(0, 60))


@given(corners=st.lists(corner, min_size=3, max_size=9))
@settings(max_examples=150, deadline=None)
def test_whatever_is_drawn_comes_out_sound_or_as_a_fault(
    tmp_path_factory: pytest.TempPathFactory, corners: list[tuple[int, int]]
) -> None:
    folder = tmp_path_factory.getbasetemp() / "drawn"
    folder.mkdir(exist_ok=True)
    shape = shapely.Polygon([*corners, corners[0]])
    result = read(write(folder, ({"kind": "wood_deciduous", "height_m": 9}, shape)))
    if result.faults:
        assert shapely.make_valid(shape).area < 1e-6
        assert len(result.faults) == 1
        return
    geometry = cover_on_grid(result.raw, CRS)[0].geometry
    assert geometry.is_valid
    assert geometry.area == pytest.approx(shapely.make_valid(shape).area, rel=1e-2, abs=0.1)


@given(length_m=st.floats(1, 500), width_m=st.floats(0.5, 30), bearing=st.floats(0, 180))
@settings(max_examples=60, deadline=None)
def test_a_widened_line_covers_length_times_width(length_m: float, width_m: float, bearing: float) -> None:
    from meshplan.inputs.cover import _widen

    end = (length_m * np.sin(np.radians(bearing)), length_m * np.cos(np.radians(bearing)))
    assert _widen(shapely.LineString([(0, 0), end]), width_m).area == pytest.approx(length_m * width_m, rel=1e-6)


def boundary(path: Path) -> tuple[Any, list[str], list[str]]:
    area, faults, notes = boundary_of([(path.name, read_features(path, path.name, key="boundary", default_crs=None))])
    return area, [str(fault) for fault in faults], notes


def test_a_boundary_of_several_areas_is_one(tmp_path: Path) -> None:
    path = write(tmp_path, ({}, shapely.box(0, 0, 10, 10)), ({}, shapely.box(10, 0, 20, 10)), name="boundary.geojson")
    area, faults, notes = boundary(path)
    assert (faults, notes) == ([], [])
    assert move_geometry(area, WGS84, CRS).area == pytest.approx(200.0, rel=1e-3)


def test_a_closed_line_is_taken_as_boundary_and_told(tmp_path: Path) -> None:
    loop = shapely.LineString([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])
    area, faults, notes = boundary(write(tmp_path, ({}, loop), name="boundary.geojson"))
    assert faults == []
    assert notes == ["boundary.geojson: a closed line is taken as the outline of the property."]
    assert move_geometry(area, WGS84, CRS).area == pytest.approx(100.0, rel=1e-3)


def test_an_open_line_or_a_point_is_no_boundary(tmp_path: Path) -> None:
    _, faults, _ = boundary(write(tmp_path, ({}, LINE), name="boundary.geojson"))
    assert faults == ["boundary.geojson: the line does not close\n  Draw the boundary as an area."]
    _, faults, _ = boundary(write(tmp_path, ({}, shapely.Point(0, 0)), name="boundary.geojson"))
    assert faults == ["boundary.geojson: holds no outline\n  Draw the boundary as an area."]


@pytest.mark.parametrize("hole", [False, True])
def test_an_outline_that_is_not_closed_is_called_that(tmp_path: Path, hole: bool) -> None:
    path = write(tmp_path, ({"kind": "wood_deciduous", "height_m": 8}, FIELD.difference(shapely.box(10, 10, 20, 20))))
    collection = json.loads(path.read_text(encoding="utf-8"))
    collection["features"][0]["geometry"]["coordinates"][int(hole)].pop()
    path.write_text(json.dumps(collection), encoding="utf-8")
    assert [str(fault) for fault in read(path).faults] == [
        "cover.geojson, feature 1: its outline is not closed: it does not end where it begins\n"
        "  Write its first corner once more as the last one, or draw it again."
    ]
