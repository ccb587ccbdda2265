"""Time on air against published values and arithmetic done by hand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest
from bare_radio import bare_mode
from hypothesis import given
from hypothesis import strategies as st
from published_tables import PublishedTable

from meshplan.errors import InputError
from meshplan.inputs.radios import read_radio_classes
from meshplan.operation.airtime import (
    acknowledgement_ms,
    airtime_parts,
    chirp_time_on_air_ms,
    longest_packet_ms,
    packets_needed,
    payload_per_packet,
    serial_time_on_air_ms,
    time_on_air_ms,
)
from meshplan.records.radio import radio_mode

CLASSES = read_radio_classes()


def test_chirp_time_on_air_meets_the_published_values(read_published: Callable[[str], PublishedTable]) -> None:
    # values printed by several unrelated public code bases; tolerance half the last digit
    rows = read_published("time_on_air.csv").rows
    assert len(rows) == 19
    for row in rows:
        found = float(
            chirp_time_on_air_ms(
                int(row["payload_bytes"]),
                int(row["spreading_factor"]),
                float(row["bandwidth_khz"]),
                coding_rate_index=int(row["coding_rate_index"]),
                preamble_symbols=int(row["preamble_symbols"]),
                check_bytes=row["check_bytes"] == "1",
                implicit_header=row["implicit_header"] == "1",
                low_rate=row["low_rate"] == "1",
            )
        )
        half_digit = 0.5 * 10.0 ** -int(row["decimals"]) + 1e-9
        assert found == pytest.approx(float(row["time_ms"]), abs=half_digit), row


def test_low_rate_aid_switches_itself_on_at_sixteen_milliseconds() -> None:
    for factor, width in ((11, 125.0), (12, 125.0), (12, 250.0)):
        aided = chirp_time_on_air_ms(20, factor, width, low_rate=True)
        assert float(chirp_time_on_air_ms(20, factor, width)) == float(aided)
    for factor, width in ((10, 125.0), (11, 250.0), (12, 500.0)):
        plain = chirp_time_on_air_ms(20, factor, width, low_rate=False)
        assert float(chirp_time_on_air_ms(20, factor, width)) == float(plain)


@pytest.mark.parametrize(
    ("setting", "milliseconds"),
    # source: radio facts, table 2.3, payload 20 bytes at 125 kHz (rounded to whole milliseconds)
    [("SF7", 57), ("SF8", 103), ("SF9", 185), ("SF10", 371), ("SF11", 741), ("SF12", 1319)],
)
def test_catalogue_chirp_meets_the_table(setting: str, milliseconds: float) -> None:
    assert time_on_air_ms(bare_mode(CLASSES, "css-868", setting=setting), 20) == pytest.approx(milliseconds, abs=0.6)


@pytest.mark.parametrize(
    ("rate", "milliseconds"),
    # hand-worked: 31 bytes are 248 bits
    [(1200, 206.7), (2400, 103.3), (4800, 51.67), (9600, 25.83), (15000, 16.53), (50_000, 4.96), (250_000, 0.992)],
)
def test_serial_frame_meets_arithmetic(rate: float, milliseconds: float) -> None:
    assert float(serial_time_on_air_ms(20, rate)) == pytest.approx(milliseconds, rel=2e-3)


@pytest.mark.parametrize(
    ("key", "payload", "milliseconds"),
    [
        # hand-worked: (20 + 6) bytes · 8 bits · 2 half-bits / 2400 bit/s · 3 repeats
        ("ook-433-12v-wire", 20, 520.0),
        # hand-worked: 32 µs a byte, (17 + 20) bytes (IEEE 802.15.4: 250 kbit/s)
        ("oqpsk-2g4-802154", 20, 1.184),
        # hand-worked: 192 µs and 84 bytes · 8 µs (IEEE 802.11, long preamble)
        ("wlan-2g4-1m", 20, 0.864),
        # hand-worked: (16 + 20) bytes · 8 µs on each of three channels
        ("ble-1m", 20, 0.864),
        # hand-worked: 400 µs and 31 bytes · 64 µs, on three channels
        ("ble-coded-125k", 20, 7.152),
        # hand-worked: 72 + 54 + 8 + 160 + 16 bits are 310 µs; the catalogue rounds 150 bits up to 19 bytes
        ("bt-classic-class2", 20, 0.312),
    ],
)
def test_other_modulations_meet_arithmetic(key: str, payload: int, milliseconds: float) -> None:
    assert time_on_air_ms(bare_mode(CLASSES, key), payload) == pytest.approx(milliseconds, rel=1e-6)


def test_a_large_payload_goes_out_in_several_packets() -> None:
    mode = bare_mode(CLASSES, "gfsk-2g4-250k-board")
    assert packets_needed(mode, 32) == 1
    assert packets_needed(mode, 33) == 2
    assert time_on_air_ms(mode, 33) == pytest.approx(time_on_air_ms(mode, 32) + time_on_air_ms(mode, 1))


def test_repeats_on_three_channels_are_no_single_long_packet() -> None:
    mode = bare_mode(CLASSES, "ble-1m")
    assert longest_packet_ms(mode, 20) == pytest.approx(time_on_air_ms(mode, 20) / 3)
    on_off = bare_mode(CLASSES, "ook-433-5v-wire")
    assert longest_packet_ms(on_off, 20) == time_on_air_ms(on_off, 20)


def test_a_one_way_class_never_confirms() -> None:
    assert acknowledgement_ms(bare_mode(CLASSES, "ook-433-superhet")) == 0.0
    assert acknowledgement_ms(bare_mode(CLASSES, "css-868-sf7")) > 0.0


def test_an_acknowledgement_of_ieee_802_15_4_is_a_frame_of_its_own() -> None:
    # source: IEEE 802.15.4 (radio facts 2, section 2): 6 bytes before the frame, 2 control, 1 sequence, 2 check: 11 bytes of
    # 32 us, 352 us; with the header of a data frame around 4 bytes it would be 672 us
    mode = radio_mode(CLASSES, "oqpsk-2g4-802154")
    assert acknowledgement_ms(mode) == pytest.approx(0.352)
    # a data frame keeps its own overhead: 17 of the standard, 2 of the network, 12 of payload
    assert time_on_air_ms(mode, 12) == pytest.approx(31 * 0.032)


def test_a_negative_payload_is_told() -> None:
    with pytest.raises(InputError, match="-1 bytes cannot be"):
        time_on_air_ms(bare_mode(CLASSES, "fsk-868"), -1)


@given(st.integers(0, 200), st.integers(7, 12), st.sampled_from([125.0, 250.0, 500.0]), st.integers(1, 4))
def test_more_bytes_or_narrower_chirps_never_take_less_time(payload: int, factor: int, width: float, coding: int) -> None:
    once = float(chirp_time_on_air_ms(payload, factor, width, coding_rate_index=coding))
    assert float(chirp_time_on_air_ms(payload + 1, factor, width, coding_rate_index=coding)) >= once
    assert float(chirp_time_on_air_ms(payload, factor, width / 2, coding_rate_index=coding)) > once
    mode = replace(bare_mode(CLASSES, "css-868-sf9"), tx_power_dbm=0.0)
    assert time_on_air_ms(mode, payload + 1) >= time_on_air_ms(mode, payload)


@pytest.mark.parametrize(
    ("setting", "own_ms", "wide_ms", "own_answer_ms", "wide_answer_ms"),
    # source: radio facts 2, table of section 2: 12 bytes at 125 kHz with 5 and 13 bytes of header, answers of 4 and 12 bytes
    [
        ("SF7", 51.5, 61.7, 31.0, 41.2),
        ("SF8", 92.7, 113.2, 62.0, 82.4),
        ("SF9", 164.9, 205.8, 123.9, 144.4),
        ("SF10", 329.7, 411.6, 206.8, 288.8),
        ("SF11", 659.5, 823.3, 413.7, 577.5),
        ("SF12", 1318.9, 1482.8, 827.4, 1155.1),
    ],
)
def test_headers_are_on_the_air(setting: str, own_ms: float, wide_ms: float, own_answer_ms: float, wide_answer_ms: float) -> None:
    own = radio_mode(CLASSES, "css-868", setting=setting)
    wide = radio_mode(CLASSES, "css-868", setting=setting, wide_area=True)
    assert time_on_air_ms(own, 12) == pytest.approx(own_ms, abs=0.06)
    assert time_on_air_ms(wide, 12) == pytest.approx(wide_ms, abs=0.06)
    assert acknowledgement_ms(own) == pytest.approx(own_answer_ms, abs=0.06)
    assert acknowledgement_ms(wide) == pytest.approx(wide_answer_ms, abs=0.06)
    assert longest_packet_ms(wide, 12) == time_on_air_ms(wide, 12)


def test_a_protocol_for_chirps_does_not_change_another_class() -> None:
    mode = radio_mode(CLASSES, "fsk-868-4k8", wide_area=True)
    assert mode.header_bytes == 5
    assert any("is no chirp class" in line for line in mode.assumptions)
    assert time_on_air_ms(mode, 20) == pytest.approx(36 * 8 / 4.8)  # hand-worked: 11 of frame, 5 of header, 20 of payload


@pytest.mark.parametrize("key", sorted(CLASSES))
@pytest.mark.parametrize("payload", [0, 1, 12, 100, 700])
def test_the_parts_of_a_packet_add_up_to_its_time(key: str, payload: int) -> None:
    mode = radio_mode(CLASSES, key)
    parts = airtime_parts(mode, payload)
    assert parts.total_ms == pytest.approx(time_on_air_ms(mode, payload), rel=1e-9)
    assert min(parts.preamble_ms, parts.header_ms, parts.payload_ms, parts.check_ms) >= 0.0
    assert (parts.payload_ms > 0.0) == (payload > 0)


def test_the_parts_of_a_serial_packet_by_hand() -> None:
    # hand-worked at 4800 bit/s, 1.667 ms a byte: 9 bytes of preamble, sync and length, 5 of header, 12 of payload, 2 of check
    parts = airtime_parts(radio_mode(CLASSES, "fsk-868-4k8"), 12)
    found = (parts.preamble_ms, parts.header_ms, parts.payload_ms, parts.check_ms)
    assert found == pytest.approx((15.0, 25 / 3, 20.0, 10 / 3))


def test_a_header_takes_room_from_each_packet() -> None:
    # 60 bytes of content, 5 of them header; a wide-area payload limit is one of the payload, within 255 bytes
    assert payload_per_packet(radio_mode(CLASSES, "fsk-868-4k8")) == 55
    assert payload_per_packet(radio_mode(CLASSES, "css-868-sf7", wide_area=True)) == 222
    assert payload_per_packet(radio_mode(CLASSES, "css-2g4-sf7-812k")) == 250
    assert packets_needed(radio_mode(CLASSES, "fsk-868-4k8"), 56) == 2
