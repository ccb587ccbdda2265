"""Read the numbers that devices keep: device_numbers.csv."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Container
from dataclasses import replace
from pathlib import Path
from typing import Final

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.inputs.user_files import content_of, optional_file, quoted
from meshplan.records.device_settings import FIRST_NUMBER, LAST_NUMBER, DeviceNumber

NUMBERS_FILE: Final = "device_numbers.csv"
"""Name in the property folder (the user's copy, which counts first) and beside plan.json."""

COLUMNS: Final = ("number", "name", "identifier")

_WHOLE = re.compile(r"[0-9]{1,9}")
_IDENTIFIER = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,62}")
_MOST_FAULTS: Final = 20
_GUARDED = ("'=", "'+", "'-", "'@")
"""How our own tables write a name that a spreadsheet would take for a formula."""


def read_device_numbers(path: Path, shown: str = "") -> tuple[DeviceNumber, ...]:
    """Return the rows of a file of numbers, by number; nothing if there is no file. All faults are told together."""
    shown = shown or str(path)
    if not optional_file(path, shown):
        return ()
    mend = "Correct it, or delete the file: all devices are then numbered anew."
    try:
        text = content_of(path, shown).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("this is not UTF-8 text", where=shown, fix=mend) from error
    separator = ";" if ";" in text.partition("\n")[0] else ","
    try:
        rows = list(csv.DictReader(io.StringIO(text), delimiter=separator))
    except csv.Error as error:
        raise InputError(f"this is no table ({error})", where=shown, fix=mend) from error
    if rows and not {"number", "name"} <= set(rows[0]):
        raise InputError("the columns 'number' and 'name' are needed", where=shown, fix=f"Write a header: {','.join(COLUMNS)}.")
    faults: list[MeshplanError] = []
    found: list[DeviceNumber] = []
    seen: dict[str, dict[str, int]] = {"number": {}, "name": {}, "identifier": {}}
    for line, row in enumerate(rows, start=2):
        where = f"{shown}, row {line}"
        number, name, identifier = ((row.get(column) or "").strip() for column in COLUMNS)
        if not number and not name:
            continue
        if not _WHOLE.fullmatch(number) or not FIRST_NUMBER <= int(number) <= LAST_NUMBER:
            fix = f"Write a whole number from {FIRST_NUMBER} to {LAST_NUMBER}."
            faults.append(InputError(f"{quoted(number)} is no number of a device", where=f"{where}, number", fix=fix))
            continue
        if not name:
            faults.append(InputError("is empty", where=f"{where}, name", fix="Name the site as the sites file does."))
            continue
        name = name[1:] if name.startswith(_GUARDED) else name
        if identifier and not _IDENTIFIER.fullmatch(identifier):
            fix = "Write letters a-z, digits and underscores, not starting with a digit."
            faults.append(InputError(f"{quoted(identifier)} is no identifier", where=f"{where}, identifier", fix=fix))
            continue
        for column, value in (("number", str(int(number))), ("name", name), ("identifier", identifier.casefold())):
            if value and value in seen[column]:
                problem = f"{quoted(value)} stands in row {seen[column][value]} too"
                faults.append(InputError(problem, where=f"{where}, {column}", fix="Keep one of the two rows, or give it another."))
            seen[column].setdefault(value, line)
        found.append(DeviceNumber(int(number), name, identifier))
    raise_faults(faults[:_MOST_FAULTS])
    return tuple(sorted((_with_identifier(each, seen["identifier"]) for each in found), key=lambda each: each.number))


def _with_identifier(entry: DeviceNumber, taken: Container[str]) -> DeviceNumber:
    """Return an entry with an identifier of its number where the file says none."""
    if entry.identifier:
        return entry
    identifier = f"device_{entry.number}"
    while identifier in taken:
        identifier += "_"
    return replace(entry, identifier=identifier)


def together(own: tuple[DeviceNumber, ...], before: tuple[DeviceNumber, ...]) -> tuple[DeviceNumber, ...]:
    """Return the numbers of the user's own file with those of the last plan that do not speak against them."""
    names = {each.name for each in own}
    numbers = {each.number for each in own}
    identifiers = {each.identifier.casefold() for each in own}
    kept = [
        each
        for each in before
        if each.name not in names and each.number not in numbers and each.identifier.casefold() not in identifiers
    ]
    return tuple(sorted((*own, *kept), key=lambda each: each.number))
