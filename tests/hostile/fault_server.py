"""Runs commands in forked children, each with one fault: python tests/hostile/fault_server.py

Reads a JSON object a line (`words`, `fault`, `number`, `folder`, perhaps `other` words of a second run), answers with one: exit
codes (negative for a signal), what was said and how many steps on the disk were taken. Libraries are imported once, before any
thread is started, so that a child costs no start.
"""

from __future__ import annotations

import errno
import importlib
import json
import os
import random
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

WRITING = ("open", "os.rename", "os.mkdir", "os.link", "tempfile.mkdtemp")
REMOVING = ("os.remove", "os.rmdir", "os.chmod", "shutil.rmtree")
"""What a full disk and a read-only one are not asked for; a kill comes there too."""


def import_everything() -> None:
    """Import what the commands import late."""
    for name in (
        "geopandas",
        "reportlab.pdfgen.canvas",
        "meshplan.reporting.map",
        "meshplan.workflow.plan",
        "meshplan.workflow.sheets",
    ):
        importlib.import_module(name)


class Steps:
    """Counts what a run does to a folder, and acts at one of these steps."""

    def __init__(self, folder: str, at: int, act: Callable[[int, str], None], events: tuple[str, ...] = WRITING) -> None:
        self.folder, self.at, self.act, self.events, self.count = folder, at, act, events, 0
        sys.addaudithook(self.told)
        usual = os.fsync

        def forced(handle: int) -> None:
            self.step(folder)
            usual(handle)

        os.fsync = forced

    def told(self, event: str, words: tuple[Any, ...]) -> None:
        if event not in self.events or not words or self.folder not in str(words[0]):
            return
        if event == "open" and not (isinstance(words[2], int) and words[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT)):
            return
        self.step(str(words[0]))

    def step(self, path: str) -> None:
        self.count += 1
        if self.count >= self.at:
            self.act(self.count, path)


def inflict(fault: str, number: int, folder: str) -> Steps:
    """Prepare one fault in this process."""

    def nothing(_: int, __: str) -> None:
        pass

    def die(_: int, __: str) -> None:
        os.kill(os.getpid(), signal.SIGKILL)

    def refuse(code: int) -> Callable[[int, str], None]:
        def act(_: int, path: str) -> None:
            raise OSError(code, os.strerror(code), path)

        return act

    if fault == "killed at a step":
        return Steps(folder, number, die, WRITING + REMOVING)
    if fault == "disk full from a step on":
        return Steps(folder, number, refuse(errno.ENOSPC))
    if fault == "read-only":
        return Steps(folder, 1, refuse(errno.EROFS))
    if fault == "no file beyond a size":
        resource.setrlimit(resource.RLIMIT_FSIZE, (number, number))
    if fault == "clock jumps":
        usual, rng = time.time, random.Random(number)
        time.time = lambda: usual() + rng.choice((-1e9, -86_400.0, 0.0, 3600.0, 86_400.0, 1e9))
    return Steps(folder, 10**9, nothing)


def child(words: list[str], fault: str, number: int, folder: str, told: Path) -> int:
    """Run a command in a child with a fault; return its process id."""
    pid = os.fork()
    if pid:
        return pid
    code = 99
    try:
        with told.open("w", encoding="utf-8") as stream:
            os.dup2(stream.fileno(), 1)
            os.dup2(stream.fileno(), 2)
            sys.stdout = sys.stderr = stream
            from meshplan.cli import main

            steps = inflict(fault, number, folder)
            code = main(words)
            if fault == "none":
                print(f"steps {steps.count}")
            stream.flush()
    finally:
        os._exit(code)


def serve() -> None:
    """Answer each line."""
    import_everything()
    for line in sys.stdin:
        asked = json.loads(line)
        began = time.monotonic()
        with tempfile.TemporaryDirectory() as place:
            files = [Path(place) / str(n) for n in range(2)]
            pids = [child(asked["words"], asked["fault"], asked["number"], asked["folder"], files[0])]
            if asked.get("other"):
                pids.append(child(asked["other"], asked["fault"], asked["number"], asked["folder"], files[1]))
            if asked["fault"] == "killed at a moment":
                time.sleep(asked["number"] / 1000.0)
                os.kill(pids[0], signal.SIGKILL)
            codes = [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]
            said = "".join(file.read_text(encoding="utf-8", errors="replace") for file in files if file.is_file())
        answer = {"codes": codes, "said": said, "seconds": time.monotonic() - began}
        print(json.dumps(answer), flush=True)


if __name__ == "__main__":
    serve()
