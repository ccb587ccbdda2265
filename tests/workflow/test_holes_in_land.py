"""Land that no raster knows: no forecast and no verdict of failing, but what is not known, where, and how to mend it."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from small_property import CELL_M, SIZE_M, bank, lay_small_property, usual_sites, write_raster

from meshplan.reporting.profile_text import verdict_sentence
from meshplan.workflow import plan_property, profile_between

NODATA = -9999.0


@pytest.fixture(scope="module")
def holding(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a holding of a bed and a house whose raster has a strip without heights between them, 75 to 85 m from the west."""
    heights = bank(0.0)
    x_m = (np.arange(int(SIZE_M / CELL_M)) + 0.5) * CELL_M
    heights[:, (x_m > 70.0) & (x_m < 85.0)] = NODATA
    folder = lay_small_property(
        tmp_path_factory.mktemp("hole"), sites=[row for row in usual_sites() if row["name"] in ("Bed", "House")], heights=heights
    )
    write_raster(folder / "ground.tif", heights, nodata=NODATA)
    return folder


def test_a_link_over_a_hole_in_the_land_gets_no_verdict_of_failing(holding: Path) -> None:
    link, _, _ = profile_between(holding, "House", "Bed")
    assert math.isnan(link.margin_db)
    assert link.verdict == "not sure"
    assert link.clearance.kind == "not known"
    words = f"{verdict_sentence(link)} {link.clearance.sentence}"
    assert "hole on the way" in words
    assert not any(word in words for word in ("nan", "side by side", "First month", "probably not work"))
    assert not link.causes
    assert not link.remedies
    assert not link.notes


def test_a_sensor_behind_a_hole_is_told_that_the_land_is_not_known(holding: Path) -> None:
    plan = plan_property(holding, overrides={"generate_relays": 0}).plan
    assert [gap.sensor for gap in plan.unserved] == ["Bed"]
    assert "1 of its 1 links" in plan.unserved[0].reason
    assert "cannot be judged" in plan.unserved[0].reason
