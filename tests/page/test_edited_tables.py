"""Tables, property.toml and GeoJSON are rewritten where they were touched and nowhere else."""

from __future__ import annotations

import csv
import difflib
import io
import json
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.errors import InputError
from meshplan.page.shape_text import new_collection, shapes_of, with_feature, with_geometry, with_properties, without_feature
from meshplan.page.table_text import table_of, with_cells, with_row, without_row
from meshplan.page.toml_text import with_key

WORDS = st.text(alphabet="ab1.,;\"' #\té\n", max_size=6)


@st.composite
def tables(draw: st.DrawFn) -> tuple[list[list[str]], str, str]:
    mark, line_end = draw(st.sampled_from([(",", "\n"), (";", "\r\n"), ("\t", "\n")]))
    width = draw(st.integers(2, 4))
    cell = WORDS.filter(lambda word: not word.startswith(("#", " ")))
    body = draw(st.lists(st.lists(cell, min_size=width, max_size=width), min_size=1, max_size=5))
    return [[f"head{i}" for i in range(width)], *[["k" + row[0], *row[1:]] for row in body]], mark, line_end


def written(rows: list[list[str]], mark: str, line_end: str) -> bytes:
    stream = io.StringIO(newline="")
    csv.writer(stream, delimiter=mark, lineterminator=line_end).writerows(rows)
    return stream.getvalue().encode()


def rows_of(content: bytes, mark: str) -> list[list[str]]:
    """Return the rows as the reader of sites files cuts them."""
    text = content.decode("utf-8-sig")
    return list(csv.reader(io.StringIO(text, newline=""), delimiter=mark, skipinitialspace=True, strict=True))


@given(tables(), st.data())
@settings(max_examples=150, deadline=None)
def test_one_cell_of_any_table_changes_alone(table: tuple[list[list[str]], str, str], data: st.DataObject) -> None:
    rows, mark, line_end = table
    content = written(rows, mark, line_end)
    cut = table_of(content, "t.csv")
    assert cut.mark == mark
    assert [[cell.value for cell in row.cells] for row in cut.rows] == rows_of(content, mark), "cut as the reader cuts"
    row = data.draw(st.integers(1, len(rows) - 1))
    column = data.draw(st.integers(1, len(rows[0]) - 1))
    word = data.draw(WORDS.filter(lambda text: text == text.strip(" ")))
    changed = with_cells(cut, row, {f"head{column}": word}, "t.csv")
    wanted = [list(each) for each in rows_of(content, mark)]
    wanted[row][column] = word
    assert rows_of(changed, mark) == wanted
    start, end = cut.rows[row].cells[column].start, cut.rows[row].cells[column].end
    text = content.decode()
    assert changed.decode().startswith(text[:start])
    assert changed.decode().endswith(text[end:])


BY_HAND = (
    "\ufeffname;role;lon_deg;lat_deg;my own;note\r\n# kept; by hand\r\n\r\n"
    '"Gate ""old""";sensor;-21,1;48,0;x;\r\nWell;sensor;-21,2;48,1'
)


def test_quotes_marks_comments_and_unknown_columns_stay() -> None:
    content = BY_HAND.encode()
    table = table_of(content, "s.csv")
    changed = with_cells(table, 3, {"note": "a;b"}, "s.csv").decode()
    assert changed == BY_HAND.replace(";x;\r\n", ';x;"a;b"\r\n')
    assert with_cells(table, 4, {"note": "deep"}, "s.csv").decode() == BY_HAND + ";;deep", "a short row is filled up to the cell"
    more = with_row(table, {"name": "New", "role": "relay", "height": "3"}, "s.csv").decode()
    assert more == BY_HAND.replace("my own;note", "my own;note;height") + "\r\nNew;relay;;;;;3"
    assert without_row(table, 3, "s.csv").decode() == BY_HAND.replace('"Gate ""old""";sensor;-21,1;48,0;x;\r\n', "")


def test_a_latin_table_stays_latin_and_refuses_what_it_cannot_hold() -> None:
    content = "name,role\nBäche,sensor\n".encode("cp1252")
    table = table_of(content, "s.csv")
    assert with_cells(table, 1, {"name": "Höfe"}, "s.csv") == "name,role\nHöfe,sensor\n".encode("cp1252")
    with pytest.raises(InputError, match="no 'Ж'"):
        with_cells(table, 1, {"name": "Ж"}, "s.csv")


TOML = (
    '# my farm\r\nname = "A"  # the name\r\nseasons = [\r\n  "bare", # winter\r\n]\r\n\r\n'
    "[requirement]\r\n# few\r\nhop_limit = 2\r\n"
)


@pytest.mark.parametrize(
    ("key", "value"),
    [("requirement.hop_limit", 3), ("name", "Bé"), ("cost.relay", 40.5), ("requirement.budget", 100), ("crs", "EPSG:25832")],
)
def test_one_key_changes_and_all_comments_stay(key: str, value: object) -> None:
    content = TOML.encode()
    changed = with_key(content, key, value)
    lines, was = changed.decode().splitlines(keepends=True), TOML.splitlines(keepends=True)
    assert all(line.endswith("\r\n") for line in lines)
    gone = [line[2:] for line in difflib.ndiff(was, lines) if line.startswith("- ")]
    assert all(line.startswith(key.rsplit(".", maxsplit=1)[-1]) for line in gone), "every other line stays, in its order"
    assert len(gone) <= 1
    found = tomllib.loads(changed.decode())
    for part in key.split("."):
        found = found[part]
    assert found == value


def test_a_key_is_taken_out_and_an_unchanged_one_changes_no_byte() -> None:
    content = TOML.encode()
    assert with_key(content, "requirement.hop_limit", None).decode() == TOML.replace("hop_limit = 2\r\n", "")
    assert with_key(content, "requirement.hop_limit", 2) == content
    with pytest.raises(InputError, match="holds a value, no table"):
        with_key(content, "name.first", 1)


SHAPES = """{ "type":"FeatureCollection", "mine": {"a": 1.50},
  "features": [
    {"type": "Feature", "id": 7, "properties": {"kind": "wood", "height_m": 9.0, "by": "hand"},
     "geometry": {"type": "Polygon", "coordinates": [[[1.00, 2.000], [1.1, 2.0], [1.1, 2.1], [1.00, 2.000]]]}},
    {"type": "Feature", "properties": {}, "geometry": null}
  ], "after": true }
"""


def test_one_property_of_one_feature_changes_alone() -> None:
    shapes = shapes_of(SHAPES.encode(), "c.geojson")
    assert with_properties(shapes, 0, {"height_m": 12.5}).decode() == SHAPES.replace("9.0", "12.5")
    assert with_properties(shapes, 0, {"height_m": None}).decode() == SHAPES.replace(', "height_m": 9.0', "")
    assert with_properties(shapes, 0, {"kind": None}).decode() == SHAPES.replace('"kind": "wood", ', "")
    assert with_properties(shapes, 0, {"name": "é"}).decode() == SHAPES.replace('"by": "hand"', '"by": "hand", "name": "é"')
    assert with_properties(shapes, 1, {"kind": "hedge"}).decode() == SHAPES.replace("{}", '{"kind": "hedge"}')
    line = {"type": "LineString", "coordinates": [[1.123456789, 2], [3, 4]]}
    assert (
        '"geometry": {"type": "LineString", "coordinates": [[1.1234568, 2.0], [3.0, 4.0]]}}\n  ]'
        in with_geometry(shapes, 1, line).decode()
    )
    assert with_geometry(shapes, 1, line).decode().startswith(SHAPES[: SHAPES.index("null")])


def test_features_come_and_go_with_their_commas() -> None:
    content = SHAPES.encode()
    shapes = shapes_of(content, "c.geojson")
    point = {"type": "Point", "coordinates": [1, 2]}
    more = with_feature(shapes, {"kind": "tree", "name": None}, point)
    assert json.loads(more)["features"][2]["properties"] == {"kind": "tree"}
    assert without_feature(shapes_of(more, "c"), 2) == content, "the feature leaves as it came"
    assert json.loads(without_feature(shapes, 0)) == json.loads(content) | {"features": json.loads(content)["features"][1:]}
    new = shapes_of(new_collection({"kind": "wood"}, point), "n")
    assert len(new.features) == 1


@pytest.mark.parametrize(
    "text", ["[]", "{", '{"type": "Feature"}', '{"type": "FeatureCollection", "features": [1]}', "[" * 100_000]
)
def test_what_is_no_collection_is_said_to_be_none(text: str) -> None:
    with pytest.raises(InputError, match="no list of features"):
        shapes_of(text.encode(), "x.geojson")
