"""How a workflow tells how far it is."""

from __future__ import annotations

from collections.abc import Callable

OnProgress = Callable[[str, int, int], None]
"""Called with the stage, steps done and steps in all (0: not known)."""


def silent(stage: str, done: int, total: int) -> None:
    """Report nothing."""
    return
