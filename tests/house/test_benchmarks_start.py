"""Benchmarks run by hand only: what they import must still be there when somebody does."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

BENCHMARKS = Path(__file__).resolve().parents[1] / "benchmarks"

IMPORT_EACH = """
import runpy, sys
for path in sys.argv[1:]:
    try:
        runpy.run_path(path, run_name="imported")
    except Exception as fault:
        print(f"{path}: {fault!r}")
"""


def test_every_benchmark_can_be_imported() -> None:
    """As scripts find them: with `PYTHONPATH=tests`, which two of them ask for in their first lines."""
    scripts = sorted(str(path) for path in BENCHMARKS.glob("*.py"))
    assert len(scripts) > 10
    environment = {**os.environ, "PYTHONPATH": str(BENCHMARKS.parent)}
    done = subprocess.run(
        [sys.executable, "-c", IMPORT_EACH, *scripts], env=environment, capture_output=True, text=True, check=True, timeout=300
    )
    assert done.stdout == ""
