"""The law: rows against the rules they cite, verdicts against cases worked by hand, messages word for word."""

from __future__ import annotations

from dataclasses import replace
from math import isnan, log10

import pytest
from bare_radio import bare_mode
from hypothesis import given
from hypothesis import strategies as st

from meshplan.errors import InputError
from meshplan.inputs.radios import read_radio_classes, read_regions
from meshplan.operation.airtime import longest_packet_ms, time_on_air_ms
from meshplan.operation.law import (
    NOT_LEGAL_ADVICE,
    Emission,
    LegalVerdict,
    find_region,
    highest_lawful_power,
    lawful_mode,
    legal_check,
    occupied_edges_mhz,
)
from meshplan.radio_records import LimitKind, SubBand, Technique, field_strength_to_eirp_dbm

CLASSES = read_radio_classes()
REGIONS = read_regions()


def emission(
    name: str,
    *,
    gain_dbi: float = 0.0,
    feed_db: float = 0.0,
    payload: int = 20,
    interval_s: float = 900.0,
    power_dbm: float | None = None,
    frequency_mhz: float | None = None,
    **more: object,
) -> Emission:
    mode = bare_mode(CLASSES, name, power_dbm=power_dbm, frequency_mhz=frequency_mhz)
    made = Emission(
        mode,
        gain_dbi,
        feed_db,
        duty=time_on_air_ms(mode, payload) / 1000.0 / interval_s,
        longest_packet_ms=longest_packet_ms(mode, payload),
        interval_s=interval_s,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def check(region: str, made: Emission) -> LegalVerdict:
    return legal_check(REGIONS[region], made)


def row(region: str, key: str) -> SubBand:
    return next(each for each in REGIONS[region].sub_bands if each.key == key)


# ---------------------------------------------------------------- the table


@pytest.mark.parametrize(
    ("field_uv_per_m", "eirp_dbm"),
    # source: E²d²/30 worked by hand for 47 CFR 15.249, 15.231(a), 15.231(e), 15.209 at 3 m
    [(50_000, -1.25), (11_000, -14.40), (4_400, -22.36), (200, -49.21), (500, -41.25)],
)
def test_field_strength_becomes_power(field_uv_per_m: float, eirp_dbm: float) -> None:
    assert field_strength_to_eirp_dbm(field_uv_per_m) == pytest.approx(eirp_dbm, abs=0.01)


@pytest.mark.parametrize(
    ("region", "key", "low", "high", "eirp_dbm", "duty"),
    [
        # ERC/REC 70-03 annex 1 and EN 300 220-2 V3.2.1 annex B: 10 mW, 25 mW, 500 mW, 5 mW ERP + 2.15 dB
        ("europe", "433-10mw", 433.05, 434.79, 12.15, 0.10),
        ("europe", "433-1mw", 433.05, 434.79, 2.15, 1.0),
        ("europe", "863-865", 863.0, 865.0, 16.15, 0.001),
        ("europe", "865-868", 865.0, 868.0, 16.15, 0.01),
        ("europe", "868.0-868.6", 868.0, 868.6, 16.15, 0.01),
        ("europe", "868.7-869.2", 868.7, 869.2, 16.15, 0.001),
        ("europe", "869.4-869.65", 869.4, 869.65, 29.15, 0.10),
        ("europe", "869.7-5mw", 869.7, 870.0, 9.15, 1.0),
        ("europe", "869.7-25mw", 869.7, 870.0, 16.15, 0.01),
        # EN 300 328: 100 mW EIRP; ERC/REC 70-03 annex 1: 10 mW EIRP
        ("europe", "2400-wideband", 2400.0, 2483.5, 20.0, None),
        ("europe", "2400-srd", 2400.0, 2483.5, 10.0, None),
        # 47 CFR 15.247: 1 W conducted and 6 dBi; 15.249: 50 mV/m
        ("united-states", "902-hopping", 902.0, 928.0, 36.0, None),
        ("united-states", "902-digital", 902.0, 928.0, 36.0, None),
        ("united-states", "902-field", 902.0, 928.0, -1.23, None),
        ("united-states", "2400-digital", 2400.0, 2483.5, 36.0, None),
        # LIPD class licence 2015: 25 mW, 1 W, 3 mW EIRP
        ("australia", "433-25mw", 433.05, 434.79, 14.0, None),
        ("australia", "915-digital", 915.0, 928.0, 30.0, None),
        ("australia", "915-3mw", 915.0, 928.0, 4.8, None),
        # ARIB STD-T108: 20 mW and 3 dBi; 360 s an hour
        ("japan", "920-20mw", 920.6, 928.0, 16.0, 0.10),
        ("united-kingdom", "869.4-869.65", 869.4, 869.65, 29.15, 0.10),
        ("south-africa", "868.0-868.6", 868.0, 868.6, 16.15, 0.01),
        ("unknown", "2400-careful", 2400.0, 2483.5, 10.0, 0.001),
    ],
)
def test_rows_hold_what_their_rule_says(
    region: str, key: str, low: float, high: float, eirp_dbm: float, duty: float | None
) -> None:
    found = row(region, key)
    assert (found.low_mhz, found.high_mhz, found.duty_limit) == (low, high, duty)
    assert found.eirp_cap_dbm((low + high) / 2) == pytest.approx(eirp_dbm, abs=0.02)


def test_powers_in_milliwatt_and_decibels_agree() -> None:
    for milliwatt, level in ((10, 10.0), (25, 14.0), (500, 27.0), (5, 7.0), (100, 20.0), (3, 4.8), (50, 17.0)):
        assert 10 * log10(milliwatt) == pytest.approx(level, abs=0.05)


def test_field_limit_climbs_with_frequency_as_15_231_says() -> None:
    # source: 47 CFR 15.231: 3750 to 12 500 µV/m from 260 to 470 MHz, about 11 000 at 433.92; (e): 1500 to 5000, 4400
    control, periodic = row("united-states", "260-control"), row("united-states", "260-periodic")
    assert control.eirp_cap_dbm(433.92) == pytest.approx(field_strength_to_eirp_dbm(11_000), abs=0.02)
    assert periodic.eirp_cap_dbm(433.92) == pytest.approx(field_strength_to_eirp_dbm(4_400), abs=0.02)
    assert control.eirp_cap_dbm(260.0) == pytest.approx(field_strength_to_eirp_dbm(3_750))
    assert control.eirp_cap_dbm(470.0) == pytest.approx(field_strength_to_eirp_dbm(12_500))


def test_433_is_35_decibels_poorer_in_the_united_states() -> None:
    # source: radio facts, section 2.1, consequences
    europe, states = row("europe", "433-10mw"), row("united-states", "260-periodic")
    assert europe.eirp_cap_dbm(433.92) - states.eirp_cap_dbm(433.92) == pytest.approx(35, abs=1)


def test_every_row_is_dated_and_sourced() -> None:
    for region in REGIONS.values():
        assert len({each.key for each in region.sub_bands}) == len(region.sub_bands), region.key
        for each in region.sub_bands:
            assert each.rule
            assert each.source
            assert each.checked.year >= 2026
            assert each.low_mhz < each.high_mhz
            if each.limit_kind is LimitKind.FIELD:
                assert each.limit > 100


@pytest.mark.parametrize(
    "name",
    ["europe", "united-kingdom", "united-states", "canada", "australia", "new-zealand", "india", "japan", "china", "korea",
     "brazil", "south-africa", "unknown"],
)  # fmt: skip
def test_asked_countries_are_there(name: str) -> None:
    assert name in REGIONS


# ---------------------------------------------------------------- power, antenna, cable


def test_antenna_and_cable_enter_the_cap() -> None:
    # hand-worked: 14 dBm + 2.15 dBi is 16.15 dBm EIRP, the cap of 25 mW ERP; 7.5 dBi are 5.35 dB too many; 6 dB of cable mend it
    assert check("europe", emission("css-868-sf7", gain_dbi=2.15)).lawful
    too_much = check("europe", emission("css-868-sf7", gain_dbi=7.5))
    assert not too_much.lawful
    assert too_much.breaches[0].excess_db == pytest.approx(5.35)
    assert check("europe", emission("css-868-sf7", gain_dbi=7.5, feed_db=6.0)).lawful


def test_refusal_names_the_rule_and_the_change_word_for_word() -> None:
    verdict = check("europe", emission("css-868-sf7", gain_dbi=7.5))
    assert verdict.status == "refused"
    assert verdict.sentence == (
        "Refused by EN 300 220-2 annex B (868.0-868.6 MHz, 25 mW, 1 %): 21.5 dBm EIRP is 5.4 dB above the cap of 16.1 dBm EIRP."
    )
    assert verdict.changes[0] == "lower the power by 5.4 dB, to 8.6 dBm"
    assert verdict.changes[-1] == "move to 869.525 MHz (EN 300 220-2 annex B (869.40-869.65 MHz, 500 mW, 10 %))"
    assert verdict.advice == "A planning aid, not legal advice; check the local table."
    assert verdict.checked == "2026-11-25"


def test_the_change_it_names_complies() -> None:
    refused = emission("css-868-sf7", gain_dbi=7.5)
    lower = replace(refused, mode=replace(refused.mode, tx_power_dbm=8.6))
    assert check("europe", lower).lawful
    moved = replace(refused, mode=replace(refused.mode, frequency_mhz=869.525))
    assert check("europe", moved).lawful


def test_amplified_2g4_is_refused_in_europe_and_named_by_density() -> None:
    # hand-worked: 10 mW in any 1 MHz; 1.5 MHz wide: 10 + 1.76 dBm EIRP at most
    wide = row("europe", "2400-wideband")
    made = emission("gfsk-2g4-250k-amplified", gain_dbi=2.0)
    assert not check("europe", made).lawful
    power, verdict = highest_lawful_power(REGIONS["europe"], made)
    assert power + 2.0 == pytest.approx(11.7, abs=0.101)
    assert verdict.rule == wide.rule
    assert check("united-states", made).lawful


def test_gain_above_6_dbi_lowers_the_power_in_the_united_states() -> None:
    # hand-worked, 47 CFR 15.247(b)(4): 30 dBm up to 6 dBi; 8 dBi leave 28 dBm
    made = emission("css-915-amplified-sf7", gain_dbi=8.0, power_dbm=30.0)
    assert not check("united-states", made).lawful
    power, _ = highest_lawful_power(REGIONS["united-states"], made)
    assert power == pytest.approx(28.0)
    low_gain, _ = highest_lawful_power(REGIONS["united-states"], replace(made, antenna_gain_dbi=-5.0))
    assert low_gain == pytest.approx(30.0)


def test_serial_modem_at_full_power_is_refused_in_europe_and_dead_in_the_united_states() -> None:
    made = emission("fsk-433-serial-15k", gain_dbi=0.0)
    europe = check("europe", made)
    # hand-worked: 20 dBm against 10 mW ERP (12.15 dBm EIRP)
    assert europe.breaches[0].excess_db == pytest.approx(7.85)
    assert europe.changes[0] == "lower the power by 7.8 dB, to 12.1 dBm"
    states = check("united-states", made)
    assert not states.lawful
    assert "no setting of this class comes down" in states.changes[0]


def test_on_off_pair_at_12_volt_is_just_too_strong_in_europe() -> None:
    verdict = check("europe", emission("ook-433-12v-wire", gain_dbi=-1.0))
    assert verdict.changes == ("the class cannot go below 14 dBm: take an antenna with 0.8 dB less gain, or more cable loss",)


def test_licensed_power_is_refused_unless_a_licence_is_stated() -> None:
    made = emission("fsk-868-amplified-5w-4k8")
    refused = check("europe", made)
    assert not refused.lawful
    assert refused.changes == ("state the licence you hold, or take a class without the amplifier",)
    licensed = check("europe", replace(made, licence="land mobile 123"))
    assert licensed.lawful
    assert licensed.status == "licensed"
    assert "land mobile 123" in licensed.sentence
    assert any("must allow this power" in condition for condition in licensed.conditions)


# ---------------------------------------------------------------- time


def test_duty_breach_names_the_interval_that_complies() -> None:
    # hand-worked: SF12, 20 bytes, 1318.9 ms every 60 s are 2.2 %; 1 % needs 131.9 s
    verdict = check("europe", emission("css-868-sf12", interval_s=60.0))
    breach = next(each for each in verdict.breaches if each.kind == "duty")
    assert breach.problem == "2.2 % of the hour on the air, 1 % allowed"
    assert breach.change == (
        "send 2.2 times less often: every 132 s on average instead of 60 s; "
        "or listen before each sending (polite access), which allows 2.8 %"
    )
    assert check("europe", emission("css-868-sf12", interval_s=132.0)).lawful
    assert any(change.startswith("move to 869.525 MHz") for change in verdict.changes)


def test_polite_access_replaces_the_duty_limit_only_for_short_packets() -> None:
    # EN 300 220-1: 100 s an hour, one second at a time
    slow = emission("css-868-sf12", interval_s=60.0, listens_first=True)
    assert [breach.kind for breach in check("europe", slow).breaches] == ["dwell"]
    quick = emission("css-868-sf10", interval_s=20.0, listens_first=True)
    assert quick.duty > 0.01
    assert check("europe", quick).lawful


def test_more_than_half_the_time_is_said() -> None:
    verdict = check("europe", emission("css-868-sf12", interval_s=200.0))
    assert verdict.lawful
    assert "Uses 66 % of the allowed time on the air; a plan should stay under half of it." in verdict.conditions


@pytest.mark.parametrize(
    ("factor", "payload", "lawful"),
    # source: radio facts, 2.1 and 2.3: 0.4 s on a channel rules out SF11 and SF12 at 20 bytes, SF10 above 24, SF9 above 66
    [(7, 20, True), (9, 66, True), (9, 68, False), (10, 24, True), (10, 25, False), (11, 20, False), (12, 20, False)],
)
def test_dwell_of_the_united_states(factor: int, payload: int, lawful: bool) -> None:
    verdict = check("united-states", emission(f"css-915-sf{factor}", payload=payload))
    assert verdict.lawful is lawful
    if not lawful:
        assert [breach.kind for breach in verdict.breaches] == ["dwell"]
    else:
        assert "Only if the senders really hop over the channels that the rule asks for." in verdict.conditions


def test_periodic_sending_under_15_231_needs_silence() -> None:
    # hand-worked: 31 bytes at 4.8 kbit/s are 52 ms; the power of −22 dBm EIRP is made by an imagined attenuator
    quiet = emission("fsk-433-4k8", feed_db=36.0)
    assert check("united-states", quiet).lawful
    hasty = emission("fsk-433-4k8", feed_db=36.0, interval_s=8.0)
    verdict = check("united-states", hasty)
    assert [breach.kind for breach in verdict.breaches] == ["silence"]
    assert verdict.changes[0] == "send every 11 s or more seldom"


def test_control_signals_have_their_own_row_in_the_united_states() -> None:
    made = emission("fsk-433-4k8", feed_db=28.0, use="control", periodic=False)
    verdict = check("united-states", made)
    assert verdict.lawful
    assert verdict.sub_band == "260-control"
    assert not check("united-states", replace(made, use="data", periodic=True)).lawful


def test_medium_use_counts_power_and_time_at_2g4() -> None:
    # hand-worked: 50 mW (17 dBm) for 30 % of the time is 15 % of 100 mW: more than 10 %
    busy = replace(emission("wlan-2g4-1m"), duty=0.30)
    verdict = check("europe", busy)
    assert [breach.kind for breach in verdict.breaches] == ["medium use"]
    assert check("europe", replace(busy, duty=0.19)).lawful
    assert check("europe", replace(busy, listens_first=True)).lawful


# ---------------------------------------------------------------- place and manner


def test_band_edges_count_bandwidth_and_crystal_error() -> None:
    # hand-worked: 125 kHz and ±20 ppm of 868.3 MHz: ±79.9 kHz
    low, high = occupied_edges_mhz(bare_mode(CLASSES, "css-868-sf7"))
    assert high - 868.3 == pytest.approx(0.0625 + 0.017366, abs=1e-6)
    assert 868.3 - low == pytest.approx(high - 868.3)
    edge = check("europe", emission("css-868-sf7", frequency_mhz=868.55))
    assert edge.breaches[0].kind == "band edge"
    assert edge.changes[0] == "tune between 868.080 and 868.520 MHz"


def test_alarm_rows_are_for_alarms() -> None:
    made = emission("fsk-868-1k2", frequency_mhz=868.65, power_dbm=10.0, gain_dbi=0.0)
    data = check("europe", made)
    assert "use" in {breach.kind for breach in data.breaches}
    alarm = check("europe", replace(made, use="alarm"))
    assert "use" not in {breach.kind for breach in alarm.breaches}


def test_japan_asks_to_listen_first() -> None:
    made = emission("css-915-sf7", frequency_mhz=921.0, power_dbm=13.0)
    assert "Only if the program listens before each sending." in check("japan", made).conditions
    deaf = replace(made, mode=replace(made.mode, radio=replace(made.mode.radio, can_listen_first=False)))
    assert [breach.kind for breach in check("japan", deaf).breaches] == ["listening"]


def test_a_single_channel_gets_three_milliwatt_in_australia() -> None:
    made = emission("css-915-sf7", power_dbm=14.0, techniques=(Technique.FIXED,))
    verdict = check("australia", made)
    assert not verdict.lawful
    assert verdict.cap_eirp_dbm == pytest.approx(4.8)


def test_no_row_is_a_refusal_that_lists_the_rows() -> None:
    verdict = check("japan", emission("fsk-433-4k8"))
    assert not verdict.lawful
    assert isnan(verdict.cap_eirp_dbm)
    assert "433.92 MHz lies in no licence-exempt row of Japan" in verdict.sentence
    assert "920.6-928 MHz" in verdict.changes[0] or "920.6-928" in verdict.changes[0]


def test_unknown_country_is_said_aloud() -> None:
    quiet = check("unknown", emission("gfsk-2g4-250k-board"))
    assert quiet.lawful
    assert quiet.status == "not checked"
    assert quiet.sentence.startswith("No country was named, so a careful default was used.")
    refused = check("unknown", emission("css-868-sf7"))
    assert not refused.lawful
    assert refused.changes == ("name your country, or take another frequency or class; rows: 2400-2483.5 MHz",)


def test_no_name_stands_for_two_regions() -> None:
    names = [alias for region in REGIONS.values() for alias in region.aliases]
    assert len(set(names)) == len(names)
    assert not set(names) & set(REGIONS)
    assert REGIONS["south-africa"].aliases == ("za",)


def test_a_misspelt_country_gets_the_nearest_name() -> None:
    assert find_region(REGIONS, "United Kingdom").key == "united-kingdom"
    assert find_region(REGIONS, "UK").key == "united-kingdom"
    assert find_region(REGIONS, "Germany").key == "europe"
    assert find_region(REGIONS, "USA").key == "united-states"
    with pytest.raises(InputError) as caught:
        find_region(REGIONS, "austalia")
    assert "Did you mean 'australia'?" in str(caught.value)


def test_recalled_rows_ask_for_a_check() -> None:
    verdict = check("canada", emission("css-915-sf7"))
    assert any(condition.startswith("Check this row before you rely on it (named:") for condition in verdict.conditions)
    assert verdict.advice == NOT_LEGAL_ADVICE


# ---------------------------------------------------------------- choosing


def test_the_strongest_lawful_frequency_is_taken_and_said() -> None:
    mode, verdict = lawful_mode(REGIONS["europe"], emission("css-868-sf7", gain_dbi=0.0))
    assert mode.frequency_mhz == pytest.approx(869.525)
    assert mode.tx_power_dbm == 22.0
    assert verdict.lawful
    assert any(line.startswith("Frequency 869.525 MHz taken") for line in mode.assumptions)
    assert any(line.startswith("Power 22 dBm taken") for line in mode.assumptions)


def test_what_the_user_fixed_is_kept() -> None:
    made = emission("css-868-sf7")
    fixed, _ = lawful_mode(REGIONS["europe"], made, keep_frequency=True)
    assert (fixed.frequency_mhz, fixed.tx_power_dbm) == (868.3, 16.1)
    same, verdict = lawful_mode(REGIONS["europe"], made, keep_frequency=True, keep_power=True)
    assert (same.frequency_mhz, same.tx_power_dbm) == (868.3, 14.0)
    assert verdict.lawful


@given(
    st.sampled_from(sorted(set(CLASSES) - {key for key, radio in CLASSES.items() if radio.licence_required})),
    st.sampled_from(sorted(REGIONS)),
    st.floats(-5, 15),
    st.floats(0, 6),
)
def test_highest_power_is_lawful_and_a_decibel_more_is_not(name: str, region: str, gain: float, feed: float) -> None:
    made = emission(name, gain_dbi=gain, feed_db=feed)
    power, verdict = highest_lawful_power(REGIONS[region], made)
    if not verdict.lawful:
        return
    assert check(region, replace(made, mode=replace(made.mode, tx_power_dbm=power))).lawful
    most = made.mode.radio.tx_power_dbm.high or made.mode.radio.tx_power_dbm.value
    if power + 1.0 <= most:
        stronger = replace(made, mode=replace(made.mode, tx_power_dbm=power + 1.0))
        assert not check(region, stronger).lawful


@given(st.sampled_from(sorted(REGIONS)), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_less_time_on_the_air_is_never_less_lawful(region: str, one: float, two: float) -> None:
    made = emission("css-868-sf9")
    less, more = sorted((one, two))
    if check(region, replace(made, duty=more)).lawful:
        assert check(region, replace(made, duty=less)).lawful
