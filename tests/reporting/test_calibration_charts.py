"""The charts of a calibration: well-formed, complete, and readable without colour."""

from __future__ import annotations

import re
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest

from meshplan.calibration.calibrate import calibrate
from meshplan.records.measurement import Calibration
from meshplan.reporting.calibration_charts import (
    _STYLES,
    describe_residuals,
    parameters_svg,
    predicted_against_measured_svg,
    residual_along_distance_svg,
    write_calibration_charts,
)
from meshplan.reporting.residual_map import residual_map_svg
from meshplan.reporting.svg import ticks

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "calibration"))
from invented_readings import Truth, measure, property_links, true_power_dbm

CHARTS = (predicted_against_measured_svg, residual_along_distance_svg, parameters_svg, residual_map_svg)


@pytest.fixture(scope="module")
def learned() -> Calibration:
    rng = np.random.default_rng(3)
    links = property_links(rng, sensors=9)
    power = true_power_dbm(links, Truth(orchard_db=5.0), rng)
    cut = float(np.quantile(power, 0.2))
    links = tuple(replace(link, sensitivity_dbm=cut, a=link.a.replace("S00", "<b>&S")) for link in links)
    return calibrate(measure(links, power, rng))


@pytest.mark.parametrize("chart", CHARTS)
def test_a_chart_is_well_formed_and_has_no_style_sheet(learned: Calibration, chart: object) -> None:
    svg = chart(learned)  # type: ignore[operator]
    root = ElementTree.fromstring(svg)
    assert root.tag.endswith("svg")
    assert "style" not in svg.replace("font-style", "")
    assert not re.search(r"\b(nan|inf)\b", re.sub(r"<title>.*?</title>", "", svg))


def test_every_link_is_in_the_chart_with_its_words(learned: Calibration) -> None:
    root = ElementTree.fromstring(predicted_against_measured_svg(learned))
    words = [element.text or "" for element in root.iter() if element.tag.endswith("title")][1:]
    assert len(words) == len(learned.fitted) == 27
    assert sum("not heard" in word for word in words) == learned.not_heard > 0
    assert any(word.startswith("<b>&S to G0") for word in words)


def test_marks_stay_inside_the_drawing(learned: Calibration) -> None:
    for chart in CHARTS:
        root = ElementTree.fromstring(chart(learned))
        width, height = float(root.attrib["width"]), float(root.attrib["height"])
        for circle in (element for element in root.iter() if element.tag.endswith("circle")):
            assert 0 <= float(circle.attrib["cx"]) <= width
            assert 0 <= float(circle.attrib["cy"]) <= height


def test_environments_differ_in_colour_and_in_shape() -> None:
    assert len({colour for colour, _ in _STYLES}) == len({shape for _, shape in _STYLES}) == len(_STYLES)


def test_the_colours_differ_in_lightness_or_hue_under_common_colour_blindness() -> None:
    """Simulated with matrices published in 1999 (Color Research and Application 24, from memory): no two colours coincide."""
    to_lms = np.array([[17.8824, 43.5161, 4.11935], [3.45565, 27.1554, 3.86714], [0.0299566, 0.184309, 1.46709]])
    blindness = {
        "protan": np.array([[0, 2.02344, -2.52581], [0, 1, 0], [0, 0, 1]]),
        "deutan": np.array([[1, 0, 0], [0.494207, 0, 1.24827], [0, 0, 1]]),
    }
    colours = np.array([[int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)] for colour, _ in _STYLES]) ** 2.2
    for matrix in blindness.values():
        seen = colours @ to_lms.T @ matrix.T @ np.linalg.inv(to_lms).T
        gaps = np.linalg.norm(seen[:, None] - seen[None], axis=2)[np.triu_indices(len(seen), 1)]
        assert gaps.min() > 0.04


def test_without_readings_the_chart_says_so() -> None:
    for chart in CHARTS:
        assert "There are no readings" in chart(calibrate([]))


def test_the_same_calibration_gives_the_same_bytes(learned: Calibration, tmp_path: Path) -> None:
    first = [path.read_bytes() for path in write_calibration_charts(learned, tmp_path / "a")]
    second = [path.read_bytes() for path in write_calibration_charts(learned, tmp_path / "b")]
    assert first == second


def test_residuals_are_told_in_words(learned: Calibration) -> None:
    lines = describe_residuals(learned)
    assert lines[-1].startswith("all (21 links): ") or lines[-1].startswith("all (")
    assert len(lines) == 4


def test_the_map_shows_stronger_and_weaker_links_apart_without_colour(learned: Calibration) -> None:
    """Whole lines are stronger, dashed ones weaker; every heard link is there once."""
    root = ElementTree.fromstring(residual_map_svg(learned, after=False))
    lines = [element for element in root.iter() if element.tag.endswith("line")]
    assert len(lines) == learned.heard
    dashed = [line for line in lines if "stroke-dasharray" in line.attrib]
    weaker = [fit for fit in learned.fitted if not fit.measured.censored and fit.measured.residual_db < -3]
    assert len(dashed) == len(weaker) > 0


@pytest.mark.parametrize(("low", "high", "count"), [(-120.0, -40.0, 9), (0.0, 5e5, 11), (-3.0, 3.5, 7), (-1e12, 1e12, 11)])
def test_an_axis_has_a_few_round_figures_however_far_it_reaches(low: float, high: float, count: int) -> None:
    """A table whose heading is wrong puts millions into a column of decibels (found by a mutated table)."""
    found = ticks(low, high)
    assert len(found) == count
    assert all(low <= figure <= high for figure in found)
