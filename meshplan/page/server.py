"""The desk: what the page asks and does, as an ASGI application over one folder."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from meshplan.errors import InputError, MeshplanError
from meshplan.page.adding import Adding
from meshplan.page.book import Book, Step
from meshplan.page.contents import things_of
from meshplan.page.desk import Desk, step_as_data
from meshplan.page.edits import ConflictError, edits_from
from meshplan.page.errand import Command
from meshplan.page.events import Events, TooManyStreamsError
from meshplan.page.forms import forms, kinds
from meshplan.page.gate import Gate, Keys
from meshplan.page.jobs import Jobs
from meshplan.page.live import Live
from meshplan.page.messages import VERSION, answer, message_of, refused, said, words_of
from meshplan.page.paper import page_html, paper_file
from meshplan.page.tiles import tiles_from
from meshplan.page.working import Working

LOOK_EVERY_S: Final = 1.0


def make_app(
    folder: Path,
    port: int,
    *,
    live: Callable[[Path, Events], Live] = Live,
    command: Command | None = None,
    results: Path | None = None,
) -> tuple[Gate, Desk]:
    """Return the guarded application for a folder, and its desk; `command` runs the commands of jobs, `results` is told them."""
    events = Events()
    desk = Desk(Book(folder), Keys(), events, live(folder, events), port, Jobs(folder, events, command, results))

    @asynccontextmanager
    async def span(_: Starlette) -> AsyncIterator[None]:
        events.begin()
        if desk.book.begun:
            desk.live.changed(desk.book.clock)
        watcher = asyncio.create_task(_watch(desk))
        try:
            yield
        finally:
            watcher.cancel()
            with suppress(asyncio.CancelledError):
                await watcher
            desk.live.close()
            desk.jobs.close()
            desk.tray.close()

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
            Route("/do/tiles", asking.tiles, methods=["POST"]),
            Route("/events", asking.listen),
            *Adding(desk).routes(),
            *Working(desk).routes(),
        ],
        exception_handlers={MeshplanError: said},
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
        data = await message_of(request)
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
        self.desk.here()
        return await run_in_threadpool(self._sheet)

    def _sheet(self) -> Response:
        book = self.desk.book
        told = things_of(book.folder)
        return answer(
            {
                "epoch": self.desk.events.epoch,
                "clock": book.clock,
                "folder": book.folder.resolve().name,
                "steps": [step_as_data(step) for step in book.steps],
                "place": book.place,
                "hashes": book.hashes(),
                "strip": self.desk.live.strip,
                "jobs": self.desk.jobs.as_data(),
                "tiles": self.desk.tiles.as_data() if self.desk.tiles is not None else None,
                **told,
            }
        )

    async def forms(self, _: Request) -> Response:
        self.desk.here()
        return answer({"tables": forms(), "kinds": kinds()})

    async def plan(self, _: Request) -> Response:
        self.desk.here()
        drawn = self.desk.live.drawn
        if drawn is None:
            return JSONResponse({"v": VERSION, "words": "There is no plan yet.", "map": None})
        return Response(drawn, media_type="application/json")

    async def step(self, request: Request) -> Response:
        self.desk.here()
        data = await message_of(request)
        words = words_of(data)
        edits = edits_from(data.get("do"))
        over = data.get("over", "")
        if over not in ("", "mine", "both"):
            raise InputError("is no answer to a conflict", where="message, over", fix="Load the page again.")
        try:
            step = await run_in_threadpool(self.desk.book.step, edits, words, str(data.get("by", ""))[:20], over=over)
        except ConflictError as fault:
            choices = await run_in_threadpool(self.desk.book.choices, edits)
            return refused(fault, choices=choices)
        if step is not None:
            self.desk.tell_step("done", step)
        return self._done(step)

    async def back(self, request: Request) -> Response:
        return await self._turn(request, self.desk.book.back, "back")

    async def again(self, request: Request) -> Response:
        return await self._turn(request, self.desk.book.again, "again")

    async def _turn(self, request: Request, turn: Callable[[], Step | None], how: str) -> Response:
        self.desk.here()
        await message_of(request)
        step = await run_in_threadpool(turn)
        if step is not None:
            self.desk.tell_step(how, step)
        return self._done(step)

    async def window(self, request: Request) -> Response:
        self.desk.here()
        await message_of(request)
        return JSONResponse({"v": VERSION, "key": self.desk.keys.fresh()})

    async def tiles(self, request: Request) -> Response:
        """Switch pictures of the map from the network on or off; the page then loads itself anew, for its policy is fixed."""
        self.desk.here()
        gate = self.desk.gate
        assert gate is not None
        tiles = tiles_from(await message_of(request))
        self.desk.tiles = tiles
        gate.tile_origin = "" if tiles is None else tiles.origin
        told = None if tiles is None else tiles.as_data()
        self.desk.events.tell("tiles", {"tiles": told})
        return answer({"tiles": told})

    async def listen(self, request: Request) -> Response:
        self.desk.here()
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
        return answer({"clock": book.clock, "place": book.place, "step": step_as_data(step) if step else None})
