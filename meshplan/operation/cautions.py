"""Which safety texts belong to which device.

Conditions are judged from a device's own fields; place words ("well", "roof") are looked for in its name and note. A text
too many does no harm, a missing one may, so in doubt a condition holds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import replace
from typing import Final

from meshplan.records import RAISED_AGL_M, TALL_AGL_M, CautionRule, Device, Power, Purpose, Remedy, Role

PLAN_WIDE: Final = "plan"
"""The condition of texts for the whole plan."""


def cautions_for(device: Device, rules: Iterable[CautionRule]) -> tuple[str, ...]:
    """Return the texts to print for one device, in the order of the rules."""
    return tuple(rule.text for rule in rules if rule.when != PLAN_WIDE and CONDITIONS[rule.when](device))


def plan_cautions(rules: Iterable[CautionRule]) -> tuple[str, ...]:
    """Return the texts that hold for the whole plan."""
    return tuple(rule.text for rule in rules if rule.when == PLAN_WIDE)


def stands_on_a_post(device: Device) -> bool:
    """Tell whether something is set in the ground for a device."""
    return _on_post(device)


def advised_cautions(remedies: Iterable[Remedy], rules: Iterable[CautionRule]) -> tuple[Remedy, ...]:
    """Return remedies with the texts that go with raising an antenna to their height."""
    known = tuple(rules)
    return tuple(
        replace(remedy, cautions=tuple(rule.text for rule in known if _goes_with(remedy, rule.when))) for remedy in remedies
    )


def _goes_with(remedy: Remedy, when: str) -> bool:
    height_m = remedy.raised_to_m or 0.0
    if when in ("raised", "lightning"):
        return height_m > RAISED_AGL_M
    if when == "roof":
        return remedy.above_roof
    return when == "tall" and height_m > TALL_AGL_M


def _mentions(*words: str) -> Callable[[Device], bool]:
    """Return a condition: one of the words stands in the name or the note, alone, in the plural or at the head of a compound."""
    pattern = re.compile(rf"(?<![^\W_])(?:{'|'.join(words)})(?:s|es)?(?![^\W_])", re.IGNORECASE)

    def holds(device: Device) -> bool:
        return bool(pattern.search(f"{device.name} | {device.note}"))

    return holds


_roof_word = _mentions("roof", "gable", "chimney", "eaves", "ridge tile", "barn", "shed", "house", "loft", "tower", "silo")
_water_word = _mentions(
    *("water", "stream", "river", "creek", "brook", "pond", "lake", "ford", "weir", "dam", "well", "spring", "tank"),
    *("trough", "cistern", "butt", "flood", "footbridge", "bridge", "pump", "canal", "ditch", "slurry", "lagoon"),
)
_confined_word = _mentions(
    *("well", "tank", "silo", "slurry", "pit", "cistern", "manhole", "grain bin", "sump", "culvert", "shaft", "spring box")
)
_metal_word = _mentions("metal", "steel", "tin", "iron", "aluminium", "aluminum", "foil", "container", "tank", "silo", "silage")
_fence_word = _mentions("electric fence", "fence", "energiser", "energizer")
_bee_word = _mentions("hive", "bee", "apiary")


def _outdoors(device: Device) -> bool:
    return not device.indoors


def _raised(device: Device) -> bool:
    return device.antenna_agl_m > RAISED_AGL_M


def _on_building(device: Device) -> bool:
    return _raised(device) and (_roof_word(device) or device.power is Power.MAINS)


def _on_post(device: Device) -> bool:
    return _outdoors(device) and not _on_building(device)


def _metal(device: Device) -> bool:
    walls = ("metal", "steel", "foil", "tin", "iron", "cladding")
    return _metal_word(device) or any(word in (device.indoors or "").casefold() for word in walls)


def _battery_is(*words: str) -> Callable[[Device], bool]:
    def holds(device: Device) -> bool:
        battery = device.energy.battery.casefold() if device.energy else ""
        return any(word in battery for word in words)

    return holds


_names_lithium = _battery_is("lithium", "li-ion", "li ion", "lifepo", "lipo", "18650")
_names_lead = _battery_is("lead")


def _rechargeable_lithium(device: Device) -> bool:
    """Tell whether lithium is charged here; a panel whose battery is not known counts, since most are."""
    if device.power is not Power.PANEL:
        return _battery_is("18650", "li-ion", "li ion", "lifepo", "lithium iron phosphate", "lipo")(device)
    return _names_lithium(device) or not (_names_lead(device) or _battery_is("nickel", "nimh")(device))


CONDITIONS: Final[dict[str, Callable[[Device], bool]]] = {
    "raised": _raised,
    "tall": lambda device: device.antenna_agl_m > TALL_AGL_M and _outdoors(device),
    "roof": _on_building,
    "lightning": lambda device: _raised(device) and _outdoors(device),
    "mains": lambda device: device.power is Power.MAINS,
    "confined": _confined_word,
    "water": _water_word,
    "digging": _on_post,
    "control": lambda device: device.purpose is Purpose.CONTROL and device.role is Role.SENSOR,
    "alarm": lambda device: device.purpose is Purpose.ALARM and device.role is Role.SENSOR,
    "fence": _fence_word,
    "field": _on_post,
    "bees": _bee_word,
    "metal": _metal,
    "lithium": _rechargeable_lithium,
    "cells": lambda device: device.power is Power.BATTERY,
    "lead-acid": _names_lead,
    "directional": lambda device: device.azimuth_deg is not None,
}
"""Every condition that a rule may name, apart from `PLAN_WIDE`."""
