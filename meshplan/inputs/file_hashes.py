"""Which files a property was read from, and the hash of each, so that a later check can tell what has changed."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from rasterio.errors import RasterioIOError

from meshplan.inputs.cover_rasters import measured_rasters
from meshplan.inputs.file_content import open_raster
from meshplan.inputs.land_record import RECORD_FILE
from meshplan.inputs.property_files import find_files
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.inputs.site_changes import CHANGES_FILE
from meshplan.records import InputFile
from meshplan.settings import PropertySettings

OWN_TABLES: Final = (
    "radios.toml",
    "regions.toml",
    "batteries.toml",
    "boards.toml",
    "antennas.toml",
    "cables.toml",
    "backhauls.toml",
    "legends.toml",
)
"""Tables in the property folder that add to the packaged ones."""

_PIECES: Final = (".shx", ".dbf", ".prj", ".cpg", ".aux.xml")
"""Files that belong to a vector file of the same name."""


def hash_inputs(folder: Path, settings: PropertySettings, *, more: tuple[str, ...] = ()) -> tuple[InputFile, ...]:
    """Return every file that a property is read from, by its name as property.toml says it, with its SHA-256 hash.

    Parameters
    ----------
    folder : Path
    settings : PropertySettings
        With what was set in place of the file.
    more : tuple of str
        Further files of the folder that were read, such as calibration.toml.
    """
    files = find_files(folder, settings)
    names = [SETTINGS_FILE, *files.sites, *files.cover, *files.boundary, *files.search_ground]
    names += [name for raster in files.elevation for name in _raster_files(folder, raster.file)]
    names += [name for raster in measured_rasters(settings.land_cover) for name in _raster_files(folder, raster)]
    names += [name for name in (CHANGES_FILE, RECORD_FILE, *OWN_TABLES, *more) if (folder / name).is_file()]
    for name in (*files.sites, *files.cover, *files.boundary, *files.search_ground):
        stem = name.removesuffix(Path(name).suffix)
        names += [f"{stem}{ending}" for ending in _PIECES if (folder / f"{stem}{ending}").is_file()]
    return tuple(InputFile(name, _sha256(folder / name)) for name in dict.fromkeys(names) if (folder / name).is_file())


def _raster_files(folder: Path, name: str) -> list[str]:
    """Return a raster and the files that it consists of, relative to the folder where they lie in it."""
    try:
        with open_raster(folder / name, name) as dataset:
            pieces = [Path(piece) for piece in dataset.files]
    except RasterioIOError:
        return [name]
    base = (folder / name).resolve().parent
    beside = Path(name).parent
    found = [name]
    for piece in pieces:
        path = piece.resolve()
        if path != (folder / name).resolve() and path.is_relative_to(base):
            found.append((beside / path.relative_to(base)).as_posix())
    return found


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
