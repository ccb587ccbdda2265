"""Ctrl-C, a closed terminal and a request to end: told in a sentence, with 128 + the number of the signal as exit code."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from types import FrameType

_WORDS = {
    "SIGINT": "Stopped.",
    "SIGTERM": "Stopped: the system asked for it (SIGTERM).",
    "SIGHUP": "Stopped: the terminal was closed (SIGHUP).",
}


class Stopped(BaseException):
    """Somebody asked the program to end. No `Exception`: nothing on the way may take it for a fault."""

    def __init__(self, number: int = signal.SIGINT) -> None:
        super().__init__(number)
        self.number = int(number)

    def __str__(self) -> str:
        return _WORDS.get(signal.Signals(self.number).name, "Stopped.")


@dataclass
class Stops:
    """The stop that was asked for, if any: a library may turn the exception into one of its own while it is imported."""

    seen: Stopped | None = None


@contextmanager
def stops_noticed() -> Iterator[Stops]:
    """Turn the signals into `Stopped` while the block runs; a second one ends the process at once.

    A signal that is ignored (nohup, a background job) stays ignored. Outside the main thread nothing can be set and nothing is.
    """
    stops = Stops()
    before: dict[int, object] = {}

    def stop(number: int, _: FrameType | None) -> None:
        stops.seen = Stopped(number)
        for mine in before:
            signal.signal(mine, signal.SIG_DFL)
        raise stops.seen

    if threading.current_thread() is threading.main_thread():
        for name in _WORDS:
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) not in (signal.SIG_IGN, None):
                before[number] = signal.getsignal(number)
        for number in before:
            signal.signal(number, stop)
    try:
        yield stops
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)  # type: ignore[arg-type]
