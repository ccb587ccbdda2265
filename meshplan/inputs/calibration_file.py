"""Read back what a calibration learned."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import MISSING, fields, replace
from pathlib import Path
from typing import Any, Final, TypeVar

from pyproj import Transformer
from pyproj.exceptions import ProjError

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.inputs.user_files import NestedTooDeepError, NumberTooLongError, content_of, present_file, short, toml_of
from meshplan.records import Spread
from meshplan.records.codec import LARGEST_WHOLE
from meshplan.records.measurement import (
    Calibration,
    Evidence,
    LeftOut,
    Parameter,
    PredictedLink,
    ResidualLine,
    SpreadFactors,
)

AGAIN = "Run `meshplan calibrate` again to write it anew."
FORMAT = 1
Record = TypeVar("Record")
FORMER: Final = {"surroundings_db": "clutter_db"}
"""Names of fields as older files write them, and their names now."""
FORMER_GROUP: Final = ("surroundings", "clutter")
"""The same for the group of one parameter, which has its name."""
LARGEST_SIZE: Final = 1e6
"""No error of a forecast is of a million decibels, no factor on one, and no errors are alike over a million metres."""
SIZES: Final = {
    Parameter: ("prior_sd", "sd", "prior_factor"),
    Evidence: ("sd_db", "strangeness"),
    SpreadFactors: ("own", "places", "correlation_m"),
}
"""Fields that say how large something is: zero or more, and no more than `LARGEST_SIZE`."""
LEAST_READING_SD_DB: Final = 1e-6
"""A reading is not surer than that: surer ones cannot be weighed against others in the numbers of a computer."""


def read_calibration(path: Path, *, shown: str = "", crs: str = "") -> Calibration:
    """Return the calibration kept in a file.

    Parameters
    ----------
    path : Path
    shown : str
        How messages name the file.
    crs : str
        Projection of the grid now in use; positions are moved to it if the file was written in another one.
    """
    shown = shown or path.name
    fault = present_file(path, shown, "calibration")
    if fault is not None:
        raise fault
    try:
        table = toml_of(content_of(path, shown).decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, NestedTooDeepError, NumberTooLongError) as error:
        raise InputError(f"cannot be read ({error})", where=shown, fix=AGAIN) from error
    if table.get("format") != FORMAT:
        raise InputError(f"has format {table.get('format')!r}, known is {FORMAT}", where=shown, fix=AGAIN)
    faults: list[MeshplanError] = []
    plain = {name: table[name] for name in table if name not in ("factors", "left_out", "residuals", "parameters", "evidence")}
    nested = {
        "factors": _record(SpreadFactors, table.get("factors", {}), f"{shown}, [factors]", faults),
        "left_out": _left_out(table.get("left_out"), shown, faults),
        "residuals": _records(ResidualLine, table, "residuals", shown, faults),
        "parameters": tuple(map(_with_new_name, _records(Parameter, table, "parameters", shown, faults))),
        "evidence": tuple(
            _evidence(entry, f"{shown}, [[evidence]] {k}", faults)
            for k, entry in enumerate(_tables(table, "evidence", shown, faults), 1)
        ),
    }
    plain.pop("format")
    result = _record(Calibration, {**plain, **nested}, shown, faults)
    raise_faults(faults)
    assert result is not None
    return _moved(result, crs, shown)


def _tables(table: Mapping[str, Any], name: str, shown: str, faults: list[MeshplanError]) -> Sequence[Mapping[str, Any]]:
    """Return an array of tables, empty if there is none."""
    found = table.get(name, [])
    if isinstance(found, list) and all(isinstance(entry, dict) for entry in found):
        return found
    faults.append(InputError(f"[[{name}]] is not a list of tables", where=shown, fix=AGAIN))
    return []


def _records(
    kind: type[Record], table: Mapping[str, Any], name: str, shown: str, faults: list[MeshplanError]
) -> tuple[Record | None, ...]:
    """Return all records of one kind."""
    return tuple(
        _record(kind, entry, f"{shown}, [[{name}]] {k}", faults) for k, entry in enumerate(_tables(table, name, shown, faults), 1)
    )


def _record(kind: type[Record], table: Any, where: str, faults: list[MeshplanError]) -> Record | None:
    """Return a record from a table; what is missing or of the wrong kind is a fault."""
    if not isinstance(table, Mapping):
        faults.append(InputError("is not a table", where=where, fix=AGAIN))
        return None
    table = {FORMER.get(name, name) if FORMER.get(name) not in table else name: value for name, value in table.items()}
    values: dict[str, Any] = {}
    for field in fields(kind):  # type: ignore[arg-type]
        if field.name not in table:
            if field.default is MISSING and field.default_factory is MISSING:
                faults.append(InputError(f"'{field.name}' is missing", where=where, fix=AGAIN))
            continue
        value = table[field.name]
        wanted = str(field.type)
        number = isinstance(value, int | float) and not isinstance(value, bool)
        number = number and not (isinstance(value, int) and abs(value) > LARGEST_WHOLE)
        wrong = (
            (wanted == "float" and not number)
            or (wanted == "int" and not (number and float(value).is_integer()))
            or (wanted == "str" and not isinstance(value, str))
            or (wanted == "bool" and not isinstance(value, bool))
        )
        if wrong:
            faults.append(InputError(f"'{field.name}' cannot be {short(repr(value))}", where=where, fix=AGAIN))
            continue
        if field.name in SIZES.get(kind, ()) and not 0.0 <= value <= LARGEST_SIZE:
            faults.append(InputError(f"'{field.name}' cannot be {short(value)}: it is a size", where=where, fix=AGAIN))
            continue
        values[field.name] = float(value) if wanted == "float" else tuple(value) if isinstance(value, list) else value
    if any(field.name not in values and field.default is MISSING and field.default_factory is MISSING for field in fields(kind)):  # type: ignore[arg-type]
        return None
    return kind(**values)


def _with_new_name(parameter: Parameter | None) -> Parameter | None:
    """Return a parameter under the name that it has now."""
    before, now = FORMER_GROUP
    return parameter if parameter is None or parameter.group != before else replace(parameter, name=now, group=now)


def _left_out(table: Any, shown: str, faults: list[MeshplanError]) -> LeftOut | None:
    """Return the errors of left-out places, None if the file has none."""
    if table is None:
        return None
    by_location = table.get("by_location", {}) if isinstance(table, dict) else {}
    pairs = tuple((str(place), float(error)) for place, error in by_location.items() if isinstance(error, int | float))
    return _record(LeftOut, {**table, "by_location": pairs}, f"{shown}, [left_out]", faults)


def _evidence(entry: Mapping[str, Any], where: str, faults: list[MeshplanError]) -> Evidence | None:
    """Return one line of evidence with its link."""
    cover = entry.get("cover_m", {})
    metres = tuple((str(kind), float(m)) for kind, m in cover.items()) if isinstance(cover, dict) else ()
    spread = _record(Spread, entry.get("spread", {}), where, faults)
    link = _record(PredictedLink, {**entry, "spread": spread, "cover_m": metres}, where, faults)
    evidence = _record(Evidence, {**entry, "link": link}, where, faults)
    if evidence is not None and not (abs(evidence.value_db) <= LARGEST_SIZE and evidence.sd_db >= LEAST_READING_SD_DB):
        faults.append(InputError("'sd_db' must be above zero and 'value_db' a number", where=where, fix=AGAIN))
    return evidence


def _moved(calibration: Calibration, crs: str, shown: str) -> Calibration:
    """Return the calibration with its positions in the projection now in use."""
    if not crs or not calibration.crs or crs == calibration.crs:
        return calibration
    try:
        mover = Transformer.from_crs(calibration.crs, crs, always_xy=True)
    except ProjError as error:
        raise InputError(f"its projection '{calibration.crs}' cannot be read", where=shown, fix=AGAIN) from error

    def moved(link: PredictedLink) -> PredictedLink:
        a_x, a_y = mover.transform(link.a_x_m, link.a_y_m)
        b_x, b_y = mover.transform(link.b_x_m, link.b_y_m)
        return replace(link, a_x_m=a_x, a_y_m=a_y, b_x_m=b_x, b_y_m=b_y)

    return replace(calibration, crs=crs, evidence=tuple(replace(line, link=moved(line.link)) for line in calibration.evidence))
