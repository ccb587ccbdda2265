"""The paths of a property from a cluster: cut into tasks, looked for among what an earlier run kept, computed, joined in order."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from meshplan.cluster.doorway import compute_rows
from meshplan.cluster.engine import Cluster
from meshplan.cluster.part_files import read_part
from meshplan.cluster.path_tasks import SAMPLES_A_TASK, PathJob, job_text, rows_of_tasks
from meshplan.errors import ClusterLostError
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.links.link_table import PathFigures, join_paths
from meshplan.loss.uncertainty import ErrorFields
from meshplan.workflow.plan import PathsAsked, PathsBy
from meshplan.workflow.prepare import Prepared


def paths_by(cluster: Cluster, parts_folder: Path, *, samples_a_task: int = SAMPLES_A_TASK) -> PathsBy:
    """Return what computes paths on a cluster, with the bits that this machine would give.

    Parameters
    ----------
    cluster : Cluster
    parts_folder : Path
        Where all machines can write; kept when a run ends early, so that the next one goes on.
    samples_a_task : int
        How large tasks are; the result does not depend on it.
    """
    looked_at: set[str] = set()

    def compute(
        prepared: Prepared,
        pairs: NDArray[np.intp],
        error_fields: ErrorFields,
        asked: PathsAsked,
        on_progress: Callable[[int, int], None] | None,
    ) -> PathFigures:
        job = _job_of(prepared, asked, parts_folder)
        folder = str(prepared.found.folder.resolve())
        if folder not in looked_at:
            files = hash_inputs(prepared.found.folder, prepared.found.settings)
            cluster.look_at([str((prepared.found.folder / each.name).resolve()) for each in files])
            looked_at.add(folder)
        rows = list(rows_of_tasks(prepared, pairs, error_fields.draws, samples_a_task))
        names = [job.name_of(first, last) for first, last in rows]
        found = {n: read_part(parts_folder / names[n], last - first) for n, (first, last) in enumerate(rows)}
        missing = [n for n, part in found.items() if part is None]
        kept = len(rows) - len(missing)

        def tell(done: int, _: int) -> None:
            if on_progress is not None:
                on_progress(len(pairs) * (kept + done) // max(len(rows), 1), len(pairs))

        if missing:
            cluster.run(compute_rows, [(job.as_text(), *rows[n]) for n in missing], [names[n] for n in missing], tell)
        for n in missing:
            found[n] = read_part(parts_folder / names[n], rows[n][1] - rows[n][0])
            if found[n] is None:
                raise ClusterLostError(
                    "a worker says that it wrote this part, and it cannot be read here",
                    where=str(parts_folder / names[n]),
                    fix="Give --out a folder that all machines see under one path.",
                )
        return join_paths([part for part in found.values() if part is not None])

    return compute


def _job_of(prepared: Prepared, asked: PathsAsked, parts_folder: Path) -> PathJob:
    found = prepared.found
    inputs = [(each.name, each.sha256) for each in hash_inputs(found.folder, found.settings)]
    return PathJob(
        folder=str(found.folder.resolve()),
        asked=asked,
        overrides=job_text(prepared.base.overrides),
        inputs=hashlib.sha256(repr(inputs).encode()).hexdigest(),
        parts_folder=str(parts_folder.resolve()),
    )
