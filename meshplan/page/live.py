"""The planner's process as the desk sees it: asked with each change, its answers told to all pages, old ones dropped."""

from __future__ import annotations

import multiprocessing
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from meshplan.page.events import Events
from meshplan.page.worker import run

END_S: Final = 0.5
"""How long the process may take to end by itself."""
PATIENCE_S: Final = 5.0
"""How long a search that is overtaken may go on before its process is ended: a new one reads and computes all links anew."""


@dataclass(eq=False)
class Live:
    """One planner for one folder."""

    folder: Path
    events: Events
    strip: dict[str, Any] | None = None
    """Figures of the last plan, with the clock they belong to."""
    drawn: bytes | None = None
    target: Callable[[Path, Connection], None] = run
    """What runs in the process."""
    patience_s: float = PATIENCE_S
    _process: Any = None
    _pipe: Connection | None = None
    _clock: int = 0
    _asked: int = 0
    _begun: int = 0
    """The last question that the process has taken up."""
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
            self._ask()

    def _ask(self) -> None:
        assert self._pipe is not None
        self._asked += 1
        with suppress(OSError):
            self._pipe.send(self._asked)
        if self._asked > 1:
            waiting = threading.Timer(self.patience_s, self._lose_patience, (self._pipe, self._asked))
            waiting.daemon = True
            waiting.start()

    def _lose_patience(self, pipe: Connection, asked: int) -> None:
        """End a process that still works at what nobody asks for any more, and ask a new one."""
        with self._lock:
            if self._closed or pipe is not self._pipe or asked != self._asked or self._begun == asked:
                return
            self._process.kill()
            self._process.join()
            self._begin()
            self._ask()

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
        process = context.Process(target=self.target, args=(self.folder, there), daemon=True)
        process.start()
        there.close()
        self._process, self._pipe, self._asked, self._begun = process, here, 0, 0
        threading.Thread(target=self._listen, args=(here,), daemon=True).start()

    def _listen(self, pipe: Connection) -> None:
        while True:
            try:
                kind, asked, data = pipe.recv()
            except (EOFError, OSError):
                break
            with self._lock:
                clock, current = self._clock, asked == self._asked and pipe is self._pipe
                self._begun = max(self._begun, asked) if pipe is self._pipe else self._begun
            if not current:
                continue
            if kind == "plan":
                self.drawn = data.pop("drawn")
                self.strip = {**data["strip"], "clock": clock}
            self.events.tell(kind, {"clock": clock, **data})
        with self._lock:
            ended = not self._closed and pipe is self._pipe
        if ended:
            self.events.tell("stage", {"clock": self._clock, "stage": "The planner has ended; the next change starts it again."})
