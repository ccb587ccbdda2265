"""The planner's process as the desk sees it: asked with each change, its answers told to all pages, old ones dropped."""

from __future__ import annotations

import multiprocessing
import threading
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from meshplan.page.events import Events
from meshplan.page.worker import run

END_S: Final = 0.5
"""How long the process may take to end by itself."""


@dataclass(eq=False)
class Live:
    """One planner for one folder."""

    folder: Path
    events: Events
    strip: dict[str, Any] | None = None
    """Figures of the last plan, with the clock they belong to."""
    drawn: bytes | None = None
    _process: Any = None
    _pipe: Connection | None = None
    _clock: int = 0
    _asked: int = 0
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _closed: bool = False

    def changed(self, clock: int) -> None:
        """Ask for the plan of the folder as it now is; what was asked before is given up."""
        with self._lock:
            if self._closed:
                return
            self._clock = clock
            if self._process is None or not self._process.is_alive():
                self._begin()
            assert self._pipe is not None
            self._asked += 1
            with suppress(OSError):
                self._pipe.send(self._asked)

    def close(self) -> None:
        """End the process."""
        with self._lock:
            self._closed = True
            process, pipe = self._process, self._pipe
        if pipe is not None:
            pipe.close()
        if process is not None:
            process.join(END_S)
            if process.is_alive():
                process.kill()
                process.join()

    def _begin(self) -> None:
        context = multiprocessing.get_context("spawn")
        here, there = context.Pipe()
        process = context.Process(target=run, args=(self.folder, there), daemon=True)
        process.start()
        there.close()
        self._process, self._pipe, self._asked = process, here, 0
        threading.Thread(target=self._listen, args=(here,), daemon=True).start()

    def _listen(self, pipe: Connection) -> None:
        while True:
            try:
                kind, asked, data = pipe.recv()
            except (EOFError, OSError):
                break
            with self._lock:
                clock, current = self._clock, asked == self._asked and pipe is self._pipe
            if not current:
                continue
            if kind == "plan":
                self.drawn = data.pop("drawn")
                self.strip = {**data["strip"], "clock": clock}
            self.events.tell(kind, {"clock": clock, **data})
        if not self._closed and pipe is self._pipe:
            self.events.tell("stage", {"clock": self._clock, "stage": "The planner has ended; the next change starts it again."})
