"""Read back what meshplan itself wrote: plan.json, and whether a table for readings has been filled in."""

from __future__ import annotations

import csv
import json
import os
from pathlib import Path
from typing import Any, Final

from meshplan.errors import InputError, MissingFileError
from meshplan.inputs.user_files import NestedTooDeepError, NumberTooLongError, content_of, json_of, optional_file
from meshplan.records import Plan
from meshplan.records.codec import plan_from_json
from meshplan.records.soundness import refuse_unsound

READING_CELLS: Final = ("date_time", "season", "power_dbm", "snr_db", "sent", "received", "note")
"""The cells of a table for readings that are empty until somebody fills them in."""


def read_plan_json(path: Path) -> Plan:
    """Return the plan in a file; numbers are as they were written, see `plan_codec.PRECISION`."""
    if not optional_file(path, str(path)):
        raise MissingFileError("there is no such file", where=str(path), fix="Run `meshplan plan` first.")
    try:
        text = content_of(path, str(path)).decode("utf-8")
        document = json_of(text, parse_constant=_refuse_constant, object_pairs_hook=_table_of)
    except (NestedTooDeepError, NumberTooLongError) as error:
        raise InputError(f"cannot be read: {error}", where=str(path), fix="Run `meshplan plan` again.") from error
    except UnicodeDecodeError as error:
        raise InputError("this is not UTF-8 text", where=str(path), fix="Run `meshplan plan` again.") from error
    except json.JSONDecodeError as error:
        raise InputError(
            f"this is not JSON: {error.msg}",
            where=f"{path}, line {error.lineno}, column {error.colno}",
            fix="Run `meshplan plan` again; the file may have been cut off.",
        ) from error
    except _TwiceNamedError as error:
        raise InputError(
            f"the field {error} stands twice in one table, so that nobody can tell which counts",
            where=str(path),
            fix="Run `meshplan plan` again.",
        ) from error
    except _BareConstantError as error:
        raise InputError(
            f"{error} is not JSON", where=str(path), fix="Run `meshplan plan` again; unknown values are written as null."
        ) from error
    plan = plan_from_json(document, where=str(path))
    refuse_unsound(plan, str(path))
    return plan


class _TwiceNamedError(ValueError):
    """A table names a field twice; readers differ in which of them they take."""


def _table_of(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    table = dict(pairs)
    if len(table) != len(pairs):
        names = [name for name, _ in pairs]
        raise _TwiceNamedError(repr(next(name for name in names if names.count(name) > 1)))
    return table


class _BareConstantError(ValueError):
    """NaN or Infinity stood in the text."""


def _refuse_constant(text: str) -> float:
    raise _BareConstantError(text)


def holds_readings(path: Path) -> bool:
    """Tell whether somebody has written into a table for readings, so that it must not be written over.

    A table that cannot be understood counts as filled in.
    """
    if not os.path.lexists(path):
        return False
    try:
        rows = list(csv.DictReader(path.read_text(encoding="utf-8-sig").splitlines()))
    except (UnicodeDecodeError, csv.Error, OSError):
        return True
    empty = all(not (row.get(column) or "").strip() for row in rows for column in READING_CELLS)
    return not (rows and set(READING_CELLS) <= set(rows[0]) and empty)
