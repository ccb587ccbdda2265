"""The folder as a document of things: every edit, putting back and doing again, conflicts, and what readers refuse."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from small_property import lay_small_property, lon_lat

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.property import read_property
from meshplan.page.book import Book
from meshplan.page.contents import faults_as_data, things_of
from meshplan.page.edits import ConflictError, edits_from

HEDGE = [lon_lat(100, 310), lon_lat(180, 310)]


def lay(tmp_path: Path) -> Path:
    folder = lay_small_property(tmp_path / "holding")
    rows = (folder / "sites.csv").read_text().splitlines()
    rows[0] += ",my own"
    (folder / "sites.csv").write_bytes(("\r\n".join(["# by hand", *rows]) + "\r\n").encode())
    toml = (folder / "property.toml").read_text()
    (folder / "property.toml").write_text(f"# what we know\n{toml}\n[requirement]\nhop_limit = 3 # enough\n")
    return folder


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def do(book: Book, *edits: dict[str, Any], words: str = "changed") -> Any:
    return book.step(edits_from(list(edits)), words)


def line(points: list[tuple[float, float]]) -> dict[str, Any]:
    return {"type": "LineString", "coordinates": [list(point) for point in points]}


def test_a_folder_is_told_as_things_each_with_its_file(tmp_path: Path) -> None:
    told = things_of(lay(tmp_path))
    assert told["faults"] == []
    assert [site["values"]["name"] for site in told["sites"]] == ["Bed", "Trough", "House", "North post", "South post"]
    assert told["sites"][0]["row"] == 3, "the row of the reader's messages: a comment and the headings stand above"
    assert told["settings"]["requirement"] == {"hop_limit": 3}
    assert told["files"]["sites"] == [{"file": "sites.csv", "why_not": ""}]


def test_sites_are_moved_renamed_added_and_taken_out_and_the_reader_agrees(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    lon_deg, lat_deg = lon_lat(95, 325)
    there = {"lon_deg": lon_deg, "lat_deg": lat_deg}
    do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "place": there, "values": {"name": "Leek bed"}})
    do(book, {"what": "site.add", "file": "sites.csv", "values": {"name": "New", "role": "sensor", "note": "x"}, "place": there})
    do(book, {"what": "site.drop", "file": "sites.csv", "name": "North post"})
    sites = {site.name: site for site in read_property(folder).sites}
    assert set(sites) == {"Leek bed", "Trough", "House", "South post", "New"}
    assert sites["Leek bed"].lon_deg == pytest.approx(lon_deg, abs=1e-7)
    assert sites["New"].note == "x"
    assert (folder / "sites.csv").read_bytes().startswith(b"# by hand\r\n")
    assert (folder / "sites.csv").read_bytes().count(b"\n") == (folder / "sites.csv").read_bytes().count(b"\r\n")


def test_a_first_shape_makes_its_file_and_the_last_one_takes_it_away(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    before = bytes_of(folder)
    book = Book(folder)
    do(book, {"what": "shape.add", "use": "cover", "values": {"kind": "hedge", "height_m": 3}, "geometry": line(HEDGE)})
    assert [cover.kind for cover in read_property(folder).covers] == ["hedge_deciduous"]
    assert b'cover = "cover.geojson"' in (folder / "property.toml").read_bytes()
    shape = things_of(folder)["shapes"][0]
    at = {"file": shape["file"], "feature": 1, "mark": shape["mark"]}
    do(book, {"what": "shape.set", **at, "values": {"height_m": 4.5}})
    assert read_property(folder).covers[0].height_m == 4.5
    mark = things_of(folder)["shapes"][0]["mark"]
    do(book, {"what": "shape.drop", "use": "cover", **at | {"mark": mark}})
    assert bytes_of(folder).keys() == before.keys()
    for _ in range(3):
        book.back()
    assert bytes_of(folder) == before
    assert book.back() is None
    for _ in range(2):
        book.again()
    assert read_property(folder).covers[0].height_m == 4.5


def test_ground_to_search_is_drawn_like_any_shape(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    before = bytes_of(folder)
    book = Book(folder)
    ring = [list(lon_lat(x, y)) for x, y in ((260, 380), (420, 380), (420, 480), (260, 380))]
    area = {"type": "Polygon", "coordinates": [ring]}
    do(book, {"what": "shape.add", "use": "search_ground", "geometry": area})
    assert b'search_ground = "search_ground.geojson"' in (folder / "property.toml").read_bytes()
    assert read_property(folder).search_ground is not None
    assert [shape["use"] for shape in things_of(folder)["shapes"]] == ["search_ground"]
    with pytest.raises(MeshplanError, match="does not close"):
        do(book, {"what": "shape.add", "use": "search_ground", "geometry": line(HEDGE)})
    book.back()
    assert bytes_of(folder) == before


def random_edit(book: Book, draw: random.Random, number: int) -> dict[str, Any]:
    told = things_of(book.folder)
    sites = [site["values"]["name"] for site in told["sites"]]
    where = dict(zip(("lon_deg", "lat_deg"), lon_lat(draw.uniform(20, 580), draw.uniform(20, 580)), strict=True))
    corner = draw.uniform(50, 400)
    ring = [list(lon_lat(corner + dx, corner + dy)) for dx, dy in ((0, 0), (60, 0), (60, 50), (0, 0))]
    area = {"type": "Polygon", "coordinates": [ring]}
    at = [
        {"file": shape["file"], "feature": shape["feature"], "mark": shape["mark"], "use": shape["use"]} for shape in told["shapes"]
    ]
    hops = told["settings"]["requirement"].get("hop_limit")
    choices: list[dict[str, Any]] = [
        {"what": "site.set", "file": "sites.csv", "name": draw.choice(sites), "place": where},
        {"what": "site.set", "file": "sites.csv", "name": sites[0], "values": {"note": f'said "{number}", twice'}},
        {"what": "site.add", "file": "sites.csv", "values": {"name": f"S{number}", "role": "sensor"}, "place": where},
        {"what": "key.set", "key": "requirement.hop_limit", "value": 2 if hops == 3 else 3, "was": hops},
        {"what": "shape.add", "use": "cover", "values": {"kind": "wood", "height_m": 9}, "geometry": area},
        {"what": "shape.add", "use": "boundary", "values": {}, "geometry": area},
    ]
    if len(sites) > 6:
        choices.append({"what": "site.drop", "file": "sites.csv", "name": sites[-1]})
    if at:
        spot = draw.choice(at)
        place = {key: spot[key] for key in ("file", "feature", "mark")}
        choices += [{"what": "shape.drop", **spot}, {"what": "shape.draw", **place, "geometry": area}]
        choices.append({"what": "shape.set", **place, "values": {"name": f"n{number}"}})
    return draw.choice(choices)


@pytest.mark.parametrize("seed", [1, 2])
def test_fifty_mixed_edits_put_back_give_the_files_of_the_beginning(seed: int, tmp_path: Path) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    draw = random.Random(seed)
    states = [bytes_of(folder)]
    kinds = set()
    while len(states) < 51:
        edit = random_edit(book, draw, len(states))
        if do(book, edit) is not None:
            kinds.add(edit["what"])
            states.append(bytes_of(folder))
    assert len(kinds) == 8, "each kind of edit was drawn"
    files = {"sites.csv", "property.toml", "cover.geojson", "boundary.geojson"}
    assert {name for step in book.steps for name in step.after} >= files, "over four files at least"
    for state in reversed(states[:-1]):
        assert book.back() is not None
        assert bytes_of(folder) == state
    for state in states[1:]:
        assert book.again() is not None
        assert bytes_of(folder) == state


def test_a_wrong_value_comes_back_in_the_readers_words_and_nothing_is_written(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    before = bytes_of(folder)
    book = Book(folder)
    with pytest.raises(InputError) as caught:
        do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"antenna_agl_m": "30 ft"}})
    assert faults_as_data(caught.value) == [
        {
            "where": "sites.csv, row 3, column 'antenna_agl_m'",
            "file": "sites.csv",
            "row": 3,
            "key": "antenna_agl_m",
            "problem": "'30 ft' is not in metres",
            "fix": "Write 9.14, the same length in metres.",
        }
    ]
    with pytest.raises(InputError, match=r"hop_limit.*too large"):
        do(book, {"what": "key.set", "key": "requirement.hop_limit", "value": 99, "was": 3})
    with pytest.raises(InputError, match="stands already"):
        do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"name": "trough"}})
    with pytest.raises(InputError, match="kind"):
        do(book, {"what": "shape.add", "use": "cover", "values": {"kind": "jungle"}, "geometry": line(HEDGE)})
    assert bytes_of(folder) == before
    assert book.steps == []


def test_a_folder_with_faults_can_be_mended_one_by_one(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    text = (folder / "sites.csv").read_text().replace(",sensor,", ",sensr,")
    (folder / "sites.csv").write_text(text)
    book = Book(folder)
    assert len(things_of(folder)["faults"]) == 2
    do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"role": "sensor"}})
    assert [fault["row"] for fault in things_of(folder)["faults"]] == [4]


def test_what_others_changed_elsewhere_stays_and_the_same_cell_is_a_conflict(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    path = folder / "sites.csv"
    path.write_bytes(path.read_bytes().replace(b"Trough", b"Old trough"))
    do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "mine"}, "was": {"note": ""}})
    assert b"Old trough" in path.read_bytes()
    assert [step.by for step in book.steps] == ["outside", ""]
    path.write_bytes(path.read_bytes().replace(b"mine", b"theirs"))
    theirs = path.read_bytes()
    with pytest.raises(ConflictError, match="note is 'theirs' now, it was 'mine'"):
        do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "again"}, "was": {"note": "mine"}})
    with pytest.raises(ConflictError, match="not there any more"):
        do(book, {"what": "site.drop", "file": "sites.csv", "name": "Trough"})
    with pytest.raises(ConflictError, match="changed by somebody else"):
        do(book, {"what": "key.set", "key": "requirement.hop_limit", "value": 4, "was": 2})
    assert path.read_bytes() == theirs
    book.back()
    assert b"mine" in path.read_bytes(), "what came from outside is put back like any other step"


def test_a_shape_is_found_by_its_mark_where_features_before_it_went(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    for height_m in (2, 3, 4):
        do(book, {"what": "shape.add", "use": "cover", "file": None if height_m == 2 else "cover.geojson",
                  "values": {"kind": "hedge", "height_m": height_m}, "geometry": line(HEDGE)})  # fmt: skip
    old = things_of(folder)["shapes"]
    do(book, {"what": "shape.drop", "use": "cover", "file": "cover.geojson", "feature": 1, "mark": old[0]["mark"]})
    do(book, {"what": "shape.set", "file": "cover.geojson", "feature": 3, "mark": old[2]["mark"], "values": {"height_m": 5}})
    assert [shape["values"]["height_m"] for shape in things_of(folder)["shapes"]] == [3, 5]
    with pytest.raises(ConflictError):
        do(book, {"what": "shape.set", "file": "cover.geojson", "feature": 2, "mark": old[2]["mark"], "values": {"height_m": 6}})


def test_a_change_between_reading_and_writing_is_noticed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    path = folder / "sites.csv"
    usual = Book._refuse_new_faults

    def meanwhile(self: Book, *args: Any) -> None:
        usual(self, *args)
        path.write_bytes(path.read_bytes() + b"\r\n")

    monkeypatch.setattr(Book, "_refuse_new_faults", meanwhile)
    with pytest.raises(ConflictError, match="just now"):
        do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "x"}})
    assert path.read_bytes().endswith(b"\r\n\r\n")
    assert not any(entry.name.startswith(".") for entry in folder.iterdir())


@pytest.mark.parametrize("name", ["../sites.csv", "/etc/hosts", ".hidden.csv", "", "a\\..\\b.csv", "nul\x00.csv", "other.csv"])
def test_names_lead_nowhere_but_to_files_of_the_folder(name: str, tmp_path: Path) -> None:
    folder = lay(tmp_path)
    (tmp_path / "sites.csv").write_text("name,role\n")
    with pytest.raises(MeshplanError):
        do(Book(folder), {"what": "site.drop", "file": name, "name": "Bed"})


def test_a_link_is_not_followed_and_rights_of_a_file_stay(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    (folder / "property.toml").chmod(0o600)
    do(Book(folder), {"what": "key.set", "key": "requirement.hop_limit", "value": 4, "was": 3})
    assert (folder / "property.toml").stat().st_mode & 0o777 == 0o600
    outside = tmp_path / "kept.csv"
    (folder / "sites.csv").rename(outside)
    (folder / "sites.csv").symlink_to(outside)
    before = outside.read_bytes()
    with pytest.raises(InputError, match="link to another place"):
        do(Book(folder), {"what": "site.drop", "file": "sites.csv", "name": "Bed"})
    assert outside.read_bytes() == before


def test_metres_stay_metres_and_decimal_commas_stay_commas(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    toml = folder / "property.toml"
    toml.write_text('crs = "EPSG:32627"\n' + toml.read_text())
    (folder / "sites.csv").write_text(
        "name;role;x_m;y_m;antenna_agl_m\nBed;sensor;485090,5;5317320,25;1,5\nHouse;gateway;485060,0;5317300,0;4,0\n"
    )
    lon_deg, lat_deg = lon_lat(100, 330)
    book = Book(folder)
    do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "place": {"lon_deg": lon_deg, "lat_deg": lat_deg}})
    do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"antenna_agl_m": "2.5"}})
    assert (folder / "sites.csv").read_text().splitlines()[1] == "Bed;sensor;485100,00;5317330,00;2,5"
    assert read_property(folder).sites[0].antenna_agl_m == 2.5


def test_a_message_that_is_no_edit_is_refused() -> None:
    for data in (None, [], [{"what": "file.delete", "file": "x"}], [{"what": "key.set", "key": "a b"}], [{"what": "site.drop"}]):
        with pytest.raises(MeshplanError, match="no change of the folder"):
            edits_from(data)


def test_a_folder_that_may_not_be_written_to_stays_as_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    before = bytes_of(folder)
    usual = Path.replace

    def refused(path: Path, target: Path) -> Path:
        if path.name == "property.toml" and ".old" not in path.parts:
            raise OSError(13, "Permission denied", str(path))
        return usual(path, target)

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(MeshplanError, match="cannot be written"):
        do(book, {"what": "shape.add", "use": "cover", "values": {"kind": "hedge"}, "geometry": line(HEDGE)})
    assert bytes_of(folder) == before
    monkeypatch.undo()
    assert do(book, {"what": "shape.add", "use": "cover", "values": {"kind": "hedge"}, "geometry": line(HEDGE)}) is not None


def test_several_faults_come_together(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    with pytest.raises(FaultList) as caught:
        do(
            Book(folder),
            {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"antenna_agl_m": "0", "purpose": "joy"}},
        )
    assert {fault["key"] for fault in faults_as_data(caught.value)} == {"antenna_agl_m", "purpose"}
    assert os.listdir(folder) == [name for name in os.listdir(folder) if not name.startswith(".")]


def test_settings_at_fault_are_mended_here(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    toml = folder / "property.toml"
    toml.write_text(toml.read_text().replace("hop_limit = 3", "hop_limit = 33"))
    told = things_of(folder)
    assert [fault["key"] for fault in told["faults"]] == ["requirement.hop_limit"]
    assert told["settings"]["requirement"]["hop_limit"] == 33
    book = Book(folder)
    do(book, {"what": "key.set", "key": "requirement.hop_limit", "value": 4, "was": 33})
    assert things_of(folder)["faults"] == []
    do(book, {"what": "site.drop", "file": "sites.csv", "name": "North post"})
    book.back()
    book.back()
    assert "hop_limit = 33" in toml.read_text()


def test_two_desks_on_one_folder_lose_nobodys_change(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    one, other = Book(folder), Book(folder)
    do(one, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "one"}, "was": {"note": ""}})
    do(other, {"what": "site.set", "file": "sites.csv", "name": "Trough", "values": {"note": "two"}, "was": {"note": ""}})
    text = (folder / "sites.csv").read_text()
    assert ("one" in text, "two" in text) == (True, True)
    one.back()
    assert "two" not in (folder / "sites.csv").read_text(), "the last step, seen as one from outside"
    assert "one" in (folder / "sites.csv").read_text()
    with pytest.raises(ConflictError):
        do(other, {"what": "site.set", "file": "sites.csv", "name": "Trough", "values": {"note": "x"}, "was": {"note": "two"}})


def test_states_that_nobody_can_reach_any_more_are_forgotten(tmp_path: Path) -> None:
    folder = lay(tmp_path)
    book = Book(folder)
    first = bytes_of(folder)
    for word in ("a", "b", "c"):
        do(book, {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": word}})
        if word != "c":
            book.back()
    assert len(book.steps) == 1
    assert sum(b"Trough" in content for content in book._kept.contents()) == 2, "as it was and as it is"
    book.back()
    assert bytes_of(folder) == first


STEPS_FOR_EVER = """
import sys
from pathlib import Path
from meshplan.page.book import Book
from meshplan.page.edits import edits_from
book = Book(Path(sys.argv[1]))
ring = [[-21.199, 48.005], [-21.198, 48.005], [-21.198, 48.006], [-21.199, 48.005]]
ring = {"type": "Polygon", "coordinates": [ring]}
print("ready", flush=True)
while True:
    book.step(edits_from([
        {"what": "shape.add", "use": "cover", "values": {"kind": "wood", "height_m": 9}, "geometry": ring},
        {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "wood"}},
    ]), "")
    book.back()
"""


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_a_kill_while_steps_are_written_leaves_a_whole_step_or_none(seed: int, tmp_path: Path) -> None:
    folder = lay(tmp_path)
    without = bytes_of(folder)
    with subprocess.Popen([sys.executable, "-c", STEPS_FOR_EVER, str(folder)], stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        time.sleep(random.Random(seed).uniform(0.2, 1.5))
        assert process.poll() is None
        process.kill()
    Book(folder)
    found = bytes_of(folder)
    if found != without:
        assert found.keys() == {*without, "cover.geojson"}
        assert b"wood" in found["sites.csv"]
        assert b"cover.geojson" in found["property.toml"]
