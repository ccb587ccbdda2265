"""Paper from a plan that was made before."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from meshplan.errors import MissingFileError
from meshplan.inputs.plan_file import read_plan_json
from meshplan.inputs.user_files import is_there
from meshplan.inputs.walk_file import WALK_FILE, read_walk
from meshplan.records import Plan
from meshplan.records.measurement import SurveyWalk
from meshplan.reporting.file_sets import all_or_nothing, recover
from meshplan.reporting.sheets import write_sheets
from meshplan.reporting.sheets.packet import readings_name
from meshplan.reporting.walk_files import write_walk


def find_plan(folder: Path, results: Path) -> tuple[Plan, Path]:
    """Return the plan of a property (or of the plan.json named in its place) and the folder that it lies in.

    Raises
    ------
    MissingFileError
        If no plan was made yet.
    """
    recover(folder.parent if folder.suffix == ".json" else results)
    path = folder if folder.suffix == ".json" else results / "plan.json"
    if not is_there(path):
        raise MissingFileError(
            "there is no plan yet", where=str(path), fix=f"Run `meshplan plan {folder}` first, or name a plan.json."
        )
    return read_plan_json(path), path.parent


def stored_walk(folder: Path) -> SurveyWalk | None:
    """Return the next walk that `calibrate` or `sheets --next` left beside a plan; None if there is none."""
    return read_walk(folder / WALK_FILE)


def walk_fits(walk: SurveyWalk, plan: Plan) -> bool:
    """Tell whether a walk was chosen for the gateways and relays of this plan."""
    built = {device.site or device.name for device in plan.devices if device.in_plan}
    return all(reading.there in built for stop in walk.stops for reading in stop.readings)


def write_plan_sheets(
    plan: Plan,
    folder: Path,
    *,
    pdf: bool = False,
    walk: SurveyWalk | None = None,
    new_walk: bool = False,
    on_warning: Callable[[str], None] | None = None,
) -> tuple[Path, ...]:
    """Write the sheets and the table for the readings beside a plan; return their paths.

    Parameters
    ----------
    plan : Plan
    folder : Path
    pdf : bool
        Whether to write sheets.pdf too.
    walk : SurveyWalk, optional
        Where to measure next, to be printed.
    new_walk : bool
        Whether to write the walk itself too, for the phone and for the next sheets.
    on_warning : callable, optional
        Told what of the text the PDF cannot show.
    """
    with all_or_nothing(folder) as scratch:
        sheets = write_sheets(plan, scratch, pdf=pdf, walk=walk, readings=readings_name(folder), on_warning=on_warning)
        walk_files = write_walk(walk, scratch) if walk is not None and new_walk else ()
        names = [path.relative_to(scratch) for path in (*sheets, *walk_files)]
    return tuple(folder / name for name in names)
