"""How compiled code is brought in: late, once, on the cores allowed, and interruptible between pieces of work."""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from importlib import import_module
from pathlib import Path
from typing import Any

from meshplan.errors import InputError, MissingPackageError
from meshplan.machine_code import find_a_place

Progress = Callable[[int, int], None]
"""Called with the pieces of work done and their number; time left follows from it."""
Notify = Callable[[str], None]
"""Called with a sentence for the user."""

COMPILING = "Compiling the fast routines once; the next run starts at once."

_log = logging.getLogger(__name__)
_lock = threading.Lock()
_ready: set[str] = set()


def core_count(cores: int | None = None) -> int:
    """Return how many cores to use: all that this process may, or fewer if told so."""
    usable = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else (os.cpu_count() or 1)
    if cores is None:
        return usable
    if cores < 1:
        raise InputError(f"{cores} cores cannot compute anything", where="cores", fix="Give 1 or more.")
    return min(cores, usable)


def load_compiled(module: str, function: str, notify: Notify | None = None) -> Callable[..., Any]:
    """Return a compiled function of `meshplan.loss.fast`, saying so once if it must be compiled first.

    numba keeps compiled code beside the module that holds the entry function and looks only at that file's age; code compiled
    before any file of this package changed is thrown away here.
    """
    name = f"meshplan.loss.fast.{module}"
    with _lock:
        find_a_place()
        try:
            dispatcher = getattr(import_module(name), function)
        except ImportError as error:
            raise MissingPackageError(
                "Coverage needs the compiler package numba, which is not installed", fix="Run: pip install numba"
            ) from error
        if f"{module}.{function}" not in _ready:
            if not _has_fresh_cache(Path(dispatcher.stats.cache_path), f"{module}.{function}-*"):
                (notify or _log.info)(COMPILING)
            _ready.add(f"{module}.{function}")
    return dispatcher  # type: ignore[no-any-return]


def _has_fresh_cache(folder: Path, pattern: str) -> bool:
    newest = max(path.stat().st_mtime for path in Path(__file__).parent.glob("*.py"))
    fresh = False
    for path in folder.glob(pattern):
        try:
            if path.stat().st_mtime < newest:
                path.unlink()
            else:
                fresh = True
        except OSError:
            continue
    return fresh


def run_pieces(
    work: Callable[..., Any], pieces: Sequence[tuple[Any, ...]], *, cores: int | None, progress: Progress | None
) -> None:
    """Run `work(*piece)` for every piece on some threads.

    The compiled functions let go of the interpreter, so threads run side by side. After an interrupt no new piece is begun and
    those running are waited for (tens of milliseconds), so that no thread writes into arrays the caller has given up.
    """
    threads = core_count(cores)
    total = len(pieces)
    if threads == 1 or total == 1:
        for done, piece in enumerate(pieces, start=1):
            work(*piece)
            if progress is not None:
                progress(done, total)
        return
    waiting = iter(pieces)
    with ThreadPoolExecutor(max_workers=threads) as pool:
        running = {pool.submit(work, *piece) for piece in _take(waiting, 2 * threads)}
        done = 0
        try:
            while running:
                finished, running = wait(running, return_when=FIRST_COMPLETED)
                for future in finished:
                    future.result()
                done += len(finished)
                running |= {pool.submit(work, *piece) for piece in _take(waiting, len(finished))}
                if progress is not None:
                    progress(done, total)
        except BaseException:
            _cancel(running)
            raise


def _take(items: Iterable[tuple[Any, ...]], count: int) -> list[tuple[Any, ...]]:
    return [item for _, item in zip(range(count), items, strict=False)]


def _cancel(futures: Iterable[Future[Any]]) -> None:
    for future in futures:
        future.cancel()
