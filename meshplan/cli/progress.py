"""Progress on the error stream, so that results on the output stream stay clean."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import click

Listener = Callable[[str, int, int], None]
_listeners: list[Listener] = []


def let_listen(listener: Listener) -> None:
    """Tell somebody else of every stage and step, silent runs included; for a command that runs for the page of `meshplan open`."""
    _listeners.append(listener)


class Progress:
    """Show which stage runs and how far it is; silent when asked or when nobody watches."""

    def __init__(self, *, quiet: bool = False) -> None:
        self._quiet = quiet
        self._live = sys.stderr is not None and sys.stderr.isatty()
        self._stage = ""
        self._began = time.monotonic()

    def __call__(self, stage: str, done: int = 0, total: int = 0) -> None:
        """Report that `done` of `total` steps of a stage are done; `total` 0 means that only the stage is known."""
        for listener in _listeners:
            listener(stage, done, total)
        if self._quiet:
            return
        if stage != self._stage:
            if self._live and self._stage:
                click.echo("", err=True)
            self._stage, self._began = stage, time.monotonic()
            if not self._live:
                click.echo(f"{stage} …", err=True)
        if self._live:
            click.echo(f"\r{stage}{self._how_far(done, total)}\x1b[K", err=True, nl=False)

    def _how_far(self, done: int, total: int) -> str:
        if total <= 0:
            return " …"
        passed_s = time.monotonic() - self._began
        left = "" if done <= 0 or done >= total else f", about {passed_s * (total - done) / done:.0f} s left"
        return f" {done} of {total}{left}"

    def close(self) -> None:
        """End the line."""
        if self._live and self._stage and not self._quiet:
            click.echo("", err=True)
