"""What stands at the top of meshplan: names, lightness, examples that run, and the module as a command."""

from __future__ import annotations

import doctest
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import meshplan

ROOT = Path(__file__).resolve().parents[2]
PROMISED = (
    *("InputError", "MeshplanError", "PlanLink", "PlanLinks", "PropertyInCode", "PropertyPlan", "RadioComparison", "__version__"),
    *("calibrate", "catalogue", "check", "compare", "free_space_loss_db", "fresnel_parameter", "fresnel_radius_m"),
    *("knife_edge_loss_db", "link_chance", "plan", "profile", "property_from", "read_plan", "replan", "terrain_loss_db"),
)
"""A name that goes from here breaks the promise of README, "Changes"; a new one is told there."""
WITH_EXAMPLES = sorted(
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for path in (ROOT / "meshplan").rglob("*.py")
    if ">>> " in path.read_text(encoding="utf-8")
)


def test_the_names_at_the_top_are_the_promised_ones() -> None:
    assert tuple(meshplan.__all__) == PROMISED
    assert set(PROMISED) <= set(dir(meshplan))
    for name in PROMISED:
        found = getattr(meshplan, name)
        assert name == "__version__" or (callable(found) and found.__doc__), name


def test_a_name_that_is_not_there_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'plam'"):
        _ = meshplan.plam  # type: ignore[attr-defined]


def test_the_version_is_that_of_the_package() -> None:
    assert f'\nversion = "{meshplan.__version__}"\n' in (ROOT / "pyproject.toml").read_text(encoding="utf-8")


def test_the_import_alone_loads_nothing_heavy() -> None:
    words = "import sys, meshplan; print(*sorted({name.split('.')[0] for name in sys.modules}))"
    loaded = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True, cwd=ROOT).stdout.split()
    assert "meshplan" in loaded
    assert not {"numpy", "scipy", "rasterio", "geopandas", "pandas", "numba", "highspy", "folium"} & set(loaded)


def test_the_module_runs_as_the_command() -> None:
    run = [sys.executable, "-m", "meshplan"]
    told = subprocess.run([*run, "--version"], capture_output=True, text=True, check=True, cwd=ROOT)
    assert told.stdout.startswith("meshplan ")
    wrong = subprocess.run([*run, "plan", "no-such-folder"], capture_output=True, text=True, check=False, cwd=ROOT)
    assert wrong.returncode == 2
    assert "Traceback" not in wrong.stderr


def test_there_are_examples_to_run() -> None:
    wanted = {"meshplan", "meshplan.notebook.in_code", "meshplan.notebook.formulas", "meshplan.propagation.free_space"}
    assert wanted <= set(WITH_EXAMPLES)


@pytest.mark.parametrize("name", WITH_EXAMPLES)
def test_examples_in_docstrings_give_what_they_say(name: str) -> None:
    result = doctest.testmod(import_module(name))
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.slow
def test_the_first_steps_run_as_a_script() -> None:
    words = [sys.executable, "sample_sites/first_steps.py"]
    told = subprocess.run(words, capture_output=True, text=True, check=True, cwd=ROOT).stdout
    for shown in (
        "free space over 1 km at 868 MHz: 91.2 dB",
        "PropertyPlan(property='Ossaby Terrace'",
        "Picture('",
        "Page('Map of",
    ):
        assert shown in told
    assert "PropertyPlan(property='Sloping field', radio='css-868-sf7', gateways=1, relays=0, served='2 of 2'" in told
