"""Which land a property needs, before it has any elevation: read from its sites, its boundary and its margin."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.inputs.cover import boundary_of
from meshplan.inputs.grid_choice import choose_projection_for, land_box
from meshplan.inputs.projection import centre_of
from meshplan.inputs.property_files import NO_ELEVATION, NO_SITES, PropertyFiles, find_files
from meshplan.inputs.settings_file import SETTINGS_FILE, read_settings
from meshplan.inputs.site_changes import apply_changes
from meshplan.inputs.site_files import NO_SITE_YET, PHONE_SUFFIXES, read_site_file
from meshplan.inputs.sites import sites_from_tables
from meshplan.inputs.user_files import content_of
from meshplan.inputs.vector import WGS84, parse_crs, point_mover, read_features
from meshplan.records.land import Box
from meshplan.settings import PropertySettings

AROUND_A_PLACE_M: Final = 1000.0
"""Land on each side of a place that stands for a property without sites (own choice)."""
_COVER_TABLE: Final = re.compile(r"^[ \t]*\[[ \t]*[\"']?land_cover[\"']?[ \t]*\]", re.MULTILINE)


@dataclass(frozen=True)
class LandExtent:
    """The land of a property in degrees and metres."""

    settings: PropertySettings
    files: PropertyFiles
    needed: Box
    """What a plan uses: sites and boundary with their margin."""
    asked: Box
    """The same with the spare land."""
    wide_m: float
    high_m: float
    has_cover_table: bool
    """Whether property.toml has a table [land_cover], below which its keys must stand."""


def read_land_extent(folder: Path, spare_m: float) -> LandExtent:
    """Return the land of a property; faults of property.toml, sites and boundary are raised together.

    That no elevation is there yet is no fault; east may lie beyond 180° so that it is never west of west.
    """
    settings = read_settings(folder)
    files = find_files(folder, settings)
    place = place_of(settings)
    waived = {NO_ELEVATION, *((NO_SITES,) if place is not None else ())}
    faults: list[MeshplanError] = [fault for fault in files.faults if fault.problem not in waived]
    crs = settings.crs
    if crs is not None:
        try:
            parse_crs(crs, f"{SETTINGS_FILE}, key 'crs'")
        except MeshplanError as fault:
            faults.append(fault)
            crs = None
    marked = any(name.casefold().endswith(PHONE_SUFFIXES) for name in files.sites)
    tables = [read_site_file(folder / name, name, crs, beside_phone=marked) for name in files.sites]
    sites = sites_from_tables(tables, crs, crs_at_fault=settings.crs is not None and crs is None)
    changes = apply_changes(folder, sites, crs)
    none_yet = place is not None and not sites.sites
    faults.extend([fault for fault in (*sites.faults, *changes.faults) if not (none_yet and fault.problem == NO_SITE_YET)])
    lon = [site.lon_deg for site in sites.sites]
    lat = [site.lat_deg for site in sites.sites]
    for name in files.boundary:
        try:
            outline, wrong, _ = boundary_of([(name, read_features(folder / name, name, key="boundary", default_crs=crs))])
            faults.extend(wrong)
            if outline is not None:
                corners = shapely.get_coordinates(outline.convex_hull)
                lon.extend(corners[:, 0].tolist())
                lat.extend(corners[:, 1].tolist())
        except MeshplanError as fault:
            faults.append(fault)
    terrain = settings.terrain
    if place is not None and not lon and not faults:
        lon, lat = [place[0]], [place[1]]
        if terrain.margin_m is None:
            terrain = terrain.model_copy(update={"margin_m": AROUND_A_PLACE_M})
    if not lon and not faults:
        fix = "Write the sites first: the land is fetched around them."
        faults.append(InputError("there is no site", where=", ".join(files.sites) or SETTINGS_FILE, fix=fix))
    raise_faults(faults)
    projection = choose_projection_for(lon, lat, [])
    west, south, east, north = land_box(lon, lat, projection, terrain)
    spare = (west - spare_m, south - spare_m, east + spare_m, north + spare_m)
    middle = centre_of(lon, lat)[0]
    needed, asked = (_in_degrees(box, projection.crs, middle) for box in ((west, south, east, north), spare))
    text = content_of(folder / SETTINGS_FILE, SETTINGS_FILE).decode("utf-8-sig", errors="replace")
    return LandExtent(settings, files, needed, asked, east - west, north - south, _COVER_TABLE.search(text) is not None)


def place_of(settings: PropertySettings) -> tuple[float, float] | None:
    """Return longitude and latitude of the place that property.toml names; None where it names none."""
    found = settings.place
    if found.lon_deg is None and found.lat_deg is None:
        return None
    if found.lon_deg is None or found.lat_deg is None:
        missing = "lon_deg" if found.lon_deg is None else "lat_deg"
        raise InputError("the place is only half named", where=f"{SETTINGS_FILE}, key 'place.{missing}'", fix=f"Add {missing}.")
    return found.lon_deg, found.lat_deg


def _in_degrees(box: Box, crs: str, middle_lon: float) -> Box:
    """Return the box of degrees around a box of metres."""
    steps = np.linspace(0.0, 1.0, 9)
    x, y = (part.ravel() for part in np.meshgrid(box[0] + steps * (box[2] - box[0]), box[1] + steps * (box[3] - box[1])))
    lon, lat = point_mover(crs, WGS84)(x, y)
    lon = lon - 360.0 * np.round((lon - middle_lon) / 360.0)
    west, south, east, north = (round(float(value), 7) for value in (lon.min(), lat.min(), lon.max(), lat.max()))
    return west, max(-90.0, south), east, min(90.0, north)
