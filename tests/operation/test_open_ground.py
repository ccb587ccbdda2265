"""Bit rate against range over flat open ground, as table and picture."""

from __future__ import annotations

import xml.dom.minidom

import numpy as np
import pytest

from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.open_ground import YARDSTICK_HEIGHTS_M, open_ground_loss, range_curve_of_class
from meshplan.propagation.free_space import free_space_loss_db
from meshplan.reporting.range_chart import range_svg, range_table

CLASSES = read_radio_classes()


def test_close_by_it_is_free_space_and_far_away_the_plane_earth_law() -> None:
    loss_db = open_ground_loss(868.3, 2.0, 10.0)
    assert loss_db(np.array([20.0]))[0] == pytest.approx(free_space_loss_db(20.0, 868.3), abs=0.1)
    # plane earth, textbook: 40·log10 d − 20·log10(h1·h2), 12 dB for twice the distance
    far = loss_db(np.array([4000.0, 8000.0]))
    assert far[1] - far[0] == pytest.approx(12.04, abs=0.05)
    assert far[0] == pytest.approx(40 * np.log10(4000.0) - 20 * np.log10(20.0), abs=0.2)


def test_slower_bits_and_higher_antennas_reach_further() -> None:
    for key, radio in CLASSES.items():
        curve = range_curve_of_class(radio)
        assert len(curve.points) == len(radio.settings)
        rates = [point.bit_rate_bps for point in curve.points]
        assert rates == sorted(rates), key
        for point in curve.points:
            assert list(point.ranges_m) == sorted(point.ranges_m), key


def test_ranges_are_near_the_throw_away_hand_table() -> None:
    # worked by hand with free space and plane earth, 15 dB, derived sensitivity, about 0-2 dB of antennas: FSK 4.8 kbit/s 0.79,
    # 1.7, 3.4 km (times 10^(-4.6/40) for the filter that both crystals ask for: 0.61, 1.30, 2.61)
    # and chirp SF7 1.4, 3.1, 6.2 km; the design sensitivity here is 3 dB worse, noise 2 dB higher, antennas poorer
    for key, setting, by_hand_m in (("fsk-868", "4k8", (606, 1304, 2608)), ("css-868", "sf7", (1400, 3100, 6200))):
        curve = range_curve_of_class(CLASSES[key])
        point = next(point for point in curve.points if point.setting.endswith(setting))
        for found_m, hand_m in zip(point.ranges_m, by_hand_m, strict=True):
            assert 0.55 * hand_m < found_m < hand_m


def test_the_table_says_what_it_holds_for() -> None:
    text = range_table(range_curve_of_class(CLASSES["css-868"]))
    head, columns, first = text.splitlines()[:3]
    assert "flat open ground, nothing in between, 15 dB of margin" in head
    assert all(f"{one:g} m to {other:g} m" in columns for one, other in YARDSTICK_HEIGHTS_M)
    assert first.split()[0] == "css-868-sf12"


def test_the_picture_draws_each_class_once_with_attributes_only() -> None:
    curves = [range_curve_of_class(CLASSES[key]) for key in ("css-868", "fsk-868", "bt-classic-class2")]
    svg = range_svg(curves)
    xml.dom.minidom.parseString(svg)
    assert svg.count("<polyline") == 2  # one rate alone is a dot
    assert all(f">{curve.class_key}</text>" in svg for curve in curves)
    assert "style=" not in svg
    assert svg == range_svg(curves)
