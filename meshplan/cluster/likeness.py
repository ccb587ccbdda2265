"""What must be alike on every worker: the package, its libraries, how numbers round, and the files of the property."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Final

import numpy as np

from meshplan.errors import InputError
from meshplan.propagation.diffraction import delta_bullington_loss_db
from meshplan.propagation.variability import chance_it_works

LIBRARIES: Final = ("numpy", "numba", "scipy", "rasterio", "pyproj", "shapely", "pyogrio", "highspy", "distributed")
"""Those whose version may change a figure, and the one that carries the tasks."""

HEAD_BYTES: Final = 65_536
"""What is hashed of a file on every worker: enough to tell one raster from another without reading gigabytes."""

PROBED_PATHS: Final = 64


@dataclass(frozen=True)
class Likeness:
    """What one process says of itself."""

    package: str
    libraries: Mapping[str, str]
    probe: str
    files: Mapping[str, str]
    """Size and hash of the first bytes of each file that was asked about; why not, where it cannot be read."""


def likeness_of(paths: Sequence[str]) -> Likeness:
    """Return what this process has: package, libraries, rounding, and the files under these paths."""
    return Likeness(package_hash(), library_versions(), number_probe(), {path: _head_of(Path(path)) for path in paths})


@cache
def package_hash() -> str:
    """Return a hash of every file of the package: two checkouts of one version may differ."""
    root = Path(__file__).resolve().parents[1]
    told = hashlib.sha256()
    for path in sorted(root.rglob("*"), key=lambda each: each.relative_to(root).as_posix()):
        if path.is_file() and "__pycache__" not in path.parts:
            told.update(path.relative_to(root).as_posix().encode())
            told.update(hashlib.sha256(path.read_bytes()).digest())
    return told.hexdigest()


@cache
def library_versions() -> dict[str, str]:
    """Return the versions of the libraries that count."""
    return {name: metadata.version(name) for name in LIBRARIES}


@cache
def number_probe() -> str:
    """Return a hash of some losses and chances: processors and libraries that round otherwise give other bytes."""
    rng = np.random.default_rng(22)
    heights_m = np.cumsum(rng.normal(0.0, 2.0, (PROBED_PATHS, 65)), axis=1)
    steps_m = np.linspace(0.0, 3000.0, 65)
    told = hashlib.sha256()
    ends_m = heights_m[:, 0] + 2.0, heights_m[:, -1] + 6.0
    parts = delta_bullington_loss_db(steps_m, heights_m, heights_m, *ends_m, 868.0, earth_radius_km=8500.0)
    for figures in vars(parts).values():
        told.update(np.ascontiguousarray(figures).tobytes())
    told.update(np.ascontiguousarray(chance_it_works(rng.normal(0.0, 10.0, 4096), 7.0)).tobytes())
    return told.hexdigest()


def _head_of(path: Path) -> str:
    try:
        with path.open("rb") as stream:
            size = os.fstat(stream.fileno()).st_size
            return f"{size} bytes, {hashlib.sha256(stream.read(HEAD_BYTES)).hexdigest()}"
    except OSError as error:
        return f"cannot be read: {error.strerror}"


def refuse_unlike(own: Likeness, others: Mapping[str, Likeness]) -> None:
    """Raise what the workers, by name, have otherwise than this machine; nothing was computed yet."""
    for worker, told in sorted(others.items()):
        for name, version in own.libraries.items():
            if told.libraries.get(name) != version:
                raise InputError(
                    f"{name} is {told.libraries.get(name, 'not there')} on the worker {worker} and {version} here: "
                    "figures could differ in their last digits",
                    where="--cluster",
                    fix=f"Install {name} {version} on that worker, or run this command where the versions are alike.",
                )
        if told.package != own.package:
            raise InputError(
                f"the worker {worker} runs other files of meshplan than this command",
                where="--cluster",
                fix="Install the same version, or the same checkout, of meshplan on every machine and start the workers again.",
            )
        if told.probe != own.probe:
            raise InputError(
                f"the processor or the libraries of the worker {worker} round otherwise than here",
                where="--cluster",
                fix="Use machines of one kind of processor with the same libraries, or leave that worker out.",
            )
        for path, head in own.files.items():
            if told.files.get(path) != head:
                seen = told.files.get(path, "not looked at")
                why = f"it {seen}" if seen.startswith("cannot") else "it is another file there"
                raise InputError(
                    f"the worker {worker} does not see the same file: {why}",
                    where=path,
                    fix="Put the property where all machines see it under one path, or copy it to the same path on each.",
                )
