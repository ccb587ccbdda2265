"""Results of tasks as files: named by what they were computed from, whole or not there at all."""

from __future__ import annotations

import os
import shutil
import zipfile
from dataclasses import fields
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from meshplan.links.link_table import PathFigures
from meshplan.loss.path_loss import PathLosses
from meshplan.propagation.diffraction import DiffractionLoss

PARTS: Final = ".meshplan-parts"
"""Folder beside the results where finished parts wait for the end of the run."""

TERRAIN, DEPTH = "terrain_parts.", "cover_depth_m."


def write_part(paths: PathFigures, target: Path) -> None:
    """Write the figures of some paths under their final name in one step; a killed worker leaves nothing under it."""
    arrays: dict[str, NDArray[Any]] = {}
    for item in fields(PathLosses):
        value = getattr(paths.losses, item.name)
        if item.name == "terrain_parts":
            arrays.update({f"{TERRAIN}{each.name}": getattr(value, each.name) for each in fields(value)})
        elif item.name == "cover_depth_m":
            arrays.update({f"{DEPTH}{kind}": depth for kind, depth in value.items()})
        else:
            arrays[item.name] = value
    arrays |= {"samples": paths.samples, "shift": paths.elevation_shift_db, "hidden": paths.hidden_relief_db}
    write_arrays(arrays, target)


def write_arrays(arrays: dict[str, NDArray[Any]], target: Path) -> None:
    """Write named arrays under a final name in one step."""
    target.parent.mkdir(parents=True, exist_ok=True)
    scratch = target.with_name(f"{target.name}.{os.getpid()}.tmp")
    try:
        with scratch.open("wb") as stream:
            np.savez(stream, **arrays)  # type: ignore[arg-type]
            stream.flush()
            os.fsync(stream.fileno())
        scratch.replace(target)
    finally:
        scratch.unlink(missing_ok=True)


def read_arrays(path: Path) -> dict[str, NDArray[Any]] | None:
    """Return the arrays of a file; None if it is not there or damaged. Nothing in it is executed."""
    try:
        with np.load(path, allow_pickle=False) as held:
            return {name: held[name] for name in held.files}
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def read_part(path: Path, rows: int) -> PathFigures | None:
    """Return the figures of so many paths; None if the file is not there, damaged or of another number of rows."""
    arrays = read_arrays(path)
    plain = [item.name for item in fields(PathLosses) if item.name not in ("terrain_parts", "cover_depth_m")]
    terrain = {f"{TERRAIN}{item.name}": item.name for item in fields(DiffractionLoss)}
    if arrays is None or not {*plain, *terrain, "samples", "shift", "hidden"} <= set(arrays):
        return None
    if any(arrays[name].shape[-1:] != (rows,) for name in (*plain, *terrain, "samples", "hidden")) or len(arrays["shift"]) != rows:
        return None
    losses = PathLosses(
        terrain_parts=DiffractionLoss(**{name: arrays[key] for key, name in terrain.items()}),
        cover_depth_m={name.removeprefix(DEPTH): depth for name, depth in arrays.items() if name.startswith(DEPTH)},
        **{name: arrays[name] for name in plain},
    )
    return PathFigures(losses, arrays["samples"], arrays["shift"], arrays["hidden"])


def forget_parts(parts_folder: Path) -> None:
    """Remove finished parts once the results are written."""
    shutil.rmtree(parts_folder, ignore_errors=True)
