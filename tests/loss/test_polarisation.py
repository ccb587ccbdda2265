"""Antennas that stand at an angle to each other lose by it, in both directions, and the budget says so."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from landscapes import make_landscape
from link_stations import LEAF, links_between, make_site, make_stations

from meshplan.propagation.antenna import polarisation_loss_db
from meshplan.records import POLARISATIONS, Role

FLAT = np.full((120, 240), 100.0)
SENSOR = make_site("sensor", 100, 300, 1.5)
GATEWAY = make_site("gateway", 700, 300, 6.0, Role.GATEWAY)


@pytest.mark.parametrize("sensor", POLARISATIONS)
@pytest.mark.parametrize("gateway", POLARISATIONS)
def test_the_angle_between_them_is_charged_once_each_way(sensor: str, gateway: str) -> None:
    """0, 2.9 or 15 dB (cos² law with echoes 15 dB down), and nothing for two that stand alike, however they stand."""
    landscape = make_landscape(FLAT)
    sites = [replace(SENSOR, polarisation=sensor), replace(GATEWAY, polarisation=gateway)]
    table, alike = (links_between(pair, landscape, seasons=(LEAF,)) for pair in (sites, [SENSOR, GATEWAY]))
    degrees = {"vertical": 0, "slant": 45, "horizontal": 90}
    lost_db = float(polarisation_loss_db(degrees[sensor] - degrees[gateway]))
    assert lost_db == pytest.approx({0: 0.0, 45: 2.9, 90: 15.0}[abs(degrees[sensor] - degrees[gateway])], abs=0.05)
    assert alike.margin_at_a_db - table.margin_at_a_db == pytest.approx(lost_db)
    assert alike.margin_at_b_db - table.margin_at_b_db == pytest.approx(lost_db)


def test_one_that_stands_otherwise_is_said() -> None:
    _, assumed = make_stations([replace(SENSOR, polarisation="horizontal"), GATEWAY], make_landscape(FLAT))
    said = [line for line in assumed if "sensor stands horizontal" in line]
    assert len(said) == 1
    assert "taken as for vertical ones" in said[0]
    assert not any(
        "stands" in line for line in make_stations([replace(SENSOR, polarisation="vertical"), GATEWAY], make_landscape(FLAT))[1]
    )
