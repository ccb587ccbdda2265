"""Write what `meshplan land` fetched: each file together with the record of where it came from, or neither."""

from __future__ import annotations

import json
from contextlib import suppress
from pathlib import Path

from meshplan.inputs.land_record import FORMAT, FORMAT_VERSION, LAND_FOLDER, RECORD_FILE, part_name
from meshplan.records.codec import json_text, record_to_values
from meshplan.records.land import LandRecord
from meshplan.reporting.file_sets import all_or_nothing, cannot_write
from meshplan.reporting.files import write_bytes_atomically, write_text_atomically


def write_land(folder: Path, record: LandRecord, *, file: str = "", data: bytes = b"") -> None:
    """Write the record, and with it a file of the folder `land` where one is named."""
    with all_or_nothing(folder / LAND_FOLDER) as scratch:
        if file:
            write_bytes_atomically(scratch / Path(file).relative_to(LAND_FOLDER), data)
        document = {"format": FORMAT, "format_version": FORMAT_VERSION, "record": record_to_values(record)}
        write_text_atomically(scratch / Path(RECORD_FILE).relative_to(LAND_FOLDER), json_text(document))


def keep_part(folder: Path, file: str, address: str, etag: str, data: bytes, *, begins: bool) -> None:
    """Add a chunk to the beginning of a file that has not come whole; nobody but the next run reads it."""
    path = folder / part_name(file)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        if begins:
            path.unlink(missing_ok=True)
            path.write_bytes(json.dumps({"address": address, "etag": etag}).encode("utf-8") + b"\n")
        with path.open("ab") as stream:
            stream.write(data)
    except OSError as error:
        raise cannot_write(path, error) from error


def drop_part(folder: Path, file: str) -> None:
    """Take the beginning of a file away."""
    with suppress(OSError):
        (folder / part_name(file)).unlink(missing_ok=True)
