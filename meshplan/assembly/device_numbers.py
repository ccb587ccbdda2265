"""Numbers and identifiers of devices: kept where they were given once, never used again for another device."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from typing import Final

from meshplan.errors import InputError
from meshplan.records import Plan
from meshplan.records.device import Device
from meshplan.records.device_settings import FIRST_NUMBER, LAST_NUMBER, DeviceNumber

MOST_LETTERS: Final = 31
"""Letters of an identifier that every C compiler tells apart (ISO C90 §5.2.4.1: 31 of a name within a file)."""

_WORDS = """
    alignas alignof and asm auto bitand bitor bool break case catch char class compl concept const continue decltype
    default delete do double else enum explicit export extern false float for friend goto if inline int long main mutable
    namespace new noexcept not nullptr operator or private protected public register requires restrict return short signed
    sizeof static struct switch template this throw true try typedef typeid typename typeof union unsigned using virtual
    void volatile while xor
"""

RESERVED: Final = frozenset(_WORDS.split())
"""Words that C (ISO/IEC 9899) or C++ (ISO/IEC 14882) keep for themselves."""


def physical_names(plan: Plan) -> dict[str, str]:
    """Return, for the name that each device of the plan has there, the name of the thing that stands outdoors.

    That is the name of its site: another antenna height makes no other device. A sensor that forwards is one device.
    """
    names: dict[str, str] = {}
    taken: set[str] = set()
    for device in plan.devices:
        if not device.in_plan or device.same_as:
            continue
        name = device.site or device.name
        if name in taken:
            name = device.name
        taken.add(name)
        names[device.name] = name
    for device in plan.devices:
        if device.in_plan and device.same_as:
            names[device.name] = names.get(device.same_as, device.same_as)
    return names


def things(plan: Plan) -> tuple[Device, ...]:
    """Return the devices of a plan that are things of their own: a sensor that forwards stands once, as the sensor."""
    return tuple(device for device in plan.devices if device.in_plan and not device.same_as)


def number_devices(plan: Plan, kept: Sequence[DeviceNumber] = ()) -> tuple[DeviceNumber, ...]:
    """Return number and identifier of every device of the plan and of all that were numbered before, by number.

    What has a number keeps it. New devices follow in the order of the plan, each above all numbers ever given, so that no number
    comes back for another device; only where the last number is used up do gaps fill.
    """
    found = list(kept)
    known = {each.name for each in kept}
    used = {each.number for each in kept}
    identifiers = {each.identifier.casefold() for each in kept}
    after = max(used, default=FIRST_NUMBER - 1) + 1
    names = physical_names(plan)
    for device in things(plan):
        name = names[device.name]
        if name in known:
            continue
        number = after if after <= LAST_NUMBER else next((n for n in range(FIRST_NUMBER, LAST_NUMBER + 1) if n not in used), None)
        if number is None:
            raise InputError(
                f"all {LAST_NUMBER} numbers are given away",
                where="device_numbers.csv",
                fix="Take out devices that are gone for good.",
            )
        identifier = safe_identifier(name)
        if identifier in RESERVED or identifier.casefold() in identifiers:
            identifier = f"{identifier[: MOST_LETTERS - len(str(number)) - 1]}_{number}"
        while identifier.casefold() in identifiers:
            identifier += "_"
        found.append(DeviceNumber(number, name, identifier))
        known.add(name)
        used.add(number)
        identifiers.add(identifier.casefold())
        after = max(after, number + 1)
    return tuple(sorted(found, key=lambda each: each.number))


def safe_identifier(name: str) -> str:
    """Return a name as an identifier of C: small letters, digits and single underscores, not starting with a digit.

    Letters with accents lose them; a name without any letter or digit of the Latin alphabet becomes "device".
    """
    plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode("ascii").casefold()
    words = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")
    if not words:
        return "device"
    return f"{'n_' if words[0].isdigit() else ''}{words}"[:MOST_LETTERS].rstrip("_")
