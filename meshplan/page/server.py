"""The desk: what the page asks and does, as an ASGI application over one folder."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from meshplan.errors import InputError, MeshplanError
from meshplan.page.book import Book, Step
from meshplan.page.contents import faults_as_data, things_of
from meshplan.page.edits import ConflictError, edits_from
from meshplan.page.events import Events, TooManyStreamsError
from meshplan.page.forms import forms, kinds
from meshplan.page.gate import Gate, Keys
from meshplan.page.live import Live
from meshplan.page.paper import page_html, paper_file

VERSION: Final = 1
"""Of the messages between page and server."""
LOOK_EVERY_S: Final = 1.0
LONGEST_WORDS: Final = 200


@dataclass(eq=False)
class Desk:
    """One folder, who may come to it, and what happened to it."""

    book: Book
    keys: Keys
    events: Events
    live: Live
    port: int
    gate: Gate | None = None
    asked_at_s: float = field(default_factory=time.monotonic)
    """When somebody last asked for anything, by a clock that only runs forward."""

    def idle_s(self) -> float:
        """Return for how long nobody was here; a page that listens is here."""
        return 0.0 if self.events.listeners else time.monotonic() - self.asked_at_s

    def tell_step(self, how: str, step: Step) -> None:
        """Tell everyone of a change and let the plan be made anew."""
        self.events.tell("step", {"how": how, "clock": self.book.clock, "step": _step(step), "place": self.book.place})
        self.live.changed(self.book.clock)


def make_app(folder: Path, port: int, *, live: Callable[[Path, Events], Live] = Live) -> tuple[Gate, Desk]:
    """Return the guarded application for a folder, and its desk."""
    events = Events()
    desk = Desk(Book(folder), Keys(), events, live(folder, events), port)

    @asynccontextmanager
    async def span(_: Starlette) -> AsyncIterator[None]:
        events.begin()
        desk.live.changed(desk.book.clock)
        watcher = asyncio.create_task(_watch(desk))
        try:
            yield
        finally:
            watcher.cancel()
            with suppress(asyncio.CancelledError):
                await watcher
            desk.live.close()

    asking = _Asking(desk)
    app = Starlette(
        routes=[
            Route("/", asking.page),
            Route("/paper/{name}", asking.paper),
            Route("/enter", asking.enter, methods=["POST"]),
            Route("/ask/sheet", asking.sheet),
            Route("/ask/forms", asking.forms),
            Route("/ask/plan", asking.plan),
            Route("/do/step", asking.step, methods=["POST"]),
            Route("/do/back", asking.back, methods=["POST"]),
            Route("/do/again", asking.again, methods=["POST"]),
            Route("/do/window", asking.window, methods=["POST"]),
            Route("/events", asking.listen),
        ],
        exception_handlers={MeshplanError: _said},
        lifespan=span,
    )
    app.router.redirect_slashes = False
    desk.gate = Gate(app, port, desk.keys)
    return desk.gate, desk


async def _watch(desk: Desk) -> None:
    """Look after the folder: what others change becomes a step."""
    while True:
        await asyncio.sleep(LOOK_EVERY_S)
        with suppress(MeshplanError, OSError):
            step = await run_in_threadpool(desk.book.watch)
            if step is not None:
                desk.tell_step("outside", step)


@dataclass(eq=False)
class _Asking:
    """The answers; each is one request."""

    desk: Desk

    async def page(self, _: Request) -> Response:
        return Response(page_html(), media_type="text/html")

    async def paper(self, request: Request) -> Response:
        found = paper_file(request.path_params["name"])
        if found is None:
            return Response("There is no such file.", 404, media_type="text/plain")
        return Response(found[0], media_type=found[1])

    async def enter(self, request: Request) -> Response:
        data = await _message(request)
        gate = self.desk.gate
        assert gate is not None
        key = data.get("key")
        entered = self.desk.keys.exchange(key, gate.cookie_of(request.scope)) if isinstance(key, str) else None
        if entered is None:
            used = isinstance(key, str) and self.desk.keys.was_used(key)
            words = "Somebody opened this address before you." if used else "Open the address that meshplan printed."
            return JSONResponse({"v": VERSION, "words": words}, 401)
        session, cookie = entered
        answer = JSONResponse({"v": VERSION, "desk": session})
        answer.set_cookie(gate.cookie_name, cookie, path="/", httponly=True, samesite="strict")
        return answer

    async def sheet(self, _: Request) -> Response:
        self._here()
        return await run_in_threadpool(self._sheet)

    def _sheet(self) -> Response:
        book = self.desk.book
        told = things_of(book.folder)
        return _json(
            {
                "v": VERSION,
                "epoch": self.desk.events.epoch,
                "clock": book.clock,
                "folder": book.folder.resolve().name,
                "steps": [_step(step) for step in book.steps],
                "place": book.place,
                "hashes": book.hashes(),
                "strip": self.desk.live.strip,
                **told,
            }
        )

    async def forms(self, _: Request) -> Response:
        self._here()
        return _json({"v": VERSION, "tables": forms(), "kinds": kinds()})

    async def plan(self, _: Request) -> Response:
        self._here()
        drawn = self.desk.live.drawn
        if drawn is None:
            return JSONResponse({"v": VERSION, "words": "There is no plan yet.", "map": None})
        return Response(drawn, media_type="application/json")

    async def step(self, request: Request) -> Response:
        self._here()
        data = await _message(request)
        words = data.get("words", "")
        if not isinstance(words, str) or len(words) > LONGEST_WORDS:
            raise InputError("the words of a step are too long", where="message", fix="Load the page again.")
        edits = edits_from(data.get("do"))
        step = await run_in_threadpool(self.desk.book.step, edits, words, str(data.get("by", ""))[:20])
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step)

    async def back(self, request: Request) -> Response:
        return await self._turn(request, self.desk.book.back, "back")

    async def again(self, request: Request) -> Response:
        return await self._turn(request, self.desk.book.again, "again")

    async def _turn(self, request: Request, turn: Callable[[], Step | None], how: str) -> Response:
        self._here()
        await _message(request)
        step = await run_in_threadpool(turn)
        if step is not None:
            self.desk.tell_step(how, step)
        return self._done(step)

    async def window(self, request: Request) -> Response:
        self._here()
        await _message(request)
        return JSONResponse({"v": VERSION, "key": self.desk.keys.fresh()})

    async def listen(self, request: Request) -> Response:
        self._here()
        gate = self.desk.gate
        assert gate is not None
        try:
            stream = self.desk.events.open(
                gate.cookie_of(request.scope),
                request.headers.get("last-event-id", ""),
                {"v": VERSION, "clock": self.desk.book.clock},
            )
        except TooManyStreamsError:
            return Response("Too many browsers listen.", 503, media_type="text/plain")
        return StreamingResponse(stream, media_type="text/event-stream")

    def _done(self, step: Step | None) -> Response:
        book = self.desk.book
        return _json({"v": VERSION, "clock": book.clock, "place": book.place, "step": _step(step) if step else None})

    def _here(self) -> None:
        self.desk.asked_at_s = time.monotonic()


def _step(step: Step) -> dict[str, Any]:
    return {"number": step.number, "words": step.words, "by": step.by, "files": sorted(step.after)}


async def _message(request: Request) -> dict[str, Any]:
    """Return the message of a request, or say that it is none."""
    try:
        data = json.loads(await request.body())
    except (ValueError, RecursionError, ClientDisconnect) as error:
        raise InputError("is no JSON", where="message", fix="Load the page again.") from error
    if not isinstance(data, dict) or data.get("v") != VERSION:
        raise InputError(f"is no message of version {VERSION}", where="message", fix="Load the page again.")
    return data


async def _said(_: Request, fault: Exception) -> Response:
    assert isinstance(fault, MeshplanError)
    return _refused(fault)


def _refused(fault: MeshplanError) -> Response:
    status = 409 if isinstance(fault, ConflictError) else 422
    return JSONResponse({"v": VERSION, "faults": faults_as_data(fault)}, status)


def _json(data: dict[str, Any]) -> Response:
    return Response(json.dumps(data, ensure_ascii=False, allow_nan=False, default=str), media_type="application/json")
