"""Jobs of the page: each is a command and its files are the command's; they are told, stopped, and asked nothing without a yes."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from open_desk import open_desk
from played_command import play
from small_property import lay_small_property, lon_lat

from meshplan.cli import COMMANDS, main
from meshplan.cli.open import run_command
from meshplan.cli.root import root
from meshplan.errors import InputError
from meshplan.page.events import Events
from meshplan.page.jobs import KINDS, MOST_WAITING, Job, Jobs, command_line, words_of_job

FOLDER = Path("holding")


@dataclass(eq=False)
class Heard(Events):
    """Events kept, with a sign for each job that came to its end."""

    told: list[dict[str, Any]] = field(default_factory=list)
    ended: threading.Semaphore = field(default_factory=lambda: threading.Semaphore(0))

    def tell(self, kind: str, data: Any) -> None:
        self.told.append({"event": kind, **data})
        if data.get("state") not in ("waiting", "running"):
            self.ended.release()

    def wait(self) -> None:
        assert self.ended.acquire(timeout=240), "no job came to its end"


def words(kind: str, **told: Any) -> tuple[str, ...]:
    return words_of_job(kind, told, FOLDER, None)


def test_each_job_says_the_command_that_does_the_same() -> None:
    assert command_line(words("plan")) == "meshplan plan holding"
    assert command_line(words("plan", calibrated=True)) == "meshplan plan --calibrated holding"
    assert words("sheets", pdf=True, next=3) == ("sheets", "--next=3", "--pdf", "holding")
    assert words("coverage", **{"height_m": 1.5, "from": ["North post", "House"], "season": "leaf"}) == (
        "coverage", "--height=1.5", "--season=leaf", "--from=North post", "--from=House", "holding",
    )  # fmt: skip
    place = {"lat_deg": -33.1, "lon_deg": 18.5}
    assert words("profile", a="Bed", b=place, height_b_m=2) == (
        "profile",
        "--height-b=2",
        "--",
        "holding",
        "Bed",
        "-33.1000000,18.5000000",
    )
    assert command_line(words("profile", a="Bed; rm", b="x")) == "meshplan profile -- holding 'Bed; rm' x"
    assert words_of_job("plan", {}, FOLDER, Path("o")) == ("plan", "--out", "o", "holding")
    assert words("land-preview", features=["none"]) == ("land", "--features=none", "--dry-run", "holding")


def test_every_job_is_a_command_and_every_option_one_of_it() -> None:
    for kind in KINDS.values():
        assert kind.command[0] in COMMANDS
        shown = CliRunner().invoke(root, [kind.command[0], "--help"]).output
        for option in (*(one.words for one in kind.options.values() if one.words), *kind.command[1:], "--json"):
            assert option in shown, f"meshplan {kind.command[0]} has no {option}"
        assert ("--out" in shown) == kind.with_results


@pytest.mark.parametrize(
    ("kind", "told", "problem"),
    [
        ("shell", {}, "no job"),
        ("plan", {"set": ["x=1"]}, "nothing that this job is told"),
        ("plan", {"calibrated": "yes"}, "neither yes nor no"),
        ("profile", {"a": "Bed"}, "'b' is missing"),
        ("profile", {"a": "Bed", "b": {"lat_deg": "1", "lon_deg": 2}}, "no place"),
        ("profile", {"a": "Bed", "b": {"lat_deg": float("nan"), "lon_deg": 2}}, "no place"),
        ("coverage", {"height_m": 1000}, "not from 0.1 to 100"),
        ("coverage", {"height_m": True}, "no number"),
        ("coverage", {"from": "House"}, "no text"),
        ("sheets", {"next": 1.5}, "no number"),
        ("sheets", {"next": -1}, "not from 0 to 50"),
        ("calibrate", {"readings": ["../x.csv"]}, "no file of this folder"),
        ("calibrate", {"readings": ["sites-not-there.csv"]}, "no file of this folder"),
        ("compare", {"radio": ["a\nb"]}, "cannot be seen"),
        ("compare", {"radio": ["x" * 300]}, "no text"),
    ],
)
def test_what_a_job_is_not_told_never_becomes_an_option(kind: str, told: dict[str, Any], problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        words_of_job(kind, told, FOLDER, None)


def test_words_that_look_like_options_stay_values() -> None:
    assert words("coverage", **{"from": ["--out=/etc"]})[1] == "--from=--out=/etc"
    assert words("profile", a="--out=/etc", b="-h")[1:] == ("--", "holding", "--out=/etc", "-h")


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    events = Heard()
    jobs = Jobs(tmp_path, events, play)
    yield jobs, events, tmp_path
    jobs.close()


def wait_for(path: Path) -> None:
    for _ in range(2400):
        if path.exists():
            return
        time.sleep(0.05)
    raise AssertionError(f"{path.name} did not come")


def test_a_job_tells_how_far_it_is_and_what_came_of_it(desk: tuple[Jobs, Heard, Path]) -> None:
    jobs, events, folder = desk
    job = jobs.start("compare", {})
    events.wait()
    assert (job.state, job.data["words"]) == ("done", ["compare", "--json", str(folder)])
    assert [(one["state"], one["done"]) for one in events.told] == [
        ("waiting", 0), ("running", 0), ("running", 0), ("running", 1), ("running", 2), ("running", 3), ("done", 3),
    ]  # fmt: skip
    assert events.told[-1]["files"] == ["made.csv"]
    for mark, state, said in (
        ("unserved", "unserved", ""),
        ("wrong", "failed", "something is wrong"),
        ("fall", "failed", "not enough"),
    ):
        (folder / mark).touch()
        job = jobs.start("compare", {})
        events.wait()
        assert (job.state, said in job.said) == (state, True)
        (folder / mark).unlink()


def test_a_job_is_stopped_and_the_next_one_goes_on(desk: tuple[Jobs, Heard, Path]) -> None:
    jobs, events, folder = desk
    (folder / "wait").touch()
    first, second, third = (jobs.start("compare", {}) for _ in range(3))
    wait_for(folder / "began")
    assert (first.state, second.state) == ("running", "waiting"), "one at a time"
    assert jobs.stop(second.number).state == "stopped"
    process = first.process
    (folder / "wait").unlink()
    jobs.stop(first.number)
    for _ in range(2):
        events.wait()
    events.wait()
    assert (first.state, third.state) == ("stopped", "done")
    assert not process.is_alive()
    assert jobs.stop(third.number).state == "done", "what is done is not stopped any more"
    with pytest.raises(InputError, match="no such job"):
        jobs.stop(99)


def test_few_jobs_wait_and_none_without_a_yes_where_others_are_asked(desk: tuple[Jobs, Heard, Path]) -> None:
    jobs, _, folder = desk
    (folder / "wait").touch()
    jobs.start("plan", {})
    wait_for(folder / "began")
    with pytest.raises(InputError, match="before somebody says yes"):
        jobs.start("land", {})
    for _ in range(MOST_WAITING):
        jobs.start("plan", {})
    with pytest.raises(InputError, match="too many jobs"):
        jobs.start("plan", {})
    process = jobs.jobs[0].process
    jobs.close()
    assert not process.is_alive(), "the end of the desk ends its jobs"


HOST = """
import sys, time
from pathlib import Path
from meshplan.page.events import Events
from meshplan.page.jobs import Jobs
sys.path.insert(0, sys.argv[2])
from played_command import play
if __name__ == "__main__":
    jobs = Jobs(Path(sys.argv[1]), Events(), play)
    job = jobs.start("plan", {})
    while job.process is None or job.process.pid is None:
        time.sleep(0.05)
    print(job.process.pid, flush=True)
    time.sleep(600)
"""


@pytest.mark.slow
def test_a_job_ends_with_a_desk_that_is_killed(tmp_path: Path) -> None:
    (tmp_path / "wait").touch()
    host = tmp_path / "host.py"
    host.write_text(HOST)
    command = [sys.executable, str(host), str(tmp_path), str(Path(__file__).parent)]
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([*sys.path])}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        pid = int(process.stdout.readline())
        wait_for(tmp_path / "began")
        process.kill()
    for _ in range(1200):
        if not Path(f"/proc/{pid}").exists() or "zombie" in Path(f"/proc/{pid}/status").read_text():
            return
        time.sleep(0.05)
    raise AssertionError("the job outlived its desk")


def result(client: Any, job: int, name: str) -> bytes:
    status, _, content = client.raw("GET", f"/ask/result?job={job}&file={name}", client.usual("GET"))
    assert status == 200
    return bytes(content)


def finished(client: Any, kind: str, **told: Any) -> dict[str, Any]:
    status, job = client.do("/do/job", kind=kind, **{"with": told})
    assert status == 200, job
    for _ in range(4800):
        found = next(one for one in client.ask("/ask/jobs")[1]["jobs"] if one["job"] == job["job"])
        if found["state"] not in ("waiting", "running"):
            return dict(found)
        time.sleep(0.05)
    raise AssertionError("the job did not come to its end")


@pytest.mark.slow
def test_the_files_of_jobs_are_those_of_the_commands_to_the_byte(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    folder = lay_small_property(tmp_path / "holding")
    results, beside = tmp_path / "desk" / "holding", tmp_path / "line" / "holding"
    with open_desk(folder, command=run_command, results=results) as (client, _):
        assert client.ask("/ask/ink")[1]["there"] is False
        assert finished(client, "coverage")["state"] == "failed", "there is no plan yet"
        told = client.do("/do/ink")[1]
        assert told["command"] == f"meshplan plan --out {results} {folder}"
        for kind, more in (
            ("sheets", {}),
            ("coverage", {"height_m": 1.5}),
            ("profile", {"a": "Bed", "b": "House"}),
        ):
            job = finished(client, kind, **more)
            assert job["state"] == "done", job["said"]
        assert client.ask("/ask/ink")[1] == client.ask("/ask/ink")[1]
        ink = client.ask("/ask/ink")[1]
        assert (ink["there"], ink["fits"], ink["strip"]["sensors"]["served"]) == (True, True, 2)
        (folder / "sites.csv").write_bytes((folder / "sites.csv").read_bytes() + b"\n")
        assert client.ask("/ask/ink")[1]["fits"] is False, "the plan in ink is one of the folder before"
        jobs = client.ask("/ask/jobs")[1]["jobs"]
        layers = client.ask("/ask/coverage")[1]["layers"]
        assert layers[0]["name"] in ("any of them", "House")
        assert all(layer["uri"].startswith("data:image/webp;base64,") and layer["classes"] for layer in layers)
        (south, west), (north, east) = layers[0]["bounds"]
        lon, lat = lon_lat(300, 300)
        assert (west < lon < east, south < lat < north) == (True, True)
        picture = next(job for job in jobs if job["kind"] == "profile")
        assert result(client, picture["job"], picture["files"][0]).startswith(b"<svg")
        assert client.raw("GET", f"/ask/result?job={picture['job']}&file=plan.json", client.usual("GET"))[0] == 422
        commands = [job["command"].replace(str(results), str(beside)) for job in jobs if job["state"] == "done"]
        (folder / "sites.csv").write_bytes((folder / "sites.csv").read_bytes()[:-1])
        for line in commands:
            assert main(line.split()[1:]) == 0
    names = sorted(path.relative_to(results) for path in results.rglob("*") if path.is_file())
    assert names == sorted(path.relative_to(beside) for path in beside.rglob("*") if path.is_file())
    assert {"plan.json", "map.html", "report.html", "sheets.html", "coverage.tif"} <= {str(name) for name in names}
    for name in names:
        assert (results / name).read_bytes() == (beside / name).read_bytes(), name


@pytest.mark.slow
def test_readings_that_are_typed_in_teach_what_the_command_learns(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    folder = lay_small_property(tmp_path / "holding")
    rows = [
        {"a": a, "b": b, "power_dbm": power, "sent": "20", "received": "20", "date_time": "2026-03-01 12:00"}
        for a, b, power in (("Bed", "House", "-62"), ("Bed", "North post", "-80"), ("Trough", "South post", "-84"))
    ]
    with open_desk(folder, command=run_command, results=tmp_path / "out") as (client, _):
        status, told = client.do("/do/readings", rows=[rows[0] | {"b": "Nowhere"}, rows[1] | {"power_dbm": "62"}])
        assert status == 422
        assert {(fault["row"], fault["key"]) for fault in told["faults"]} == {(2, "b"), (3, "power_dbm")}
        assert client.do("/do/readings", rows=[{"shell": "x"}])[0] == 422
        assert client.do("/do/readings", rows=[])[0] == 422
        assert not (folder / "readings-desk.csv").exists()
        status, told = client.do("/do/readings", rows=rows)
        assert (status, told["step"]["files"]) == (200, ["readings-desk.csv"])
        job = finished(client, "calibrate", readings=[told["file"]])
        assert job["state"] == "done", job["said"]
        learned = (folder / "calibration.toml").read_bytes()
        (folder / "calibration.toml").unlink()
        assert main(["calibrate", str(folder), str(folder / "readings-desk.csv"), "--out", str(tmp_path / "line")]) == 0
        assert (folder / "calibration.toml").read_bytes() == learned


def test_a_job_needs_a_folder_and_a_message(tmp_path: Path) -> None:
    with open_desk(tmp_path / "new", command=run_command) as (client, _):
        assert client.do("/do/job", kind="plan")[0] == 422
        assert client.do("/do/job", kind=3)[0] == 422
        assert client.do("/do/stop", job=3)[0] == 422
        told = client.ask("/ask/jobs")[1]
        assert told["kinds"]["coverage"]["command"] == "meshplan coverage"
        assert told["kinds"]["land"]["needs_yes"] is True
        assert not (tmp_path / "new").exists()


def test_a_map_without_coverage_gives_no_layer_and_nothing_of_a_strange_file(tmp_path: Path) -> None:
    with open_desk(lay_small_property(tmp_path / "holding"), results=tmp_path / "out") as (client, _):
        assert client.ask("/ask/coverage")[1]["layers"] == []
        (tmp_path / "out").mkdir()
        page = (
            """<script type="application/json" id="plan-data">{"map": {"coverage": ["a"]}, "coverage": [{"name": "x"}]}</script>"""
        )
        for overlay in (
            "",
            'var a = L.imageOverlay("http://x/y.png", [[1, 2], [3, 4]]',
            'var a = L.imageOverlay("data:text/html,x", [[1, 2]])',
        ):
            (tmp_path / "out" / "map.html").write_text(page + overlay)
            assert client.ask("/ask/coverage")[1]["layers"] == []
        good = 'var a = L.imageOverlay(\n "data:image/webp;base64,AAAA",\n [[1.5, 2], [3, -4e1]],'
        (tmp_path / "out" / "map.html").write_text(page + good)
        assert client.ask("/ask/coverage")[1]["layers"] == [
            {"name": "x", "uri": "data:image/webp;base64,AAAA", "bounds": [[1.5, 2], [3, -40.0]]}
        ]


def test_a_job_of_an_unknown_number_has_no_files() -> None:
    assert Job(1, "plan", ("plan", "x")).as_data()["files"] == []
