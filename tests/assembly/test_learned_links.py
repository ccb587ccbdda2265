"""What the calibration is told of a link: each cause of loss by its own name."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from benchmarks.farm_links import strip_table

from meshplan.assembly.learned import environment_of, predicted_link
from meshplan.links.margins import OBSTRUCTED_FROM_DB
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, MappedLand

LEVEL = [100.0] * 30
AGL_M = (1.5, 2.5)


def test_what_is_assumed_to_stand_around_the_ends_is_a_cause_of_its_own() -> None:
    """Neither diffraction nor an offset may learn it: it is zero where the land is mapped and large where nobody mapped it."""
    bare = predicted_link(strip_table(500.0, LEVEL, AGL_M, 868.0, EVERYTHING_MAPPED), 0, 0, forward=True)
    table = strip_table(500.0, LEVEL, AGL_M, 868.0, MappedLand((), "rural"))
    silent = predicted_link(table, 0, 0, forward=True)
    assert bare.clutter_db == 0.0
    assert silent.clutter_db == pytest.approx(float(table.losses.clutter_db[0, 0]))
    assert silent.clutter_db > 10.0
    assert silent.diffraction_db == pytest.approx(bare.diffraction_db, abs=0.01)
    assert bare.received_dbm - silent.received_dbm == pytest.approx(silent.clutter_db, abs=0.01)


@pytest.mark.parametrize(("hidden_db", "kind"), [(OBSTRUCTED_FROM_DB + 0.5, "hill"), (0.0, "level")])
def test_relief_that_the_raster_hides_counts_where_a_link_is_named_after_a_hill(hidden_db: float, kind: str) -> None:
    """The loss is charged as one with diffraction, so the name must tell of it too."""
    table = strip_table(500.0, LEVEL, AGL_M, 868.0, EVERYTHING_MAPPED)
    assert table.losses.terrain_parts.obstacle_db[0] < 0.5
    found = environment_of(replace(table, hidden_relief_db=np.array([hidden_db])), 0, 0, ())
    assert (found == "hill") == (kind == "hill")
