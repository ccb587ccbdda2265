"""Somebody else changed the same thing: theirs, mine or both, each tried on each kind of thing; what is elsewhere merges."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from open_desk import Client, open_desk
from small_property import lay_small_property, lon_lat

from meshplan.inputs.property import read_property
from meshplan.page.desk import Desk

RING = [list(lon_lat(x, y)) for x, y in ((250, 250), (350, 250), (350, 350), (250, 250))]
AREA = {"type": "Polygon", "coordinates": [RING]}
WOOD = {"what": "shape.add", "use": "cover", "values": {"kind": "wood", "height_m": 8}, "geometry": AREA}


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[tuple[Client, Desk]]:
    with open_desk(lay_small_property(tmp_path / "holding", settings="[requirement]\nhop_limit = 3\n")) as (client, desk):
        assert client.do("/do/step", do=[WOOD])[0] == 200
        yield client, desk


def swap(path: Path, before: str, after: str) -> None:
    text = path.read_text()
    assert text.count(before) == 1
    path.write_text(text.replace(before, after))


def site(client: Client) -> dict[str, Any]:
    return {
        "what": "site.set",
        "file": "sites.csv",
        "name": "Bed",
        "values": {"antenna_agl_m": "2"},
        "was": {"antenna_agl_m": "1.0"},
    }


def shape(client: Client) -> dict[str, Any]:
    one = client.ask("/ask/sheet")[1]["shapes"][0]
    return {"what": "shape.set", "file": one["file"], "feature": 1, "mark": one["mark"], "values": {"height_m": 12}}


def key(client: Client) -> dict[str, Any]:
    return {"what": "key.set", "key": "requirement.hop_limit", "value": 4, "was": 3}


CASES = {
    "site": (site, "sites.csv", "sensor,1.0,trend", "sensor,7.0,trend", "sensor,2,trend"),
    "shape": (shape, "cover.geojson", '"height_m": 8', '"height_m": 7', '"height_m": 12'),
    "key": (key, "property.toml", "hop_limit = 3", "hop_limit = 2", "hop_limit = 4"),
}
Make = Callable[[Client], dict[str, Any]]


@pytest.mark.parametrize(("make", "file", "was", "theirs", "mine"), CASES.values(), ids=CASES)
def test_each_choice_is_tried_on_each_kind_of_thing(
    make: Make, file: str, was: str, theirs: str, mine: str, inside: tuple[Client, Desk]
) -> None:
    client, desk = inside
    folder = desk.book.folder
    path = folder / file
    beside = folder / f"{path.stem}.mine{path.suffix}"
    edit = make(client)
    swap(path, was, theirs)
    status, told = client.do("/do/step", do=[edit])
    assert (status, told["changed"], told["choices"]) == (409, [file], ["theirs", "mine", "both"])
    assert theirs in path.read_text()
    assert client.do("/do/step", do=[edit], over="rubbish")[0] == 422

    status, told = client.do("/do/step", do=[edit], over="both")
    assert (status, told["step"]["files"]) == (200, [beside.name])
    assert theirs in path.read_text(), "theirs stays"
    assert mine in beside.read_text()
    read_property(folder)
    assert client.ask("/ask/sheet")[1]["faults"] == []
    assert beside.name not in str(client.ask("/ask/sheet")[1]["files"]), "and mine is not read"
    assert client.do("/do/step", do=[edit], over="both")[1]["step"]["files"] == [f"{path.stem}.mine2{path.suffix}"]
    client.do("/do/back")
    client.do("/do/back")
    assert not beside.exists()

    before = path.read_text()
    assert client.do("/do/step", do=[edit], over="mine")[0] == 200
    assert path.read_text() == before.replace(theirs, mine), "nothing else is touched"
    client.do("/do/back")
    assert path.read_text() == before, "theirs can be put back"


def test_what_is_gone_cannot_be_written_over(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    path = desk.book.folder / "sites.csv"
    path.write_text("".join(line for line in path.read_text().splitlines(keepends=True) if not line.startswith("Bed")))
    status, told = client.do("/do/step", do=[site(client)])
    assert (status, told["choices"]) == (409, ["theirs"])
    assert client.do("/do/step", do=[site(client)], over="mine")[0] == 409
    gone = shape(client) | {"mark": "0" * 16, "feature": 9}
    assert client.do("/do/step", do=[gone], over="mine")[0] == 409
    assert client.do("/do/step", do=[gone | {"feature": 1}], over="mine")[0] == 200


def test_rows_that_others_changed_elsewhere_merge(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    path = desk.book.folder / "sites.csv"
    path.write_text(path.read_text().replace("Trough", "Old trough"))
    status, told = client.do("/do/step", do=[site(client)])
    assert status == 200
    assert "Old trough" in path.read_text()
    assert "sensor,2,trend" in path.read_text()
    steps = client.ask("/ask/sheet")[1]["steps"]
    assert [step["by"] for step in steps[-2:]] == ["outside", ""]
    assert told["step"]["files"] == ["sites.csv"]


def test_a_wrong_value_is_refused_whatever_the_answer(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    wrong = site(client) | {"values": {"antenna_agl_m": "-3"}}
    swap(desk.book.folder / "sites.csv", "sensor,1.0,trend", "sensor,7.0,trend")
    before = (desk.book.folder / "sites.csv").read_bytes()
    assert client.do("/do/step", do=[wrong], over="mine")[0] == 422
    assert before == (desk.book.folder / "sites.csv").read_bytes()
