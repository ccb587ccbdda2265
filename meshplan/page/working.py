"""Jobs from the page: begun, stopped, their files handed out, readings typed in, lines for land that came."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from meshplan.errors import InputError
from meshplan.inputs.measurement_columns import READING_COLUMNS
from meshplan.inputs.measurements import read_readings
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.page.book import Step
from meshplan.page.contents import read_quickly
from meshplan.page.desk import Desk, step_as_data
from meshplan.page.ink import InkState, ink_state, results_of
from meshplan.page.jobs import KINDS, Job, files_of
from meshplan.page.messages import answer, message_of, words_of
from meshplan.page.toml_text import with_key
from meshplan.page.tray import safe_name
from meshplan.reporting.map.read_back import coverage_layers

READINGS_FILE: Final = "readings-desk.csv"
MOST_ROWS: Final = 5_000
MOST_RESULT_BYTES: Final = 200_000_000
_TYPES: Final = {
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".webp": "image/webp",
    ".pdf": "application/pdf",
    ".json": "application/json",
    ".csv": "text/csv",
    ".html": "text/html",
}


@dataclass(eq=False)
class Working:
    """The answers; each is one request."""

    desk: Desk
    _ink: InkState = field(default_factory=InkState)

    def __post_init__(self) -> None:
        """Hear of jobs that end."""
        self.desk.jobs.on_done = self._ended

    def routes(self) -> list[Route]:
        """Return what is answered here."""
        return [
            Route("/ask/jobs", self.ask_jobs),
            Route("/ask/result", self.ask_result),
            Route("/ask/ink", self.ask_ink),
            Route("/ask/coverage", self.ask_coverage),
            Route("/do/job", self.job, methods=["POST"]),
            Route("/do/stop", self.stop, methods=["POST"]),
            Route("/do/ink", self.ink, methods=["POST"]),
            Route("/do/readings", self.readings, methods=["POST"]),
            Route("/do/lines", self.lines, methods=["POST"]),
        ]

    async def ask_jobs(self, _: Request) -> Response:
        """All jobs of this run, and what each kind may be told."""
        self.desk.here()
        kinds = {
            name: {
                "title": kind.title,
                "command": f"meshplan {' '.join(kind.command)}",
                "told": {key: {"kind": one.kind, "low": one.low, "high": one.high} for key, one in kind.options.items()},
                "needs": list(kind.needs),
                "needs_yes": kind.needs_yes,
            }
            for name, kind in KINDS.items()
        }
        return answer({"jobs": self.desk.jobs.as_data(), "kinds": kinds})

    async def job(self, request: Request) -> Response:
        """Take a job on; what asks others for something needs `yes`."""
        self.desk.here()
        return await run_in_threadpool(self._job, await message_of(request))

    def _job(self, data: dict[str, Any]) -> Response:
        kind, told = data.get("kind"), data.get("with", {})
        if not isinstance(kind, str) or not isinstance(told, Mapping):
            raise InputError("is no job", where="message", fix="Load the page again.")
        if not self.desk.book.begun:
            raise InputError("there is no folder yet", where="job", fix="Begin the sheet first.")
        return answer(self.desk.jobs.start(kind, told, yes=data.get("yes") is True).as_data())

    async def stop(self, request: Request) -> Response:
        """Stop a job."""
        self.desk.here()
        data = await message_of(request)
        return answer((await run_in_threadpool(self.desk.jobs.stop, data.get("job"))).as_data())

    async def ink(self, request: Request) -> Response:
        """Write the plan of the folder as it now is, by the command that does it."""
        self.desk.here()
        data = await message_of(request)
        told = {"calibrated": True} if data.get("calibrated") is True else {}
        return await run_in_threadpool(self._job, {"kind": "plan", "with": told})

    async def ask_ink(self, _: Request) -> Response:
        """Whether there is a plan in ink, and whether it is one of the folder as it now is."""
        self.desk.here()
        return answer(await run_in_threadpool(self._ink_now))

    def _ink_now(self) -> dict[str, Any]:
        return ink_state(self._ink, self.desk.book.folder, self.desk.jobs.results)

    async def ask_coverage(self, _: Request) -> Response:
        """The coverage layers of the map file, as they lie on it; none where no coverage was computed since the plan."""
        self.desk.here()
        return answer({"layers": await run_in_threadpool(self._coverage)})

    def _coverage(self) -> list[dict[str, Any]]:
        path = results_of(self.desk.book.folder, self.desk.jobs.results) / "map.html"
        if path.is_symlink() or not path.is_file() or path.stat().st_size > MOST_RESULT_BYTES:
            return []
        return coverage_layers(path.read_text(encoding="utf-8", errors="replace"))

    async def ask_result(self, request: Request) -> Response:
        """One of the files that a job wrote: `?job=` its number, `?file=` its name."""
        self.desk.here()
        number, name = request.query_params.get("job", ""), request.query_params.get("file", "")
        return await run_in_threadpool(self._result, int(number) if number.isdecimal() else 0, name)

    def _result(self, number: int, name: str) -> Response:
        job = self.desk.jobs.get(number)
        found = next((Path(one) for one in files_of(job.data) if Path(one).name == name), None)
        if found is not None and job.kind.startswith("land"):
            found = self.desk.book.folder / found
        if found is None or found.is_symlink() or not found.is_file():
            raise InputError("was not written by this job, or is gone", where=name[:100], fix="Do the job once more.")
        if found.stat().st_size > MOST_RESULT_BYTES:
            raise InputError("is too large for a browser", where=str(found), fix="Open it from its folder.")
        kind = _TYPES.get(found.suffix.casefold(), "application/octet-stream")
        return Response(found.read_bytes(), media_type=kind)

    async def readings(self, request: Request) -> Response:
        """Write readings that were typed in as a table into the folder, once its reader takes them."""
        self.desk.here()
        return await run_in_threadpool(self._readings, await message_of(request))

    def _readings(self, data: dict[str, Any]) -> Response:
        book, name = self.desk.book, safe_name(str(data.get("file") or READINGS_FILE))
        if not book.begun:
            raise InputError("there is no folder yet", where=name, fix="Begin the sheet first.")
        content = _table_of(data.get("rows"), name)
        folder = book.folder
        if name != READINGS_FILE and (folder / name).exists() and data.get("replace") is not True:
            raise InputError("there is a file of that name", where=name, fix="Say that it is to be replaced, or name another.")
        self._refuse_wrong(content, name)
        step = book.take({name: content}, words_of(data) or f"{name}: readings typed in")
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step, file=name)

    def _refuse_wrong(self, content: bytes, name: str) -> None:
        """Raise what the reader of readings finds, by row and column of the table."""
        received = self.desk.tray.lay(name, content)
        try:
            read_readings([received.path], read_quickly(self.desk.book.folder).sites, folder=received.path.parent)
        finally:
            self.desk.tray.lay_aside(received.key)

    async def lines(self, request: Request) -> Response:
        """Write the lines that fetched land asks for into property.toml."""
        self.desk.here()
        return await run_in_threadpool(self._lines, await message_of(request))

    def _lines(self, data: dict[str, Any]) -> Response:
        job = self.desk.jobs.get(data.get("job"))
        lines = job.data.get("property_toml") if isinstance(job.data, dict) else None
        if not lines:
            raise InputError("asks for no lines in property.toml", where="job", fix="Fetch the land first.")
        content = (self.desk.book.folder / SETTINGS_FILE).read_bytes()
        for key, value in _leaves(tomllib.loads("\n".join(lines))):
            content = with_key(content, "land_cover.classes" if key == "classes" else key, value)
        step = self.desk.book.take({SETTINGS_FILE: content}, "the fetched land is read")
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step)

    def _ended(self, job: Job) -> None:
        """Tell of what a job changed for the sheet."""
        if job.kind == "plan":
            self.desk.events.tell("ink", self._ink_now())

    def _done(self, step: Step | None, **more: Any) -> Response:
        book = self.desk.book
        return answer({"clock": book.clock, "place": book.place, "step": step_as_data(step) if step else None, **more})


def _table_of(rows: object, shown: str) -> bytes:
    """Return typed rows as a table with the columns that any of them fills in."""
    known = [column.name for column in READING_COLUMNS]
    good = isinstance(rows, list) and 0 < len(rows) <= MOST_ROWS and all(isinstance(row, dict) for row in rows)
    if not good or not isinstance(rows, list):
        raise InputError("holds no rows, or too many", where=shown, fix="Type in a reading.")
    if any(key not in known or not isinstance(value, str) or len(value) > 500 for row in rows for key, value in row.items()):
        raise InputError("holds a column that no reading has", where=shown, fix="Load the page again.")
    used = [name for name in known if any(row.get(name, "").strip() for row in rows)]
    stream = io.StringIO()
    writer = csv.DictWriter(stream, used, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return stream.getvalue().encode("utf-8")


def _leaves(document: Mapping[str, Any], prefix: str = "") -> list[tuple[str, Any]]:
    """Return dotted keys with their values; a list of tables is one value."""
    found: list[tuple[str, Any]] = []
    for key, value in document.items():
        found += _leaves(value, f"{prefix}{key}.") if isinstance(value, Mapping) else [(f"{prefix}{key}", value)]
    return found
