"""What readings taught a property, kept in its folder, and links corrected by it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from meshplan.assembly.learned import corrected_table
from meshplan.errors import MissingFileError
from meshplan.inputs.calibration_file import read_calibration
from meshplan.inputs.user_files import is_there
from meshplan.links.link_table import LinkTable
from meshplan.records.measurement import Calibration

CALIBRATION_FILE = "calibration.toml"


def links_as_asked(
    links: LinkTable, folder: Path, crs: str, *, calibrated: bool, command: str = "plan"
) -> tuple[LinkTable, tuple[str, ...]]:
    """Return links corrected by the readings kept in the property folder if that is asked for, and what is to be said of it.

    Parameters
    ----------
    links : LinkTable
    folder : Path
    crs : str
        Projection of the grid now in use.
    calibrated : bool
        Whether to use what readings taught.
    command : str
        Named where there is a calibration that was not asked for.
    """
    correct, notes = correction_as_asked(folder, crs, calibrated=calibrated, command=command)
    return correct(links), notes


def correction_as_asked(
    folder: Path, crs: str, *, calibrated: bool, command: str
) -> tuple[Callable[[LinkTable], LinkTable], tuple[str, ...]]:
    """Return what corrects links, for links that come in several parts, and what is to be said of it; see `links_as_asked`."""
    if calibrated:
        calibration = stored_calibration(folder, crs)
        note = f"Calibrated with {calibration.readings_words}" + (f" of {calibration.created}" if calibration.created else "")
        return lambda links: corrected_table(links, calibration)[0], (f"{note} ({', '.join(calibration.files)}).",)
    if is_there(folder / CALIBRATION_FILE):
        return _as_they_are, (
            f"{CALIBRATION_FILE} is in the property folder and was not used; `meshplan {command} --calibrated` uses it.",
        )
    return _as_they_are, ()


def _as_they_are(links: LinkTable) -> LinkTable:
    return links


def stored_calibration(folder: Path, crs: str) -> Calibration:
    """Return the calibration kept in the property folder, its positions in the projection of the grid now in use.

    Raises
    ------
    MissingFileError
        If there is none.
    """
    path = folder / CALIBRATION_FILE
    if not is_there(path):
        fix = "Run `meshplan calibrate FOLDER READINGS` first."
        raise MissingFileError("there is no calibration yet", where=str(path), fix=fix)
    return read_calibration(path, shown=CALIBRATION_FILE, crs=crs)
