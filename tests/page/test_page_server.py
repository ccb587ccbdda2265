"""Steps over the wire: two pages on one folder, conflicts, changes from outside, streams, the end."""

from __future__ import annotations

import http.client
import json
import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from open_desk import PATIENCE_S, Client, open_desk
from small_property import lay_small_property, lon_lat

from meshplan.inputs.property import read_property
from meshplan.inputs.site_files import NO_SITE_YET
from meshplan.page.book import Book
from meshplan.page.desk import Desk
from meshplan.page.events import KEPT, MOST_STREAMS

NOTE = {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": "wet"}, "was": {"note": ""}}


class Stream:
    """Events as a browser reads them."""

    def __init__(self, client: Client, last: str = "") -> None:
        self.connection = http.client.HTTPConnection("127.0.0.1", client.port, timeout=PATIENCE_S)
        headers = client.usual("GET") | ({"Last-Event-ID": last} if last else {})
        self.connection.request("GET", "/events", headers=headers)
        self.answer = self.connection.getresponse()
        self.status = self.answer.status
        self.last = ""

    def next(self) -> tuple[str, dict[str, Any]]:
        kind, data = "", {}
        while True:
            written = self.answer.readline().decode()
            if not written:
                raise EOFError
            line = written.rstrip("\n")
            if line.startswith("event: "):
                kind = line[7:]
            elif line.startswith("data: "):
                data = json.loads(line[6:])
            elif line.startswith("id: "):
                self.last = line[4:]
            elif not line and kind:  # a blank line behind a comment ends nothing: the server shows that it lives
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


def test_a_silent_stream_shows_that_it_lives(inside: tuple[Client, Desk], monkeypatch: pytest.MonkeyPatch) -> None:
    client, desk = inside
    monkeypatch.setattr("meshplan.page.events.BEAT_S", 0.05)
    stream = Stream(client)
    assert stream.next()[0] == "hello"
    assert stream.answer.readline() == b": still here\n"
    assert stream.answer.readline() == b"\n"
    desk.events.tell("stage", {"stage": "x"})
    assert stream.until("stage")["stage"] == "x"


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
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_the_command_ends_with_its_terminal_and_leaves_no_process(number: int, tmp_path: Path) -> None:
    process, address = started(lay_small_property(tmp_path / "holding"))
    port, key = re.findall(r":(\d+)/#key=(\S+)", address)[0]
    client = Client(int(port))
    assert client.enter(key) == 200
    stream = Stream(client)
    stream.until("stage")
    os.killpg(process.pid, number)
    assert process.wait(PATIENCE_S) == 0
    gone(process.pid)


def gone(group: int) -> None:
    """Wait until no process of a group is left."""
    for _ in range(10 * PATIENCE_S):
        try:
            os.killpg(group, 0)
        except ProcessLookupError:
            return
        time.sleep(0.1)
    raise AssertionError("a process of the desk is left")


@pytest.mark.slow
def test_a_desk_that_is_killed_leaves_no_planner_behind(tmp_path: Path) -> None:
    process, address = started(lay_small_property(tmp_path / "holding"))
    port, key = re.findall(r":(\d+)/#key=(\S+)", address)[0]
    client = Client(int(port))
    assert client.enter(key) == 200
    Stream(client).until("stage")
    process.kill()
    process.wait()
    gone(process.pid)


@pytest.mark.slow
def test_the_command_ends_by_itself_where_nobody_is_there(tmp_path: Path) -> None:
    process, _ = started(lay_small_property(tmp_path / "holding"), "--idle", "0.03")
    assert process.stdout is not None
    assert "Nobody was at the desk" in process.stdout.read()
    assert process.wait(PATIENCE_S) == 0


@pytest.mark.slow
def test_a_new_folder_opens_from_the_command_line_and_its_jobs_are_commands(tmp_path: Path) -> None:
    process, address = started(tmp_path / "new", "--out", str(tmp_path / "out"))
    port, key = re.findall(r":(\d+)/#key=(\S+)", address)[0]
    client = Client(int(port))
    assert client.enter(key) == 200
    assert client.ask("/ask/sheet")[1]["new"] is True
    assert not (tmp_path / "new").exists()
    assert client.do("/do/begin", name="Ostrow")[0] == 200
    status, job = client.do("/do/job", kind="check")
    assert (status, job["command"]) == (200, f"meshplan check {tmp_path / 'new'}")
    for _ in range(10 * PATIENCE_S):
        found = client.ask("/ask/jobs")[1]["jobs"][0]
        if found["state"] not in ("waiting", "running"):
            break
        time.sleep(0.1)
    assert found["state"] == "failed", "a folder without sites and heights is not fit to plan"
    assert NO_SITE_YET in found["said"]
    assert not (tmp_path / "out").exists()
    os.killpg(process.pid, signal.SIGTERM)
    assert process.wait(PATIENCE_S) == 0
    gone(process.pid)


ROUNDS = """
import os, sys
from pathlib import Path
sys.path.insert(0, sys.argv[2])
import uvicorn
from open_desk import NoPlanner
from meshplan.page.listen import _Server, listening_socket
from meshplan.page.server import make_app

for _ in sys.stdin:
    child = os.fork()
    if not child:
        door = listening_socket()
        port = door.getsockname()[1]
        gate, desk = make_app(Path(sys.argv[1]), port, live=NoPlanner)
        print(os.getpid(), port, desk.keys.fresh(), flush=True)
        _Server(uvicorn.Config(gate, log_config=None, ws="none", http="h11")).run(sockets=[door])
        os._exit(0)
    os.waitpid(child, 0)
    print("gone", flush=True)
"""
RING = [list(lon_lat(x, y)) for x, y in ((250, 250), (350, 250), (350, 350), (250, 250))]
AREA = {"type": "Polygon", "coordinates": [RING]}


def drawn(folder: Path) -> tuple[int, str]:
    """Return how many woods are drawn, and what the note of a site says of it: one step writes both."""
    cover = folder / "cover.geojson"
    woods = json.loads(cover.read_text())["features"] if cover.exists() else []
    bed = next(site for site in read_property(folder).sites if site.name == "Bed")
    return len(woods), bed.note


def edit_until_it_falls(client: Client, woods: int, edits: int, fall: Callable[[], None]) -> None:
    """Draw one wood after the other; after some of them the desk falls while the next is under way."""
    for number in range(woods + 1, woods + edits + 2):
        if number == woods + edits + 1:
            threading.Thread(target=fall).start()
        file = "cover.geojson" if number > 1 else None
        wood = {"what": "shape.add", "use": "cover", "values": {"kind": "wood", "height_m": 9}, "file": file, "geometry": AREA}
        note = {"what": "site.set", "file": "sites.csv", "name": "Bed", "values": {"note": str(number)}}
        try:
            assert client.do("/do/step", do=[wood, note])[0] == 200
        except (OSError, http.client.HTTPException):
            return


@pytest.mark.slow
def test_a_desk_killed_twenty_times_while_one_edits_leaves_whole_steps(tmp_path: Path) -> None:
    folder = lay_small_property(tmp_path / "holding")
    draw = random.Random(7)
    command = [sys.executable, "-c", ROUNDS, str(folder), str(Path(__file__).parent)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)}
    rest = 0
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        for _ in range(20):
            process.stdin.write("go\n")
            process.stdin.flush()
            pid, port, key = process.stdout.readline().split()
            client = Client(int(port))
            assert client.enter(key) == 200
            sheet = client.ask("/ask/sheet")[1]
            assert sheet["faults"] == [], "what was left was set right at the start"
            woods, note = drawn(folder)
            assert note == (str(woods) if woods else ""), "a step stands there whole, or not at all"
            assert woods >= rest, "and none that was answered is lost"
            assert not any(path.name.startswith(".") for path in folder.iterdir())
            edits, wait_s = draw.randrange(3), draw.uniform(0, 0.08)
            rest = woods + edits

            def fall(number: int = int(pid), after_s: float = wait_s) -> None:
                time.sleep(after_s)
                os.kill(number, signal.SIGKILL)

            edit_until_it_falls(client, woods, edits, fall)
            assert process.stdout.readline() == "gone\n"
        process.stdin.close()
    Book(folder)
    woods, note = drawn(folder)
    assert note == str(woods)
    assert woods >= rest > 5
