"""What a worker does for one transmitter of a coverage: reads the property itself, computes the land, keeps it in a file."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from meshplan.cluster.likeness import package_hash
from meshplan.cluster.part_files import read_arrays, write_arrays
from meshplan.links.land_figures import LandFigures
from meshplan.loss.uncertainty import ErrorFields, draw_error_fields
from meshplan.workflow.coverage import CoverageAsked, figures_here
from meshplan.workflow.prepare import Prepared, prepare_property
from meshplan.workflow.progress import silent


@dataclass(frozen=True)
class LandJob:
    """Which land: the property as its folder and settings say it, the class of the future sensor, and what is asked."""

    folder: str
    radio: str
    """Class of the property; empty for that of property.toml."""
    carried: str
    """Class that the future sensor carries."""
    overrides: str
    """Settings in place of those of the file, as JSON, so that the job can be hashed."""
    inputs: str
    """Hash of every file that the property is read from, calibration.toml included where it counts."""
    asked: CoverageAsked
    parts_folder: str

    def as_text(self) -> str:
        """Return the job as text, which travels without its class."""
        return json.dumps(asdict(self), sort_keys=True)

    @classmethod
    def from_text(cls, text: str) -> LandJob:
        """Return the job that `as_text` wrote."""
        told = json.loads(text)
        return cls(**told | {"asked": CoverageAsked(**told["asked"])})

    def name_of(self, key: str) -> str:
        """Return the file name for a transmitter: a hash of all that it follows from."""
        told = {name: value for name, value in asdict(self).items() if name not in ("folder", "parts_folder")}
        text = json.dumps([package_hash(), told, key], sort_keys=True)
        return f"land-{hashlib.sha256(text.encode()).hexdigest()[:32]}.npz"


@lru_cache(maxsize=1)
def _prepared(job: LandJob) -> tuple[Prepared, ErrorFields]:
    """Return what a worker keeps between its tasks."""
    whole = prepare_property(Path(job.folder), radio=job.radio or None, overrides=json.loads(job.overrides))
    part = next(part for part in whole.parts or (whole,) if part.radio.name == job.carried)
    return part, draw_error_fields(part.landscape)


def compute_land(job: LandJob, key: str) -> str:
    """Compute the land for a transmitter unless its file is there; return the name of the file."""
    name = job.name_of(key)
    target = Path(job.parts_folder) / name
    if read_land(target) is None:
        prepared, errors = _prepared(job)
        station = next(station for station in prepared.stations if station.key == key)
        ((figures, share),) = figures_here(errors, 1)(prepared, [station], job.asked, silent)
        arrays = {item: getattr(figures, item) for item in LandFigures.__dataclass_fields__}
        write_arrays(arrays | {"share": np.array(share)}, target)
    return name


def read_land(path: Path) -> tuple[LandFigures, float] | None:
    """Return the land of a transmitter and the share of cells that a budget cut; None if the file is not there or damaged."""
    arrays = read_arrays(path)
    names = LandFigures.__dataclass_fields__
    if arrays is None or not {*names, "share"} <= set(arrays):
        return None
    return LandFigures(**{name: arrays[name] for name in names}), float(arrays["share"])
