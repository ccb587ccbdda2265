"""What happens on the desk, told to every browser that listens: one stream a browser, as server-sent events.

A browser keeps at most six connections to a host; a seventh window with a stream of its own would wait for ever. So a newer stream
of the same browser ends the older one, and the windows of a browser pass events on among themselves (`wire.js`).
"""

from __future__ import annotations

import asyncio
import json
import secrets
from collections import deque
from collections.abc import AsyncIterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

KEPT: Final = 500
"""Events that a stream may have missed and still gets; after more of them the page asks for everything anew."""
MOST_STREAMS: Final = 8
BEAT_S: Final = 15.0
"""Seconds of silence after which a stream shows that it lives."""

_END: Final = object()


class TooManyStreamsError(Exception):
    """Every place for a listener is taken."""


@dataclass(eq=False)
class Events:
    """Events of one run. `tell` may be called from any thread once `begin` was called inside the loop."""

    epoch: str = field(default_factory=lambda: secrets.token_hex(4))
    """Tells one run from another: numbers begin anew with each."""
    _number: int = 0
    _past: deque[tuple[int, str]] = field(default_factory=lambda: deque(maxlen=KEPT))
    _streams: dict[str, asyncio.Queue[Any]] = field(default_factory=dict)
    _loop: asyncio.AbstractEventLoop | None = None

    def begin(self) -> None:
        """Remember the loop in which streams run."""
        self._loop = asyncio.get_running_loop()

    @property
    def listeners(self) -> int:
        """How many browsers listen."""
        return len(self._streams)

    def tell(self, kind: str, data: Mapping[str, Any]) -> None:
        """Tell an event to everyone."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._tell, kind, dict(data))

    def end(self) -> None:
        """End every stream."""
        for queue in self._streams.values():
            queue.put_nowait(_END)

    def _tell(self, kind: str, data: dict[str, Any]) -> None:
        self._number += 1
        text = _event(f"{self.epoch}.{self._number}", kind, data)
        self._past.append((self._number, text))
        for queue in self._streams.values():
            queue.put_nowait(text)

    def open(self, browser: str, last_seen: str, hello: Mapping[str, Any]) -> AsyncIterator[str]:
        """Return the stream of a browser: a greeting, what it missed, then everything as it happens.

        Raises
        ------
        TooManyStreamsError
            Where all places are taken by other browsers.
        """
        older = self._streams.pop(browser, None)
        if older is not None:
            older.put_nowait(_event("", "bye", {"why": "another window of this browser listens now"}))
            older.put_nowait(_END)
        if len(self._streams) >= MOST_STREAMS:
            raise TooManyStreamsError
        queue: asyncio.Queue[Any] = asyncio.Queue()
        missed = self._missed(last_seen)
        queue.put_nowait(_event(f"{self.epoch}.{self._number}", "hello", {**hello, "epoch": self.epoch, "whole": missed is None}))
        for text in missed or ():
            queue.put_nowait(text)
        self._streams[browser] = queue
        return self._run(browser, queue)

    def _missed(self, last_seen: str) -> list[str] | None:
        """Return what came after an event; None where that cannot be told any more and the page must ask anew."""
        epoch, _, number = last_seen.partition(".")
        if epoch != self.epoch or not number.isdecimal():
            return None
        last = int(number)
        if last > self._number or (self._past and last < self._past[0][0] - 1):
            return None
        return [text for place, text in self._past if place > last]

    async def _run(self, browser: str, queue: asyncio.Queue[Any]) -> AsyncIterator[str]:
        try:
            while True:
                try:
                    item = await asyncio.wait_for(queue.get(), BEAT_S)
                except TimeoutError:
                    yield ": still here\n\n"
                    continue
                if item is _END:
                    return
                yield item
        finally:
            if self._streams.get(browser) is queue:
                del self._streams[browser]


def _event(number: str, kind: str, data: Mapping[str, Any]) -> str:
    head = f"id: {number}\n" if number else ""
    return f"{head}event: {kind}\ndata: {json.dumps(data, ensure_ascii=False, allow_nan=False)}\n\n"
