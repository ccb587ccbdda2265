"""Which files make up a property: those that property.toml names, else those with obvious names in the folder."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from meshplan.errors import InputError, MeshplanError
from meshplan.inputs.legends import read_legends
from meshplan.inputs.settings_file import SETTINGS_FILE
from meshplan.settings import PropertySettings, RasterSettings

VECTOR_SUFFIXES = (".geojson", ".json", ".gpkg", ".kml", ".kmz", ".gpx", ".shp", ".fgb", ".gml")
COVER_EXTRACTS = ("cover.osm", "cover.osm.pbf", "cover.pbf")
"""Extracts of OpenStreetMap that are read beside a cover file where property.toml names none."""
SITE_SUFFIXES = (".csv", ".tsv", *VECTOR_SUFFIXES)
RASTER_SUFFIXES = (".tif", ".tiff", ".asc", ".img", ".hgt", ".dem", ".bil", ".xyz", ".dt0", ".dt1", ".dt2")
NO_SITES = "no file is named and there is no sites.csv in the folder"
NO_ELEVATION = "there is no elevation raster"
_COVER_RASTER_WORDS = ("land_cover", "landcover", "canopy", "chm")
_SURFACE_WORDS = ("surface", "dsm", "canopy_top")


@dataclass(frozen=True)
class PropertyFiles:
    """Files by purpose, names relative to the folder."""

    sites: tuple[str, ...]
    cover: tuple[str, ...]
    boundary: tuple[str, ...]
    elevation: tuple[RasterSettings, ...]
    assumptions: tuple[str, ...]
    faults: tuple[MeshplanError, ...]
    search_ground: tuple[str, ...] = ()


def find_files(folder: Path, settings: PropertySettings) -> PropertyFiles:
    """Return the files of a property; what was found by name alone is told in `assumptions`."""
    present = sorted(path.name for path in folder.iterdir() if path.is_file())
    assumptions: list[str] = []
    faults: list[MeshplanError] = []
    found: dict[str, tuple[str, ...]] = {}
    for key, named, suffixes in (
        ("sites", settings.sites, SITE_SUFFIXES),
        ("cover", settings.cover, VECTOR_SUFFIXES),
        ("boundary", settings.boundary, VECTOR_SUFFIXES),
        ("search_ground", settings.search_ground, VECTOR_SUFFIXES),
    ):
        if named or key in settings.model_fields_set:
            found[key] = tuple(name for name in named if name.strip())
            continue
        matches = tuple(name for name in present if Path(name).stem.casefold() == key and Path(name).suffix.casefold() in suffixes)
        extracts = tuple(name for name in present if key == "cover" and name.casefold() in COVER_EXTRACTS)
        if len(matches) > 1:
            faults.append(
                InputError(
                    f"there are several files for it: {', '.join(matches)}",
                    where=f"{SETTINGS_FILE}, key '{key}'",
                    fix=f'Name the one to use: {key} = "{matches[0]}"',
                )
            )
        elif matches or extracts:
            names = [*matches[:1], *extracts]
            read = f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'} read"
            assumptions.append(f"{SETTINGS_FILE} names no file for {key}: {read}.")
        found[key] = (*matches[:1], *extracts)
    if not found["sites"] and not faults:
        faults.append(
            InputError(
                NO_SITES,
                where=f"{SETTINGS_FILE}, key 'sites'",
                fix='Put sites.csv there, or name a file: sites = "my-sites.gpx"',
            )
        )
    elevation = settings.elevation
    if not elevation and "elevation" not in settings.model_fields_set:
        other = {raster.file for raster in (*settings.land_cover.classes, *settings.land_cover.canopy)}
        names = [name for name in present if Path(name).suffix.casefold() in RASTER_SUFFIXES and name not in other]
        aside = [name for name in names if is_cover_raster(name)]
        names = [name for name in names if name not in aside]
        assumptions.extend(
            f"{name}: left out, its name is that of a raster of land cover or tree heights; name it under land_cover.classes or "
            "land_cover.canopy, or under elevation if it holds heights of the land."
            for name in aside
        )
        elevation = tuple(_raster_by_name(name) for name in names)
        if names:
            assumptions.append(f"{SETTINGS_FILE} names no elevation: {', '.join(names)} {'is' if len(names) == 1 else 'are'} read.")
            assumptions.extend(
                f"{raster.file}: taken as a surface model because of its name." for raster in elevation if raster.holds == "surface"
            )
    if not elevation:
        faults.append(
            InputError(
                NO_ELEVATION,
                where=f"{SETTINGS_FILE}, key 'elevation'",
                fix='Put a GeoTIFF of the area in the folder and name it: elevation = "ground.tif"',
            )
        )
    return PropertyFiles(
        found["sites"], found["cover"], found["boundary"], elevation, tuple(assumptions), tuple(faults), found["search_ground"]
    )


def is_cover_raster(name: str) -> bool:
    """Whether a raster that nobody named is one of classes or tree heights by its name."""
    words = name.casefold()
    legends = [word for legend in read_legends(None).values() for word in legend.files]
    return any(word in words for word in (*_COVER_RASTER_WORDS, *legends)) and "canopy_top" not in words


def _raster_by_name(name: str) -> RasterSettings:
    surface = any(word in name.casefold() for word in _SURFACE_WORDS)
    return RasterSettings(file=name, holds="surface") if surface else RasterSettings(file=name)
