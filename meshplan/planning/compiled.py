"""Loops that numpy cannot express, compiled when they are first called, so that importing this package stays cheap."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import FunctionType
from typing import ParamSpec, TypeVar

import numpy as np

from meshplan.machine_code import find_a_place

P = ParamSpec("P")
R = TypeVar("R")

WORTH_COMPILING = 60_000
"""Links from which compiled code, which takes seconds to make once per machine, beats plain Python."""

WORTH_IT_BY_NOW = 3_000_000
"""Links that all calls so far have had, from which it is made all the same: a long search on a small property.

Plain Python takes 0.4 µs a link; the compiler and code that is on disk already take a second to load (measured).
"""


_parts: list[Callable[..., object]] = []


def compiled_part(function: Callable[P, R]) -> Callable[P, R]:
    """Mark a function that compiled ones call; it is compiled into them, and plain Python calls it as it is."""
    _parts.append(function)
    return function


def row_of(size: int, value: int) -> list[int]:
    """Return a row of equal whole numbers: an array in compiled code, a list in plain Python, which reads lists far faster."""
    return [value] * size


def is_plain(function: Callable[..., object]) -> bool:
    """Return whether `compiled` has chosen plain Python, which is given lists of Python's own numbers."""
    return isinstance(function, FunctionType)


@cache
def _register_parts() -> None:
    from numba.extending import overload, register_jitable  # noqa: PLC0415  (heavy, and not needed for small properties)

    for part in _parts:
        register_jitable(part)
    overload(row_of)(lambda size, value: lambda size, value: np.full(size, value, dtype=np.int64))


def compiled(function: Callable[P, R]) -> Callable[[int], Callable[P, R]]:
    """Return what gives, for a number of links, the function as it is or compiled; both give the same results.

    Machine code is made at the first call and kept on disk for the next run.
    """

    @cache
    def machine_code() -> Callable[P, R]:
        find_a_place()
        from numba import njit  # noqa: PLC0415  (heavy, and not needed for small properties)

        _register_parts()
        code: Callable[P, R] = njit(cache=True)(function)
        return code

    met = 0

    def choose(n_links: int) -> Callable[P, R]:
        nonlocal met
        met += n_links
        return machine_code() if n_links >= WORTH_COMPILING or met >= WORTH_IT_BY_NOW else function

    return choose
