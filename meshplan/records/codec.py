"""A plan as plain JSON values and back, driven by the type hints of the records.

Numbers are rounded when they are written; `PRECISION` says how far. NaN (unknown) becomes `null`; an infinite value becomes
the text "infinity". What a solver certified is never rounded.
"""

from __future__ import annotations

import json
import math
import types
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import StrEnum
from functools import cache
from json.encoder import encode_basestring
from typing import Any, Final, TypeVar, Union, get_args, get_origin, get_type_hints

from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.records.plan import MapShape, Plan

Record = TypeVar("Record")

FORMAT: Final = "meshplan plan"
FORMAT_VERSION: Final = 1

PRECISION: Final[dict[str, int]] = {
    "lon_deg": 7,
    "lat_deg": 7,
    "rings": 7,
    "paths": 7,
    "step_m": 6,
    "cell_m": 6,
    "ground_amsl_m": 3,
    "_deg": 2,
    "_m": 3,
    "_km": 3,
    "_db": 3,
    "_dbm": 3,
    "_mhz": 6,
    "chance": 6,
    "chance_after": 6,
    "first_fresnel_share": 4,
    "_cost": 4,
    "cost": 4,
}
"""Decimals by field name, else by the ending of the name. All other numbers keep `SIGNIFICANT_DIGITS`."""

SIGNIFICANT_DIGITS: Final = 9

EXACT: Final = frozenset({"Proof", "MadeWith"})
"""Records whose numbers are kept to the last bit: a proof, and what was asked for."""

FORMER: Final[dict[str, dict[str, str]]] = {
    "Plan": {"goes_dark": "loses_service"},
    "Spread": {"surroundings_db": "clutter_db"},
}
"""Names that fields of a record had before, as older files write them, and their names now."""

_INFINITY: Final = "infinity"


def plan_to_json(plan: Plan) -> dict[str, Any]:
    """Return the plan as JSON values, with a head that says what the file is and how far numbers are rounded."""
    return {
        "format": FORMAT,
        "format_version": FORMAT_VERSION,
        "precision": {"decimals": dict(PRECISION), "other_significant_digits": SIGNIFICANT_DIGITS},
        "plan": _encode(plan, "", ""),
    }


def plan_from_json(document: object, *, where: str) -> Plan:
    """Return the plan in a document made by `plan_to_json`; all faults are reported together, each with its JSON path."""
    if not isinstance(document, dict) or document.get("format") != FORMAT:
        raise InputError(
            f"this is not a {FORMAT} file",
            where=where,
            fix="Name a plan.json that `meshplan plan` wrote.",
        )
    if document.get("format_version") != FORMAT_VERSION:
        raise InputError(
            f"format_version {document.get('format_version')!r} is not {FORMAT_VERSION}",
            where=where,
            fix="Run `meshplan plan` again with this version of meshplan.",
        )
    faults: list[MeshplanError] = []
    for key in sorted(set(document) - {"format", "format_version", "precision", "plan"}):
        _fault(faults, where, key, "there is no such field")
    plan = _decode(document.get("plan"), Plan, "plan", where, faults)
    raise_faults(faults)
    assert isinstance(plan, Plan)
    return plan


def record_to_values(record: Any) -> Any:
    """Return any of our records as JSON values, rounded as in a plan."""
    return _encode(record, "", "")


def record_from_values(values: object, kind: type[Record], *, where: str, fix: str) -> Record:
    """Return a record from what `record_to_values` gave; all faults are reported together, with `fix` as the way to mend them."""
    faults: list[MeshplanError] = []
    record = _decode(values, kind, kind.__name__, where, faults)
    raise_faults([InputError(fault.problem, where=fault.where, fix=fix) for fault in faults])
    assert isinstance(record, kind)
    return record


def json_text(value: object, *, indent: int | None = 1) -> str:
    """Return JSON text of plain values: UTF-8, one line feed at the end, never NaN or Infinity."""
    if indent == 1:
        return _indented(value, "\n") + "\n"
    return json.dumps(value, ensure_ascii=False, allow_nan=False, indent=indent) + "\n"


def _indented(value: Any, line: str) -> str:
    """Return what `json.dumps` writes with an indent of one, in a fifth of the time; `line` starts a line of the part around it."""
    if type(value) is float:
        if not math.isfinite(value):
            raise ValueError(f"{value!r} has no place in JSON")
        return repr(value)
    if not value or not isinstance(value, dict | list | tuple):
        return _SCALARS.encode(value)
    inner = f"{line} "
    if isinstance(value, dict):
        items = (f"{encode_basestring(key)}: {_indented(item, inner)}" for key, item in value.items())
        return f"{{{inner}{f',{inner}'.join(items)}{line}}}"
    return f"[{inner}{f',{inner}'.join([_indented(item, inner) for item in value])}{line}]"


_SCALARS: Final = json.JSONEncoder(ensure_ascii=False, allow_nan=False)


def rounded(value: float, name: str) -> float:
    """Return a number as it is written for a field of that name."""
    if not math.isfinite(value):
        return value
    decimals = decimals_of(name)
    text = f"{value:.{decimals}f}" if decimals is not None else f"{value:.{SIGNIFICANT_DIGITS}g}"
    return float(text) + 0.0


@cache
def decimals_of(name: str) -> int | None:
    """Return the decimals for a field name, None for significant digits."""
    if name in PRECISION:
        return PRECISION[name]
    endings = [ending for ending in PRECISION if ending.startswith("_") and name.endswith(ending)]
    return PRECISION[max(endings, key=len)] if endings else None


def _encode(value: Any, name: str, owner: str, *, is_real: bool = False) -> Any:
    """Return a value of a record as JSON values; `is_real` says that whole numbers are written as 2.0, not 2."""
    kind: type = type(value)
    if kind is float or kind is str or value is None:
        return _encode_number(value, name, owner) if kind is float else value
    if is_dataclass(kind):
        return _encode_shape(value) if kind is MapShape else _encode_fields(value)
    if isinstance(value, Mapping):
        return {str(key): _encode(item, name, owner, is_real=is_real) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_encode(item, name, owner, is_real=is_real) for item in value]
    if hasattr(value, "tolist"):  # numpy scalars and arrays
        return _encode(value.tolist(), name, owner, is_real=is_real)
    return _encode_scalar(value, name, owner, is_real=is_real)


def _encode_fields(record: Any) -> dict[str, Any]:
    kind: type = type(record)
    return {item: _encode(getattr(record, item), item, kind.__name__, is_real=real) for item, real in _written_fields(kind)}


def _encode_shape(shape: MapShape) -> dict[str, Any]:
    """Return an outline as `_encode` would: a plan may hold a hundred thousand, and their corners are all alike."""
    decimals = PRECISION["rings"]
    rings = [[[round(lon, decimals) + 0.0, round(lat, decimals) + 0.0] for lon, lat in ring] for ring in shape.rings]
    if not all(math.isfinite(lon + lat) for ring in rings for lon, lat in ring):
        return _encode_fields(shape)
    height_m = _encode(shape.height_m, "height_m", "MapShape", is_real=True)
    return {"kind": shape.kind, "name": shape.name, "height_m": height_m, "rings": rings}


@cache
def _written_fields(record: type) -> tuple[tuple[str, bool], ...]:
    """Return the name of each field of a record, and whether whole numbers in it are written as 2.0."""
    return tuple((item.name, "float" in str(item.type)) for item in fields(record))


def _encode_scalar(value: object, name: str, owner: str, *, is_real: bool) -> Any:
    if isinstance(value, StrEnum):
        return value.value
    if value is None or isinstance(value, bool | str):
        return value
    if isinstance(value, int) and not is_real:
        return value
    if isinstance(value, int | float):
        return _encode_number(float(value), name, owner)
    raise TypeError(f"{owner}.{name} holds a {type(value).__name__}, which has no place in plan.json")


def _encode_number(value: float, name: str, owner: str) -> float | str | None:
    if math.isnan(value):
        return None
    if math.isinf(value):
        return _INFINITY if value > 0 else f"-{_INFINITY}"
    return value + 0.0 if owner in EXACT else rounded(value, name)


@cache
def _hints(record: type) -> dict[str, Any]:
    """Return the resolved type of each field of a record."""
    return get_type_hints(record)


def _fault(faults: list[MeshplanError], where: str, path: str, problem: str, fix: str = "") -> None:
    faults.append(InputError(problem, where=f"{where}, {path}", fix=fix or "Write plan.json with `meshplan plan`, not by hand."))


def _decode(value: object, hint: Any, path: str, where: str, faults: list[MeshplanError]) -> Any:
    """Return a JSON value as the type that the record declares; faults are collected."""
    if hint is Any:
        return _plain(value)
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        if value is None:
            return None
        hint = next(kind for kind in get_args(hint) if kind is not type(None))
        origin = get_origin(hint)
    if origin is tuple:
        return _decode_tuple(value, get_args(hint), path, where, faults)
    if origin is dict:
        return _decode_table(value, get_args(hint)[1], path, where, faults)
    if is_dataclass(hint) and isinstance(hint, type):
        return _decode_record(value, hint, path, where, faults)
    return _decode_scalar(value, hint, path, where, faults)


def _decode_table(value: object, kind: Any, path: str, where: str, faults: list[MeshplanError]) -> dict[str, Any]:
    if not isinstance(value, dict):
        _fault(faults, where, path, "a table is expected")
        return {}
    return {key: _decode(item, kind, f"{path}.{key}", where, faults) for key, item in value.items()}


def _decode_tuple(value: object, kinds: tuple[Any, ...], path: str, where: str, faults: list[MeshplanError]) -> Any:
    if not isinstance(value, list):
        _fault(faults, where, path, "a list is expected")
        return ()
    if kinds[-1] is Ellipsis:
        return tuple(_decode(item, kinds[0], f"{path}[{i}]", where, faults) for i, item in enumerate(value))
    if len(value) != len(kinds):
        _fault(faults, where, path, f"{len(kinds)} values are expected, there are {len(value)}")
        return ()
    return tuple(
        _decode(item, kind, f"{path}[{i}]", where, faults) for i, (item, kind) in enumerate(zip(value, kinds, strict=True))
    )


def _decode_record(value: Any, record: type, path: str, where: str, faults: list[MeshplanError]) -> Any:
    if not isinstance(value, dict):
        _fault(faults, where, path, f"a table with the fields of a {record.__name__} is expected")
        return None
    hints = _hints(record)
    former = FORMER.get(record.__name__, {})
    value = {former.get(key, key) if former.get(key) not in value else key: item for key, item in value.items()}
    before = len(faults)
    for key in sorted(set(value) - set(hints)):
        _fault(faults, where, f"{path}.{key}", f"there is no such field.{nearest_name(key, hints)}")
    needed = (item.name for item in fields(record) if item.default is MISSING and item.default_factory is MISSING)
    for key in needed:
        if key not in value:
            _fault(faults, where, f"{path}.{key}", "the field is missing")
    known = {key: _decode(value[key], hint, f"{path}.{key}", where, faults) for key, hint in hints.items() if key in value}
    return record(**known) if len(faults) == before else None


def _decode_scalar(value: Any, hint: Any, path: str, where: str, faults: list[MeshplanError]) -> Any:
    if hint is float:
        return _decode_float(value, path, where, faults)
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        try:
            return hint(value)
        except ValueError:
            words = ", ".join(item.value for item in hint)
            _fault(faults, where, path, f"{value!r} is not one of {words}")
            return None
    if not isinstance(value, hint) or (hint is int and isinstance(value, bool)):
        _fault(faults, where, path, f"{value!r} is not {_KIND_WORDS.get(hint, hint.__name__)}")
        return None
    return value


LARGEST_WHOLE: Final = 1e300
"""No figure comes near it; a whole number may have more digits than a float can hold."""


def _decode_float(value: object, path: str, where: str, faults: list[MeshplanError]) -> float:
    if value is None:
        return math.nan
    if value in (_INFINITY, f"-{_INFINITY}"):
        return math.inf if value == _INFINITY else -math.inf
    if isinstance(value, bool) or not isinstance(value, int | float):
        _fault(faults, where, path, f"{value!r} is not a number")
        return math.nan
    if isinstance(value, int) and abs(value) > LARGEST_WHOLE:
        _fault(faults, where, path, "it has more digits than any figure here")
        return math.nan
    return float(value)


_KIND_WORDS: Final = {str: "a text", int: "a whole number", bool: "true or false"}


def _plain(value: object) -> object:
    """Return free values with tuples in place of lists, as records hold them."""
    if isinstance(value, list):
        return tuple(_plain(item) for item in value)
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    return value
