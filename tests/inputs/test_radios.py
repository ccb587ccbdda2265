"""The catalogue: complete, sourced, plausible; what the user adds or overrides; what is told when it cannot be."""

from __future__ import annotations

from dataclasses import fields
from itertools import pairwise
from pathlib import Path

import pytest

from meshplan.errors import FaultList, InputError, MeshplanError
from meshplan.inputs.catalogue import packaged
from meshplan.inputs.radios import (
    read_batteries,
    read_boards,
    read_radio_classes,
    read_regions,
    read_solar,
)
from meshplan.records.radio import Figure, Modulation, RadioClass, derived_sensitivity_dbm, radio_mode
from meshplan.sources import Standing

CLASSES = read_radio_classes()


def faults_of(folder: Path, text: str, name: str = "radios.toml") -> list[str]:
    (folder / name).write_text(text, encoding="utf-8")
    with pytest.raises(MeshplanError) as caught:
        (read_regions if name == "regions.toml" else read_radio_classes)(folder)
    error = caught.value
    return [str(each) for each in (error.faults if isinstance(error, FaultList) else (error,))]


# ---------------------------------------------------------------- the packaged catalogue


@pytest.mark.parametrize(
    ("key", "derived_dbm", "design_dbm"),
    # source: radio facts, table 2.2, rows 1 to 19 (derived with -174 dBm/Hz, rounded); frequency shift keying less what both
    # crystals cost, second sheet, table 3.3
    [
        ("gfsk-2g4-250k-board", -94.1, -92.1),
        ("gfsk-2g4-2m-board", -83, -81),
        ("gfsk-2g4-250k-amplified", -99.1, -97.1),
        ("oqpsk-2g4-802154", -101, -98),
        ("ble-1m", -93, -92),
        ("ble-coded-125k", -105, -101),
        ("bt-classic-class2", -86, -84),
        ("fsk-433-serial-9k6", -109.9, -105.7),
        ("fsk-433-serial-slow", -111.7, -108.7),
        ("fsk-868-50k", -103.9, -101.8),
        ("fsk-868-4k8", -110.6, -107.4),
        ("fsk-868-1k2", -113.8, -109.6),
        ("css-868-sf7", -124.5, -122),
        ("css-868-sf12", -137, -134),
        ("css-2g4-sf12-203k", -134, -130),
        ("css-2g4-sf7-812k", -115, -112),
        ("ook-433-12v-wire", -90, -88),
        ("ook-433-superhet", -107, -104),
        ("wlan-2g4-1m", -95, -93),
    ],
)
def test_classes_meet_the_fact_table(key: str, derived_dbm: float, design_dbm: float) -> None:
    mode = radio_mode(CLASSES, key)
    assert mode.derived_sensitivity_dbm == pytest.approx(derived_dbm, abs=0.55)
    assert mode.sensitivity_dbm == design_dbm


def test_every_figure_has_standing_and_source_and_lies_in_its_own_bounds() -> None:
    count = 0
    for radio in CLASSES.values():
        for name, figure in radio.figures():
            count += 1
            assert isinstance(figure.standing, Standing), (radio.key, name)
            assert len(figure.source) > 6, (radio.key, name, figure.source)
            assert figure.low is None or figure.low <= figure.value, (radio.key, name)
            assert figure.high is None or figure.value <= figure.high, (radio.key, name)
    assert count > 27 * 24


def test_cells_and_boards_have_standing_and_source() -> None:
    for table in (read_batteries(), read_boards()):
        for entry in table.values():
            figures = [getattr(entry, field.name) for field in fields(entry)]
            figures = [figure for figure in figures if isinstance(figure, Figure)]
            assert len(figures) >= 4
            assert all(figure.source for figure in figures), entry.key


def test_a_receiver_is_never_better_than_its_noise() -> None:
    for radio in CLASSES.values():
        for setting in radio.settings:
            assert setting.design_sensitivity_dbm.value >= derived_sensitivity_dbm(radio, setting), (radio.key, setting.name)


@pytest.mark.parametrize(
    "key",
    [
        # the classes that the job names, one by one
        "gfsk-2g4-250k-board", "gfsk-2g4-250k-amplified", "fsk-433-serial", "fsk-433-serial-slow", "css-433", "css-868",
        "css-915", "fsk-868", "fsk-868-amplified-5w", "ook-433-5v-stub", "ook-433-5v-wire", "ook-433-12v-stub",
        "ook-433-12v-wire", "bt-classic-class2", "ble-1m", "oqpsk-2g4-802154", "wlan-2g4-1m",
    ],
)  # fmt: skip
def test_asked_classes_are_there(key: str) -> None:
    assert key in CLASSES
    assert "check" in radio_mode(CLASSES, key).notes[0]


def test_properties_that_the_job_names() -> None:
    serial = CLASSES["fsk-433-serial"]
    assert (serial.band_mhz.low, serial.band_mhz.high, serial.channel_step_khz.value) == (433.4, 473.0, 400.0)
    rates = [setting.bit_rate_bps.value for setting in CLASSES["fsk-868"].settings]
    assert (min(rates), max(rates)) == (1200, 500_000)
    assert [setting.spreading_factor for setting in CLASSES["css-433"].settings] == [7, 8, 9, 10, 11, 12]
    amplified = CLASSES["fsk-433-amplified-5w"]
    assert amplified.licence_required
    assert amplified.tx_power_dbm.high == 37.0  # 5 W
    assert CLASSES["bt-classic-class2"].tx_power_dbm.high == 4.0  # 2.5 mW
    for key, radio in CLASSES.items():
        if key.startswith("ook"):
            assert radio.one_way
            assert not radio.acknowledged
            assert not radio.addressing
            assert not radio.relay_capable
    assert CLASSES["ook-433-12v-wire"].tx_power_dbm.value > CLASSES["ook-433-5v-wire"].tx_power_dbm.value


def test_catalogue_is_dated() -> None:
    assert packaged("radio_classes.toml")["checked"].year >= 2026


def test_sun_table_covers_every_latitude_once() -> None:
    bands = read_solar().bands
    assert bands[0].latitude_low_deg == 0
    assert bands[-1].latitude_high_deg == 90
    for before, after in pairwise(bands):
        assert before.latitude_high_deg == after.latitude_low_deg
        assert before.peak_sun_hours.value >= after.peak_sun_hours.value


# ---------------------------------------------------------------- operating points


def test_defaults_are_said() -> None:
    mode = radio_mode(CLASSES, "css-868")
    assert mode.assumptions == (
        "Setting SF9 taken by default (1757.81 bit/s).",
        "Frequency 868.3 MHz taken by default.",
        "Power 14 dBm taken by default.",
    )
    stated = radio_mode(CLASSES, "css-868", spreading_factor=12, power_dbm=10, frequency_mhz=869.525)
    assert stated.assumptions == ()
    assert (stated.name, stated.spreading_factor, stated.tx_power_dbm) == ("css-868-sf12", 12, 10)


def test_one_way_class_says_that_packets_stay_lost() -> None:
    mode = radio_mode(CLASSES, "ook-433-12v-wire")
    assert mode.tx_only
    assert not mode.acknowledged
    assert mode.assumptions[-1] == "No acknowledgement: a lost packet stays lost, repeats are sent blindly."


def test_setting_may_follow_the_class_name() -> None:
    assert radio_mode(CLASSES, "css-915-sf10").setting == "SF10"
    assert radio_mode(CLASSES, "fsk-868", bit_rate=4800).name == "fsk-868-4k8"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"key": "css-686"}, "radio class 'css-686' is not known. Did you mean 'css-868'?"),
        ({"key": "css-868", "spreading_factor": 6}, "radio class 'css-868' has no spreading factor 6."),
        ({"key": "fsk-868", "bit_rate": 9000}, "radio class 'fsk-868' has no 9000 bit/s."),
        ({"key": "css-868", "power_dbm": 30}, "radio class 'css-868' cannot do 30 dBm."),
        ({"key": "css-868", "frequency_mhz": 915}, "radio class 'css-868' cannot do 915 MHz."),
    ],
)
def test_impossible_wishes_are_told(arguments: dict[str, object], message: str) -> None:
    with pytest.raises(InputError) as caught:
        radio_mode(CLASSES, **arguments)  # type: ignore[arg-type]
    assert caught.value.problem == message
    assert caught.value.fix


# ---------------------------------------------------------------- what the user adds


def test_no_file_leaves_the_catalogue_as_it_is(tmp_path: Path) -> None:
    assert read_radio_classes(tmp_path) == CLASSES


def test_an_override_changes_only_what_it_says(tmp_path: Path) -> None:
    (tmp_path / "radios.toml").write_text('[classes.css-868]\ntx_power_dbm = 10\nsource = "my own power meter"\n', encoding="utf-8")
    found = read_radio_classes(tmp_path)
    mine, packaged = found["css-868"], CLASSES["css-868"]
    assert mine.tx_power_dbm == Figure(10.0, Standing.STATED, "my own power meter")
    assert not mine.tx_power_dbm.needs_check
    assert mine.noise_figure_db == packaged.noise_figure_db
    assert mine.settings == packaged.settings
    assert mine.origin == "radios.toml"
    assert found["css-915"] == CLASSES["css-915"]


def test_a_new_class_may_start_from_another(tmp_path: Path) -> None:
    (tmp_path / "radios.toml").write_text(
        """
[classes.barn-chirp]
like = "css-868"
title = "the chirp radios in the barn"
price = { value = 12, low = 10, high = 15 }
settings = [{ name = "SF8", design_sensitivity_dbm = -126 }]
default_setting = "SF8"
""",
        encoding="utf-8",
    )
    mine = read_radio_classes(tmp_path)["barn-chirp"]
    assert [setting.name for setting in mine.settings] == ["SF8"]
    assert mine.settings[0].design_sensitivity_dbm.value == -126
    assert mine.settings[0].design_sensitivity_dbm.source == "stated by the user in radios.toml"
    assert mine.settings[0].required_snr_db.standing is Standing.NAMED
    assert mine.price.standing is Standing.STATED
    assert mine.modulation is Modulation.CSS


def test_a_class_may_stand_on_its_own(tmp_path: Path) -> None:
    (tmp_path / "radios.toml").write_text(COMPLETE, encoding="utf-8")
    mine = read_radio_classes(tmp_path)["own"]
    assert isinstance(mine, RadioClass)
    assert mine.group == "own classes"
    assert mine.to_check() == ("header_bytes", "check_bytes")  # practice, unless the user states them


COMPLETE = """
[classes.own]
title = "my radio"
modulation = "fsk"
direction = "two-way"
acknowledged = true
band_mhz = { value = 868.3, low = 863, high = 870 }
tx_power_dbm = 10
noise_figure_db = 8
tx_current_ma = 30
rx_current_ma = 15
sleep_current_ua = 1
wake_ms = 2
supply_v = 3.3
interface_wires = 5
price = 3
antenna_gain_dbi = 0
frequency_error_ppm = 20
frame_overhead_bytes = 11
frame_overhead_us = 0
line_code_factor = 1
repeats = 1
channel_step_khz = 100

[[classes.own.settings]]
name = "10k"
bit_rate_bps = 10000
noise_bandwidth_khz = 22
occupied_bandwidth_khz = 50
required_snr_db = 11
implementation_loss_db = 4
design_sensitivity_dbm = -105
max_payload_bytes = 60
"""


def test_a_chirp_has_no_acknowledgement_of_another_form(tmp_path: Path) -> None:
    told = faults_of(tmp_path, '[classes.own]\nlike = "css-868"\nacknowledgement_bytes = 11\n')
    assert told == [
        "radios.toml, classes.own: an acknowledgement of its own length is not counted for a chirp class.\n"
        "  Leave acknowledgement_bytes out."
    ]


def test_all_faults_are_told_at_once_word_for_word(tmp_path: Path) -> None:
    text = COMPLETE.replace("tx_power_dbm = 10", "tx_power_dbm = 60").replace("noise_figure_db = 8", 'noise_figure_db = "8"')
    text = text.replace('"fsk"', '"fks"').replace("rx_current_ma = 15\n", "").replace("price = 3", "prise = 3")
    told = faults_of(tmp_path, text)
    assert told == [
        "radios.toml, classes.own: 'prise' is not known. Did you mean 'price'?\n"
        "  Known here: acknowledged, acknowledgement_bytes, addressing, antenna, antenna_gain_dbi, band_mhz, can_listen_first, "
        "capacitor_at_pins, "
        "channel_step_khz, check_bytes, coding_rate_index, correction_preamble_bytes, default_setting, direction, "
        "frame_overhead_bytes, frame_overhead_us, "
        "frequency_correction, frequency_error_ppm, group, header_bytes, interface, interface_wires, licence_required, "
        "line_code_factor, modulation, "
        "noise_figure_db, notes, preamble_symbols, price, relay_capable, repeats, rx_current_ma, settings, "
        "sleep_current_ua, snr_cap_db, supply_note, supply_v, techniques, title, tx_current_ma, tx_power_dbm, wake_ms.",
        "radios.toml, classes.own, 'modulation': 'fks' is not known. Did you mean 'fsk'?\n"
        "  Write one of: fsk, gfsk, ook, css, oqpsk, dbpsk.",
        "radios.toml, classes.own, 'tx_power_dbm': 60 cannot be.\n  Write a number from -40 to 40.",
        "radios.toml, classes.own, 'noise_figure_db': '8' is not a number.\n  Write a number from 0 to 30, without quotes.",
        "radios.toml, classes.own: 'rx_current_ma' is missing.\n"
        '  Write rx_current_ma = a number from 0.01 to 2000, or begin from a known entry with like = "…".',
        "radios.toml, classes.own: 'price' is missing.\n"
        '  Write price = a number from 0 to 10000, or begin from a known entry with like = "…".',
    ]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (("-105", "-130"), "is better than noise, bandwidth and required signal allow (-107.6 dBm)."),
        (("acknowledged = true", "acknowledged = 1"), "1 is neither true nor false."),
        (('"two-way"', '"one-way"'), "a one-way class can neither acknowledge nor relay."),
        (("low = 863, high", "low = 869, high"), "the value lies outside its own low and high."),
        (('name = "10k"', 'name = "10k"\nspreading_factor = 9'), "only chirp spread spectrum has a spreading factor."),
        (("price = 3", "price = { low = 1 }"), "it has no value."),
        (("price = 3", "price = { value = 3, standing = 'rumour' }"), "the standing 'rumour' is not known."),
        (("price = 3", "price = nan"), "nan cannot be."),
        (("price = 3", "price = { value = 3, hihg = 4 }"), "'hihg' is not known. Did you mean 'high'?"),
        (("[classes.own]", '[classes.own]\nlike = "css-866"'), "'like' names 'css-866', which is not known. Did you mean"),
        (("[classes.own]", "[clases.own]"), "'clases' is not known here. Did you mean 'classes'?"),
        (("[classes.own]", '[classes."my radio"]'), "'my radio' is not a usable name."),
        (("fsk", "css"), "'spreading_factor' is missing."),
    ],
)
def test_each_impossible_entry_is_told(tmp_path: Path, change: tuple[str, str], message: str) -> None:
    told = faults_of(tmp_path, COMPLETE.replace(*change, 1))
    assert any(message in each for each in told), told
    assert all("radios.toml" in each for each in told)


def test_a_chirp_whose_rate_cannot_be_is_told(tmp_path: Path) -> None:
    told = faults_of(
        tmp_path, '[classes.x]\nlike = "css-868"\nsettings = [{ name = "SF7", spreading_factor = 8 }]\ndefault_setting = "SF7"\n'
    )
    assert "does not follow from spreading factor 8 and 125 kHz (3125 bit/s)" in told[0]


def test_likes_that_go_round_in_a_circle_are_told(tmp_path: Path) -> None:
    told = faults_of(tmp_path, '[classes.a]\nlike = "b"\n[classes.b]\nlike = "a"\n')
    assert any("'like' goes round in a circle." in each for each in told)


def test_broken_files_are_told(tmp_path: Path) -> None:
    assert "it is not valid TOML" in faults_of(tmp_path, "[classes.own\n")[0]
    (tmp_path / "radios.toml").write_bytes(b"title = \xff\xfe")
    with pytest.raises(InputError, match="is not UTF-8 text"):
        read_radio_classes(tmp_path)


def test_the_user_may_correct_a_rule_and_add_a_country(tmp_path: Path) -> None:
    (tmp_path / "regions.toml").write_text(
        """
[regions.europe]
sub_bands = [{ key = "870-874", duty_limit = 0.01, source = "my national table of 2026" }]

[regions.my-country]
title = "my country"
checked = 2026-10-01
like = "europe"
only = ["868.0-868.6"]
""",
        encoding="utf-8",
    )
    found = read_regions(tmp_path)
    rows = {row.key: row for row in found["europe"].sub_bands}
    assert rows["870-874"].duty_limit == 0.01
    assert rows["870-874"].source == "my national table of 2026"
    assert len(rows) == len(read_regions()["europe"].sub_bands)
    assert [row.key for row in found["my-country"].sub_bands] == ["868.0-868.6"]


def test_impossible_rules_are_told(tmp_path: Path) -> None:
    told = faults_of(
        tmp_path,
        """
[regions.mine]
title = "mine"
checked = "yesterday"
sub_bands = [{ key = "a", rule = "r", low_mhz = 869, high_mhz = 868, limit_kind = "watt", limit = 10, duty_limit = 5 }]
""",
        "regions.toml",
    )
    text = "\n".join(told)
    for expected in (
        "'checked' must be a date.",
        "the row ends at 868 MHz, not above 869 MHz.",
        "'watt' is not known.",
        "'duty_limit': 5 cannot be.",
    ):
        assert expected in text
