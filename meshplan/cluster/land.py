"""The land of a coverage from a cluster: one task a transmitter, what an earlier run kept taken over, read in order."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from meshplan.cluster.doorway import compute_land
from meshplan.cluster.engine import Cluster
from meshplan.cluster.land_tasks import LandJob, read_land
from meshplan.cluster.path_tasks import job_text
from meshplan.errors import ClusterLostError
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.links.land_figures import LandFigures
from meshplan.records.station import Station
from meshplan.workflow.coverage import CoverageAsked, FiguresBy
from meshplan.workflow.learned import CALIBRATION_FILE
from meshplan.workflow.prepare import Prepared
from meshplan.workflow.progress import OnProgress


def figures_by(cluster: Cluster, parts_folder: Path, radio: str = "") -> FiguresBy:
    """Return what computes the land of each transmitter on a cluster, with the bits that this machine would give.

    Parameters
    ----------
    cluster : Cluster
    parts_folder : Path
        Where all machines can write; kept when a run ends early, so that the next one goes on.
    radio : str
        Class that the property was prepared with in place of its own.
    """

    def compute(
        prepared: Prepared, stations: Sequence[Station], asked: CoverageAsked, tell: OnProgress
    ) -> list[tuple[LandFigures, float]]:
        found = prepared.found
        files = hash_inputs(found.folder, found.settings, more=(CALIBRATION_FILE,) if asked.calibrated else ())
        cluster.look_at([str((found.folder / each.name).resolve()) for each in files])
        job = LandJob(
            folder=str(found.folder.resolve()),
            radio=radio,
            carried=prepared.radio.name,
            overrides=job_text(prepared.base.overrides),
            inputs=hashlib.sha256(repr([(each.name, each.sha256) for each in files]).encode()).hexdigest(),
            asked=asked,
            parts_folder=str(parts_folder.resolve()),
        )
        names = {station.key: job.name_of(station.key) for station in stations}
        missing = [key for key, name in names.items() if read_land(parts_folder / name) is None]
        kept = len(names) - len(missing)

        def told(done: int, _: int) -> None:
            tell("Computing the land", kept + done, len(names))

        if missing:
            cluster.run(compute_land, [(job.as_text(), key) for key in missing], [names[key] for key in missing], told)
        land: list[tuple[LandFigures, float]] = []
        for station in stations:
            read = read_land(parts_folder / names[station.key])
            if read is None:
                raise ClusterLostError(
                    "a worker says that it wrote this part, and it cannot be read here",
                    where=str(parts_folder / names[station.key]),
                    fix="Give --out a folder that all machines see under one path.",
                )
            land.append(read)
        return land

    return compute
