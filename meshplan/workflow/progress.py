"""How a workflow tells how far it is."""

from __future__ import annotations

from collections.abc import Callable

OnProgress = Callable[[str, int, int], None]
"""Called with the stage, steps done and steps in all (0: not known)."""

OnSearch = Callable[[float, float, float], None]
"""Called with the cost of the best plan so far (infinite while there is none), the bound of every plan's cost, and the gap."""


def silent(stage: str, done: int, total: int) -> None:
    """Report nothing."""
    return
