"""plan.json, plan.geojson and the tables: exact, standard, safe and never half written."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_fixture import HOSTILE_NAMES, make_plan
from shapely.geometry import shape

from meshplan.errors import FaultList, InputError, MeshplanError, MissingFileError
from meshplan.inputs.plan_file import read_plan_json
from meshplan.records import MapShape, Plan, RunningCost
from meshplan.records.codec import PRECISION, json_text, plan_from_json, plan_to_json, record_to_values, rounded
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.files import csv_text, write_text_atomically
from meshplan.reporting.plan_files import (
    closed_ring,
    csv_tables,
    plan_geojson,
    write_csv_tables,
    write_links_csv,
    write_plan_geojson,
    write_plan_json,
)

PLAN = make_plan()
SMALL = replace(PLAN, links=(), routes=())


def reread(plan: Plan) -> Plan:
    return plan_from_json(json.loads(json_text(plan_to_json(plan))), where="plan.json")


def test_a_plan_comes_back_exactly(plan: Plan, tmp_path: Path) -> None:
    assert read_plan_json(write_plan_json(plan, tmp_path / "plan.json")) == plan


PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner) | st.tuples(inner, inner),
)


@settings(deadline=None, max_examples=200)
@given(PLAIN)
def test_text_is_that_of_the_standard_library(value: object) -> None:
    assert json_text(value) == json.dumps(value, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_text_holds_what_json_has_not(value: float) -> None:
    for indent in (None, 1):
        with pytest.raises(ValueError, match=r"."):
            json_text({"deep": [[value]]}, indent=indent)


CORNER = st.floats(-180, 180) | st.sampled_from([math.nan, math.inf, -0.0, 7.00000005])


@settings(deadline=None, max_examples=100)
@given(st.lists(st.lists(st.tuples(CORNER, CORNER), max_size=5).map(tuple), max_size=3).map(tuple), st.floats() | st.integers(0, 9))
def test_outlines_are_encoded_like_any_record(rings: tuple[tuple[tuple[float, float], ...], ...], height_m: float) -> None:
    def written(value: float, name: str) -> object:
        unknown = "infinity" if value > 0 else "-infinity" if value < 0 else None
        return rounded(value, name) if math.isfinite(value) else unknown

    drawn = MapShape("building", "barn", height_m, rings)
    wanted = [[[written(a, "rings"), written(b, "rings")] for a, b in ring] for ring in rings]
    expected = {"kind": "building", "name": "barn", "height_m": written(float(height_m), "height_m"), "rings": wanted}
    assert repr(record_to_values(drawn)) == repr(expected)


def test_hostile_names_come_back_exactly(hostile_plan: Plan) -> None:
    assert reread(hostile_plan) == hostile_plan


def test_same_plan_gives_the_same_bytes(plan: Plan, tmp_path: Path) -> None:
    first = write_plan_json(plan, tmp_path / "a.json").read_bytes()
    again = write_plan_json(reread(make_plan()), tmp_path / "b.json").read_bytes()
    assert first == again


@settings(deadline=None, max_examples=60)
@given(st.floats(allow_nan=True, allow_infinity=True), st.integers(-5, 5))
def test_numbers_are_rounded_once_and_unknown_stays_unknown(value: float, whole: int) -> None:
    plan = SMALL
    device = replace(plan.devices[0], ground_amsl_m=value, cost=whole)
    changed = replace(plan, devices=(device, *plan.devices[1:]))
    text = json_text(plan_to_json(changed))
    back = reread(changed)
    got = back.devices[0].ground_amsl_m
    if math.isnan(value):
        assert math.isnan(got)
    elif math.isinf(value):
        assert got == value
    else:
        assert abs(got - value) <= 0.0005 + abs(value) * 1e-15
    assert json_text(plan_to_json(back)) == text
    assert "NaN" not in text
    assert "Infinity" not in text
    assert isinstance(json.loads(text)["plan"]["devices"][0]["cost"], float)


def test_a_proof_is_kept_to_the_last_bit() -> None:
    plan = make_plan()
    exact = 276.99999999999994
    assert reread(plan).proof.certified_bound == exact
    assert reread(plan).proof.certificate["multipliers"][1] == 1 / 3
    assert rounded(exact, "certified_bound") != exact


def test_the_file_states_its_rounding(plan: Plan) -> None:
    document = plan_to_json(plan)
    assert document["precision"]["decimals"] == PRECISION
    assert rounded(12.34567, "distance_m") == 12.346
    assert rounded(-48.123456789, "lat_deg") == -48.1234568
    assert math.copysign(1.0, rounded(-0.0001, "distance_m")) == 1.0


def test_all_faults_of_a_plan_file_are_named_together(plan: Plan, tmp_path: Path) -> None:
    document = plan_to_json(plan)
    document["plan"]["devices"][0]["role"] = "tower"
    document["plan"]["links"][1]["distance_m"] = "far"
    del document["plan"]["currency"]
    document["plan"]["colour"] = "blue"
    document["headline"] = "all is well"
    path = write_text_atomically(tmp_path / "plan.json", json_text(document))
    with pytest.raises(FaultList) as caught:
        read_plan_json(path)
    told = str(caught.value)
    assert "plan.devices[0].role: 'tower' is not one of sensor, gateway, relay" in told
    assert "plan.links[1].distance_m: 'far' is not a number" in told
    assert "plan.currency: the field is missing" in told
    assert "plan.colour: there is no such field" in told
    assert "headline: there is no such field" in told


def test_a_file_from_before_a_field_was_added_is_still_read(plan: Plan, tmp_path: Path) -> None:
    document = plan_to_json(plan)
    for device in document["plan"]["devices"]:
        del device["polarisation"]
    assert read_plan_json(write_text_atomically(tmp_path / "plan.json", json_text(document))) == plan


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "this is not JSON"),
        ("[1]", "this is not a meshplan plan file"),
        ('{"format": "meshplan plan", "format_version": 99}', "format_version 99 is not 1"),
        ('{"a": NaN}', "NaN is not JSON"),
    ],
)
def test_a_file_that_is_no_plan_is_refused(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "plan.json"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_plan_json(path)


def test_a_missing_file_says_what_to_run(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="Run `meshplan plan` first"):
        read_plan_json(tmp_path / "plan.json")


def test_geojson_follows_rfc_7946(plan: Plan, tmp_path: Path) -> None:
    document = json.loads(write_plan_geojson(plan, tmp_path / "plan.geojson").read_text(encoding="utf-8"))
    assert document["type"] == "FeatureCollection"
    assert "crs" not in document
    layers = [feature["properties"]["layer"] for feature in document["features"]]
    assert {layer: layers.count(layer) for layer in layers} == {
        "shape": len(plan.shapes),
        "link": len(plan.links),
        "route": len(plan.routes),
        "device": len(plan.devices),
    }
    house = next(feature for feature in document["features"] if feature["id"] == "device:house")
    assert house["geometry"]["coordinates"] == [plan.device("house").lon_deg, plan.device("house").lat_deg]
    west, south, east, north = document["bbox"]
    assert all(west <= device.lon_deg <= east and south <= device.lat_deg <= north for device in plan.devices)
    assert len({feature["id"] for feature in document["features"]}) == len(document["features"])


def test_outer_rings_turn_left_and_holes_turn_right(plan: Plan) -> None:
    for feature in plan_geojson(plan)["features"]:
        if feature["geometry"]["type"] == "Polygon":
            polygon = shape(feature["geometry"])
            assert polygon.is_valid
            assert polygon.exterior.is_ccw
            assert not any(hole.is_ccw for hole in polygon.interiors)


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(-180, 180), st.floats(-80, 80)), min_size=3, max_size=6, unique=True), st.booleans())
def test_a_ring_is_always_closed(points: list[tuple[float, float]], clockwise: bool) -> None:
    ring = closed_ring(points, clockwise=clockwise)
    assert ring[0] == ring[-1]
    assert {tuple(point) for point in ring} == {(round(x, 7) + 0.0, round(y, 7) + 0.0) for x, y in points}


def test_a_plan_of_nothing_still_gives_files(plan: Plan, tmp_path: Path) -> None:
    bare = replace(plan, devices=(), links=(), routes=(), unserved=(), shapes=(), loses_service={}, parts=(), legal=())
    assert json.loads(write_plan_geojson(bare, tmp_path / "p.geojson").read_text()) == {
        "type": "FeatureCollection",
        "features": [],
    }
    assert write_links_csv(bare, tmp_path / "links.csv").read_text().count("\n") == 1


def test_links_csv_has_a_row_a_link_and_the_plan_first(plan: Plan, tmp_path: Path) -> None:
    rows = list(csv.DictReader(write_links_csv(plan, tmp_path / "links.csv").open(encoding="utf-8", newline="")))
    assert [row["link"] for row in rows] == [link.key for link in plan.links]
    orchard = next(row for row in rows if row["link"] == "orchard--house")
    link = plan.link("orchard--house")
    assert float(orchard["leaf_margin_at_b_db"]) == link.season("leaf").margin_at_b_db
    assert float(orchard["bare_path_loss_db"]) == link.season("bare").path_loss_db
    assert orchard["in_plan"] == "yes"


def test_every_budget_in_the_table_adds_up(plan: Plan) -> None:
    header, rows = csv_tables(plan)["budgets"]
    sums: dict[tuple[object, ...], float] = {}
    checked = 0
    for row in rows:
        cells = dict(zip(header, row, strict=True))
        key = tuple(cells[name] for name in ("link", "season", "from", "to"))
        if str(cells["line"]).startswith("received power"):
            assert cells["db"] == pytest.approx(sums[key], abs=0.002)
            checked += 1
        else:
            sums[key] = sums.get(key, 0.0) + float(str(cells["db"]))
    assert checked == len(plan.chosen_links) * len(plan.seasons) * 2


def test_every_table_is_written_with_rows_as_long_as_its_header(hostile_plan: Plan, tmp_path: Path) -> None:
    costs = (RunningCost(hostile_plan.devices[0].name, "data", 60.0, "stated by the user"),)
    plan = replace(hostile_plan, single_routes=hostile_plan.unserved, running_costs=costs)
    written = write_csv_tables(plan, tmp_path)
    assert {path.stem for path in written} == set(csv_tables(plan))
    for path in written:
        rows = list(csv.reader(path.open(encoding="utf-8", newline="")))
        assert len(rows) > 1
        assert {len(row) for row in rows} == {len(rows[0])}


def test_a_spreadsheet_does_not_compute_names(hostile_plan: Plan) -> None:
    name = HOSTILE_NAMES["orchard"]
    header, rows = csv_tables(hostile_plan)["devices"]
    text = csv_text(header, rows)
    first_cells = [row[0] for row in csv.reader(io.StringIO(text))]
    assert f"'{name}" in first_cells
    assert not any(cell.startswith(("=", "+", "-", "@")) for cell in first_cells)


def test_a_stop_while_writing_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write_text_atomically(tmp_path / "plan.json", "old")

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("meshplan.reporting.files.Path.replace", stop)
    with pytest.raises(KeyboardInterrupt):
        write_text_atomically(path, "new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_is_filled_whole_or_not_at_all(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("keep")

    def fill_and_fail() -> None:
        with all_or_nothing(tmp_path) as scratch:
            (scratch / "a.txt").write_text("a")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fill_and_fail()
    assert sorted(path.name for path in tmp_path.iterdir()) == ["mine.txt"]
    with all_or_nothing(tmp_path) as scratch:
        (scratch / "sub").mkdir()
        (scratch / "sub" / "b.txt").write_text("b")
    assert sorted(str(path.relative_to(tmp_path)) for path in tmp_path.rglob("*.txt")) == ["mine.txt", "sub/b.txt"]
    assert not list(tmp_path.glob(".meshplan*"))


def test_a_place_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(MeshplanError, match="cannot be written") as caught:
        write_text_atomically(tmp_path / "file" / "plan.json", "x")
    assert str(tmp_path / "file") in caught.value.where


def test_a_plan_with_former_names_of_fields_is_read(plan: Plan) -> None:
    document = json.loads(json_text(plan_to_json(plan)))
    stored = document["plan"]
    stored["goes_dark"] = stored.pop("loses_service")
    spreads = [season["spread"] for link in stored["links"] for season in link["seasons"]]
    for spread in spreads:
        spread["surroundings_db"] = spread.pop("clutter_db")
    assert spreads
    assert plan.loses_service
    assert plan_from_json(document, where="plan.json") == plan
