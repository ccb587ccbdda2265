"""Bit rate against range over known loss laws, and the ranges that practice knows."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.rate_range import allowed_loss_db, range_m, rate_range_curve
from meshplan.propagation.free_space import free_space_loss_db
from meshplan.propagation.two_ray import minimum_effective_height_m, plane_ground_excess_db
from meshplan.records.radio import radio_mode
from meshplan.units import Array

CLASSES = read_radio_classes()


def open_ground(frequency_mhz: float, one_agl_m: float, other_agl_m: float) -> Callable[[Array], Array]:
    """Return the loss over flat open ground between two vertical antennas."""
    lowest = float(minimum_effective_height_m(frequency_mhz, polarisation="vertical"))
    one, other = math.hypot(one_agl_m, lowest), math.hypot(other_agl_m, lowest)

    def loss(distance_m: Array) -> Array:
        plain = free_space_loss_db(distance_m, frequency_mhz)
        return np.asarray(plain + plane_ground_excess_db(distance_m, one, other, frequency_mhz))

    return loss


def indoors(frequency_mhz: float, coefficient: float = 28.0) -> Callable[[Array], Array]:
    """Return the loss inside a home: 20·log10 f + N·log10 d − 28, ITU-R P.1238 (older form), N = 28 for a residence."""

    def loss(distance_m: Array) -> Array:
        return np.asarray(20 * np.log10(frequency_mhz) + coefficient * np.log10(distance_m) - 28)

    return loss


# ---------------------------------------------------------------- mathematics


def test_free_space_range_by_hand() -> None:
    # hand-worked: 105 dB at 868.3 MHz: 10^((105 − 32.448 − 58.773)/20) km = 4.88 km
    found = range_m(105.0, lambda d: free_space_loss_db(d, 868.3))
    assert found == pytest.approx(4885, rel=2e-3)


def test_plane_earth_range_by_hand() -> None:
    # hand-worked: 40·log10 d − 20·log10(2·10) = 107 dB: d = 10^(133.02/40) = 2117 m
    found = range_m(107.0, lambda d: 40 * np.log10(d) - 20 * np.log10(20.0))
    assert found == pytest.approx(2117, rel=1e-3)


def test_the_first_gap_ends_the_range() -> None:
    def wall(distance_m: Array) -> Array:
        return np.where((distance_m > 100) & (distance_m < 200), 200.0, 50.0)

    assert range_m(100.0, wall) == pytest.approx(100.0, rel=1e-6)
    assert range_m(10.0, wall) == 0.0
    assert range_m(300.0, wall) == math.inf


def test_allowed_loss_by_hand() -> None:
    # hand-worked: 14 + 2 + 2 − 3 − 15 + 122 − 4
    mode = radio_mode(CLASSES, "css-868-sf7")
    found = allowed_loss_db(mode, margin_db=15, tx_gain_dbi=2, rx_gain_dbi=2, feed_loss_db=3, noise_rise_db=4)
    assert found == pytest.approx(118.0)


def test_slower_settings_of_a_class_reach_further() -> None:
    for key in ("fsk-868", "css-868"):
        modes = [radio_mode(CLASSES, key, setting=setting.name) for setting in CLASSES[key].settings]
        curve = rate_range_curve(modes, open_ground(868.3, 1.0, 5.0))
        rates, ranges = [point.bit_rate_bps for point in curve], [point.range_m for point in curve]
        assert rates == sorted(rates)
        assert ranges == sorted(ranges, reverse=True)


@given(st.floats(60, 140), st.floats(0.1, 30))
def test_more_allowed_loss_never_shortens_the_range(allowed: float, more: float) -> None:
    loss = open_ground(868.3, 1.0, 2.0)
    assert range_m(allowed + more, loss) >= range_m(allowed, loss)


@pytest.mark.parametrize(
    ("key", "low_m", "high_m"),
    # source: radio facts, table after 2.2, column 1 m to 5 m, 15 dB margin on derived sensitivity; here design
    # sensitivity and the class's own antenna: within the band between them; FSK at 4.8 kbit/s stands 4.6 dB below that table
    # for both crystals' error (second sheet, 3.3), on plane ground a factor 10^(-4.6/40) = 0.77 of its range
    [("fsk-868-50k", 600, 1100), ("fsk-868-4k8", 770, 1450), ("css-868-sf7", 1800, 3300), ("css-868-sf12", 3500, 6600)],
)
def test_flat_ground_ranges_stay_near_the_fact_table(key: str, low_m: float, high_m: float) -> None:
    mode = radio_mode(CLASSES, key)
    found = rate_range_curve([mode], open_ground(868.3, 1.0, 5.0), tx_gain_dbi=0, rx_gain_dbi=0)[0].range_m
    assert low_m < found < high_m


# ---------------------------------------------------------------- common practice, no source: wide bands


def practice_range(key: str, loss: Callable[[Array], Array], *, margin_db: float = 15.0, **more: float) -> float:
    mode = radio_mode(CLASSES, key)
    return rate_range_curve([mode], loss, margin_db=margin_db, **more)[0].range_m  # type: ignore[arg-type]


def test_class_2_bluetooth_carries_about_10_m_indoors() -> None:
    assert 5 < practice_range("bt-classic-class2", indoors(2440)) < 25


def test_one_way_pair_with_its_stub_at_5_volt_carries_a_couple_of_metres() -> None:
    # only beside its own noisy board in the house (10 dB of noise rise): the stub wastes about 17 dB at each end
    assert 1 < practice_range("ook-433-5v-stub", indoors(433.92), noise_rise_db=10) < 6
    # a cut wire on the same pair is worth ten times the distance
    assert practice_range("ook-433-5v-wire", indoors(433.92), noise_rise_db=10) > 8


def test_one_way_pair_with_wires_at_12_volt_carries_up_to_300_m_in_the_open() -> None:
    # only as "up to": heights of a hand, 1.5 m, clear ground, 10 dB of margin
    assert 150 < practice_range("ook-433-12v-wire", open_ground(433.92, 1.5, 1.5), margin_db=10) < 600


def test_sub_gigahertz_fsk_carries_about_500_m() -> None:
    assert 250 < practice_range("fsk-868-50k", open_ground(868.3, 1.5, 1.5)) < 1000
    assert 250 < practice_range("fsk-433-50k", open_ground(433.92, 1.5, 1.5)) < 1000


def test_amplified_2g4_carries_about_700_m_in_the_open() -> None:
    assert 450 < practice_range("gfsk-2g4-250k-amplified", open_ground(2440, 1.5, 1.5)) < 1100
    # the plain board antenna loses more than three quarters of that
    assert practice_range("gfsk-2g4-250k-board", open_ground(2440, 1.5, 1.5)) < 200


def test_serial_modem_carries_up_to_1800_m() -> None:
    # only in its slow mode at full power with real antennas (0 dBi) at 2 m in the open
    found = practice_range("fsk-433-serial-slow", open_ground(433.8, 2.0, 2.0), tx_gain_dbi=0, rx_gain_dbi=0)
    assert 900 < found < 3000
    # its own springs at knee height carry a fifth of it
    assert practice_range("fsk-433-serial-15k", open_ground(433.8, 0.5, 0.5)) < 0.35 * found


def test_chirp_carries_5_to_6_km_in_line_of_sight() -> None:
    # only with one end up: 2 m and 10 m over open flat ground, SF9
    assert 3500 < practice_range("css-868-sf9", open_ground(868.3, 2.0, 10.0)) < 9000
    # and far less between two posts at knee height
    assert practice_range("css-868-sf9", open_ground(868.3, 0.5, 0.5)) < 1500
