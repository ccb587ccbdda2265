"""Read back the walk that meshplan proposed."""

from __future__ import annotations

import json
from pathlib import Path

from meshplan.errors import InputError
from meshplan.inputs.user_files import NestedTooDeepError, NumberTooLongError, content_of, json_of, optional_file
from meshplan.records.codec import record_from_values
from meshplan.records.measurement import SurveyWalk

WALK_FORMAT = "meshplan walk"
WALK_VERSION = 1
WALK_FILE = "next_places.json"
"""Name beside plan.json."""

AGAIN = "Run `meshplan sheets FOLDER --next 5` to choose the places anew."


def read_walk(path: Path) -> SurveyWalk | None:
    """Return the walk in a file; None if there is no file."""
    if not optional_file(path, str(path)):
        return None
    try:
        document = json_of(content_of(path, str(path)).decode("utf-8"))
    except (UnicodeDecodeError, json.JSONDecodeError, NestedTooDeepError, NumberTooLongError) as error:
        raise InputError(f"cannot be read ({error})", where=str(path), fix=AGAIN) from error
    if not isinstance(document, dict) or document.get("format") != WALK_FORMAT or document.get("format_version") != WALK_VERSION:
        raise InputError("this is not a walk of this version of meshplan", where=str(path), fix=AGAIN)
    return record_from_values(document.get("walk"), SurveyWalk, where=str(path), fix=AGAIN)
