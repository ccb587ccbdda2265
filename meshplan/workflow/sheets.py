"""Paper from a plan that was made before."""

from __future__ import annotations

from pathlib import Path

from meshplan.errors import MissingFileError
from meshplan.inputs.plan_file import read_plan_json
from meshplan.records import Plan
from meshplan.reporting.sheets import write_sheets


def find_plan(folder: Path, results: Path) -> tuple[Plan, Path]:
    """Return the plan of a property (or of the plan.json named in its place) and the folder that it lies in.

    Raises
    ------
    MissingFileError
        If no plan was made yet.
    """
    path = folder if folder.suffix == ".json" else results / "plan.json"
    if not path.is_file():
        raise MissingFileError(
            "there is no plan yet", where=str(path), fix=f"Run `meshplan plan {folder}` first, or name a plan.json."
        )
    return read_plan_json(path), path.parent


def write_plan_sheets(plan: Plan, folder: Path, *, pdf: bool = False) -> tuple[Path, ...]:
    """Write the sheets and the table for the readings beside a plan; return their paths."""
    return write_sheets(plan, folder, pdf=pdf)
