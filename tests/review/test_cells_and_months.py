"""Cells and the months to come: intervals that hold the truth, plain words where voltage tells nothing, seasons corrected."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from invented_logs import ALKALINE, DAY_S, LEAVES, START_S, expected_network, invented_network

from meshplan.operation.cells import cell_volt
from meshplan.records.radio import CellVoltage
from meshplan.records.review import DeviceDays, ExpectedCell
from meshplan.review.cells import cell_outlook
from meshplan.review.outlook import months_ahead
from meshplan.review.review import review_network
from meshplan.sources import Standing

THIONYL = CellVoltage(
    (0, 10, 25, 50, 75, 90, 97, 100), (3.67, 3.62, 3.6, 3.6, 3.58, 3.5, 3.2, 2.2), 3.67, -0.2, 20.0, 60.0, 3.0, Standing.NAMED, ""
)


def drained(voltage: CellVoltage, used: float, rate_a_day: float, seed: int, days: int = 150) -> DeviceDays:
    """Return the days of a device whose cells end at a share used; the curve is 30 mV off."""
    draw = np.random.default_rng(seed)
    share = np.clip(used - rate_a_day * np.arange(days)[::-1], 0.0, 1.0)
    warmth = 10.0 + 8.0 * np.sin(2 * np.pi * np.arange(days) / 365.0) + draw.normal(0.0, 2.0, days)
    volt = np.array([float(cell_volt(voltage, u, t)) for u, t in zip(share, warmth, strict=True)])
    zero, blank = np.zeros(days, dtype=np.int64), np.full(days, np.nan)
    return DeviceDays(
        "S", "House", int(START_S // DAY_S), zero + 96, zero, zero + 96, blank, blank, volt + draw.normal(0.0, 0.03), warmth, zero,
        np.zeros((days, 24), dtype=np.int64), np.zeros((days, 24), dtype=np.int64), np.zeros(days), START_S + days * DAY_S,
    )  # fmt: skip


def test_the_interval_of_a_cell_holds_the_truth() -> None:
    """80 % intervals; drains within a factor of two of the plan's, any age: at least seven in ten of 60."""
    cell, held = ExpectedCell("2 AA", ALKALINE, 1, 0.8, 3.0), 0
    for seed in range(60):
        draw = np.random.default_rng(1000 + seed)
        rate = 0.8 / (3.0 * 365.25) * float(np.exp(draw.normal(0.0, np.log(2.0) / 1.5)))
        used = draw.uniform(150 * rate, 0.78) if 150 * rate < 0.78 else 0.75
        found = cell_outlook(cell, drained(ALKALINE, used, rate, seed))
        assert found is not None
        held += found.days_low <= (0.8 - used) / rate <= found.days_high
    assert held >= 42


def test_a_flat_curve_is_said_to_tell_nothing_until_its_end() -> None:
    cell = ExpectedCell("1 D", THIONYL, 1, 0.8, 6.0)
    flat = cell_outlook(cell, drained(THIONYL, 0.5, 0.8 / (6 * 365.25), 1))
    assert flat is not None
    assert not flat.visible
    assert not flat.soon


def test_new_cells_are_seen() -> None:
    days = drained(ALKALINE, 0.7, 0.001, 2)
    changed = replace(days, cell_v=np.where(np.arange(150) >= 100, 1.58, days.cell_v))
    found = cell_outlook(ExpectedCell("2 AA", ALKALINE, 1, 0.8, 3.0), changed)
    assert found is not None
    assert found.used_share < 0.2
    assert found.changed_days_ago == pytest.approx(49, abs=7)


def test_a_cell_that_runs_out_is_told_before_and_not_half_a_year_before() -> None:
    """At four times the planned drain; 20 draws each. A curve that is 50 mV off hides a third of what alkaline cells hold."""
    cell = ExpectedCell("2 AA", ALKALINE, 1, 0.8, 3.0)
    rate = 4.0 * 0.8 / (3.0 * 365.25)
    outlooks = {
        left: [cell_outlook(cell, drained(ALKALINE, 0.8 - left * rate, rate, seed, 90)) for seed in range(20)] for left in (14, 180)
    }
    soon = {left: sum(each is not None and each.soon for each in found) for left, found in outlooks.items()}
    assert soon[14] >= 15
    assert soon[180] == 0


def test_months_to_come_hold_the_season_and_what_was_measured() -> None:
    """Leaves take 4 dB; 3 dB of slack in winter, so May to September fall under the need, and April holds."""
    expected = replace(expected_network()[0], needed_dbm=-98.0)
    found = months_ahead(expected, -95.0, 1.0, 0.3, 1)
    assert [month.month for month in found] == list(range(1, 13))
    failing = {month.month for month in found if month.chance < 0.5}
    assert failing == {month + 1 for month, leaf in enumerate(LEAVES) if 4.0 * leaf > 3.0}
    stronger = months_ahead(expected, -89.0, 1.0, 0.3, 1)
    assert all(month.holds for month in stronger)
    assert months_ahead(expected, float("nan"), 1.0, 0.3, 1) == ()


def test_a_link_that_leaves_will_break_is_told_in_february() -> None:
    expected = [replace(each, needed_dbm=-96.0 if each.name == "S02" else each.needed_dbm) for each in expected_network()]
    logs = invented_network(8, 59.0, expected=expected)
    reviewed = review_network(expected, logs, first_s=START_S, last_s=START_S + 59 * DAY_S)
    review = next(each for each in reviewed.devices if each.expected.name == "S02")
    slack = review.level_dbm + 96.0
    told = [finding for finding in reviewed.findings if finding.kind == "need"]
    assert 0.0 < slack < 4.0, "the draw must make a link that holds in winter and not in summer"
    assert [finding.device for finding in told] == ["S02"]
    assert "will probably fall under its need in" in told[0].sentence


def test_another_way_than_planned_is_told() -> None:
    logs = invented_network(3, 60.0)
    logs[2] = replace(logs[2], receiver=np.full(len(logs[2]), 1, dtype=np.int16))
    logs[4] = replace(logs[4], hop=np.full(len(logs[4]), 3, dtype=np.int8))
    found = review_network(expected_network(), logs, first_s=START_S, last_s=START_S + 60 * DAY_S).findings
    ways = {finding.device: finding.sentence for finding in found if finding.kind == "way"}
    assert ways == {
        "S02": "S02 is heard by Relay and hardly by House, as planned.",
        "S04": "Packets of S04 take 3 hops, planned is 1.",
    }
