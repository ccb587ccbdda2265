"""Which heavy packages a command loads: it runs in a process of its own, and what is there when it ends is looked at."""

from __future__ import annotations

import subprocess
import sys

FOR_PLANS_AND_RASTERS = (
    "contourpy",
    "folium",
    "highspy",
    "jinja2",
    "matplotlib",
    "networkx",
    "numba",
    "scipy.interpolate",
    "scipy.spatial",
)
"""Packages that only planning, coverage and the map need."""

PROBE = """
import sys
from meshplan.cli import main
code = main(sys.argv[2:])
print("LOADED", *(name for name in sys.argv[1].split() if name in sys.modules), file=sys.stderr)
sys.exit(code)
"""


def loaded_by(*words: str) -> list[str]:
    """Return which of the heavy packages a command has loaded; it must succeed."""
    done = subprocess.run(
        [sys.executable, "-c", PROBE, " ".join(FOR_PLANS_AND_RASTERS), *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    last = done.stderr.strip().splitlines()[-1].split()
    assert last[0] == "LOADED"
    return last[1:]
