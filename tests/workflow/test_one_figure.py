"""One link, one figure: plan, profile, comparison and coverage tell the same of the same link."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from meshplan.records import Link
from meshplan.workflow import compare_radios, profile_between

DEMOS = ("mirrowick_bottom", "ossaby_terrace", "ossaby_terrace_30m", "pellimoor_orchard")
MARGIN_DB = 0.1
CHANCE = 0.02
SEED = 12_008


def same_link(one: Link, other: Link) -> None:
    """Two records of a link agree in all seasons; words may differ only within the tolerance of a limit."""
    for first, second in zip(one.seasons, other.seasons, strict=True):
        assert first.season == second.season
        assert first.margin_at_a_db == pytest.approx(second.margin_at_a_db, abs=MARGIN_DB)
        assert first.margin_at_b_db == pytest.approx(second.margin_at_b_db, abs=MARGIN_DB)
        assert first.chance == pytest.approx(second.chance, abs=CHANCE)
        assert first.spread.total_db == pytest.approx(second.spread.total_db, abs=0.2)
    assert one.worst_season == other.worst_season
    assert one.verdict == other.verdict


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMOS)
def test_profile_tells_what_the_plan_tells(planned_demo: Callable[[str], Any], name: str) -> None:
    demo = planned_demo(name)
    random = np.random.default_rng(SEED)
    for number in random.choice(len(demo.plan.links), 4, replace=False):
        link = demo.plan.links[number]
        alone, _, _ = profile_between(demo.folder, link.a, link.b)
        same_link(link, alone)


@pytest.mark.slow
@pytest.mark.parametrize("name", DEMOS)
def test_comparison_tells_the_weakest_route_that_the_plan_tells(planned_demo: Callable[[str], Any], name: str) -> None:
    demo = planned_demo(name)
    row = compare_radios(demo.folder, classes=[demo.plan.radio.key]).rows[0]
    assert row.radio == demo.plan.radio.key
    assert row.served == len(demo.plan.routes)
    assert row.weakest_chance == pytest.approx(min(route.chance for route in demo.plan.routes), abs=1e-9)
