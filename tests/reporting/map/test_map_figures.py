"""The page holds no constant of its own: its scripts read all of them from one record that Python writes."""

from __future__ import annotations

import json
import re

import pytest

from meshplan.assembly.page_figures import page_figures
from meshplan.propagation import antenna, knife_edge, vegetation
from meshplan.reporting.map.assets import OWN_SCRIPTS, figures_script, own_file
from meshplan.units import SPEED_OF_LIGHT_M_PER_S

NAMED_NUMBER = re.compile(r"\b([A-Z][A-Z0-9_]{2,})\s*=\s*-?[\d.]")
READ = re.compile(r"(?:meshFigures|figures)\.([a-z_0-9]+)|([a-z_0-9]+): (?:finestM|most)\b")
PHYSICS = ("formulas.js", "links.js", "terrain.js")
"""The other scripts draw: their numbers are sizes of marks, rows of tables, ranges of sliders."""


def code_of(name: str) -> str:
    """Return a script without its comments."""
    return re.sub(r"/\*.*?\*/", "", own_file(name), flags=re.DOTALL)


@pytest.mark.parametrize("name", PHYSICS)
def test_no_script_names_a_number(name: str) -> None:
    found = NAMED_NUMBER.findall(own_file(name))
    if name == "links.js":
        found = [one for one in found if one not in {"LOW", "MIDDLE", "HIGH"}]  # places in a list of three
    assert not found


@pytest.mark.parametrize("name", PHYSICS)
def test_no_large_or_small_number_stands_alone(name: str) -> None:
    """Speeds, radii, lengths and counts; coefficients of equations and powers of ten stay below."""
    numbers = [float(one) for one in re.findall(r"(?<![\w.])\d+(?:\.\d+)?(?![\w.])", code_of(name))]
    allowed = {360.0, 540.0, 1000.0, 2000.0, 31000.0}  # whole turns, metres in a kilometre, F.1336's beam product
    assert not [one for one in numbers if one > 255.0 and one not in allowed]


def test_what_scripts_read_is_what_python_gives() -> None:
    text = figures_script()
    given = json.loads(text.removeprefix("const meshFigures = Object.freeze(").removesuffix(");\n"))
    read = {one or other for name in OWN_SCRIPTS for one, other in READ.findall(code_of(name))}
    assert read == set(given)
    assert given["void_step"] == 65535
    assert {key: value for key, value in given.items() if key != "void_step"} == page_figures()


def test_figures_are_those_of_the_modules() -> None:
    figures = page_figures()
    assert figures["speed_of_light_m_per_s"] == SPEED_OF_LIGHT_M_PER_S
    assert figures["clear_nu"] == knife_edge.CLEAR_NU
    assert figures["sector_k_v"] == antenna.SECTOR_K_V
    assert figures["deepest_dense_wood_m"] == vegetation.DEEPEST_DENSE_WOOD_M
