"""Battery life and solar supply against the worked rows of the fact sheet and arithmetic by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from bare_radio import bare_mode
from hypothesis import given
from hypothesis import strategies as st

from meshplan.errors import InputError
from meshplan.inputs.radios import read_batteries, read_boards, read_radio_classes, read_solar
from meshplan.operation.energy import (
    Duty,
    average_current_ua,
    battery_life,
    battery_years,
    cells_in_series,
    cold_factor,
    current_parts,
    energy_wh_per_day,
    solar_supply,
    sun_band,
    tx_current_ma,
)
from meshplan.records.radio import Figure
from meshplan.sources import Standing

CLASSES = read_radio_classes()
BATTERIES = read_batteries()
BOARDS = read_boards()
SUN = read_solar()


def duty(name: str, board: str = "tuned-microcontroller", **more: object) -> Duty:
    made = Duty(bare_mode(CLASSES, name), BOARDS[board], payload_bytes=20, interval_s=900.0)
    return replace(made, **more)  # type: ignore[arg-type]


def bare(name: str) -> Duty:
    """Return the idealised device of the fact sheet: no sleep and no start of the radio, no waiting for answers."""
    made = duty(name, waits_for_answer=False)
    nothing = Figure(0.0, Standing.STATED, "left out, as in the worked rows")
    radio = replace(made.mode.radio, sleep_current_ua=nothing, wake_ms=nothing)
    return replace(made, mode=replace(made.mode, radio=radio))


# ---------------------------------------------------------------- currents


@pytest.mark.parametrize(
    ("name", "current_ua"),
    # source: radio facts, table 2.10: 20 bytes every 15 min, sleep 6 µA, sensor 5 mA for 0.1 s
    [("fsk-868-4k8", 8.6), ("css-868-sf7", 9.8), ("css-868-sf10", 24), ("css-868-sf12", 69), ("ook-433-superhet", 15)],
)
def test_currents_meet_the_worked_rows(name: str, current_ua: float) -> None:
    assert average_current_ua(bare(name)) == pytest.approx(current_ua, rel=0.07)


def test_one_cycle_by_hand() -> None:
    # hand-worked for FSK 4.8 kbit/s, 13 dBm: 35 mA · 51.67 ms = 1808 µC; 16 mA · 2 ms = 32 µC; answer 16 mA · (25 + 20) ms
    # = 720 µC; sensor 5 mA · 100 ms = 500 µC; over 900 s: 2.009 + 0.036 + 0.8 + 0.556 µA; asleep 6 + 0.5 µA
    parts = {part.name: part.current_ua for part in current_parts(duty("fsk-868-4k8"))}
    assert parts["sending"] == pytest.approx(2.009, abs=0.001)
    assert parts["waking the radio"] == pytest.approx(0.0356, abs=0.0001)
    assert parts["waiting for the answer"] == pytest.approx(0.8, abs=0.001)
    assert parts["measuring"] == pytest.approx(0.5556, abs=0.0001)
    assert average_current_ua(duty("fsk-868-4k8")) == pytest.approx(9.90, abs=0.01)


def test_joining_an_802_11_network_outweighs_all_else() -> None:
    # source: radio facts, table 2.10: 1.5 s to connect, 211 µA; here 90 mA for the wait
    made = duty("wlan-2g4-1m")
    assert current_parts(made)[0].name == "waking the radio"
    assert average_current_ua(made) == pytest.approx(180, rel=0.1)


def test_a_listening_relay_draws_what_the_sheet_says() -> None:
    # source: radio facts, 2.10: always-listening relay 5 to 15 mA, 0.4 to 1.3 Wh a day
    for name in ("css-868-sf7", "gfsk-2g4-250k-board", "fsk-868-4k8"):
        current = average_current_ua(duty(name, listening_share=1.0))
        assert 5_000 < current < 17_000
        assert 0.4 < energy_wh_per_day(current, 3.7) < 1.5


def test_current_follows_power_between_its_ends() -> None:
    mode = bare_mode(CLASSES, "css-868-sf7")
    assert tx_current_ma(mode) == 45.0
    assert tx_current_ma(replace(mode, tx_power_dbm=22.0)) == 120.0
    assert tx_current_ma(replace(mode, tx_power_dbm=18.0)) == pytest.approx((45 + 120) / 2)
    assert tx_current_ma(replace(mode, tx_power_dbm=-9.0)) == 40.0


# ---------------------------------------------------------------- life


@pytest.mark.parametrize(
    ("battery", "current_ua", "years"),
    [
        # source: radio facts, table 2.10 (alkaline AA and lithium thionyl chloride AA, four fifths used)
        ("alkaline-aa", 24, 7.0),
        ("alkaline-aa", 69, 2.9),
        ("alkaline-aa", 211, 1.0),
        ("alkaline-aa", 1050, 0.2),
        ("lithium-socl2-aa", 24, 8.1),
        ("lithium-socl2-aa", 69, 3.1),
        ("lithium-socl2-aa", 15, 12),
        ("lithium-socl2-aa", 211, 1.0),
    ],
)
def test_life_meets_the_worked_rows(battery: str, current_ua: float, years: float) -> None:
    assert battery_years(BATTERIES[battery], current_ua) == pytest.approx(years, rel=0.05)


def test_life_by_hand() -> None:
    # hand-worked: 2400 mAh · 0.8 / (0.1 mA · 8766 h + 60 mAh) = 1920 / 936.6
    assert battery_years(BATTERIES["alkaline-aa"], 100.0) == pytest.approx(2.05, abs=0.001)


def test_a_small_load_is_limited_by_the_shelf() -> None:
    life = battery_life(duty("fsk-868-50k"), BATTERIES["alkaline-aa"])
    assert life.limited_by == "shelf life"
    assert life.years == 10.0
    assert life.uncapped_years > 10.0


def test_cold_takes_its_share() -> None:
    cell = BATTERIES["alkaline-aa"]
    assert cold_factor(cell, 20) == 1.0
    assert cold_factor(cell, 35) == 1.0
    assert cold_factor(cell, 0) == pytest.approx(0.7)  # half way to 0.4
    assert cold_factor(cell, -20) == pytest.approx(0.4)
    assert cold_factor(cell, -60) == 0.05
    warm = battery_years(cell, 100.0)
    assert battery_years(cell, 100.0, temperature_c=-20) == pytest.approx(0.4 * warm)


def test_sleep_current_of_a_hobby_board_dominates_and_is_named_word_for_word() -> None:
    life = battery_life(
        duty("css-868-sf9", "hobby-board-with-light"),
        BATTERIES["alkaline-aa"],
        better_board=BOARDS["tuned-microcontroller"],
        batteries=BATTERIES,
    )
    assert life.dominant == "board asleep (100 % of 3.0 mA)"
    assert life.years < 0.1
    assert life.best_change == "a board that sleeps at 6 µA instead of 3000 µA: 26 days become 8.8 years"  # 1920 mAh / (157 + 60)
    assert life.best_change_years > 50 * life.years


def test_a_slow_chirp_is_helped_most_by_a_faster_setting() -> None:
    life = battery_life(duty("css-868-sf12", interval_s=300.0), BATTERIES["alkaline-aa"])
    assert life.dominant.startswith("sending")
    assert life.best_change.startswith("setting SF11, if the link has the margin")


def test_a_listening_sensor_is_told_to_listen_seldom() -> None:
    life = battery_life(duty("css-868-sf7", listening_share=1.0), BATTERIES["li-ion-18650"])
    assert life.dominant.startswith("listening")
    assert life.best_change.startswith("listen in short windows")


def test_a_modem_that_sleeps_badly_is_switched_off() -> None:
    life = battery_life(duty("fsk-433-serial"), BATTERIES["alkaline-aa"])
    assert life.dominant.startswith("radio asleep")
    assert life.best_change.startswith("a transistor that cuts the supply of the radio between reports")


def test_retries_are_named_when_they_matter() -> None:
    quiet = duty("css-868-sf12", interval_s=300.0)
    often = replace(quiet, mean_tries=3.0)
    assert average_current_ua(often) > 2.5 * average_current_ua(quiet)


def test_coin_cell_and_pulses_do_not_go_together() -> None:
    cautions = battery_life(duty("css-868-sf7"), BATTERIES["coin-2032"]).cautions
    assert any("Sending draws 45 mA, the cell gives 15 mA" in line for line in cautions)


def test_cautions_name_frost_leaks_and_heat() -> None:
    lithium = battery_life(duty("css-868-sf7"), BATTERIES["li-ion-18650"], temperature_c=-5).cautions
    assert any(line.startswith("Do not charge below 0 °C or above 45 °C") for line in lithium)
    assert any(line.startswith("At -5 °C about 75 %") for line in lithium)
    alkaline = battery_life(duty("css-868-sf7"), BATTERIES["alkaline-aa"]).cautions
    assert any("leak" in line for line in alkaline)
    assert any("60-70 °C in the sun" in line for line in alkaline)
    assert not any("Do not charge" in line for line in alkaline)


def test_cells_in_a_row() -> None:
    assert cells_in_series(BATTERIES["alkaline-aa"], 3.3) == 3
    assert cells_in_series(BATTERIES["lithium-socl2-aa"], 2.8) == 1
    assert cells_in_series(BATTERIES["li-ion-18650"], 5.0) == 2


@given(st.sampled_from(sorted(CLASSES)), st.floats(10, 86_400), st.floats(1.01, 10))
def test_seldom_reports_never_shorten_the_life(name: str, interval_s: float, factor: float) -> None:
    often, seldom = duty(name, interval_s=interval_s), duty(name, interval_s=interval_s * factor)
    assert average_current_ua(seldom) <= average_current_ua(often) + 1e-9


@given(st.sampled_from(sorted(BATTERIES)), st.floats(1, 1e5), st.floats(-40, 40), st.integers(1, 4))
def test_more_cells_and_more_warmth_never_shorten_the_life(name: str, current: float, temperature: float, count: int) -> None:
    cell = BATTERIES[name]
    life = battery_years(cell, current, temperature_c=temperature, in_parallel=count)
    assert battery_years(cell, current, temperature_c=temperature + 5, in_parallel=count) >= life
    assert battery_years(cell, current, temperature_c=temperature, in_parallel=count + 1) >= life


# ---------------------------------------------------------------- sun


def test_relay_panel_meets_the_worked_row() -> None:
    # source: radio facts, table 2.11: 15 mA at 3.7 V (1.33 Wh a day), H = 1.0: 2.9 W and 15 Wh for 7 days
    assert energy_wh_per_day(15_000, 3.7) == pytest.approx(1.332)
    found = solar_supply(1.332, BATTERIES["li-ion-18650"], SUN, latitude_deg=48.0, peak_sun_hours=1.0)
    assert found.panel_w == pytest.approx(2.9, abs=0.05)
    assert found.autonomy_days == 7
    assert found.storage_wh == pytest.approx(15, abs=0.6)


def test_gateway_panel_meets_the_worked_row_and_asks_for_mains() -> None:
    # source: radio facts, table 2.11: 2 W gateway, H = 1.0: 104 W and 525 Wh
    found = solar_supply(48.0, BATTERIES["lifepo4-18650"], SUN, latitude_deg=-48.0, peak_sun_hours=1.0)
    assert found.panel_w == pytest.approx(104, abs=0.5)
    assert found.storage_wh == pytest.approx(525, abs=1)
    assert "Bring mains instead" in found.sentence


def test_shade_snow_and_charger_count() -> None:
    def panel(**more: bool) -> float:
        return solar_supply(1.0, BATTERIES["lifepo4-18650"], SUN, latitude_deg=48.0, **more).panel_w

    assert panel(under_canopy=True) == pytest.approx(5 * panel())
    assert panel(tracking=True) == pytest.approx(0.8 * panel())
    snow = solar_supply(1.0, BATTERIES["lifepo4-18650"], SUN, latitude_deg=48.0, snow=True, under_canopy=True)
    assert snow.autonomy_days == 12
    assert any("out from under the trees" in line for line in snow.cautions)
    assert any("60 degrees" in line for line in snow.cautions)
    assert any("Do not charge below 0 °C" in line for line in snow.cautions)
    assert snow.to_check[0].startswith("check hours of full sun 1.2")


def test_sun_bands_are_the_same_north_and_south() -> None:
    assert sun_band(SUN, -52.0) == sun_band(SUN, 52.0)
    assert sun_band(SUN, 90.0).latitude_high_deg == 90
    with pytest.raises(InputError):
        sun_band(SUN, 120.0)
