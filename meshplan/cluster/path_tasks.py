"""What a worker does with some pairs of a property: reads the property itself, computes their paths, keeps them in a file."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from meshplan.cluster.likeness import package_hash
from meshplan.cluster.part_files import read_part, write_part
from meshplan.links.link_table import compute_paths, sample_count
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.workflow.plan import PathsAsked, pairs_of
from meshplan.workflow.prepare import Prepared, equip, prepare_property, read_base

SAMPLES_A_TASK: Final = 12_000_000
"""Samples of all draws of the links of one task: some seconds at a few hundred nanoseconds each, so that a task is neither lost in
the overhead of Dask nor long to wait for when the run is stopped (own choice)."""


@dataclass(frozen=True)
class PathJob:
    """Which paths: the property as its folder and settings say it, one of its radio classes, and which pairs are looked at."""

    folder: str
    asked: PathsAsked
    overrides: str
    """Settings in place of those of the file, as JSON, so that the job can be hashed."""
    inputs: str
    """Hash of every file that the property is read from."""
    parts_folder: str

    def as_text(self) -> str:
        """Return the job as text, which travels without its class."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_text(cls, text: str) -> PathJob:
        """Return the job that `as_text` wrote."""
        told = json.loads(text)
        return cls(**told | {"asked": PathsAsked(**told["asked"])})

    def name_of(self, first: int, last: int) -> str:
        """Return the file name of rows `first` to `last`: a hash of all that they follow from."""
        told = {key: value for key, value in asdict(self).items() if key not in ("folder", "parts_folder")}
        text = json.dumps([package_hash(), told, first, last], sort_keys=True)
        return f"paths-{hashlib.sha256(text.encode()).hexdigest()[:32]}.npz"


@lru_cache(maxsize=2)
def _prepared(job: PathJob) -> tuple[Prepared, NDArray[np.intp], ErrorFields]:
    """Return what a worker keeps between its tasks."""
    folder, overrides = Path(job.folder), json.loads(job.overrides)
    asked = job.asked
    if asked.alike:
        part = equip(read_base(folder, overrides=overrides), asked.radio, mixed=False)
    else:
        prepared = prepare_property(folder, radio=asked.radio, overrides=overrides)
        part = prepared.parts[asked.part] if prepared.parts else prepared
    return part, pairs_of(part, prune=asked.prune), draw_error_fields(part.landscape)


def compute_rows(job: PathJob, first: int, last: int) -> int:
    """Compute rows `first` to `last` of the pairs of a job unless their file is there; return how many there are."""
    target = Path(job.parts_folder) / job.name_of(first, last)
    if read_part(target, last - first) is None:
        prepared, pairs, errors = _prepared(job)
        paths = compute_paths(
            prepared.stations,
            pairs[first:last],
            prepared.landscape,
            prepared.seasons,
            prepared.path,
            error_fields=errors,
            cores=1,
        )
        write_part(paths, target)
    return last - first


def rows_of_tasks(prepared: Prepared, pairs: NDArray[np.intp], draws: int, most: int = SAMPLES_A_TASK) -> Iterator[tuple[int, int]]:
    """Yield first and last row of each task; the answer does not depend on where they are cut."""
    sites = [station.site for station in prepared.stations]
    x, y = np.array([site.x_m for site in sites]), np.array([site.y_m for site in sites])
    distance = np.hypot(x[pairs[:, 1]] - x[pairs[:, 0]], y[pairs[:, 1]] - y[pairs[:, 0]])
    cell_m = prepared.landscape.sampled_as_m
    work = np.cumsum([sample_count(length, cell_m) * (draws + 1) for length in distance.tolist()])
    first = 0
    while first < len(pairs):
        before = int(work[first - 1]) if first else 0
        last = max(int(np.searchsorted(work, before + most, side="right")), first + 1)
        yield first, last
        first = last


def job_text(overrides: dict[str, Any] | None) -> str:
    """Return settings as the text of a job."""
    return json.dumps(overrides or {}, sort_keys=True, default=str)
