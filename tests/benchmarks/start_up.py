"""How long until something is on the screen: `python tests/benchmarks/start_up.py`.

Prints wall-clock ratios, each the least of some runs in processes of their own on this machine, whatever its speed:
`meshplan --help` over bare Python and over importing numpy; planning the valley farm from a cold start, map and all, over
importing geopandas alone. Nothing is asserted.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

VALLEY = Path(__file__).resolve().parents[2] / "sample_sites" / "mirrowick_bottom"
RUNS, PLAN_RUNS = 5, 2


def seconds(code: str, runs: int) -> float:
    """Return the least time a fresh Python takes for some code."""
    best = float("inf")
    for _ in range(runs):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
        best = min(best, time.perf_counter() - began)
    return best


def command(*words: str) -> str:
    """Return code that runs the command line."""
    return f"from meshplan.cli import main; main({list(words)!r}) in (0, 1) or exit('failed')"


def measure() -> None:
    """Print the ratios."""
    bare = seconds("pass", RUNS)
    numpy = seconds("import numpy", RUNS)
    geopandas = seconds("import geopandas", RUNS)
    for words in (("--help",), ("plan", "--help")):
        taken = seconds(command(*words), RUNS)
        print(f"meshplan {' '.join(words)}: {taken / bare:.1f} × bare Python, {taken / numpy:.2f} × importing numpy")
    with tempfile.TemporaryDirectory() as folder:
        planned = seconds(command("plan", str(VALLEY), "--out", folder, "-q"), PLAN_RUNS)
        checked = seconds(command("check", str(VALLEY)), PLAN_RUNS)
    print(f"check of the valley farm: {checked / geopandas:.1f} × importing geopandas")
    print(f"plan of the valley farm: {planned / geopandas:.1f} × importing geopandas ({planned:.1f} s here)")


if __name__ == "__main__":
    measure()
