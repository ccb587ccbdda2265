"""Asking for help costs next to nothing: no heavy library is imported for it."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from meshplan.cli import COMMANDS

HEAVY = {
    *("numpy", "scipy", "rasterio", "geopandas", "pandas", "pyproj", "shapely"),
    *("folium", "networkx", "numba", "highspy", "pydantic"),
}


def modules_after(*calls: list[str]) -> set[str]:
    """Return the top-level modules that are loaded once the command line has answered."""
    code = "import sys, json; from meshplan.cli import main\n"
    code += "".join(f"main({words!r})\n" for words in calls)
    code += "print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {name.split(".")[0] for name in json.loads(done.stderr.splitlines()[-1])}


@pytest.mark.parametrize("arguments", [["--help"], ["plan", "--help"], ["--version"]], ids=" ".join)
def test_help_imports_no_heavy_library(arguments: list[str]) -> None:
    loaded = modules_after(arguments)
    assert "click" in loaded
    assert not loaded & HEAVY


def test_the_help_of_every_command_imports_no_heavy_library() -> None:
    assert not modules_after(*([name, "--help"] for name in COMMANDS)) & HEAVY
