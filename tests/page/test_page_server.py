"""Steps over the wire: two pages on one folder, conflicts, changes from outside, streams, the end."""

from __future__ import annotations

import http.client
import json
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from open_desk import Client, open_desk
from small_property import lay_small_property

from meshplan.page.desk import Desk
from meshplan.page.events import KEPT, MOST_STREAMS

NOTE = {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "wet"}, "was": {"note": ""}}


class Stream:
    """Events as a browser reads them."""

    def __init__(self, client: Client, last: str = "") -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=60)
        headers = client.usual("GET") | ({"Last-Event-ID": last} if last else {})
        self.connection.request("GET", "/events", headers=headers)
        self.answer = self.connection.getresponse()
        self.status = self.answer.status
        self.last = ""

    def next(self) -> tuple[str, dict[str, Any]]:
        kind, data = "", {}
        while True:
            line = self.answer.readline().decode().rstrip("\n")
            if line.startswith("event: "):
                kind = line[7:]
            elif line.startswith("data: "):
                data = json.loads(line[6:])
            elif line.startswith("id: "):
                self.last = line[4:]
            elif not line:
                if not kind:
                    raise EOFError
                return kind, data

    def until(self, kind: str) -> dict[str, Any]:
        while True:
            found, data = self.next()
            if found == kind:
                return data


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[tuple[Client, Desk]]:
    with open_desk(lay_small_property(tmp_path / "holding")) as pair:
        yield pair


def other_browser(desk: Desk, client: Client) -> Client:
    other = Client(client.port)
    assert other.enter(desk.keys.fresh()) == 200
    return other


def test_two_pages_on_one_folder_see_each_others_steps(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    other = other_browser(desk, client)
    stream = Stream(other)
    assert stream.next()[0] == "hello"
    status, told = client.do("/do/step", words="Bed: note", do=[NOTE])
    assert (status, told["step"]["words"], told["step"]["files"]) == (200, "Bed: note", ["sites.csv"])
    event = stream.until("step")
    assert (event["how"], event["clock"], event["step"]["words"]) == ("done", told["clock"], "Bed: note")
    sheet = other.ask("/ask/sheet")[1]
    assert sheet["sites"][0]["values"]["note"] == "wet"
    assert sheet["sites"][0]["place"]["lon_deg"] == pytest.approx(-21.2, abs=0.2)
    assert other.do("/do/back")[1]["place"] == 0
    assert stream.until("step")["how"] == "back"
    assert client.do("/do/again")[1]["place"] == 1
    assert desk.live.asked[-1] == desk.book.clock, "the planner is asked after each step"


def test_a_conflict_is_409_and_a_wrong_value_422_with_its_field(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    other = other_browser(desk, client)
    assert client.do("/do/step", do=[NOTE])[0] == 200
    status, told = other.do("/do/step", do=[NOTE | {"values": {"note": "dry"}}])
    assert status == 409
    assert "note is 'wet' now" in told["faults"][0]["problem"]
    status, told = other.do(
        "/do/step", do=[{"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"antenna_agl_m": "-1"}}]
    )
    assert (status, told["faults"][0]["key"], told["faults"][0]["row"]) == (422, "antenna_agl_m", 2)
    assert other.do("/do/step", do=[{"what": "shell"}])[0] == 422
    assert other.do("/do/step", do=[NOTE], words="x" * 1000)[0] == 422


def test_a_change_from_outside_comes_as_a_step(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    stream = Stream(client)
    path = desk.book.folder / "sites.csv"
    path.write_bytes(path.read_bytes().replace(b"Trough", b"Old trough"))
    event = stream.until("step")
    assert (event["how"], event["step"]["by"]) == ("outside", "outside")
    assert client.do("/do/back")[0] == 200
    assert b"Old trough" not in path.read_bytes()


def test_a_browser_has_one_stream_and_catches_up_on_what_it_missed(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    first = Stream(client)
    assert first.next()[1]["whole"] is True, "a page that has seen nothing asks for everything"
    second = Stream(client)
    assert second.next()[0] == "hello"
    assert first.until("bye")["why"]
    with pytest.raises(EOFError):
        first.next()
    client.do("/do/step", words="one", do=[NOTE])
    second.until("step")
    second.connection.close()
    client.do("/do/back")
    client.do("/do/again")
    third = Stream(client, second.last)
    assert third.next()[1]["whole"] is False
    assert [third.until("step")["how"], third.until("step")["how"]] == ["back", "again"]
    fourth = Stream(client, "another-run.7")
    assert fourth.next()[1]["whole"] is True
    for number in range(KEPT + 5):
        desk.events.tell("stage", {"stage": str(number)})
    assert fourth.until("stage")["stage"] == "0"
    fifth = Stream(client, third.last)
    assert fifth.next()[1]["whole"] is True, "after too many missed events the page asks anew"


def test_few_browsers_listen_at_a_time(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    streams = [Stream(other_browser(desk, client)) for _ in range(MOST_STREAMS)]
    assert {stream.status for stream in streams} == {200}
    assert Stream(client).status == 503
    assert client.ask("/ask/forms")[0] == 200


def test_a_sheet_tells_faults_and_forms_tell_fields(inside: tuple[Client, Desk]) -> None:
    client, desk = inside
    (desk.book.folder / "property.toml").write_text("name = ")
    sheet = client.ask("/ask/sheet")[1]
    assert sheet["faults"][0]["file"] == "property.toml"
    assert {"site", "cover", "settings"} == set(client.ask("/ask/forms")[1]["tables"])
    assert client.ask("/ask/plan") == (200, {"v": 1, "words": "There is no plan yet.", "map": None})


def started(folder: Path, *options: str) -> tuple[subprocess.Popen[str], str]:
    """Return a desk in a process of its own and its address."""
    command = [sys.executable, "-m", "meshplan", "open", str(folder), "--no-browser", *options]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True)
    assert process.stdout is not None
    for line in process.stdout:
        found = re.search(r"http://127\.0\.0\.1:\d+/#key=\S+", line)
        if found:
            return process, found[0]
    raise AssertionError("no address was printed")


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_command_ends_with_its_terminal_and_leaves_no_process(number: int, tmp_path: Path) -> None:
    process, address = started(lay_small_property(tmp_path / "holding"))
    port, key = re.findall(r":(\d+)/#key=(\S+)", address)[0]
    client = Client(int(port))
    assert client.enter(key) == 200
    stream = Stream(client)
    stream.until("stage")
    os.killpg(process.pid, number)
    assert process.wait(15) == 0
    deadline = time.monotonic() + 15
    while time.monotonic() < deadline:
        try:
            os.killpg(process.pid, 0)
        except ProcessLookupError:
            break
        time.sleep(0.1)
    with pytest.raises(ProcessLookupError):
        os.killpg(process.pid, 0)


@pytest.mark.slow
def test_the_command_ends_by_itself_where_nobody_is_there(tmp_path: Path) -> None:
    process, _ = started(lay_small_property(tmp_path / "holding"), "--idle", "0.03")
    assert process.stdout is not None
    assert "Nobody was at the desk" in process.stdout.read()
    assert process.wait(20) == 0
