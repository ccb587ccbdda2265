"""Verdicts stay apart for every kind of colour vision and on a black-and-white printer."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from colour_vision import VISION, contrast, difference, luminance

from meshplan.records import VERDICTS
from meshplan.reporting.map.palette import ALARM, INK, PAPER, VERDICT_STYLES, cover_colour, red_green_blue

LEAST_DIFFERENCE = {"usual": 28.0, "protanopia": 22.0, "deuteranopia": 26.0, "tritanopia": 26.0}
"""CIE 1976 ΔE*ab that any two verdict colours keep; measured 2026-11 (29.6, 24.5, 28.5, 28.5)."""


def test_every_verdict_has_its_style_and_no_other_has() -> None:
    assert tuple(VERDICT_STYLES) == VERDICTS


@pytest.mark.parametrize("vision", VISION)
def test_any_two_verdicts_stay_apart(vision: str) -> None:
    colours = {name: style.colour for name, style in VERDICT_STYLES.items()}
    apart = {(a, b): difference(colours[a], colours[b], vision) for a, b in combinations(colours, 2)}
    nearest = min(apart, key=lambda pair: apart[pair])
    assert apart[nearest] >= LEAST_DIFFERENCE[vision], f"{nearest}: {apart[nearest]:.1f}"


def test_a_green_to_red_ramp_would_fail() -> None:
    """The measure itself must be able to say no."""
    ramp = ("#1a9641", "#a6d96a", "#fdae61", "#d7191c")
    assert min(difference(a, b, "deuteranopia") for a, b in combinations(ramp, 2)) < LEAST_DIFFERENCE["deuteranopia"]


def test_simulation_leaves_white_and_black_alone() -> None:
    for matrix in VISION.values():
        assert np.abs(matrix.sum(axis=1) - 1).max() < 2e-6


@pytest.mark.parametrize("name", VERDICTS)
def test_lines_stand_out_from_their_white_edge(name: str) -> None:
    """WCAG 2.2, 1.4.11: at least 3 to 1."""
    assert contrast(VERDICT_STYLES[name].colour, "#ffffff") >= 3.0


def test_text_stands_out_from_the_paper() -> None:
    """WCAG 2.2, 1.4.6 (AAA): at least 7 to 1."""
    assert contrast(INK, PAPER) >= 7.0
    assert contrast("#4a453b", PAPER) >= 7.0
    assert contrast("#ffffff", ALARM) >= 7.0


def test_dashes_and_marks_tell_verdicts_apart_without_colour() -> None:
    assert len({style.dash for style in VERDICT_STYLES.values()}) == len(VERDICTS)
    assert len({style.mark for style in VERDICT_STYLES.values()}) == len(VERDICTS)


def test_cover_takes_the_colour_of_its_kind() -> None:
    assert cover_colour("wood_deciduous") != cover_colour("building")
    assert cover_colour("something new") == cover_colour("another thing")
    assert luminance(cover_colour("water")) > luminance(cover_colour("building"))


def test_colours_are_read_as_bytes() -> None:
    assert red_green_blue("#0a3a6b") == (10, 58, 107)
