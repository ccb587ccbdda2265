"""Two plan records field by field: what a stored plan says, and what follows from the folder."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final, TypeGuard

from meshplan.records import Plan
from meshplan.records.codec import decimals_of, plan_to_json

RELATIVE_TOLERANCE: Final = 1e-6
"""Of numbers that are written with significant digits: other processors round differently in the last of them."""

UNITS_IN_THE_LAST_PLACE: Final = 1.01
"""Of numbers that are written with decimals, likewise."""

MOST_SHOWN: Final = 12
"""Differences that are told one by one."""


def plan_differences(stored: Plan, rebuilt: Plan, *, skip: Collection[str] = ()) -> tuple[str, ...]:
    """Return where a stored plan says something else than the rebuilt one, in words; fields named in `skip` are not compared.

    `skip` has paths such as `proof.versions`. Texts, counts and names must agree exactly, numbers within the tolerances above.
    """
    skipped = frozenset(skip)
    found = list(_differences(plan_to_json(stored)["plan"], plan_to_json(rebuilt)["plan"], "", "", skipped))
    shown = found[:MOST_SHOWN]
    if len(found) > MOST_SHOWN:
        shown.append(f"and {len(found) - MOST_SHOWN} more fields differ")
    return tuple(shown)


def _differences(stored: object, rebuilt: object, path: str, name: str, skip: frozenset[str]) -> Iterator[str]:
    if path in skip:
        return
    if isinstance(stored, dict) and isinstance(rebuilt, dict):
        for key in [*rebuilt, *(key for key in stored if key not in rebuilt)]:
            below = f"{path}.{key}" if path else key
            if key not in stored or key not in rebuilt:
                if below not in skip:
                    yield f"{below} is {'missing' if key not in stored else 'not to be there'}"
            else:
                yield from _differences(stored[key], rebuilt[key], below, key, skip)
    elif isinstance(stored, list) and isinstance(rebuilt, list):
        if len(stored) != len(rebuilt):
            yield f"{path} has {_count(stored)}, the folder gives {_count(rebuilt)}{_only(stored, rebuilt)}"
            return
        for number, (one, other) in enumerate(zip(stored, rebuilt, strict=True)):
            yield from _differences(one, other, f"{path}[{_label(other, number)}]", name, skip)
    elif not _agree(stored, rebuilt, name):
        yield f"{path} says {_shown(stored)}, the folder gives {_shown(rebuilt)}"


def _agree(stored: object, rebuilt: object, name: str) -> bool:
    if not (_is_number(stored) and _is_number(rebuilt)):
        return type(stored) is type(rebuilt) and bool(stored == rebuilt)
    decimals = decimals_of(name)
    if decimals is not None:
        return bool(abs(stored - rebuilt) <= UNITS_IN_THE_LAST_PLACE * 10.0**-decimals)
    return bool(abs(stored - rebuilt) <= RELATIVE_TOLERANCE * max(abs(stored), abs(rebuilt)))


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _label(record: object, number: int) -> str:
    """Return what a record is called, so that people find it; its number if it has no name."""
    if isinstance(record, dict):
        for key in ("name", "sensor", "key", "part", "season", "subject"):
            if isinstance(record.get(key), str):
                return str(record[key])[:60]
    return str(number)


def _count(items: list[object]) -> str:
    return f"{len(items)} entr{'y' if len(items) == 1 else 'ies'}"


def _only(stored: list[object], rebuilt: list[object]) -> str:
    """Name the entries that stand on one side only."""
    names = [{_label(item, -1) for item in side} for side in (stored, rebuilt)]
    more, fewer = sorted(names[0] - names[1] - {"-1"}), sorted(names[1] - names[0] - {"-1"})
    shown = [f"{word} {', '.join(some[:5])}" for word, some in (("too many:", more), ("missing:", fewer)) if some]
    return f" ({'; '.join(shown)})" if shown else ""


def _shown(value: object) -> str:
    text = repr(value) if not isinstance(value, dict | list) else f"a {type(value).__name__}"
    return text if len(text) <= 160 else f"{text[:157]}…"
