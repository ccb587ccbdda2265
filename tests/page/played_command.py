"""Stands where the command line would in tests of jobs: light to load, and it does what a file in the folder says."""

from __future__ import annotations

import json
import os
import sys
import threading
from collections.abc import Callable, Sequence
from pathlib import Path


def play(told: Sequence[str], tell: Callable[[str, int, int], None]) -> int:
    """Stand where the command line would: do what a word of the folder's name says."""
    folder = Path(told[-1])
    tell("Working", 0, 3)
    if (folder / "wait").exists():
        (folder / "began").touch()
        threading.Event().wait()
    if (folder / "fall").exists():
        os._exit(7)
    for step in (1, 2, 3):
        tell("Working", step, 3)
    if (folder / "wrong").exists():
        print("something is wrong", file=sys.stderr)
        return 2
    print(json.dumps({"words": list(told), "files": [str(folder / "made.csv")]}))
    os.write(1, b"")  # printed by handle, as libraries do
    return 1 if (folder / "unserved").exists() else 0
