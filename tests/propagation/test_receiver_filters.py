"""What two unlike crystals cost a receiver of frequency shift keying, against tables, exact detection and arithmetic."""

from __future__ import annotations

from math import comb, exp, factorial, log10
from pathlib import Path

import pytest
from bare_radio import bare_mode
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from meshplan.errors import MeshplanError
from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.airtime import time_on_air_ms
from meshplan.records.radio import Modulation, radio_mode
from meshplan.records.radio_filters import crystal_spread_khz, fsk_filter_khz, fsk_noise_khz, on_off_noise_khz

CLASSES = read_radio_classes()


@pytest.mark.parametrize(
    ("frequency_mhz", "ppm", "rate_bps", "filter_khz", "extra_db"),
    # source: radio facts, second sheet, table 3.3 (derived there; filter to 0.1 kHz, cost against a matched filter to 0.1 dB)
    [
        (868.0, 20, 1200, 71.8, 7.4), (868.0, 10, 1200, 37.1, 5.9), (868.0, 2.5, 1200, 11.1, 3.3),
        (868.0, 20, 4800, 79.0, 4.6), (868.0, 10, 4800, 44.3, 3.3), (868.0, 2.5, 4800, 18.3, 1.4),
        (868.0, 20, 9600, 88.6, 3.3), (868.0, 20, 50_000, 169.4, 1.1), (868.0, 20, 250_000, 569.4, 0.3),
        (433.92, 20, 1200, 37.1, 5.9), (433.92, 20, 15_000, 64.7, 1.7),
    ],
)  # fmt: skip
def test_filters_meet_the_table(frequency_mhz: float, ppm: float, rate_bps: float, filter_khz: float, extra_db: float) -> None:
    found_khz = fsk_filter_khz(rate_bps, 1.0, crystal_spread_khz(frequency_mhz, ppm, ppm))
    assert found_khz == pytest.approx(filter_khz, abs=0.06)
    assert 10 * log10(fsk_noise_khz(rate_bps, found_khz) * 1000 / rate_bps) == pytest.approx(extra_db, abs=0.06)


def square_law_error(ebn0: float, looks: int) -> float:
    """Return the bit error of two-tone keying when `looks` independent squares of each tone's band are summed.

    Source: textbook form of non-coherent multichannel detection, 1/2^(2L−1)·e^(−γ/2)·Σ bₙ·(γ/2)ⁿ, bₙ = Σ C(2L−1, k)/n!.
    """
    terms = (
        sum(comb(2 * looks - 1, k) for k in range(looks - n)) / factorial(n) * (ebn0 / 2) ** n / 2 ** (2 * looks - 1)
        for n in range(looks)
    )
    return exp(-ebn0 / 2) * sum(terms)


@pytest.mark.parametrize("looks", [1, 3, 10, 30])
def test_cost_lies_between_the_best_detector_and_the_noise_of_the_whole_filter(looks: int) -> None:
    # a filter of 2·L times the bit rate holds L independent looks at each of two tones
    def needed(count: int) -> float:
        return float(brentq(lambda level_db: square_law_error(10 ** (level_db / 10), count) - 1e-3, 5.0, 30.0))

    assert needed(1) == pytest.approx(10.94, abs=0.01)  # the closed form for one look, ½·e^(−γ/2)
    best_db = needed(looks) - needed(1)
    found_db = 10 * log10(fsk_noise_khz(1200, 2 * looks * 1.2) / 1.2)
    assert best_db <= found_db + 1e-9
    assert found_db <= 10 * log10(looks) + 1e-9
    assert found_db - best_db < 3.2  # real discriminators sit between


@given(st.floats(300, 1e6), st.floats(0.3, 5), st.floats(100, 2500), st.floats(0, 100), st.floats(0.1, 50))
def test_worse_crystals_never_hear_better(rate: float, index: float, frequency: float, ppm: float, more: float) -> None:
    narrow = fsk_filter_khz(rate, index, crystal_spread_khz(frequency, ppm, ppm))
    wide = fsk_filter_khz(rate, index, crystal_spread_khz(frequency, ppm + more, ppm))
    assert wide > narrow >= rate / 1000
    assert fsk_noise_khz(rate, wide) >= fsk_noise_khz(rate, narrow) >= rate / 1000


@pytest.mark.parametrize(
    ("name", "design_dbm"),
    # hand-worked: the matched design figures -117, -112, -103, -112, -107 less 7.4, 4.6, 1.1, 3.3, 1.7 dB of the table above
    [
        ("fsk-868-1k2", -109.6), ("fsk-868-4k8", -107.4), ("fsk-868-50k", -101.8), ("fsk-433-serial-slow", -108.7),
        ("fsk-433-serial-15k", -105.3),
    ],
)  # fmt: skip
def test_catalogue_counts_both_crystals(name: str, design_dbm: float) -> None:
    assert radio_mode(CLASSES, name).sensitivity_dbm == pytest.approx(design_dbm, abs=0.06)


def test_every_shipped_class_has_room_for_its_crystals_or_says_how_it_does_without() -> None:
    for radio in CLASSES.values():
        error_ppm, band_mhz = radio.frequency_error_ppm.value, radio.band_mhz.value
        spread_khz = crystal_spread_khz(band_mhz, error_ppm, error_ppm)
        for setting in radio.settings:
            noise_khz, rate_bps = setting.noise_bandwidth_khz.value, setting.bit_rate_bps.value
            if radio.modulation is Modulation.OOK:
                assert noise_khz >= 0.97 * on_off_noise_khz(rate_bps, radio.line_code_factor.value, spread_khz), radio.key
            elif not radio.frequency_correction:
                assert radio.modulation in (Modulation.FSK, Modulation.GFSK), radio.key
                assert setting.modulation_index is not None
                filter_khz = fsk_filter_khz(rate_bps, setting.modulation_index.value, spread_khz)
                assert noise_khz >= 0.97 * fsk_noise_khz(rate_bps, filter_khz), (radio.key, setting.name)
            else:
                assert radio.correction_preamble_bytes is not None, radio.key


CORRECTED = """
[classes.fsk-868]
frequency_correction = "measured during the preamble"
correction_preamble_bytes = 4
"""


def test_correcting_the_frequency_wins_seven_decibels_and_costs_air_time(tmp_path: Path) -> None:
    (tmp_path / "radios.toml").write_text(CORRECTED, encoding="utf-8")
    mine = radio_mode(read_radio_classes(tmp_path), "fsk-868-1k2")
    packaged = radio_mode(CLASSES, "fsk-868-1k2")
    assert mine.sensitivity_dbm == pytest.approx(-117.0, abs=0.06)
    # hand-worked: 4 bytes at 1200 bit/s are 26.7 ms
    assert time_on_air_ms(mine, 20) - time_on_air_ms(packaged, 20) == pytest.approx(26.67, abs=0.01)
    assert "4 bytes of preamble for the frequency correction" in mine.radio.frame_overhead_bytes.source


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (CORRECTED.replace("correction_preamble_bytes = 4\n", ""), "needs words that say how, and what it costs."),
        ('[classes.fsk-868]\nsettings = [{ name = "1k2", noise_bandwidth_khz = 1.2 }]\ndefault_setting = "1k2"\n',
         "setting 1: a noise bandwidth of 1.2 kHz leaves no room for two crystals of ±20 ppm (6.6 kHz)."),
        ('[classes.css-868]\nsettings = [{ name = "SF9", modulation_index = 1 }]\n', "only frequency shift keying has"),
    ],
)  # fmt: skip
def test_filters_that_cannot_be_are_told(tmp_path: Path, text: str, message: str) -> None:
    (tmp_path / "radios.toml").write_text(text, encoding="utf-8")
    with pytest.raises(MeshplanError) as caught:
        read_radio_classes(tmp_path)
    assert message in str(caught.value)


def test_narrow_chirps_on_common_crystals_are_pointed_at() -> None:
    # hand-worked: 2·2440·20 ppm = 97.6 kHz apart; a quarter of 203.125 kHz is 50.8 kHz, ±10.4 ppm each
    notes = " ".join(radio_mode(CLASSES, "css-2g4-sf12-203k").notes)
    assert "two of ±20 ppm may lie 98 kHz apart, a chirp of 203.125 kHz stands about 51 kHz; take modules of ±10 ppm" in notes
    assert "crystals" not in " ".join(radio_mode(CLASSES, "css-2g4-sf9-812k").notes)


@pytest.mark.parametrize(
    ("setting", "payload_bytes", "milliseconds"),
    # source: radio facts, second sheet, table 3.4 (aid on, preamble of 12 symbols)
    [("SF12-203k", 20, 892.3), ("SF12-812k", 20, 223.1), ("SF12-203k", 33, 1194.8), ("SF12-812k", 33, 298.7)],
)
def test_high_band_chirp_has_the_low_rate_aid_at_every_width(setting: str, payload_bytes: int, milliseconds: float) -> None:
    mode = bare_mode(CLASSES, "css-2g4", setting=setting)  # the table counts all bytes of the packet
    assert time_on_air_ms(mode, payload_bytes) == pytest.approx(milliseconds, abs=0.06)
