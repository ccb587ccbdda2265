"""The planner behind the page, in a process of its own: it takes the newest state of the folder, and drops what is overtaken.

It reads the folder as it is (`workflow.replan`), so what it says is what `meshplan plan` says. First the links: which a change
touched, and what of the last plan still stands; then the plan with its proof. At every stage it looks whether the folder changed
again; then it begins anew, with the links that it has already. It ends with the process that began it.
"""

from __future__ import annotations

import math
import os
import signal
import threading
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from meshplan.errors import MeshplanError
from meshplan.inputs.gdal_drivers import close_doors
from meshplan.page.contents import faults_as_data
from meshplan.page.strip import drawn_of, strip_of, touched_links
from meshplan.reporting.map.data import json_block
from meshplan.workflow.plan import Planned, plan_property, plan_with_links
from meshplan.workflow.replan import relink

_END: Final = -1


class OvertakenError(Exception):
    """The folder changed again."""


class Newest:
    """The newest state of the folder that was asked for, filled by a thread that reads the pipe."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._there = threading.Condition()
        self.clock = 0
        self._taken = 0
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        while True:
            try:
                clock = self._pipe.recv()
            except (EOFError, OSError):
                os._exit(0)  # whoever began this process is gone
            with self._there:
                self.clock = clock
                self._there.notify()

    def take(self) -> int:
        """Wait for a state that was not taken yet."""
        with self._there:
            while self.clock == self._taken:
                self._there.wait()
            self._taken = self.clock
            return self._taken


def run(folder: Path, pipe: Connection) -> None:
    """Plan whenever asked, until the pipe ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the whole group gets it; the desk ends this process itself
    close_doors()
    newest = Newest(pipe)
    known: Planned | None = None
    while True:
        clock = newest.take()
        if clock == _END:
            return
        known = _plan(folder, pipe, newest, clock, known)


def _plan(folder: Path, pipe: Connection, newest: Newest, clock: int, known: Planned | None) -> Planned | None:
    """Plan one state, tell it, and return what the next can build on."""

    def tell(kind: str, **data: Any) -> None:
        pipe.send((kind, clock, data))

    def stage(name: str, done: int, total: int) -> None:
        if newest.clock != clock:
            raise OvertakenError
        if not done:
            tell("stage", stage=name)

    last: list[tuple[float, float]] = []

    def search(cost: float, bound: float, gap: float) -> None:
        """Tell the best plan so far where it is a better one, or more is proven of it."""
        if newest.clock != clock:
            raise OvertakenError
        told = round(cost, 2), round(gap, 4)
        if math.isfinite(cost) and (not last or last[-1] != told):
            last.append(told)
            tell("seeking", cost=told[0], gap=told[1], bound=round(bound, 2))

    try:
        if known is None:
            planned = plan_property(folder, on_progress=stage, on_search=search)
            before = None
        else:
            now = relink(known, on_progress=stage)
            tell("links", **touched_links(known, now))
            before = known.plan
            known = replace(known, prepared=now.prepared, known=now.known)
            planned = plan_with_links(now.prepared, now.links, notes=now.notes, calibrated=now.calibrated, correct=now.correct,
                                      on_progress=stage, on_search=search)  # fmt: skip
            planned = replace(planned, known=now.known)
        tell("plan", strip=strip_of(planned.plan, before), drawn=json_block(drawn_of(planned)).encode("utf-8"))
    except OvertakenError:
        return known
    except MeshplanError as fault:
        tell("faults", faults=faults_as_data(fault))
        return known
    return planned
