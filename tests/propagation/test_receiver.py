"""The receiver against tabled Eb/N0, closed forms, published limits and simulation."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from published_tables import PublishedTable

from meshplan.propagation.noise import thermal_noise_dbm
from meshplan.propagation.receiver import (
    Detection,
    _error_table,
    bit_error_rate,
    chirp_bit_error_rate,
    chirp_error_curve,
    packet_success,
    packet_success_from_margin,
    rayleigh_bit_error_rate,
    required_chirp_snr_db,
    required_ebn0_db,
    sensitivity_dbm,
    snr_from_ebn0_db,
)
from meshplan.units import noise_floor_dbm


def test_required_ebn0_meets_the_table(read_published: Callable[[str], PublishedTable]) -> None:
    # closed forms solved apart; FSK and OOK also by Monte Carlo; three decimals
    table = read_published("required_ebn0.csv")
    assert len(table.rows) == 20
    for row in table.rows:
        found = float(required_ebn0_db(row["scheme"], float(row["bit_error_rate"])))
        assert found == pytest.approx(float(row["ebn0_db"]), abs=table.tolerance_db), row


@pytest.mark.parametrize(
    ("detection", "level_db", "expected"),
    [
        # source: closed forms worked by hand at γ = 10: ½e^−5, ½e^−10, Q(√10), Q(√20)
        ("fsk_noncoherent_orthogonal", 10.0, 3.3690e-3),
        ("dbpsk", 10.0, 2.2700e-5),
        ("fsk_coherent_orthogonal", 10.0, 7.827e-4),
        ("bpsk_coherent", 10.0, 3.872e-6),
    ],
)
def test_bit_errors_meet_closed_forms(detection: str, level_db: float, expected: float) -> None:
    assert float(bit_error_rate(detection, level_db)) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize("level_db", [6.0, 9.0])
def test_fsk_errors_meet_a_simulation(level_db: float) -> None:
    # own simulation, seed 11: two envelope detectors, unit noise, the larger one wins
    random = np.random.default_rng(11)
    count = 400_000
    amplitude = np.sqrt(2.0 * 10 ** (level_db / 10))
    right = np.hypot(amplitude + random.standard_normal(count), random.standard_normal(count))
    wrong = np.hypot(random.standard_normal(count), random.standard_normal(count))
    simulated = float((wrong > right).mean())
    expected = float(bit_error_rate(Detection.FSK_NONCOHERENT, level_db))
    assert abs(simulated - expected) < 4 * np.sqrt(expected / count)


def test_on_off_errors_meet_a_simulation() -> None:
    # own simulation, seed 12: threshold searched on half of the data, errors counted on the other half
    random = np.random.default_rng(12)
    count, level_db = 400_000, 8.357
    amplitude = np.sqrt(2.0 * 2.0 * 10 ** (level_db / 10))
    on = np.hypot(amplitude + random.standard_normal(count), random.standard_normal(count))
    off = np.hypot(random.standard_normal(count), random.standard_normal(count))
    thresholds = np.linspace(2.0, 5.0, 151)
    training = [(on[::2] < t).mean() + (off[::2] > t).mean() for t in thresholds]
    best = thresholds[int(np.argmin(training))]
    simulated = 0.5 * float((on[1::2] < best).mean() + (off[1::2] > best).mean())
    assert simulated == pytest.approx(0.01, abs=0.0006)


@pytest.mark.parametrize("bit_error", [1e-2, 1e-3, 1e-4])
def test_spread_phase_keying_is_sixteen_symbols_and_two_decibels(bit_error: float) -> None:
    # the formula of IEEE 802.15.4-2006 annex E has 20 where ideal detection of 16 orthogonal symbols has 32: 2.04 dB;
    # that ideal comes from the integral of the chirp code with SF 4 (Es/N0 = 16·SNR, four bits a symbol)
    ideal = float(required_chirp_snr_db(4, bit_error)) + 10 * np.log10(16 / 4)
    assert float(required_ebn0_db(Detection.OQPSK_SPREAD, bit_error)) == pytest.approx(ideal + 10 * np.log10(1.6), abs=0.01)


@pytest.mark.parametrize(
    ("spreading_factor", "bound_db", "limit_db"),
    [
        # source: own calculation in the propagation notes (bound, one decimal); commonly published demodulator limits
        (5, -2.6, -2.5),
        (6, -5.4, -5.0),
        (7, -8.1, -7.5),
        (8, -10.9, -10.0),
        (9, -13.6, -12.5),
        (10, -16.4, -15.0),
        (11, -19.2, -17.5),
        (12, -22.1, -20.0),
    ],
)
def test_chirp_detection_reaches_its_bound_just_under_the_published_limits(
    spreading_factor: int, bound_db: float, limit_db: float
) -> None:
    ideal = float(required_chirp_snr_db(spreading_factor))
    assert ideal == pytest.approx(bound_db, abs=0.06)
    assert 0.0 < limit_db - ideal < 2.2


def test_chirp_errors_meet_a_simulation() -> None:
    # own simulation, seed 13: 128 bins of complex noise, the strongest wins, SF7 at -9 dB
    random = np.random.default_rng(13)
    count, symbols, snr_db = 20_000, 128, -9.0
    bins = random.standard_normal((count, symbols)) + 1j * random.standard_normal((count, symbols))
    bins[:, 0] += np.sqrt(2.0 * symbols * 10 ** (snr_db / 10))
    symbol_errors = float((np.abs(bins).argmax(axis=1) != 0).mean())
    expected = float(chirp_bit_error_rate(7, snr_db)) * 2 * (symbols - 1) / symbols
    assert abs(symbol_errors - expected) < 4 * np.sqrt(expected / count)


@pytest.mark.parametrize(
    ("bandwidth_khz", "noise_figure_db", "snr_db", "extra_db", "expected_dbm"),
    [
        # hand-worked with kT0 = -174: -174 + 10·log10(B) + NF + SNR + loss
        (250.0, 10.0, 11.0, 4.0, -95.0),
        (125.0, 6.0, -7.5, 0.0, -124.5),
        (125.0, 6.0, -20.0, 0.0, -137.0),
        (50.0, 7.0, 11.0, 4.0, -105.0),
        (1000.0, 10.0, 14.0, 4.0, -86.0),
    ],
)
def test_sensitivity_meets_hand_worked_values(
    bandwidth_khz: float, noise_figure_db: float, snr_db: float, extra_db: float, expected_dbm: float
) -> None:
    assert float(sensitivity_dbm(bandwidth_khz, noise_figure_db, snr_db, extra_db)) == pytest.approx(expected_dbm, abs=0.06)


def test_noise_floor_is_the_one_of_the_noise_module() -> None:
    assert float(noise_floor_dbm(125.0, 6.0)) == pytest.approx(float(thermal_noise_dbm(125e3, 6.0)), abs=1e-12)
    assert float(noise_floor_dbm(0.001)) == pytest.approx(-173.975, abs=5e-4)  # ITU-R P.372


@given(st.floats(1.0, 20.0), st.floats(1e3, 1e6), st.floats(5.0, 15.0))
def test_bandwidth_drops_out_of_a_matched_receiver(figure_db: float, rate_bps: float, ebn0_db: float) -> None:
    for width_khz in (rate_bps / 1000, rate_bps / 200):
        snr_db = snr_from_ebn0_db(ebn0_db, rate_bps, width_khz)
        by_width = float(sensitivity_dbm(width_khz, figure_db, snr_db))
        assert by_width == pytest.approx(float(sensitivity_dbm(rate_bps / 1000, figure_db, ebn0_db)), abs=1e-9)


@pytest.mark.parametrize("detection", [Detection.FSK_NONCOHERENT, Detection.DBPSK])
@pytest.mark.parametrize("mean_db", [5.0, 15.0, 25.0])
def test_fading_average_meets_its_closed_form(detection: Detection, mean_db: float) -> None:
    # the closed form against a seeded average over a million fades
    gains = np.random.default_rng(14).exponential(size=1_000_000)
    averaged = float(bit_error_rate(detection, mean_db + 10 * np.log10(gains)).mean())
    assert float(rayleigh_bit_error_rate(detection, mean_db)) == pytest.approx(averaged, rel=0.02)


def test_coherent_fading_average_meets_its_closed_form() -> None:
    # source: textbook, BPSK in Rayleigh fading ½(1 − √(γ̄/(1+γ̄)))
    mean = 10 ** (15.0 / 10)
    expected = 0.5 * (1 - np.sqrt(mean / (1 + mean)))
    assert float(rayleigh_bit_error_rate(Detection.BPSK_COHERENT, 15.0)) == pytest.approx(expected, rel=0.03)


def test_a_packet_needs_every_bit() -> None:
    # hand-worked: (1 − 1e-3)^(8·20) = 0.852; (1 − 1e-3)^(8·31) = 0.780
    assert float(packet_success(1e-3, 20)) == pytest.approx(0.852, abs=5e-4)
    assert float(packet_success(1e-3, 31)) == pytest.approx(0.780, abs=5e-4)


@pytest.mark.parametrize("spreading_factor", [None, 7, 12])
def test_success_grows_with_margin_and_meets_the_reference_at_zero(spreading_factor: int | None) -> None:
    margins = np.linspace(-15, 30, 46)
    steady = packet_success_from_margin(margins, 31, spreading_factor=spreading_factor)
    faded = packet_success_from_margin(margins, 31, spreading_factor=spreading_factor, rayleigh=True)
    assert (np.diff(steady) >= 0).all()
    assert (np.diff(faded) >= 0).all()
    assert float(packet_success_from_margin(0.0, 31, spreading_factor=spreading_factor)) == pytest.approx(0.780, abs=0.01)
    assert steady[-1] > 0.9999
    assert steady[0] < 1e-4


def test_fading_success_meets_the_fade_margin_rule() -> None:
    # Rayleigh outage: 90/95/99 % at a mean 9.8/12.9/20.0 dB above a sharp threshold (-10·log10(-ln p))
    for chance, margin_db in ((0.90, 9.77), (0.95, 12.90), (0.99, 19.98)):
        sharp = -1.3  # a 31-byte packet passes with one half at this margin, close to a sharp threshold
        found = float(packet_success_from_margin(margin_db + sharp, 31, rayleigh=True))
        assert found == pytest.approx(chance, abs=0.02)


def test_unknown_margin_stays_unknown() -> None:
    assert np.isnan(packet_success_from_margin(np.nan, 20))
    assert np.isnan(packet_success_from_margin(np.nan, 20, spreading_factor=9, rayleigh=True))


@pytest.mark.parametrize("spreading_factor", [5, 8, 12])
def test_the_kept_error_curves_of_chirps_are_those_of_the_formula(spreading_factor: int) -> None:
    levels_db, kept = _error_table(Detection.BPSK_COHERENT, spreading_factor)
    computed = chirp_error_curve(spreading_factor)
    real = computed > np.log(1e-12)  # below, the integral is left with the rounding of its sum
    assert len(kept) == len(levels_db) == len(computed)
    assert kept[real] == pytest.approx(computed[real], rel=1e-9)
    assert (kept[~real] <= np.log(1e-12) + 1e-6).all()
