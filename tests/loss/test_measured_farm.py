"""Measured links of a farm mesh, with nothing said by the user and nothing fitted: bounds that must hold, not proof of accuracy.

`python tests/benchmarks/farm_links.py` prints the residuals. As seen: land taken for mapped and bare −24.7 dB, RMSE 25.5; unmapped
land of the default class +2.5 dB, RMSE 7.7, and 87 % and 97 % of the links within the 80 % and 90 % intervals.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from benchmarks.farm_links import read_links, residual_text, residuals

from meshplan.settings import LandCoverSettings
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, judge_mapped_land

BIAS_DB, RMSE_DB = 4.0, 8.5


@pytest.fixture(scope="module")
def links(reference_dir: Path) -> list[dict[str, Any]]:
    """Return the measured links, or skip saying that they are not here."""
    table = reference_dir / "measured" / "farm_mesh_915mhz.json"
    if not table.is_file():
        pytest.skip("the measured farm links are not on this machine")
    return read_links(table)


def test_what_a_user_gets_who_says_nothing(links: list[dict[str, Any]]) -> None:
    found = residuals(links, judge_mapped_land(LandCoverSettings(), (), [(0.0, 0.0), (1.0, 1.0)]))
    assert len(found.residual_db) == 30
    assert abs(found.bias_db) <= BIAS_DB
    assert found.rmse_db <= RMSE_DB
    assert 0.75 <= found.held(0.8) <= 0.9
    assert found.held(0.9) >= 0.85


def test_silence_taken_for_bare_ground_was_the_wrong_answer(links: list[dict[str, Any]]) -> None:
    found = residuals(links, EVERYTHING_MAPPED)
    assert found.bias_db == pytest.approx(-24.7, abs=0.5)
    assert found.held(0.9) < 0.1


def test_the_report_names_every_class(links: list[dict[str, Any]]) -> None:
    text = residual_text(links[:3])
    assert all(f"not mapped, {name}" in text for name in ("open", "rural", "suburban", "woodland"))
