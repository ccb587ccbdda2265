"""Extracts of OpenStreetMap as cover: keys by their documented meaning, and nothing lost in silence."""

from __future__ import annotations

from pathlib import Path

import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from osm_extract import Extract, usual_extract
from small_property import lay_small_property

from meshplan.errors import InputError
from meshplan.inputs.cover import cover_on_grid
from meshplan.inputs.osm_cover import OsmLand, osm_cover
from meshplan.inputs.osm_file import read_osm
from meshplan.inputs.osm_table import LEAFY, OPEN, UNJUDGED, WALL, material_walls, meaning_of, osm_meanings
from meshplan.inputs.osm_utilities import osm_utilities
from meshplan.inputs.osm_values import highest_voltage_v, length_m, storeys
from meshplan.inputs.property import read_property
from meshplan.kinds import COVER_KINDS, WALL_KINDS
from meshplan.records import Cover, Origin
from meshplan.terrain.landscape import build_landscape

GRID = "EPSG:32627"


def land_of(made: Extract, folder: Path, name: str = "cover.osm") -> OsmLand:
    return osm_cover(read_osm(made.write(folder / name), name), name)


def covers_of(made: Extract, folder: Path, name: str = "cover.osm") -> dict[str, Cover]:
    return {cover.name: cover for cover in cover_on_grid(land_of(made, folder, name).raw, GRID)}


@pytest.mark.parametrize(
    ("text", "metres"),
    [("4", 4.0), ("4 m", 4.0), ("10 ft", 3.048), ("7'4\"", 2.2352), ("40'", 12.192), ("4m", 4.0), ("7' 4\"", 2.2352), ("0.8", 0.8)],
)
def test_lengths_are_read_as_documented(text: str, metres: float) -> None:
    """Page "Map features/Units" of wiki.openstreetmap.org: the documented forms, and two that are wrong and plain."""
    assert length_m(text) == pytest.approx(metres, abs=1e-9)


@pytest.mark.parametrize("text", ["0,8", "~5", "5-8", "-3", "12;14", "low", "1e3", "", "٣", "4 mm", "9" * 400])
def test_lengths_that_may_mean_several_things_are_not_understood(text: str) -> None:
    assert length_m(text) is None


@given(st.text(max_size=30))
def test_no_value_of_a_tag_breaks_the_reading(text: str) -> None:
    for found in (length_m(text), storeys(text), highest_voltage_v(text)):
        assert found is None or 0.0 <= found < float("inf")


def test_voltage_is_the_largest_of_those_named() -> None:
    """Key:voltage: volts, `;` between several circuits; words such as `low` are no figure."""
    assert highest_voltage_v("110000;20000") == 110_000.0
    assert highest_voltage_v("low") is None
    assert highest_voltage_v("low;400") == 400.0


def test_every_row_of_the_table_names_what_exists() -> None:
    for row in osm_meanings():
        assert row.kind in {*COVER_KINDS, *LEAFY, WALL, OPEN, UNJUDGED}, row
        assert row.wall is None or row.wall in WALL_KINDS, row
        assert all((row.means, row.source, row.takes)), row
        assert "line" not in row.takes or row.kind == UNJUDGED or row.width_m, row
    assert set(material_walls().values()) <= set(WALL_KINDS)


@pytest.mark.parametrize("suffix", [".osm", ".osm.pbf"])
def test_keys_become_cover_by_their_documented_meaning(tmp_path: Path, suffix: str) -> None:
    """Pages Tag:natural=wood, Key:leaf_type, Tag:barrier=hedge, Tag:natural=tree_row, Key:building:levels, Key:height, Key:crop."""
    found = covers_of(usual_extract(), tmp_path, f"cover{suffix}")
    kinds = {name: (cover.kind, cover.height_m, cover.origin) for name, cover in found.items()}
    assert kinds["wood 1001"] == ("wood_evergreen", 15.0, Origin.MAPPED_USUAL)
    assert kinds["hedge 1002"] == ("hedge_deciduous", 2.5, Origin.MAPPED_HEIGHT)
    assert kinds["wood 1003"] == ("wood_deciduous", 10.0, Origin.MAPPED_USUAL)
    tree = next(cover for cover in found.values() if cover.height_m == 12.0)
    assert tree.geometry.area == pytest.approx(3.14159 * 4.5**2, rel=0.02)
    # two storeys of 3 m and a gable of 0.35 × half the short side of 10 m
    assert kinds["building 1004"] == ("building", pytest.approx(6.0 + 0.35 * 5.0, abs=0.03), Origin.MAPPED_STOREYS)
    assert found["building 1004"].wall == "brick_double"
    assert kinds["building 1005"] == ("building", pytest.approx(9.144), Origin.MAPPED_HEIGHT)
    assert found["building 1006"].wall == "glasshouse_metal"
    assert kinds["orchard 1007"][:2] == ("orchard", 5.0)
    assert kinds["maize 1008"][:2] == ("maize", 2.5)
    assert kinds["cereal crop 1009"][0] == "cereal"
    assert kinds["water 1011"][:2] == ("water", 0.0)
    hedge_round_meadow, meadow = found["hedge 1010"], found["grass 1010"]
    assert meadow.geometry.area == pytest.approx(100 * 80, rel=0.01)
    assert hedge_round_meadow.geometry.area == pytest.approx(360 * 1.5, rel=0.05)
    assert not any("not to be read" in name for name in found)


def test_what_was_assumed_and_left_out_is_told_in_few_lines(tmp_path: Path) -> None:
    made = usual_extract()
    made.box(200, 200, 210, 210, {"building": "yes", "height": "0,8"})
    made.box(230, 200, 240, 210, {"natural": "hot_spring"})
    made.line([(200, 100), (210, 120)], {"barrier": "wall"})
    made.node((220, 100), amenity="bench")
    notes = land_of(made, tmp_path).notes
    text = "\n".join(notes)
    assert len(notes) < 10
    assert "height=0,8" in text
    assert "natural=hot_spring" in text
    assert "1 features have only keys that say nothing of the land to this tool: amenity." in text
    assert "1 walls without a tagged height" in text
    assert "1 fields do not say their crop" in text
    assert "What is not mapped there is not absent" in text


def test_a_high_wall_stands_and_a_low_one_does_not(tmp_path: Path) -> None:
    made = Extract()
    made.line([(0, 0), (50, 0)], {"barrier": "wall", "height": "3", "material": "stone"})
    made.line([(0, 20), (50, 20)], {"barrier": "wall", "height": "1.2"})
    found = covers_of(made, tmp_path)
    assert [(cover.kind, cover.height_m, cover.wall) for cover in found.values()] == [("building", 3.0, "stone_500mm")]


def test_a_thick_hedge_is_an_area_and_a_closed_one_a_ring(tmp_path: Path) -> None:
    """Tag:barrier=hedge: "a thick hedge is a closed way with area=yes"."""
    made = Extract()
    made.box(0, 0, 20, 20, {"barrier": "hedge", "area": "yes"})
    made.box(50, 0, 70, 20, {"barrier": "hedge"})
    thick, ring = (cover.geometry.area for cover in covers_of(made, tmp_path).values())
    areas = sorted([thick, ring])
    assert areas[1] == pytest.approx(400.0, rel=0.01)
    assert areas[0] == pytest.approx(80 * 1.5, rel=0.1)


def test_parts_of_a_building_replace_its_outline(tmp_path: Path) -> None:
    """Simple 3D Buildings: where parts exist, the height of the outline is not used for them."""
    made = Extract()
    made.box(0, 0, 20, 10, {"building": "church", "height": "30"})
    made.box(0, 0, 15, 10, {"building:part": "yes", "height": "9"})
    found = sorted((round(cover.geometry.area), cover.height_m) for cover in covers_of(made, tmp_path).values())
    assert found == [(50, 30.0), (150, 9.0)]


def test_a_clearing_of_a_wood_is_no_wood(tmp_path: Path) -> None:
    """Relation:multipolygon: tags on the relation, members outer and inner; an inner way with own tags is an area of its own."""
    made = Extract()
    outer = made.box(0, 0, 100, 100, {})
    inner = made.box(40, 40, 60, 60, {"landuse": "meadow"})
    made.relation([(outer, "outer"), (inner, "inner")], {"type": "multipolygon", "landuse": "forest"})
    found = covers_of(made, tmp_path)
    assert found["wood 9001"].geometry.area == pytest.approx(100**2 - 20**2, rel=0.01)
    assert found[f"grass {inner}"].kind == "grass"


def test_what_the_driver_drops_in_silence_is_counted(tmp_path: Path) -> None:
    """The driver leaves out an area with a missing member and a way with one node left, and cuts a way: three losses, none told."""
    made = Extract()
    made.box(0, 0, 20, 20, {"natural": "wood"})
    made.line([(0, 50), (50, 50)], {"barrier": "hedge"})
    made.line([(0, 60), (50, 60), (60, 90)], {"barrier": "hedge"})
    made.relation([(777, "outer")], {"type": "multipolygon", "landuse": "orchard"})
    made.missing = {6, 8}
    extract = read_osm(made.write(tmp_path / "cover.osm"), "cover.osm")
    assert (extract.lost, extract.cut) == (2, 1)
    assert any("2 tagged ways or areas could not be built" in note for note in extract.notes)
    assert any("1 ways lack some of their nodes" in note for note in extract.notes)
    binary = read_osm(made.write(tmp_path / "cover.osm.pbf"), "cover.osm.pbf")
    assert binary.lost is None
    assert any("is not counted" in note for note in binary.notes)


EMPTY = '<?xml version="1.0"?>\n<osm version="0.6"></osm>'
FAULTS = {
    "page": ("<!DOCTYPE html><html><body>504 Gateway Timeout</body></html>", "no extract"),
    "empty": (EMPTY, "holds no tagged feature"),
    "json": ('{"elements": []}', "no .OSM file|no OSM file"),
    "kml": ('<?xml version="1.0"?><kml></kml>', "no OSM file"),
    "bomb": ('<?xml version="1.0"?><!DOCTYPE osm [<!ENTITY a "b">]><osm>&a;</osm>', "page or a list|document type"),
    "geometry in the answer": (
        '<osm version="0.6"><way id="1"><nd ref="1" lat="48" lon="-27"/><nd ref="2" lat="48.1" lon="-27"/>'
        '<tag k="power" v="line"/></way></osm>',
        "without their nodes",
    ),
}


@pytest.mark.parametrize("name", sorted(FAULTS))
def test_what_is_no_extract_is_an_error(tmp_path: Path, name: str) -> None:
    text, words = FAULTS[name]
    (tmp_path / "cover.osm").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=words):
        read_osm(tmp_path / "cover.osm", "cover.osm")


def test_an_answer_that_broke_off_is_never_an_empty_map(tmp_path: Path) -> None:
    """An Overpass answer that ran out of time is HTTP 200 with a <remark>; GDAL reads it as a sound file without features."""
    made = usual_extract()
    made.remark = 'runtime error: Query timed out in "query" at line 3 after 61 seconds.'
    with pytest.raises(InputError, match="Query timed out"):
        read_osm(made.write(tmp_path / "cover.osm"), "cover.osm")


def test_a_cut_file_is_an_error(tmp_path: Path) -> None:
    text = usual_extract().xml()
    (tmp_path / "cover.osm").write_text(text[: len(text) * 2 // 3], encoding="utf-8")
    with pytest.raises(InputError, match="cut short"):
        read_osm(tmp_path / "cover.osm", "cover.osm")
    (tmp_path / "cover.osm.pbf").write_bytes(usual_extract().pbf()[:-200])
    with pytest.raises(InputError):
        read_osm(tmp_path / "cover.osm.pbf", "cover.osm.pbf")


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_a_spoilt_extract_is_read_or_refused_in_words(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    """Bytes overwritten, cut out and doubled: features or one message, no traceback."""
    folder = tmp_path_factory.mktemp("spoilt")
    suffix = data.draw(st.sampled_from([".osm", ".osm.pbf"]))
    path = usual_extract().write(folder / f"cover{suffix}")
    raw = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(raw) - 1))
        more = data.draw(st.binary(max_size=12))
        raw[at : at + data.draw(st.integers(0, 12))] = more
    path.write_bytes(bytes(raw))
    said, extract = "", None
    try:
        extract = read_osm(path, path.name)
    except InputError as fault:
        said = fault.where
    if extract is None:
        assert said == path.name
        return
    land = osm_cover(extract, path.name)
    osm_utilities(extract, path.name)
    assert all(cover.height_m >= 0.0 for cover in cover_on_grid(land.raw, GRID))


def test_no_extract_comes_by_another_door(tmp_path: Path) -> None:
    """The driver is open for extracts alone: an .osm named .gml is refused before GDAL sees it."""
    folder = lay_small_property(tmp_path)
    usual_extract().write(folder / "cover.osm")
    (folder / "cover.osm").rename(folder / "cover.gml")
    with pytest.raises(InputError, match="no GML file"):
        read_property(folder)


def test_an_extract_stands_beside_a_drawn_cover_file_which_outranks_it(tmp_path: Path) -> None:
    """What the user drew has the cell, though the wood of the extract is taller."""
    folder = lay_small_property(tmp_path, settings="terrain.margin_m = 300\n")
    usual_extract().write(folder / "cover.osm")
    found = read_property(folder)
    assert any("cover.osm" in line and "read" in line for line in found.assumptions)
    wood = next(cover for cover in found.covers if cover.name == "wood 1001")
    clearing = Cover("my clearing", "grass", wood.geometry, 0.2)
    landscape = build_landscape(found.elevation, [*found.covers, clearing])
    column, row = landscape.grid.column_row(*shapely.get_coordinates(wood.geometry.centroid)[0])
    number = int(landscape.cover_index[round(float(row)), round(float(column))])
    assert landscape.covers[number - 1].name == "my clearing"


def test_land_between_mapped_areas_is_not_taken_as_bare(tmp_path: Path) -> None:
    """An extract of a few houses says nothing of the land between them: it stays unmapped."""
    folder = lay_small_property(tmp_path, settings="terrain.margin_m = 300\n")
    made = Extract()
    for x in (20, 560):
        made.box(x, x, x + 12, x + 10, {"building": "house"})
    made.write(folder / "cover.osm")
    assert read_property(folder).accounted_m == ()
    made.box(0, 0, 600, 300, {"landuse": "meadow"})
    made.write(folder / "cover.osm")
    boxes = read_property(folder).accounted_m
    assert boxes is not None
    covered = sum((east - west) * (north - south) for west, south, east, north in boxes)
    assert covered == pytest.approx(600 * 300, rel=0.2)


def test_shapes_that_are_none_are_counted_and_left_out(tmp_path: Path) -> None:
    """An outline drawn to and fro, one that crosses itself, a line of one place; a place beyond the pole is a fault of the file."""
    made = Extract()
    made.area([(60, 300), (90, 300), (60, 300)], {"building": "yes"})
    made.area([(100, 300), (130, 330), (130, 300), (100, 330)], {"natural": "wood"})
    made.line([(60, 320), (60, 320)], {"barrier": "hedge"})
    made.line([(70, 320), (80, 320)], {"power": "line"})
    folder = lay_small_property(tmp_path)
    made.write(folder / "cover.osm")
    found = read_property(folder)
    assert [cover.kind for cover in found.covers] == ["wood_deciduous"]
    assert found.covers[0].geometry.area == pytest.approx(450.0, rel=0.02)
    assert any("no sound shape" in note for note in found.assumptions)
    assert len(found.utilities) == 1
    text = made.xml().replace("</osm>", '<node id="90" lat="95" lon="400"><tag k="natural" v="tree"/></node></osm>')
    (folder / "cover.osm").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match="Invalid lon=400"):
        read_property(folder)


def test_an_extract_of_another_place_is_an_error(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path)
    made = Extract()
    made.box(90_000, 90_000, 90_100, 90_100, {"natural": "wood"})
    made.write(folder / "cover.osm")
    with pytest.raises(InputError, match="none of its shapes reaches the land"):
        read_property(folder)
    made.line([(0, 300), (600, 300)], {"highway": "track"})
    made.write(folder / "cover.osm")
    assert read_property(folder).covers == ()


def test_the_first_row_that_fits_has_the_feature() -> None:
    swamp = meaning_of({"natural": "wetland", "wetland": "swamp"}, "area")
    assert swamp is not None
    assert swamp.kind == "wood"
    assert meaning_of({"building": "no"}, "area") is None
    assert meaning_of({"natural": "wood"}, "line") is None


@pytest.mark.parametrize("ending", [".gz", ".bz2"])
def test_a_packed_extract_is_told_to_be_unpacked(tmp_path: Path, ending: str) -> None:
    folder = lay_small_property(tmp_path, settings=f'cover = "cover.osm{ending}"\n')
    (folder / f"cover.osm{ending}").write_bytes(b"\x1f\x8b packed")
    with pytest.raises(InputError, match="is packed") as told:
        read_property(folder)
    assert "Unpack it first, and name what comes out ('cover.osm')" in str(told.value)
