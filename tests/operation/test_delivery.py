"""Packets that arrive: from margin, fading, collisions, tries."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from textbook_aloha import aloha_success

from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.delivery import DETECTION, delivered, try_success
from meshplan.records.radio import Modulation, radio_mode

CLASSES = read_radio_classes()


def test_every_modulation_has_an_error_curve() -> None:
    assert set(DETECTION) | {Modulation.CSS} == set(Modulation)


@pytest.mark.parametrize("key", sorted(CLASSES))
def test_success_grows_with_margin_for_every_class(key: str) -> None:
    margins = np.linspace(-20, 40, 25)
    for rayleigh in (False, True):
        chance = try_success(radio_mode(CLASSES, key), margins, 20, rayleigh=rayleigh)
        assert (np.diff(chance) >= -1e-12).all()
        assert chance[0] < 0.01
        assert chance[-1] > 0.99


def test_one_try_at_ten_decibels_is_about_nine_tenths() -> None:
    # Rayleigh: 90 % at 9.8 dB above a sharp threshold (-10·log10(-ln 0.9))
    for key in ("css-868-sf9", "fsk-868-4k8", "oqpsk-2g4-802154"):
        assert float(try_success(radio_mode(CLASSES, key), 10.0, 20)) == pytest.approx(0.9, abs=0.03)


def test_fifteen_decibels_serve_a_sensor_with_three_tries() -> None:
    # source: radio facts, table 3.1: the default requirement of a sensor uplink (common practice)
    mode = radio_mode(CLASSES, "css-868-sf9")
    assert delivered(mode, 15.0, 20) > 0.999
    assert delivered(mode, 5.0, 20) < 0.99
    assert delivered(mode, 0.0, 20) < 0.9


def test_blind_repeats_help_a_one_way_pair_and_confirmation_cannot() -> None:
    mode = radio_mode(CLASSES, "ook-433-12v-wire")
    assert delivered(mode, 10.0, 20) == pytest.approx(float(try_success(mode, 10.0, 20)))
    assert delivered(mode, 10.0, 20) > 0.99


def test_collisions_are_part_of_every_try() -> None:
    mode = radio_mode(CLASSES, "css-868-sf9")
    clear = float(aloha_success(0.1))
    once = float(try_success(mode, 20.0, 20)) * clear
    assert delivered(mode, 20.0, 20, clear_chance=clear) == pytest.approx(1 - (1 - once) ** 3)


@given(st.integers(1, 60), st.floats(-5, 30))
def test_longer_packets_never_arrive_more_often(payload: int, margin: float) -> None:
    mode = radio_mode(CLASSES, "fsk-868-4k8")
    longer = float(try_success(mode, margin, payload + 1))
    assert longer <= float(try_success(mode, margin, payload)) + 1e-12
