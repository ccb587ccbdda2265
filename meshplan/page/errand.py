"""One job in a process of its own: a command of meshplan by its words, so that its files are the command's files.

It ends with the process that began it, and where somebody asks: commands write whole sets of files or none, so that a stop loses
nothing.
"""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import threading
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Final

from meshplan.inputs.gdal_drivers import close_doors

Command = Callable[[Sequence[str], Callable[[str, int, int], None]], int]
"""Runs a command line by its words, tells how far it is, and returns the exit code; given by the command line, which knows them."""

MOST_TOLD_BYTES: Final = 2_000_000
"""Of what a command prints (own choice)."""


def run_errand(command: Command, words: Sequence[str], pipe: Connection) -> None:
    """Run a command and send ("stage", name, done, total) while it runs and ("end", code, printed, said) at its end."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the whole group gets it; the desk ends this process itself
    close_doors()
    lock = threading.Lock()

    def send(*message: object) -> None:
        with lock:
            pipe.send(message)

    threading.Thread(target=_end_with, args=(pipe,), daemon=True).start()
    last: list[tuple[str, int]] = [("", -1)]

    def tell(stage: str, done: int, total: int) -> None:
        share = 100 * done // total if total > 0 else 0
        if (stage, share) != last[0]:
            last[0] = stage, share
            send("stage", stage, done, total)

    with tempfile.TemporaryDirectory(prefix="meshplan-errand-") as scratch:
        printed, said = Path(scratch) / "printed", Path(scratch) / "said"
        _turn(1, printed)
        _turn(2, said)
        code = command(words, tell)
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        send("end", code, _told(printed), _told(said))
    os._exit(0)  # what libraries still hold is nobody's concern any more


def _turn(handle: int, path: Path) -> None:
    """Let an output stream of the process end in a file."""
    there = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    os.dup2(there, handle)
    os.close(there)


def _told(path: Path) -> str:
    with path.open("rb") as stream:
        return stream.read(MOST_TOLD_BYTES).decode("utf-8", errors="replace")


def _end_with(pipe: Connection) -> None:
    """Wait for the end of whoever began this process."""
    try:
        pipe.recv()
    except (EOFError, OSError):
        os._exit(0)
