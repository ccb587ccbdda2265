"""C headers of devices compile as C and C++ with every warning an error, and hold the figures of devices.json."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from meshplan.records.device_settings import (
    DeviceSettings,
    DevicesFile,
    DeviceSlots,
    DutyBudget,
    ExpectedSignal,
    Forwarding,
    Listening,
    Neighbour,
    RadioSetup,
    SeasonSignal,
    SlotFrame,
    SlotListen,
    SlotSend,
)
from meshplan.reporting.device_headers import header_name, header_text, write_headers

STRICT = ("-pedantic-errors", "-Wall", "-Wextra", "-Wundef", "-Wconversion", "-Werror", "-fsyntax-only")
COMPILERS = (
    *(("gcc", "c", f"-std={year}") for year in ("c90", "c11")),
    *(("g++", "c++", f"-std={year}") for year in ("c++98", "c++17")),
)

FSK = RadioSetup(
    radio="fsk-868-4k8",
    title="868 MHz FSK transceiver, 4k8",
    frequency_mhz=869.525,
    modulation="fsk",
    bit_rate_bps=4800.0,
    spreading_factor=None,
    bandwidth_khz=13.775,
    occupied_bandwidth_khz=20.0,
    coding_rate=None,
    preamble_symbols=None,
    low_rate_aid=None,
    deviation_khz=2.4,
    receiver_filter_khz=79.06,
    frame_overhead_bytes=11.0,
    header_bytes=5,
    repeats=1,
    tx_power_dbm=-0.38,
    tx_power_whole_dbm=-1,
    eirp_dbm=1.6,
    sensitivity_dbm=-105.4,
    acknowledged=True,
    acknowledgement_bytes=4,
    acknowledgement_ms=25.0,
    answer_window_ms=20.0,
    tries=3,
    retry_wait_s=(0.5, 5.0),
    longest_frame_ms=46.6666667,
)
CHIRP = replace(
    FSK,
    radio="css-2450-sf12",
    frequency_mhz=2450.0,
    modulation="css",
    spreading_factor=12,
    coding_rate="4/5",
    preamble_symbols=12,
    low_rate_aid=True,
    deviation_khz=None,
    receiver_filter_khz=None,
    acknowledged=False,
    retry_wait_s=(),
)
SIGNAL = ExpectedSignal(
    neighbour=3,
    radio="fsk-868-4k8",
    second_route=False,
    needed_here_dbm=-105.4,
    needed_there_dbm=-105.0,
    fade_margin_db=8.2,
    alarm_below_here_dbm=-97.2,
    alarm_below_there_dbm=-96.8,
    worst_season="leaf",
    first_failing_month="",
    seasons=(SeasonSignal("bare", 1, -80.0, -80.0, 8.0), SeasonSignal("leaf", 5, -88.44, -88.0, 9.0)),
)
RELAY = DeviceSettings(
    number=7,
    name="Far trough",
    identifier="far_trough",
    plan_name="Far trough at 4 m",
    role="relay",
    forwards=True,
    served=True,
    parent=Neighbour(3, "House"),
    second_parent=None,
    hops=1,
    radios=(FSK, CHIRP),
    payload_bytes=None,
    interval_s=None,
    fast_interval_s=None,
    forwarding=(Forwarding(1, 3, False), Forwarding(2, None, True)),
    listening=Listening("always", 1.0, None, None),
    slots=DeviceSlots(None, None, None, (SlotSend(1, 3, 4, 1_250),), (SlotListen(1, 1, False, 100, 900),), 0.013),
    duty=DutyBudget(0.1, 360_000.0, 0.001, 0.002, "a rule"),
    expected=(SIGNAL,),
    not_chosen=("The key.", "What stands */ where in the payload??/"),
)
LEAF = replace(
    RELAY,
    number=65_534,
    role="sensor",
    forwards=False,
    radios=(CHIRP,),
    payload_bytes=12,
    interval_s=900.0,
    fast_interval_s=60.0,
    forwarding=(),
    expected=(),
    duty=None,
    listening=Listening("sampled", None, 0.5, 4.25),
    not_chosen=(),
    slots=None,
)
FRAME = SlotFrame(60_000, 40_000, 6_000, 40_000, 60.0, 2.0)
FILE = DevicesFile("Tansy Hollow", "0.1.0", ("An alarm is never promised.",), FRAME, "", (RELAY, LEAF))

HOSTILE = (
    'quote " and \\ backslash',
    "comment */ int x; /*",
    "trigraph ??/ and ??=",
    "new\nline #error no",
    "\u202e bidi \u2066",
    "ümläut ñ 井戸 🐑",
    "%s %n \\x41 0\\0",
    "é" * 300,
)


def program(header: str) -> str:
    """Return a program that uses every macro of a header, tables as initialisers."""
    declared, used = [], []
    names = re.findall(r"^#define (MESHPLAN_\w+) (.+)$", Path(header).read_text(encoding="ascii"), re.MULTILINE)
    for place, (name, value) in enumerate(names):
        if value.startswith("{"):
            declared.append(f"  const int t{place}[][8] = {name};")
            used.append(f"  sum += (unsigned long)t{place}[0][0];")
        elif value.startswith('"'):
            declared.append(f"  const char *s{place} = {name};")
            used.append(f"  sum += (unsigned long)s{place}[0];")
        else:
            used.append(f"  sum += (unsigned long)({name});")
    head = [f'#include "{header}"', "int main(void) {", "  unsigned long sum = 0;"]
    return "\n".join([*head, *declared, *used, "  return sum == 0UL;", "}", ""])


def compilers() -> list[tuple[str, str, str]]:
    """Return the compilers that are here; in CI both must be."""
    found = [each for each in COMPILERS if shutil.which(each[0])]
    if len(found) < len(COMPILERS):
        assert not os.environ.get("CI"), "gcc and g++ are needed (.ci/run installs them)"
    if not found:
        pytest.skip("neither gcc nor g++ is on this machine: the headers are not compiled")
    return found


def compile_all(headers: list[Path], folder: Path) -> None:
    for header in headers:
        source = folder / f"{header.stem}.txt"
        source.write_text(program(str(header)), encoding="ascii")
        for command, language, standard in compilers():
            run = subprocess.run(
                [command, "-x", language, standard, *STRICT, str(source)], capture_output=True, text=True, check=False, timeout=60
            )
            assert run.returncode == 0, f"{command} {standard}: {run.stderr}"
            assert not run.stderr


def test_headers_compile_as_c_and_cpp_of_any_age_without_a_warning(tmp_path: Path) -> None:
    compile_all(list(write_headers(FILE, tmp_path / "headers")), tmp_path)


def test_hostile_names_compile_too(tmp_path: Path) -> None:
    devices = tuple(replace(LEAF, number=number, name=name, not_chosen=(name,)) for number, name in enumerate(HOSTILE, start=1))
    compile_all(list(write_headers(replace(FILE, devices=devices, property_name=HOSTILE[1]), tmp_path / "headers")), tmp_path)


def test_a_name_reaches_the_program_as_it_is(tmp_path: Path) -> None:
    if not shutil.which("gcc"):
        assert not os.environ.get("CI")
        pytest.skip("gcc is not on this machine: no header is run")
    for name in HOSTILE[:-1]:
        (header,) = write_headers(replace(FILE, devices=(replace(LEAF, name=name),)), tmp_path)
        (tmp_path / "say.c").write_text(
            f'#include <stdio.h>\n#include "{header}"\nint main(void){{fputs(MESHPLAN_NAME, stdout);return 0;}}\n'
        )
        subprocess.run(["gcc", "-o", str(tmp_path / "say"), str(tmp_path / "say.c")], check=True, timeout=60)
        said = subprocess.run([str(tmp_path / "say")], capture_output=True, check=True, timeout=60).stdout
        assert said.decode("utf-8") == name


def test_two_headers_in_one_program_are_refused(tmp_path: Path) -> None:
    headers = write_headers(FILE, tmp_path)
    source = tmp_path / "both.txt"
    source.write_text("".join(f'#include "{header}"\n' for header in headers), encoding="ascii")
    command, language, standard = compilers()[0]
    run = subprocess.run(
        [command, "-x", language, standard, "-fsyntax-only", str(source)], capture_output=True, text=True, check=False
    )
    assert run.returncode != 0
    assert "a program is for one device" in run.stderr


def macros(device: DeviceSettings) -> dict[str, str]:
    return dict(re.findall(r"^#define MESHPLAN_(\w+) (.+)$", header_text(device, FILE), re.MULTILINE))


def test_figures_are_those_of_the_file_and_powers_go_down() -> None:
    found = macros(RELAY)
    assert found["RADIO1_FREQUENCY_HZ"] == "869525000UL"
    assert found["RADIO2_FREQUENCY_HZ"] == "2450000000UL"
    assert found["RADIO1_TX_POWER_TENTH_DBM"] == "(-4)", "-0.38 dBm rounds down, not to the nearest"
    assert found["RADIO1_TX_POWER_WHOLE_DBM"] == "(-1)"
    assert found["RADIO1_DEVIATION_HZ"] == "2400UL"
    assert "RADIO2_DEVIATION_HZ" not in found
    assert found["RADIO2_CODING_RATE_DENOMINATOR"] == "5"
    assert found["DUTY_BUDGET_MS_PER_HOUR"] == "360000UL"
    assert found["EXPECTED"] == "{ {3U, 0, (-884), 90, (-972)} }"
    assert found["FORWARDING"] == "{ {1U, 3U, 0}, {2U, 0U, 1} }"
    assert found["SLOT_FRAME_MS"] == "60000UL"
    assert found["SLOT_SENDS"] == "{ {1U, 3U, 4U, 1250UL} }"
    assert found["SLOT_LISTENS"] == "{ {1U, 1U, 100UL, 900UL} }"
    leaf = macros(LEAF)
    assert leaf["SLOTS"] == "0"
    assert not any(name.startswith("SLOT_") for name in leaf)
    assert leaf["INTERVAL_MS"] == "900000UL"
    assert leaf["LISTENING_WINDOW_US"] == "4250UL"
    assert leaf["FORWARDING_COUNT"] == "0"
    assert "FORWARDING" not in leaf


def test_a_sensor_without_a_route_gets_no_header(tmp_path: Path) -> None:
    devices = (RELAY, replace(LEAF, served=False))
    assert (
        [path.name for path in write_headers(replace(FILE, devices=devices), tmp_path)]
        == [header_name(RELAY)]
        == ["007_far_trough.h"]
    )


@given(st.text(max_size=60))
def test_no_name_leaves_its_comment_or_its_string(name: str) -> None:
    if any(0xD800 <= ord(letter) <= 0xDFFF for letter in name):
        return
    text = header_text(replace(LEAF, name=name, not_chosen=(name,)), replace(FILE, property_name=name))
    text.encode("ascii")
    assert "??" not in text
    without = re.sub(r"/\*.*?\*/", "", text)
    assert all(line.startswith("#") for line in without.splitlines() if line.strip()), (
        "nothing stands outside comments but directives"
    )
