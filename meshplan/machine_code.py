"""Where compiled code is kept between runs: beside the package, else with the user's caches, else for one run alone."""

from __future__ import annotations

import atexit
import os
import shutil
import sys
import tempfile
from functools import cache
from pathlib import Path

FOLDER_SETTING = "NUMBA_CACHE_DIR"
"""The compiler's own variable: who sets it decides."""


@cache
def kept_in() -> Path | None:
    """Return a folder that outlives this run and can be written; None where there is none. Nothing is left in it."""
    named = os.environ.get(FOLDER_SETTING)
    beside = Path(__file__).parent / "loss" / "fast" / "__pycache__"
    for folder in [Path(named)] if named else [beside, _users_caches()]:
        try:
            folder.mkdir(parents=True, exist_ok=True)
            with tempfile.TemporaryFile(dir=folder):
                return folder
        except OSError:
            continue
    return None


def find_a_place() -> None:
    """Let the compiler keep its code for this run where neither package nor home can be written; call it before it is imported."""
    if kept_in() is None and "numba" not in sys.modules:
        folder = tempfile.mkdtemp(prefix="meshplan-")
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        os.environ[FOLDER_SETTING] = folder


def _users_caches() -> Path:
    """Return the folder of caches of a user, as the compiler takes it."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", Path.home() / "AppData" / "Local")) / "numba" / "Cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "numba"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "numba"
