"""By which words a log may call a device beside its name: the number and identifier that it keeps in the property folder."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from meshplan.inputs.user_files import content_of, is_there

NUMBERS_FILE: Final = "device_numbers.csv"


def kept_names(folder: Path | None, devices: Sequence[str]) -> dict[str, str]:
    """Return number and identifier of each device of a plan that has some in the property folder → its name.

    The file is a help here, no input: one that is absent or holds something else gives no names.
    """
    if folder is None or not is_there(folder / NUMBERS_FILE):
        return {}
    written = content_of(folder / NUMBERS_FILE, NUMBERS_FILE).decode("utf-8-sig", errors="replace")
    known = set(devices)
    found: dict[str, str] = {}
    with suppress(csv.Error):
        for row in csv.DictReader(io.StringIO(written, newline="")):
            name = row.get("name") or ""
            if name in known:
                found |= {word: name for word in (row.get("number"), row.get("identifier")) if word}
    return found
