"""The desk: one folder, who may come to it, and what happened to it."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

from meshplan.page.book import Book, Step
from meshplan.page.events import Events
from meshplan.page.gate import Gate, Keys
from meshplan.page.jobs import Jobs
from meshplan.page.live import Live
from meshplan.page.tiles import Tiles
from meshplan.page.tray import Tray


@dataclass(eq=False)
class Desk:
    """One folder, who may come to it, and what happened to it."""

    book: Book
    keys: Keys
    events: Events
    live: Live
    port: int
    jobs: Jobs
    tray: Tray = field(default_factory=Tray)
    gate: Gate | None = None
    tiles: Tiles | None = None
    """Where pictures of the map come from while that is switched on."""
    asked_at_s: float = field(default_factory=time.monotonic)
    """When somebody last asked for anything, by a clock that only runs forward."""

    def idle_s(self) -> float:
        """Return for how long nobody was here; a page that listens is here, and a job that runs is waited for."""
        return 0.0 if self.events.listeners or self.jobs.busy else time.monotonic() - self.asked_at_s

    def tell_step(self, how: str, step: Step) -> None:
        """Tell everyone of a change and let the plan be made anew."""
        self.events.tell("step", {"how": how, "clock": self.book.clock, "step": step_as_data(step), "place": self.book.place})
        if self.book.begun:
            self.live.changed(self.book.clock)

    def here(self) -> None:
        """Note that somebody asks."""
        self.asked_at_s = time.monotonic()


def step_as_data(step: Step) -> dict[str, Any]:
    """Return what the page is told of a step."""
    return {"number": step.number, "words": step.words, "by": step.by, "files": sorted(step.after)}
