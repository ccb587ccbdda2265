"""Loops that numpy cannot express, compiled when they are first called, so that importing this package stays cheap."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import ParamSpec, TypeVar

P = ParamSpec("P")
R = TypeVar("R")


def compiled(function: Callable[P, R]) -> Callable[P, R]:
    """Return `function` compiled to machine code at its first call; the code is kept on disk for the next run."""

    @cache
    def machine_code() -> Callable[P, R]:
        from numba import njit  # noqa: PLC0415  (heavy, and not needed before the first plan)

        code: Callable[P, R] = njit(cache=True)(function)
        return code

    @wraps(function)
    def call(*args: P.args, **kwargs: P.kwargs) -> R:
        return machine_code()(*args, **kwargs)

    return call
