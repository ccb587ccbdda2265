"""Asking for help costs next to nothing: no heavy library is imported for it."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from meshplan.cli import COMMANDS

HEAVY = (
    "numpy",
    "scipy",
    "rasterio",
    "geopandas",
    "pandas",
    "pyproj",
    "shapely",
    "folium",
    "networkx",
    "numba",
    "highspy",
    "pydantic",
)


def modules_after(arguments: list[str]) -> set[str]:
    """Return the top-level modules that are loaded once the command line has answered."""
    code = f"import sys, json; from meshplan.cli import main; main({arguments!r}); print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    return {name.split(".")[0] for name in json.loads(done.stderr.splitlines()[-1])}


@pytest.mark.parametrize("arguments", [["--help"], ["plan", "--help"], ["--version"]], ids=" ".join)
def test_help_imports_no_heavy_library(arguments: list[str]) -> None:
    loaded = modules_after(arguments)
    assert "click" in loaded
    assert not loaded & set(HEAVY)


def test_the_help_of_every_command_imports_no_heavy_library() -> None:
    code = "import sys, json; from meshplan.cli import main\n"
    code += "".join(f"main([{name!r}, '--help'])\n" for name in COMMANDS)
    code += "print(json.dumps(sorted(sys.modules)), file=sys.stderr)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in json.loads(done.stderr.splitlines()[-1])}
    assert not loaded & set(HEAVY)
