"""Every clause of the facts sheet that a class can meet, from the figures there: the strongest EIRP it allows."""

from __future__ import annotations

from dataclasses import replace
from math import log10

import pytest

from meshplan.inputs.radios import read_radio_classes, read_regions
from meshplan.operation.airtime import longest_packet_ms
from meshplan.operation.law import Emission, find_region, highest_lawful_power, legal_check
from meshplan.records.radio import radio_mode

CLASSES, REGIONS = read_radio_classes(), read_regions()

NORTH_AMERICA = ("united-states", "canada")
EUROPEAN = ("germany", "france", "norway", "united-kingdom", "switzerland")


def strongest_dbm(country: str, name: str, accepts: tuple[str, ...], at_mhz: float | None, duty: float) -> float | None:
    """Return the EIRP of an ideal transmitter (-60 to 40 dBm, 0 dBi) with the width and packets of a class; None if refused."""
    mode = radio_mode(CLASSES, name, frequency_mhz=at_mhz)
    any_power = replace(mode.radio.tx_power_dbm, value=40.0, low=-60.0, high=40.0)
    mode = replace(mode, tx_power_dbm=40.0, radio=replace(mode.radio, tx_power_dbm=any_power))
    made = Emission(mode, 0.0, duty=duty, longest_packet_ms=longest_packet_ms(mode, 12), interval_s=900.0, accepts=accepts)
    power, verdict = highest_lawful_power(find_region(REGIONS, country), made)
    again = legal_check(find_region(REGIONS, country), replace(made, mode=replace(mode, tx_power_dbm=power)))
    assert verdict.lawful == again.lawful
    return power if verdict.lawful and not verdict.open_keys else None


def in_3_khz(limit_dbm: float, width_khz: float, most_dbm: float) -> float:
    """Return the power whose share in 3 kHz meets a limit, evenly spread."""
    return min(most_dbm, limit_dbm + 10.0 * log10(width_khz / 3.0))


FIELD_DBM = 10.0 * log10((0.05 * 3.0) ** 2 / 30.0 * 1000.0)
"""50 mV/m at 3 m: E²d²/30."""

Case = tuple[tuple[str, ...], str, tuple[str, ...], float | None, float, float | None]

CASES: list[Case] = [
    # 47 CFR part 15, RSS-247 and RSS-210 (radio facts 2, 1.2 and 1.3)
    (NORTH_AMERICA, "css-915-sf7", (), None, 1e-4, FIELD_DBM),
    (NORTH_AMERICA, "css-915-sf7", ("hopping",), None, 1e-4, 30.0),
    (NORTH_AMERICA, "css-915-sf7", ("hybrid",), None, 1e-4, in_3_khz(8.0, 125.0, 30.0)),
    (NORTH_AMERICA, "css-915-sf11", ("hopping", "hybrid"), None, 1e-4, FIELD_DBM),
    (NORTH_AMERICA, "fsk-915-250k", ("hopping",), None, 1e-4, 24.0),
    (NORTH_AMERICA, "fsk-915-500k", (), None, 1e-4, in_3_khz(8.0, 1000.0, 30.0)),
    (NORTH_AMERICA, "css-2g4-sf7-812k", (), None, 1e-4, in_3_khz(8.0, 812.5, 30.0)),
    (NORTH_AMERICA, "css-2g4-sf12-203k", (), None, 1e-4, FIELD_DBM),
    (NORTH_AMERICA, "bt-classic-class2", ("hopping",), None, 1e-4, 30.0),
    (NORTH_AMERICA, "fsk-433-4k8", ("timing",), 433.92, 1e-4, -22.4),
    (NORTH_AMERICA, "fsk-433-4k8", (), 433.92, 1e-4, -49.2),
    (NORTH_AMERICA, "fsk-868-50k", (), 868.3, 1e-4, -49.2),
    # Australia, class licence 2025 (1.4)
    (("australia",), "css-915-sf7", (), None, 1e-4, 10.0 * log10(3.0)),
    (("australia",), "css-915-sf7", ("density",), None, 1e-4, in_3_khz(10.0 * log10(25.0), 125.0, 30.0)),
    (("australia",), "fsk-915-4k8", ("density",), None, 1e-4, in_3_khz(10.0 * log10(25.0), 20.0, 30.0)),
    (("australia",), "fsk-915-4k8", ("hopping",), None, 1e-4, 30.0),
    (("australia",), "css-2g4-sf12-203k", ("density",), None, 1e-4, in_3_khz(10.0 * log10(25.0), 203.125, 36.0)),
    (("australia",), "fsk-433-4k8", (), 433.92, 0.5, 10.0 * log10(25.0)),
    (("australia",), "css-868-sf7", (), 868.3, 1e-4, None),
    # New Zealand, general user licence (1.5)
    (("new-zealand",), "css-868-sf7", (), 866.0, 0.5, 30.0),
    (("new-zealand",), "css-868-sf7", ("digital-modulation",), 866.0, 0.5, 36.0),
    (("new-zealand",), "css-868-sf7", (), 868.9, 0.009, 3.0),
    (("new-zealand",), "css-868-sf7", (), 868.9, 0.011, None),
    (("new-zealand",), "fsk-868-1k2", (), 869.225, 0.0009, 10.0),
    (("new-zealand",), "css-915-sf7", (), 922.0, 0.5, 30.0),
    (("new-zealand",), "fsk-433-4k8", (), 433.92, 0.5, 10.0 * log10(25.0)),
    # Europe: ERC/REC 70-03, EN 300 220-2, EN 300 328 (1.1); 25 mW and the others are ERP, 2.15 dB below EIRP
    (EUROPEAN, "css-868-sf7", (), 863.5, 0.0009, 16.15),
    (EUROPEAN, "css-868-sf7", (), 863.5, 0.0011, None),
    (EUROPEAN, "css-868-sf7", (), 866.1, 0.009, 16.15),
    (EUROPEAN, "css-868-sf7", (), 868.3, 0.009, 16.15),
    (EUROPEAN, "css-868-sf7", (), 868.3, 0.011, None),
    (EUROPEAN, "css-868-sf7", (), 868.95, 0.0009, 16.15),
    (EUROPEAN, "css-868-sf7", (), 869.525, 0.09, 29.15),
    (EUROPEAN, "css-868-sf7", (), 869.525, 0.11, None),
    (EUROPEAN, "css-868-sf7", (), 869.85, 0.009, 16.15),
    (EUROPEAN, "css-868-sf7", (), 869.85, 0.5, 9.15),
    (EUROPEAN, "css-868-sf7", ("data-network",), 865.7, 0.024, 29.15),
    (EUROPEAN, "fsk-868-1k2", ("alarm",), 868.65, 0.0009, 12.15),
    (EUROPEAN, "fsk-868-1k2", (), 868.65, 0.0009, None),
    (EUROPEAN, "css-915-sf7", (), 918.4, 0.009, None),
    (EUROPEAN, "css-915-sf7", ("country-opened",), 918.4, 0.009, 16.15),
    (EUROPEAN, "css-433-sf7", (), 433.92, 0.09, 12.15),
    (EUROPEAN, "css-433-sf7", (), 433.92, 0.5, 2.15),
    (EUROPEAN, "fsk-433-250k", (), 433.92, 0.5, min(0.0, -13.0 + 10.0 * log10(45.0)) + 2.15),
    (EUROPEAN, "css-2g4-sf7-812k", (), None, 1e-4, 10.0),
    (EUROPEAN, "oqpsk-2g4-802154", (), None, 1e-4, 10.0 + 10.0 * log10(2.0)),
    (EUROPEAN, "bt-classic-class2", (), None, 1e-4, 20.0),
    (EUROPEAN, "wlan-2g4-1m", (), None, 1e-4, 20.0),
]


@pytest.mark.parametrize(("countries", "name", "accepts", "at_mhz", "duty", "eirp_dbm"), CASES)
def test_a_clause_allows_what_the_sheet_says(
    countries: tuple[str, ...], name: str, accepts: tuple[str, ...], at_mhz: float | None, duty: float, eirp_dbm: float | None
) -> None:
    for country in countries:
        found = strongest_dbm(country, name, accepts, at_mhz, duty)
        if eirp_dbm is None:
            assert found is None, country
        else:
            assert found == pytest.approx(eirp_dbm, abs=0.11), country
