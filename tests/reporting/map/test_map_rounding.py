"""One figure is rounded one way: the map writes levels and chances as the terminal, the sheets and the plan's sentences do."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from map_browser import OpenMap

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
