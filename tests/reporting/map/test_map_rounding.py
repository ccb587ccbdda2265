"""One figure is rounded one way: the map writes levels and chances as the terminal, the sheets and the plan's sentences do."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from map_browser import OpenMap
from map_fixture import make_landscape, make_plan

from meshplan.reporting.map import write_map
from meshplan.reporting.map.contours import contour_lines
from meshplan.reporting.words import MINUS, decibels, number, percent

pytestmark = pytest.mark.browser

TIES = [0.05, 0.25, 0.35, 0.75, 4.25, 4.35, 9.94, 9.95, 9.9500001, 10.5, 11.5, 12.5, 99.5, 0.0, 0.04, 1e-9, 2.5]
"""Values that lie just between two as written, or hardly beside it (4.35 is held as less, IEEE 754)."""


def values() -> list[float]:
    """Return ties, their negatives, and draws of a fixed seed with the decimals that plans keep."""
    draw = random.Random(17)
    drawn = [round(draw.uniform(-40.0, 40.0), draw.choice((1, 2, 3))) for _ in range(3000)]
    return [*TIES, *(-one for one in TIES), *drawn]


def test_levels_are_written_as_python_writes_them(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file).page
    wanted = [decibels(one) for one in values()]
    assert any(one.startswith(MINUS) for one in wanted)
    assert page.evaluate("all => all.map(one => meshParts.decibel(one))", values()) == wanted
    for digits in (0, 1, 2):
        small = [one for one in values() if abs(one) < 1000.0]
        assert page.evaluate("([all, d]) => all.map(one => meshParts.plain(one, d))", [small, digits]) == [
            number(one, digits) for one in small
        ]


def test_chances_are_written_as_python_writes_them(open_map: OpenMap, map_file: Path) -> None:
    page = open_map(map_file).page
    chances = [i / 2000 for i in range(2001)]
    assert page.evaluate("all => all.map(meshParts.chance)", chances) == [percent(one) for one in chances]


RELIEF_M = 6.0
"""Contours every half metre, each fifth of them heavy and labelled."""


def test_a_contour_between_whole_metres_is_labelled_as_such(open_map: OpenMap, tmp_path: Path) -> None:
    land = make_landscape()
    rise_m = land.ground_amsl_m - np.nanmin(land.ground_amsl_m)
    gentle = replace(land, ground_amsl_m=40.0 + rise_m * (RELIEF_M / np.nanmax(rise_m)))
    heights = {round(float(height), 2) for height, heavy, _ in contour_lines(gentle.ground_amsl_m, gentle.grid).lines if heavy}
    assert any(height % 1.0 for height in heights)
    page = open_map(write_map(make_plan(), gentle, tmp_path / "gentle.html")).page
    labels = page.eval_on_selector_all(".contour-height", "all => all.map(one => one.textContent)")
    assert labels
    assert {float(label) for label in labels} <= heights
