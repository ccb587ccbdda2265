"""Figures in the tags of an OpenStreetMap extract: lengths, storeys and voltages, as their documentation writes them."""

from __future__ import annotations

import re
from typing import Final

from meshplan.units import FOOT_M

_NUMBER: Final = r"(\d+(?:\.\d+)?)"
_METRES: Final = re.compile(_NUMBER + r"\s*(?:m|metres?|meters?)?", re.ASCII)
_FEET_INCHES: Final = re.compile(_NUMBER + r"\s*'\s*(?:" + _NUMBER + r"\s*(?:\"|''))?", re.ASCII)
_OTHER_UNITS: Final = re.compile(_NUMBER + r"\s*(ft|feet|cm|km|in)\.?", re.ASCII)
_UNITS_M: Final = {"ft": FOOT_M, "feet": FOOT_M, "cm": 0.01, "km": 1000.0, "in": FOOT_M / 12.0}
_LONGEST: Final = 24
"""Letters of the longest value that can be a figure."""


def length_m(value: str) -> float | None:
    """Return metres of a height, width or length; None where the value is not understood.

    Notes
    -----
    Page "Map features/Units" and Key:height of wiki.openstreetmap.org: metres unless a unit follows after a space (`4 m`, `10 ft`),
    feet and inches as `7'4"`, decimal point. `4m` and `7' 4"` are documented as wrong and common, and cannot be mistaken. `0,8`,
    `~5`, `5-8`, `-3`, `12;14`, `low` and `1e3` are not understood.
    """
    text = value.strip().translate({0x2032: "'", 0x2019: "'", 0x2033: '"', 0x201D: '"'})
    if len(text) > _LONGEST:
        return None
    found = _METRES.fullmatch(text)
    if found:
        return float(found[1])
    found = _FEET_INCHES.fullmatch(text)
    if found:
        return float(found[1]) * FOOT_M + (float(found[2]) * FOOT_M / 12.0 if found[2] else 0.0)
    found = _OTHER_UNITS.fullmatch(text)
    return float(found[1]) * _UNITS_M[found[2]] if found else None


def storeys(value: str) -> float | None:
    """Return a number of storeys (`building:levels`, `roof:levels`); None where the value is not understood."""
    found = re.fullmatch(_NUMBER, value.strip(), re.ASCII) if len(value) <= _LONGEST else None
    return float(found[1]) if found and float(found[1]) <= 100.0 else None


def highest_voltage_v(value: str) -> float | None:
    """Return the largest of the voltages of a line, which are volts with `;` between; None where none is a figure (`low`)."""
    parts = [part.strip() for part in value[:400].split(";")]
    found = [float(part) for part in parts if len(part) <= _LONGEST and re.fullmatch(_NUMBER, part, re.ASCII)]
    return max(found, default=None)
