"""The page of a review: names are never trusted, nothing comes from the network, every drawing is sound."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "review"))

from invented_logs import DAY_S, START_S, Fault, expected_network, invented_network

from meshplan.records.review import Review
from meshplan.reporting.review_files import review_summary, review_text
from meshplan.reporting.review_page import STATES, calendar_svg, day_states, device_svg, review_page
from meshplan.review.review import review_network

HOSTILE = "<script>alert(\"1\")</script> & 'x'"


@pytest.fixture(scope="module")
def review() -> Review:
    """Two months of three devices; one has a hostile name, and one falls silent."""
    expected = [replace(each, name=name) for each, name in zip(expected_network(3, relays=False), (HOSTILE, "B", "C"), strict=True)]
    logs = invented_network(1, 60.0, [Fault("silence", 2, 55.0)], expected=expected)
    found = review_network(expected, logs, first_s=START_S, last_s=START_S + 60 * DAY_S)
    return Review(
        f"Farm {HOSTILE}", START_S, START_S + 60 * DAY_S, sum(map(len, logs)), found.devices, found.findings, found.unheard,
        found.blind, (f"note {HOSTILE}",), (f"log {HOSTILE}.csv",),
    )  # fmt: skip


def test_names_are_never_trusted_and_nothing_comes_from_the_network(review: Review) -> None:
    page = review_page(review)
    assert "<script" not in page
    assert "&lt;script&gt;" in page
    assert not re.search(r"""(?:src|href)\s*=\s*["']""", page)
    assert "default-src 'none'" in page


def test_every_drawing_is_sound_markup(review: Review) -> None:
    for svg in [calendar_svg(review), *map(device_svg, review.devices)]:
        ElementTree.fromstring(svg)


def test_the_calendar_shows_when_a_device_fell_silent(review: Review) -> None:
    states = day_states(next(each for each in review.devices if each.expected.name == "C"))
    assert {STATES[int(state)][0] for state in states[56:60]} == {"nothing heard"}
    assert "nothing heard" not in {STATES[int(state)][0] for state in states[:55]}
    assert "C, 27 Feb 2026: nothing heard" in calendar_svg(review)


def test_text_and_summary_say_the_same(review: Review) -> None:
    said, summary = review_text(review), review_summary(review, ())
    assert [finding.device for finding in review.findings] == ["C"]
    assert review.findings[0].sentence in said
    assert summary["attention"] is True
    assert [each["sentence"] for each in summary["findings"]] == [review.findings[0].sentence]  # type: ignore[attr-defined]
    assert all(sentence in said for sentence in review.blind)
