"""The rest of the job from the page: plan in ink, sheets, coverage, comparison, profile, calibration, land. Each is a command.

A job runs the very command that it names (`errand`), one at a time, in a process that can be stopped; the page hears how far it is.
What a command may be told is a table here, so that nothing from a message becomes an option by itself.
"""

from __future__ import annotations

import json
import multiprocessing
import shlex
import threading
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from meshplan.errors import InputError, nearest_name
from meshplan.page.errand import Command, run_errand
from meshplan.page.events import Events

MOST_WAITING: Final = 8
KEPT_JOBS: Final = 50
STOP_S: Final = 3.0
"""How long a job may take to stop by itself before its process is ended."""
_LONGEST: Final = 200


@dataclass(frozen=True)
class Option:
    """What a job may be told: an option of its command and how its value is judged."""

    words: str
    """The option; empty for a word that stands by itself."""
    kind: str
    """number, whole, text, texts, flag."""
    low: float = 0.0
    high: float = 0.0


@dataclass(frozen=True)
class Kind:
    """One kind of job: its command, what may be said to it, whether its figures come as JSON."""

    command: tuple[str, ...]
    title: str
    options: Mapping[str, Option] = field(default_factory=dict)
    needs: tuple[str, ...] = ()
    """Options that must be given."""
    with_results: bool = True
    """Whether it takes --out."""
    needs_yes: bool = False
    """Whether it asks others for something, so that somebody must have said yes."""


_CALIBRATED: Final = {"calibrated": Option("--calibrated", "flag")}
_LAND: Final = {
    "elevation": Option("--elevation", "texts"),
    "features": Option("--features", "texts"),
    "land_cover": Option("--land-cover", "texts"),
    "most_mb": Option("--most-mb", "number", 0.001, 10_000),
    "private_hosts": Option("--private-host", "texts"),
}
KINDS: Final[Mapping[str, Kind]] = {
    "plan": Kind(("plan",), "Plan in ink, map file, report, parts list and tables", _CALIBRATED),
    "sheets": Kind(("sheets",), "Sheets for the field", {"next": Option("--next", "whole", 0, 50), "pdf": Option("--pdf", "flag")}),
    "coverage": Kind(
        ("coverage",),
        "Coverage of the land",
        {
            "height_m": Option("--height", "number", 0.1, 100),
            "season": Option("--season", "text"),
            "radio": Option("--radio", "text"),
            "from": Option("--from", "texts"),
            **_CALIBRATED,
        },
    ),
    "compare": Kind(("compare",), "Comparison of radio classes", {"radio": Option("--radio", "texts"), **_CALIBRATED}),
    "profile": Kind(
        ("profile",),
        "Profile of two places",
        {
            "a": Option("", "place"),
            "b": Option("", "place"),
            "height_a_m": Option("--height-a", "number", 0.01, 100),
            "height_b_m": Option("--height-b", "number", 0.01, 100),
            **_CALIBRATED,
        },
        needs=("a", "b"),
    ),
    "calibrate": Kind(
        ("calibrate",),
        "Learn from readings",
        {
            "readings": Option("", "files"),
            "track": Option("--track", "file"),
            "to": Option("--to", "text"),
            "next": Option("--next", "whole", 0, 50),
        },
        needs=("readings",),
    ),
    "check": Kind(("check",), "Check of the folder"),
    "land-preview": Kind(("land", "--dry-run"), "What would be asked of whom for the land", _LAND, with_results=False),
    "land": Kind(("land", "--yes"), "Land from open data", _LAND, with_results=False, needs_yes=True),
}


@dataclass(eq=False)
class Job:
    """One job and what became of it."""

    number: int
    kind: str
    words: tuple[str, ...]
    state: str = "waiting"
    """waiting, running, done, unserved (done, but something is left), failed, stopped."""
    stage: str = ""
    done: int = 0
    total: int = 0
    data: Any = None
    """What the command tells with --json."""
    said: str = ""
    process: Any = None
    pipe: Any = None
    stopping: bool = False

    def as_data(self) -> dict[str, Any]:
        """Return what the page is told."""
        return {
            "job": self.number,
            "kind": self.kind,
            "title": KINDS[self.kind].title,
            "command": command_line(self.words),
            "state": self.state,
            "stage": self.stage,
            "done": self.done,
            "total": self.total,
            "data": self.data,
            "said": self.said,
            "files": [Path(name).name for name in files_of(self.data)],
        }


def command_line(words: Sequence[str]) -> str:
    """Return a command as one would type it."""
    return shlex.join(["meshplan", *words])


def files_of(data: Any) -> list[str]:
    """Return the files that a command says it wrote."""
    if not isinstance(data, dict):
        return []
    names = [*(data.get("files") or []), *(data.get("fetched") or []), data.get("picture")]
    return [name for name in names if isinstance(name, str)]


def words_of_job(kind: str, told: Mapping[str, Any], folder: Path, results: Path | None) -> tuple[str, ...]:
    """Return the words of the command that does a job.

    Raises
    ------
    InputError
        Something that the command is not told, or a value that does not fit.
    """
    if kind not in KINDS:
        raise InputError(f"there is no job '{kind[:40]}'.{nearest_name(kind, KINDS)}", where="job", fix="Load the page again.")
    known = KINDS[kind]
    for name in (*(name for name in told if name not in known.options), *(name for name in known.needs if not told.get(name))):
        problem = f"'{name}' is missing" if name in known.needs else f"'{name[:40]}' is nothing that this job is told"
        raise InputError(problem, where=known.title, fix="Load the page again.")
    options: list[str] = []
    places: list[str] = []
    for name, option in known.options.items():
        value = told.get(name)
        if value is None or value is False or value == "":
            continue
        (options if option.words else places).extend(_words_of(option, value, f"{known.title}, {name}", folder))
    out = ["--out", str(results)] if known.with_results and known.command[0] != "check" and results is not None else []
    return (*known.command[:1], *options, *known.command[1:], *out, *(("--",) if places else ()), str(folder), *places)


def _words_of(option: Option, value: Any, where: str, folder: Path) -> list[str]:
    def no(words: str) -> InputError:
        return InputError(words, where=where, fix="Correct it.")

    if option.kind == "flag":
        if value is not True:
            raise no("is neither yes nor no")
        return [option.words]
    if option.kind in ("number", "whole"):
        whole = isinstance(value, int) and not isinstance(value, bool)
        if not whole and not (option.kind == "number" and isinstance(value, float)):
            raise no(f"{value!r:.40} is no number")
        if not option.low <= value <= option.high:
            raise no(f"{value} is not from {option.low:g} to {option.high:g}")
        return [f"{option.words}={value}"]
    if option.kind == "place" and isinstance(value, Mapping):
        lat, lon = value.get("lat_deg"), value.get("lon_deg")
        if not all(isinstance(one, int | float) and not isinstance(one, bool) and abs(one) <= 180 for one in (lat, lon)):
            raise no("is no place")
        return [f"{lat:.7f},{lon:.7f}"]
    texts = value if option.kind in ("texts", "files") else [value]
    if not isinstance(texts, list) or not all(isinstance(one, str) and one.strip() and len(one) <= _LONGEST for one in texts):
        raise no("is no text of usual length")
    if any(not one.isprintable() for one in texts):
        raise no("holds signs that cannot be seen")
    if option.kind in ("file", "files"):
        for one in texts:
            if Path(one).name != one or one.startswith(".") or (folder / one).is_symlink() or not (folder / one).is_file():
                raise no(f"'{one[:60]}' is no file of this folder")
        texts = [str(folder / one) for one in texts]
    return [f"{option.words}={one}" if option.words else one for one in texts]


@dataclass(eq=False)
class Jobs:
    """The jobs of one desk, in the order in which they were asked for."""

    folder: Path
    events: Events
    command: Command | None = None
    """Runs a command line; None where there is none to run (tests of other parts)."""
    results: Path | None = None
    """Folder that commands are told with --out; None leaves it to them."""
    jobs: list[Job] = field(default_factory=list)
    on_done: Callable[[Job], None] | None = None
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _made: int = 0
    _closed: bool = False

    def start(self, kind: str, told: Mapping[str, Any], *, yes: bool = False) -> Job:
        """Take a job on; it waits for those before it."""
        words = words_of_job(kind, told, self.folder, self.results)
        if KINDS[kind].needs_yes and not yes:
            fix = "Look at what would be asked of whom, and say yes."
            raise InputError("nothing is asked of others before somebody says yes", where=KINDS[kind].title, fix=fix)
        with self._lock:
            waiting = sum(job.state == "waiting" for job in self.jobs)
            if self.command is None or self._closed or waiting >= MOST_WAITING:
                raise InputError("too many jobs wait already", where=KINDS[kind].title, fix="Wait for one, or stop it.")
            self._made += 1
            job = Job(self._made, kind, words)
            self.jobs.append(job)
            ended = [one for one in self.jobs if one.state not in ("waiting", "running")]
            for one in ended[: max(0, len(self.jobs) - KEPT_JOBS)]:
                self.jobs.remove(one)
        self._tell(job)
        self._next()
        return job

    def stop(self, number: object) -> Job:
        """Stop a job; one that is at its end already stays as it is."""
        job = self.get(number)
        with self._lock:
            if job.state == "waiting":
                job.state = "stopped"
            elif job.state == "running":
                job.stopping = True
                if job.process is not None:
                    job.process.terminate()
                    ending = threading.Timer(STOP_S, _kill, (job.process,))
                    ending.daemon = True
                    ending.start()
        self._tell(job)
        return job

    def get(self, number: object) -> Job:
        """Return a job."""
        with self._lock:
            found = next((job for job in self.jobs if job.number == number), None)
        if found is None:
            raise InputError("there is no such job", where="job", fix="Load the page again.")
        return found

    @property
    def busy(self) -> bool:
        """Whether a job runs or waits."""
        return any(job.state in ("waiting", "running") for job in list(self.jobs))

    def as_data(self) -> list[dict[str, Any]]:
        """Return all jobs, the newest last."""
        with self._lock:
            return [job.as_data() for job in self.jobs]

    def close(self) -> None:
        """End what runs."""
        with self._lock:
            self._closed = True
            running = [job for job in self.jobs if job.process is not None and job.state == "running"]
        for job in running:
            job.stopping = True
            job.process.kill()
            job.process.join()

    def _next(self) -> None:
        with self._lock:
            if self._closed or any(job.state == "running" for job in self.jobs):
                return
            job = next((job for job in self.jobs if job.state == "waiting"), None)
            if job is None:
                return
            job.state = "running"
        threading.Thread(target=self._run, args=(job,), daemon=True).start()

    def _run(self, job: Job) -> None:
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe()
        process = context.Process(
            target=run_errand, args=(self.command, (job.words[0], "--json", *job.words[1:]), there), daemon=True
        )
        with self._lock:
            if job.stopping or self._closed:
                job.state = "stopped"
            else:
                process.start()
                job.process, job.pipe = process, here
        there.close()
        if job.state == "running":
            self._tell(job)
            self._follow(job, here)
            process.join()
        here.close()
        self._tell(job)
        if self.on_done is not None and job.state in ("done", "unserved"):
            self.on_done(job)
        self._next()

    def _follow(self, job: Job, pipe: Any) -> None:
        state, printed, said = "failed", "", ""
        try:
            while True:
                kind, *rest = pipe.recv()
                if kind == "stage":
                    job.stage, job.done, job.total = rest
                    self._tell(job)
                else:
                    code, printed, said = rest
                    state = {0: "done", 1: "unserved"}.get(code, "failed")
                    break
        except (EOFError, OSError):
            said = "" if job.stopping else "The job ended before its time; perhaps there was not enough memory."
        with self._lock:
            job.state = "stopped" if job.stopping and state == "failed" else state
            job.said = said.strip()
            with suppress(ValueError):
                job.data = json.loads(printed)

    def _tell(self, job: Job) -> None:
        self.events.tell("job", job.as_data())


def _kill(process: Any) -> None:
    if process.is_alive():
        process.kill()
