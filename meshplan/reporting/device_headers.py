"""What a device is programmed with as a C header: whole numbers with their unit in the name, for C and C++ of any age."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator, Sequence
from math import floor
from pathlib import Path
from typing import Final

from meshplan.records.device_settings import DeviceSettings, DevicesFile, ExpectedSignal, RadioSetup
from meshplan.reporting.files import write_text_atomically

HEADERS_FOLDER: Final = "headers"

MOST_BYTES: Final = 400
"""Bytes of a name in a header: a C90 compiler need not take a string of more than 509."""

ROLES: Final = ("sensor", "relay", "gateway")
LISTENING: Final = ("never", "acknowledgements", "after report", "sampled", "share", "always")
MODULATIONS: Final = ("fsk", "gfsk", "ook", "css", "oqpsk", "dbpsk")
"""Each word is a macro too, with its place as value, so that a program can compare."""


def write_headers(devices: DevicesFile, folder: Path) -> tuple[Path, ...]:
    """Write one header for each device that has a route; return their paths."""
    return tuple(
        write_text_atomically(folder / header_name(device), header_text(device, devices))
        for device in devices.devices
        if device.served
    )


def header_name(device: DeviceSettings) -> str:
    """Return the name of a device's header: its number, then its identifier."""
    return f"{device.number:03d}_{device.identifier}.h"


def header_text(device: DeviceSettings, devices: DevicesFile) -> str:
    """Return the header of one device."""
    guard = f"MESHPLAN_DEVICE_{device.number}_H"
    lines = [
        f"/* {_plain(device.name)}, number {device.number} of {_plain(devices.property_name)}: {device.role}. */",
        f"/* Made by meshplan {_plain(devices.version)} from exports/devices.json, whose schema describes each figure. */",
        *(f"/* {_plain(words)} */" for words in devices.cautions),
        f"#ifndef {guard}",
        f"#define {guard}",
        "#ifdef MESHPLAN_NUMBER",
        '#error "a program is for one device: two headers are included"',
        "#endif",
        "",
        *(f"#define MESHPLAN_{name} {value}" for name, value in _macros(device, devices)),
        "",
        "/* To be programmed too, and no choice of the plan: */",
        *(f"/* - {_plain(words)} */" for words in device.not_chosen),
        "",
        "#endif",
    ]
    return "\n".join(lines) + "\n"


Macros = Iterator[tuple[str, str]]


def _macros(device: DeviceSettings, devices: DevicesFile) -> Macros:
    for prefix, words in (("ROLE", ROLES), ("LISTENING", LISTENING), ("MODULATION", MODULATIONS)):
        yield from ((f"{prefix}_{word.upper().replace(' ', '_')}", str(place)) for place, word in enumerate(words))
    yield "NUMBER", f"{device.number}U"
    yield "NAME", _string(device.name)
    yield "IDENTIFIER", _string(device.identifier)
    yield "ROLE", f"MESHPLAN_ROLE_{device.role.upper()}"
    yield "FORWARDS", _truth(device.forwards)
    yield "PARENT", f"{device.parent.number if device.parent else 0}U"
    yield "SECOND_PARENT", f"{device.second_parent.number if device.second_parent else 0}U"
    yield "HOPS", f"{device.hops or 0}U"
    yield "PAYLOAD_BYTES", f"{device.payload_bytes or 0}U"
    yield "INTERVAL_MS", _unsigned((device.interval_s or 0.0) * 1000.0)
    yield "FAST_INTERVAL_MS", _unsigned((device.fast_interval_s or 0.0) * 1000.0)
    listening = device.listening
    yield "LISTENING", f"MESHPLAN_LISTENING_{listening.how.upper().replace(' ', '_')}"
    if listening.share is not None:
        yield "LISTENING_SHARE_PPM", _unsigned(listening.share * 1e6)
    if listening.period_s is not None:
        yield "LISTENING_PERIOD_MS", _unsigned(listening.period_s * 1000.0)
    if listening.window_ms is not None:
        yield "LISTENING_WINDOW_US", _unsigned(listening.window_ms * 1000.0)
    if device.duty is not None:
        yield "DUTY_BUDGET_MS_PER_HOUR", f"{floor(device.duty.budget_ms_per_hour)}UL"
    yield from _slot_macros(device, devices)
    yield "RADIO_COUNT", str(len(device.radios))
    for place, radio in enumerate(device.radios, start=1):
        yield from ((f"RADIO{place}_{name}", value) for name, value in _radio_macros(radio))
    yield from _table(
        "FORWARDING", [(f"{each.sensor}U", f"{each.to or 0}U", _truth(each.second_route)) for each in device.forwarding]
    )
    yield from _table("EXPECTED", [_expected(each) for each in device.expected])


def _slot_macros(device: DeviceSettings, devices: DevicesFile) -> Macros:
    """Give the slots: sends are sensor, to, second to, offset; windows are sender, sensor, from, to; all times in ms."""
    slots = device.slots
    yield "SLOTS", _truth(slots is not None)
    if slots is None or devices.slots is None:
        return
    yield "SLOT_FRAME_MS", f"{devices.slots.frame_ms}UL"
    yield "SLOT_OPEN_FROM_MS", f"{devices.slots.used_ms}UL"
    yield "SLOT_OPEN_TO_MS", f"{devices.slots.used_ms + devices.slots.open_ms}UL"
    yield "SLOT_EVERY_FRAMES", f"{slots.every_frames or 0}UL"
    yield "SLOT_FAST_EVERY_FRAMES", f"{slots.fast_every_frames or 0}UL"
    yield "SLOT_FIRST_FRAME", f"{slots.first_frame or 0}UL"
    sends = [(f"{each.sensor}U", f"{each.to}U", f"{each.second_to or 0}U", f"{each.offset_ms}UL") for each in slots.sends]
    yield from _table("SLOT_SENDS", sends)
    listens = [(f"{each.sender}U", f"{each.sensor}U", f"{each.from_ms}UL", f"{each.to_ms}UL") for each in slots.listens]
    yield from _table("SLOT_LISTENS", listens)


def _radio_macros(radio: RadioSetup) -> Macros:
    yield "CLASS", _string(radio.radio)
    yield "FREQUENCY_HZ", _unsigned(radio.frequency_mhz * 1e6)
    yield "MODULATION", f"MESHPLAN_MODULATION_{radio.modulation.upper()}"
    yield "BIT_RATE_BPS", _unsigned(radio.bit_rate_bps)
    yield "BANDWIDTH_HZ", _unsigned(radio.bandwidth_khz * 1000.0)
    if radio.spreading_factor is not None:
        yield "SPREADING_FACTOR", str(radio.spreading_factor)
    if radio.coding_rate is not None:
        yield "CODING_RATE_DENOMINATOR", radio.coding_rate.removeprefix("4/")
    if radio.preamble_symbols is not None:
        yield "PREAMBLE_SYMBOLS", str(radio.preamble_symbols)
    if radio.low_rate_aid is not None:
        yield "LOW_RATE_AID", _truth(radio.low_rate_aid)
    if radio.deviation_khz is not None:
        yield "DEVIATION_HZ", _unsigned(radio.deviation_khz * 1000.0)
    if radio.receiver_filter_khz is not None:
        yield "RECEIVER_FILTER_HZ", _unsigned(radio.receiver_filter_khz * 1000.0)
    yield "HEADER_BYTES", str(radio.header_bytes)
    yield "REPEATS", str(radio.repeats)
    yield "TX_POWER_TENTH_DBM", _signed(floor(radio.tx_power_dbm * 10.0 + 1e-6))
    yield "TX_POWER_WHOLE_DBM", _signed(radio.tx_power_whole_dbm)
    yield "SENSITIVITY_TENTH_DBM", _tenths(radio.sensitivity_dbm)
    yield "ACKNOWLEDGED", _truth(radio.acknowledged)
    yield "ACKNOWLEDGEMENT_US", _unsigned(radio.acknowledgement_ms * 1000.0)
    yield "ANSWER_WINDOW_US", _unsigned(radio.answer_window_ms * 1000.0)
    yield "TRIES", str(radio.tries)
    if radio.retry_wait_s:
        yield "RETRY_WAIT_LEAST_MS", _unsigned(radio.retry_wait_s[0] * 1000.0)
        yield "RETRY_WAIT_MOST_MS", _unsigned(radio.retry_wait_s[1] * 1000.0)
    yield "LONGEST_FRAME_US", _unsigned(radio.longest_frame_ms * 1000.0)


def _expected(signal: ExpectedSignal) -> tuple[str, ...]:
    """Return neighbour, whether of second routes alone, and tenths: weakest season here, its spread, alarm below."""
    worst = next(each for each in signal.seasons if each.season == signal.worst_season)
    return (
        *(f"{signal.neighbour}U", _truth(signal.second_route)),
        *(_tenths(level) for level in (worst.heard_here_dbm, worst.spread_db, signal.alarm_below_here_dbm)),
    )


def _table(name: str, rows: Sequence[tuple[str, ...]]) -> Macros:
    """Give the number of rows and, where there are any, the rows as an initialiser."""
    yield f"{name}_COUNT", str(len(rows))
    if rows:
        yield name, "{ " + ", ".join("{" + ", ".join(row) + "}" for row in rows) + " }"


def _unsigned(value: float) -> str:
    return f"{round(value)}UL"


def _tenths(value: float) -> str:
    return _signed(round(value * 10.0))


def _signed(value: int) -> str:
    return f"({value})" if value < 0 else str(value)


def _truth(value: bool) -> str:
    return "1" if value else "0"


def _string(text: str) -> str:
    """Return a text as a C string: UTF-8, everything but plain letters, digits and a few signs as octal, which never runs on."""
    data = text.encode("utf-8")[:MOST_BYTES].decode("utf-8", "ignore").encode("utf-8")
    return (
        '"'
        + "".join(chr(byte) if (chr(byte).isalnum() and byte < 128) or byte in b" -_.,()" else f"\\{byte:03o}" for byte in data)
        + '"'
    )


def _plain(text: str) -> str:
    """Return a text that is safe inside a comment: plain letters without accents, nothing that ends it or looks like a trigraph."""
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode("ascii")
    kept = "".join(letter if letter.isprintable() and letter not in "\\?" else " " for letter in plain)
    return " ".join(kept.replace("*/", "* /").replace("/*", "/ *").split())
