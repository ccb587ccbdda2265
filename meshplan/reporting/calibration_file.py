"""What was learned from readings, as a file that a person can read and `meshplan` can use again."""

from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path
from typing import Any, Final

from meshplan.records import Spread
from meshplan.records.measurement import Calibration, Evidence
from meshplan.reporting.files import write_text_atomically

FILE_NAME: Final = "calibration.toml"
FORMAT: Final = 1
_HEAD = """\
# What meshplan learned from readings of this property. Written by `meshplan calibrate`; used only when asked for.
# [[parameters]], [[residuals]] and [left_out] are for you to read. What is used again stands under [factors] and [[evidence]]:
# changing a parameter by hand changes nothing; mend the readings and calibrate again.
# Figures are in dB unless their name says otherwise. "low" to "high" holds the truth with a chance of 90 %.
"""


def write_calibration(calibration: Calibration, path: Path) -> Path:
    """Write the file in one step; return its path."""
    return write_text_atomically(path, calibration_toml(calibration))


def calibration_toml(calibration: Calibration) -> str:
    """Return the file as text. Same calibration, same bytes."""
    lines = [_HEAD, f"format = {FORMAT}"]
    for name in ("property_name", "created", "crs", "files", "sha256", "readings", "heard", "not_heard", "reference_distance_m"):
        lines.append(f"{name} = {_value(getattr(calibration, name))}")
    for name in ("warnings", "notes"):
        lines.append(f"{name} = {_list(getattr(calibration, name))}")
    lines += ["", "[factors]", *_pairs(calibration.factors)]
    if calibration.left_out is not None:
        left = calibration.left_out
        lines += ["", "[left_out]", *_pairs(left, skip=("by_location",)), "", "[left_out.by_location]"]
        lines += [f"{_value(place)} = {_value(error)}" for place, error in left.by_location]
    for line in calibration.residuals:
        lines += ["", "[[residuals]]", *_pairs(line)]
    for parameter in calibration.parameters:
        lines += ["", "[[parameters]]", *_pairs(parameter)]
    for evidence in calibration.evidence:
        lines += ["", *_evidence(evidence)]
    return "\n".join(lines) + "\n"


def _evidence(evidence: Evidence) -> list[str]:
    """Return one line of evidence as a table."""
    lines = ["[[evidence]]", *_pairs(evidence, skip=("link",))]
    lines += _pairs(evidence.link, skip=("spread", "cover_m"))
    spread = evidence.link.spread
    inside = ", ".join(f"{field.name} = {_value(getattr(spread, field.name))}" for field in fields(Spread))
    lines.append(f"spread = {{ {inside} }}")
    cover = ", ".join(f"{_value(kind)} = {_value(metres)}" for kind, metres in evidence.link.cover_m)
    lines.append(f"cover_m = {{ {cover} }}" if cover else "cover_m = {}")
    return lines


def _pairs(record: Any, skip: tuple[str, ...] = ()) -> list[str]:
    """Return the fields of a record, one line each."""
    return [f"{field.name} = {_value(getattr(record, field.name))}" for field in fields(record) if field.name not in skip]


def _value(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    return _text(str(value))


def _list(values: tuple[str, ...]) -> str:
    """Return sentences one below the other."""
    if not values:
        return "[]"
    return "[\n" + "".join(f"  {_text(value)},\n" for value in values) + "]"


def _number(value: float) -> str:
    """Return a number short enough to read and long enough to use."""
    if math.isnan(value):
        return "nan"
    if math.isinf(value):
        return "inf" if value > 0 else "-inf"
    written = repr(round(float(value), 6) + 0.0)
    return written if any(mark in written for mark in ".en") else written + ".0"


def _text(value: str) -> str:
    """Return a basic TOML string."""
    escaped = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in escaped) + '"'
