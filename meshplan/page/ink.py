"""The plan in ink: what lies in the results folder, and whether it was made from the folder as it now is."""

from __future__ import annotations

import threading
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from meshplan.errors import MeshplanError
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.inputs.plan_file import read_plan_json
from meshplan.inputs.property_files import find_files
from meshplan.inputs.settings_file import SETTINGS_FILE, read_settings
from meshplan.page.strip import strip_of

USUAL_RESULTS = Path("outputs")


@dataclass(eq=False)
class InkState:
    """What was found last, so that files are hashed again only when one changed."""

    signs: tuple[Any, ...] = ()
    told: dict[str, Any] = field(default_factory=dict)
    lock: threading.Lock = field(default_factory=threading.Lock)


def ink_state(known: InkState, folder: Path, results: Path | None) -> dict[str, Any]:
    """Return whether there is a plan, whether it is one of the folder as it is, its figures, and where it lies."""
    place = results_of(folder, results)
    path = place / "plan.json"
    signs = (_sign(path), tuple((name, _sign(folder / name)) for name in _names(folder)))
    with known.lock:
        if known.signs == signs and known.told:
            return known.told
    told: dict[str, Any] = {"there": False, "fits": False, "folder": str(place), "strip": None, "calibrated": False}
    with suppress(MeshplanError, OSError):
        plan = read_plan_json(path)
        told |= {"there": True, "strip": strip_of(plan, None)}
        calibrated = plan.made_with is not None and plan.made_with.calibrated
        told["calibrated"] = calibrated
        more = ("calibration.toml",) if calibrated else ()
        told["fits"] = set(plan.inputs) == set(hash_inputs(folder, read_settings(folder), more=more))
    with known.lock:
        known.signs, known.told = signs, told
    return told


def results_of(folder: Path, results: Path | None) -> Path:
    """Return where commands write the results of a folder: where they are told to, or where they do by themselves."""
    return results if results is not None else USUAL_RESULTS / folder.resolve().name


def _names(folder: Path) -> list[str]:
    """Return the files of a folder and those that it names elsewhere below it."""
    names = [SETTINGS_FILE]
    with suppress(MeshplanError, OSError):
        files = find_files(folder, read_settings(folder))
        names += [*files.sites, *files.cover, *files.boundary, *(raster.file for raster in files.elevation)]
        names += sorted(path.name for path in folder.iterdir() if path.is_file() and not path.name.startswith("."))
    return list(dict.fromkeys(names))


def _sign(path: Path) -> tuple[int, ...]:
    with suppress(OSError):
        told = path.stat()
        return told.st_size, told.st_mtime_ns, told.st_ino
    return ()
