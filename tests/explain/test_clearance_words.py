"""What the tightest place of a path does to the first Fresnel zone, in words that never contradict the figures beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from landscapes import make_landscape
from link_stations import SETTINGS, context_of, links_between, make_site

from meshplan.explain.describe import describe_links
from meshplan.explain.obstacles import clearance_label, clearance_words

ZONE_M = 5.0
LOW = " The antennas are low for this distance: the ground itself takes power."

TABLE = [
    (-0.5, "blocked", "Blocks the line: hedge 40 m from S03 stands 2.5 m above the straight line."),
    (-0.02, "blocked", "Blocks the line: hedge 40 m from S03 stands 0.1 m above the straight line."),
    (
        0.14,
        "in the zone",
        "Reaches into the first Fresnel zone: hedge 40 m from S03 stays 0.7 m below the straight line and fills 86 % of the zone's "
        "half-width (4.3 of 5.0 m).",
    ),
    (
        0.58,
        "in the zone",
        "Reaches into the first Fresnel zone: hedge 40 m from S03 stays 2.9 m below the straight line and fills 42 % of the zone's "
        "half-width (2.1 of 5.0 m).",
    ),
    (
        0.62,
        "clear",
        "Clear enough: hedge 40 m from S03 stays 3.1 m below the straight line and fills 38 % of the first "
        "Fresnel zone's half-width (1.9 of 5.0 m); up to 40 % does no harm.",
    ),
    (
        1.2,
        "clear",
        "Clear: the nearest thing, hedge 40 m from S03, stays 6.0 m below the straight line, outside the first Fresnel zone.",
    ),
]


@pytest.mark.parametrize(("share", "kind", "sentence"), TABLE)
@pytest.mark.parametrize("ground_limited", [False, True])
def test_words_follow_the_zone(share: float, kind: str, sentence: str, ground_limited: bool) -> None:
    found = clearance_words(share, share * ZONE_M, ZONE_M, "hedge 40 m from S03", ground_limited=ground_limited)
    assert found == (kind, sentence + (LOW if ground_limited else ""))
    above = clearance_label(kind, share * ZONE_M).endswith("above the line")
    assert above == (share < 0.0)


@pytest.mark.parametrize(
    ("bank_m", "kind"), [(12.0, "blocked"), (9.3, "in the zone"), (5.5, "in the zone"), (3.0, "clear"), (0.5, "clear")]
)
def test_a_bank_under_a_line_ten_metres_up(bank_m: float, kind: str) -> None:
    """Half way along 1 km the zone has a half-width of sqrt(λ · 500 · 500 / 1000), 9.29 m at 868 MHz (ITU-R P.526-16 §2.1)."""
    ground = np.full((41, 241), 100.0)
    ground[:, 118:123] += bank_m
    land = make_landscape(ground, error_m=0.0)
    table = links_between([make_site("S03", 102.5, 102.5, 10.0), make_site("House", 1102.5, 102.5, 10.0)], land)
    found = describe_links(table, [0], context_of(land))[0].clearance
    bulge_m = 500.0**2 / 2.0 / (SETTINGS.earth_radius_km * 1000.0)
    clearance_m, zone_m = 10.0 - bank_m - bulge_m, math.sqrt(299.792458 / 868.0 * 250.0)
    assert found.kind == kind
    assert found.obstacle == ("ridge" if bank_m >= 3.0 else "ground")
    if bank_m > 3.0:
        assert found.at_m == pytest.approx(500.0, abs=11.0)
        assert found.clearance_m == pytest.approx(clearance_m, abs=0.02)
    side = "above" if found.clearance_m < 0 else "below"
    assert f"{abs(found.clearance_m):.1f} m {side} the straight line" in found.sentence
    if kind == "in the zone":
        assert f"({zone_m - found.clearance_m:.1f} of 9.3 m)" in found.sentence
