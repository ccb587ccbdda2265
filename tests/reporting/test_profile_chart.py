"""The profile on paper shows the engine's own figures, to scale, and says them in words."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_fixture import make_plan

from meshplan.explain.obstacles import clearance_label
from meshplan.records import Clearance, Link, Plan
from meshplan.reporting.profile_chart import profile_svg, write_profile_svg
from meshplan.reporting.profile_text import budget_rows, profile_text
from meshplan.reporting.svg import nice_step

SVG = "{http://www.w3.org/2000/svg}"


def drawn(link: Link, plan: Plan, **size: int) -> ElementTree.Element:
    return ElementTree.fromstring(profile_svg(link, plan, **size))


def points(element: ElementTree.Element) -> np.ndarray:
    return np.array([[float(n) for n in pair.split(",")] for pair in element.attrib["points"].split()])


def height_scale(svg: ElementTree.Element) -> tuple[float, float]:
    """Return metres at pixel 0 and metres a pixel, from the axis labels as a reader would take them."""
    labels = [
        (float(item.attrib["y"]) - 3.5, float((item.text or "").replace("−", "-")))
        for item in svg.iter(f"{SVG}text")
        if item.attrib.get("text-anchor") == "end" and re.fullmatch(r"−?[\d.]+", item.text or "")
    ]
    slope, start = np.polyfit([y for y, _ in labels], [metres for _, metres in labels], 1)
    return float(start), float(slope)


@pytest.fixture
def link(plan: Plan) -> Link:
    return plan.link("ridge post--house")


def test_the_ground_on_paper_is_the_ground_of_the_record(link: Link, plan: Plan) -> None:
    svg = drawn(link, plan, height=2000)
    start, slope = height_scale(svg)
    ground = points(next(svg.iter(f"{SVG}polyline")))
    assert link.profile is not None
    shown = start + slope * ground[:, 1]
    n = len(link.profile.ground_amsl_m)
    along = np.arange(n) * link.profile.step_m
    bulge = along * (along[-1] - along) / (2 * link.profile.effective_earth_radius_km * 1000)
    assert shown == pytest.approx(np.array(link.profile.ground_amsl_m) + bulge, abs=0.05)


def test_the_ray_ends_at_the_antennas(link: Link, plan: Plan) -> None:
    svg = drawn(link, plan, height=2000)
    start, slope = height_scale(svg)
    tips = [start + slope * float(circle.attrib["cy"]) for circle in svg.iter(f"{SVG}circle")]
    assert link.profile is not None
    assert tips[0] == pytest.approx(link.profile.ground_amsl_m[0] + link.antenna_a_agl_m, abs=0.05)
    assert tips[1] == pytest.approx(link.profile.ground_amsl_m[-1] + link.antenna_b_agl_m, abs=0.05)


def test_the_zone_is_as_wide_at_mid_path_as_the_handbook_says(link: Link, plan: Plan) -> None:
    """F1 = 0.5·√(λ·d) half-way (ITU-R P.526-16 §4.1 with d1 = d2)."""
    svg = drawn(link, plan, height=2000)
    _, slope = height_scale(svg)
    zone = points(list(svg.iter(f"{SVG}polygon"))[1])
    half = len(zone) // 2
    upper, lower = zone[:half], zone[half:]
    width_m = abs(slope) * (lower[half // 2, 1] - upper[half // 2, 1])
    expected = 0.5 * math.sqrt(299.792458 / link.frequency_mhz * link.distance_m)
    assert width_m / 2 == pytest.approx(expected, rel=0.01)


def test_the_triangle_stands_on_the_tightest_point(link: Link, plan: Plan) -> None:
    svg = drawn(link, plan)
    triangle = points(list(svg.iter(f"{SVG}polygon"))[-1])
    x_of = lambda metres: 56 + (720 - 56 - 18) * metres / link.distance_m  # noqa: E731 - one line says it best
    assert triangle[0, 0] == pytest.approx(x_of(link.clearance.at_m), abs=0.1)
    assert clearance_label(link.clearance.kind, link.clearance.clearance_m) in "".join(svg.itertext())


def test_a_blocked_path_is_told_in_metres_above_the_line(link: Link, plan: Plan) -> None:
    for kind, clearance_m, words in (
        ("blocked", -3.26, "3.3 m above the line"),
        ("in the zone", 0.7, "0.7 m below the line, in the zone"),
        ("clear", 9.0, "9.0 m below the line"),
    ):
        told = replace(link, clearance=replace(link.clearance, kind=kind, first_fresnel_share=0.0, clearance_m=clearance_m))
        assert f">{words}<" in profile_svg(told, plan)


def test_only_presentation_attributes_are_used(plan: Plan) -> None:
    for link in plan.links:
        for element in drawn(link, plan).iter():
            assert not {"class", "style", "id"} & set(element.attrib)
            assert element.tag.removeprefix(SVG) in {
                *("svg", "title", "desc", "g", "rect", "path", "polygon", "polyline", "circle", "text")
            }


def test_a_screen_reader_hears_what_the_eye_sees(link: Link, plan: Plan) -> None:
    svg = drawn(link, plan)
    assert svg.attrib["role"] == "img"
    assert link.clearance.sentence in svg.attrib["aria-label"]
    assert svg.findtext(f"{SVG}title") == "Profile from ridge post to house"


def test_hostile_names_are_text(hostile_plan: Plan) -> None:
    for link in hostile_plan.links:
        svg = drawn(link, hostile_plan)
        assert not list(svg.iter(f"{SVG}script"))
        assert not list(svg.iter(f"{SVG}img"))
        assert f"Profile from {link.a} to {link.b}" in (svg.findtext(f"{SVG}title") or "")


def test_a_link_without_profile_says_so(plan: Plan) -> None:
    assert "No profile was kept for this link." in "".join(drawn(plan.link("tank--ridge post"), plan).itertext())


def test_a_long_path_keeps_its_tallest_tree_and_stays_small(link: Link, plan: Plan) -> None:
    assert link.profile is not None
    n = 20_001
    ground = [50.0] * n
    ground[12_345] = 90.0
    profile = replace(link.profile, step_m=1.0, ground_amsl_m=tuple(ground), cover_m=(0.0,) * n, cover_kind=(0,) * n)
    long = replace(link, profile=profile, distance_m=20_000.0, clearance=replace(link.clearance, at_m=12_345.0))
    svg = drawn(long, plan)
    ground_line = points(next(svg.iter(f"{SVG}polyline")))
    start, slope = height_scale(svg)
    peak = start + slope * ground_line[:, 1].min()
    bulge = 12_345 * (20_000 - 12_345) / (2 * 8_494_667)
    assert peak == pytest.approx(90 + bulge, abs=0.5)
    assert len(profile_svg(long, plan)) < 40_000
    assert "km along the path" in "".join(svg.itertext())


def test_same_link_same_bytes(link: Link, plan: Plan, tmp_path: Path) -> None:
    first = write_profile_svg(link, plan, tmp_path / "a.svg").read_bytes()
    assert first == write_profile_svg(make_plan().link(link.key), make_plan(), tmp_path / "b.svg").read_bytes()


@settings(deadline=None)
@given(st.floats(1e-3, 1e6), st.integers(3, 9))
def test_ticks_are_round_and_few(span: float, most: int) -> None:
    step = nice_step(span, most)
    assert span / step <= most * (1 + 1e-6)
    mantissa = step / 10 ** math.floor(math.log10(step) + 1e-9)
    assert min(abs(mantissa - wanted) for wanted in (1, 2, 5)) < 1e-6


def test_the_budget_can_be_added_up_by_hand(plan: Plan) -> None:
    for link in plan.links:
        for forward in (True, False):
            rows = budget_rows(link, forward=forward)
            for i, result in enumerate(link.seasons):
                received = result.received_at_b_dbm if forward else result.received_at_a_dbm
                assert sum(round(10 * (cells[i] or 0)) for _, cells in rows) == round(10 * round(received, 1))
            assert "not itemised" not in [name for name, _ in rows]


def test_what_does_not_add_up_is_not_called_rounding(link: Link) -> None:
    seasons = tuple(replace(one, received_at_b_dbm=one.received_at_b_dbm - 3.0) for one in link.seasons)
    rows = dict(budget_rows(replace(link, seasons=seasons), forward=True))
    assert rows["not itemised"][0] == pytest.approx(-3.0, abs=0.3)


def test_the_printed_budget_reads_whole(link: Link, plan: Plan) -> None:
    shown = profile_text(link, plan)
    assert "From ridge post to house, dB" in shown
    assert "From house to ridge post, dB" in shown
    for line in shown.splitlines():
        assert len(line) <= 100
    table = [line for line in shown.splitlines() if line.startswith("  ")]
    numbers = [re.findall(r"[+−]?\d+\.\d(?= |$)", line) for line in table[:9]]
    values = [float(cells[-2].replace("−", "-")) for cells in numbers if len(cells) >= 2]
    assert values[-1] == pytest.approx(sum(values[:-1]), abs=0.01)
    assert "Clearance: Ridge at 38 m stands 9.3 m below the line." in shown
    assert "Verdict: ample, it works with margin to spare." in shown


def test_two_woods_stay_two_lines(link: Link) -> None:
    result = link.seasons[0]
    woods = (result.losses[0], result.losses[1], result.losses[1])
    rows = budget_rows(replace(link, seasons=(replace(result, losses=woods),)), forward=True)
    assert [name for name, _ in rows].count("terrain") == 2


def test_a_link_the_data_cannot_tell_says_so(link: Link) -> None:
    unsure = replace(link, verdict="not sure", clearance=Clearance("blocked", -0.1, math.nan, math.nan, "", "Not known."))
    assert "Verdict: not sure, the data cannot tell, measure it." in " ".join(profile_text(unsure).split())
    assert profile_svg(unsure).startswith("<svg")
