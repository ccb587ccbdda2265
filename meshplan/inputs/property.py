"""A whole property folder: every file read, every fault gathered, everything assumed written down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from meshplan.errors import FaultList, InputError, MeshplanError, raise_faults
from meshplan.grid import Elevation
from meshplan.inputs.columns import plain
from meshplan.inputs.cover import CoverList, boundary_of, cover_on_grid, read_cover_features
from meshplan.inputs.cover_rasters import measured_rasters, read_cover_rasters
from meshplan.inputs.elevation import UNUSED, known_at, read_elevation
from meshplan.inputs.grid_choice import choose_grid, choose_projection_for, land_box
from meshplan.inputs.height_sense import odd_stated_heights
from meshplan.inputs.land_record import credits_of
from meshplan.inputs.open_land import OpenLand, accounted_boxes_m, extracts_elsewhere, read_open_land
from meshplan.inputs.osm_file import is_extract
from meshplan.inputs.osm_utilities import utilities_on_grid
from meshplan.inputs.property_files import PropertyFiles, find_files
from meshplan.inputs.raster import RasterHeader, as_products_hold, open_header, outside_hint
from meshplan.inputs.reported_once import reported_once
from meshplan.inputs.settings_file import SETTINGS_FILE, read_settings
from meshplan.inputs.site_changes import apply_changes
from meshplan.inputs.site_files import PHONE_SUFFIXES, read_site_file
from meshplan.inputs.sites import missing_roles, sites_from_tables
from meshplan.inputs.vector import WGS84, VectorFile, move_geometry, parse_crs, point_mover, read_features
from meshplan.records import Cover, Site
from meshplan.records.property import Property
from meshplan.records.utility import Utility
from meshplan.settings import PropertySettings

BOUNDARY_TOLERANCE_M = 1.0
SEARCH_WORDS = ("ground to search", "Draw the ground to search as areas.")
_WIDEST_BOX_DEG = 5.0


def read_property(folder: Path, *, overrides: dict[str, object] | None = None) -> Property:
    """Return the property in a folder.

    All faults of all files are raised together (`FaultList`, or the fault itself if there is one). Nothing is written.

    Parameters
    ----------
    folder
        Folder with `property.toml`.
    overrides
        Settings that replace those of the file, nested or with dotted keys.
    """
    folder = Path(folder)
    settings = read_settings(folder, overrides)
    faults: list[MeshplanError] = []
    files = find_files(folder, settings)
    crs = _stated_crs(settings, faults)
    marked = any(name.casefold().endswith(PHONE_SUFFIXES) for name in files.sites)
    tables = [read_site_file(folder / name, name, crs, beside_phone=marked) for name in files.sites]
    sites = sites_from_tables(tables, crs, crs_at_fault=settings.crs is not None and crs is None)
    changes = apply_changes(folder, sites, crs)
    faults.extend([*files.faults, *sites.faults, *changes.faults])
    headers = _headers(folder, files, faults)
    near_deg = _near(sites.sites)
    drawn = [name for name in files.cover if not is_extract(name)]
    cover = read_cover_features(_vector_files(folder, drawn, "cover", crs, faults, near_deg=near_deg))
    faults.extend(cover.faults)
    land = read_open_land(folder, [name for name in files.cover if is_extract(name)], near_deg, faults)
    cover.raw.extend(land.raw)
    cover.assumptions.extend(land.notes)
    boundary_files = _vector_files(folder, files.boundary, "boundary", crs, faults)
    boundary, boundary_faults, boundary_notes = boundary_of(boundary_files) if boundary_files else (None, [], [])
    faults.extend(boundary_faults)
    search_files = _vector_files(folder, files.search_ground, "search_ground", crs, faults)
    search, search_faults, search_notes = boundary_of(search_files, words=SEARCH_WORDS) if search_files else (None, [], [])
    faults.extend(search_faults)
    if sites.sites and not sites.faults:
        faults.extend(missing_roles(sites.sites, ", ".join(files.sites), may_be_found=settings.generate_gateways != 0))
    placed, outside = _inside_elevation(sites.sites, headers)
    faults.extend(outside)
    if not placed or not headers:
        raise_faults(faults)
        raise AssertionError("a property without sites or elevation must have a fault")
    whole = _on_grid(folder, settings, placed, (boundary, search), cover, headers, faults, land)
    return Property(
        folder=folder,
        settings=settings,
        sites=whole.sites,
        covers=whole.covers,
        boundary=whole.boundary,
        search_ground=whole.search_ground,
        elevation=whole.elevation,
        cover_reach_m=whole.cover_reach_m,
        accounted_m=whole.accounted_m,
        utilities=whole.utilities,
        wires_read=bool(land.credits),
        credits=_all_credits(folder, settings, files, (*land.credits, *whole.credits)),
        grid_sentence=whole.sentence,
        assumptions=tuple(
            reported_once(
                [
                    *files.assumptions,
                    whole.sentence,
                    *sites.assumptions,
                    *cover.assumptions,
                    *whole.notes,
                    *boundary_notes,
                    *search_notes,
                    *(note for header in headers for note in header.notes),
                    *_about_rasters(whole.elevation),
                    *whole.elevation.assumptions,
                ]
            )
        ),
        warnings=tuple(
            reported_once(
                [
                    *sites.warnings,
                    *cover.warnings,
                    *(note for _, file in boundary_files for note in file.warnings),
                    *whole.warnings,
                    *_against_recorders(whole.sites, sites.stated_amsl_m, whole.elevation),
                ]
            )
        ),
        changes=changes.rows,
    )


def _all_credits(folder: Path, settings: PropertySettings, files: PropertyFiles, known: Sequence[str]) -> tuple[str, ...]:
    """Return who must be named: those known from the files themselves, then those whom the fetched files in use ask to name."""
    names = [*(raster.file for raster in files.elevation), *measured_rasters(settings.land_cover), *files.cover, *files.boundary]
    more = [words for words in credits_of(folder, names) if not any(words.partition(" (")[0] in other for other in known)]
    return tuple(dict.fromkeys((*known, *more)))


def _against_recorders(sites: Sequence[Site], stated_amsl_m: Mapping[str, float], elevation: Elevation) -> list[str]:
    """Return what the heights that recorders wrote of the sites say against the rasters."""
    told = [site for site in sites if site.name in stated_amsl_m]
    if not told:
        return []
    column, row = elevation.grid.column_row([site.x_m for site in told], [site.y_m for site in told])
    ground_m = elevation.ground_amsl_m[np.rint(row).astype(int), np.rint(column).astype(int)]
    stated_m = np.array([stated_amsl_m[site.name] for site in told])
    return odd_stated_heights(stated_m, ground_m.astype(float), ", ".join(dict.fromkeys(s.where.split(", ")[0] for s in told)))


def _about_rasters(elevation: Elevation) -> list[str]:
    """Return a sentence for each raster that is used, and one for all others."""
    used = [raster.sentence for raster in elevation.rasters if raster.share_of_grid]
    others = [raster.file for raster in elevation.rasters if not raster.share_of_grid]
    return [*used, f"{', '.join(others)}: {UNUSED}."] if others else used


@dataclass(frozen=True, eq=False)
class _OnGrid:
    sites: tuple[Site, ...]
    covers: tuple[Cover, ...]
    boundary: shapely.Geometry | None
    search_ground: shapely.Geometry | None
    elevation: Elevation
    cover_reach_m: tuple[tuple[float, float, float, float], ...]
    accounted_m: tuple[tuple[float, float, float, float], ...] | None
    sentence: str
    warnings: tuple[str, ...]
    utilities: tuple[Utility, ...]
    notes: tuple[str, ...]
    credits: tuple[str, ...]


def _on_grid(
    folder: Path,
    settings: PropertySettings,
    sites: Sequence[Site],
    outlines: tuple[shapely.Geometry | None, shapely.Geometry | None],
    cover: CoverList,
    headers: Sequence[RasterHeader],
    faults: list[MeshplanError],
    open_land: OpenLand,
) -> _OnGrid:
    """Choose the grid, bring everything onto it, and raise all faults found until then and here.

    `outlines` are the boundary and the ground to search, in longitude and latitude.
    """
    lon = [site.lon_deg for site in sites]
    lat = [site.lat_deg for site in sites]
    for area in outlines:
        if area is not None:
            corners = shapely.get_coordinates(area.convex_hull)
            lon.extend(corners[:, 0].tolist())
            lat.extend(corners[:, 1].tolist())
    try:
        projection = choose_projection_for(lon, lat, headers)
        land = shapely.box(*land_box(lon, lat, projection, settings.terrain))
        everything = cover_on_grid(cover.raw, projection.crs)
        covers = tuple(item for item in everything if item.geometry.intersects(land))
        choice = choose_grid(
            lon[: len(sites)],
            lat[: len(sites)],
            headers,
            settings.terrain,
            projection=projection,
            land_deg=(lon, lat),
        )
        elevation = read_elevation(headers, choice.grid, smooth=settings.terrain.cell_m is not None)
        rasters = read_cover_rasters(folder, settings.land_cover, land, choice.grid)
        faults.extend(rasters.faults)
        elevation = replace(elevation, canopy_raster_m=rasters.canopy_m)
    except FaultList as several:
        raise_faults([*faults, *several.faults])
        raise
    except MeshplanError as fault:
        raise_faults([*faults, fault])
        raise
    x_m, y_m = point_mover(WGS84, projection.crs)([site.lon_deg for site in sites], [site.lat_deg for site in sites])
    placed = tuple(replace(site, x_m=float(x), y_m=float(y)) for site, x, y in zip(sites, x_m, y_m, strict=True))
    outline, search = (None if area is None else move_geometry(area, WGS84, projection.crs) for area in outlines)
    faults.extend(_wholly_elsewhere(everything, covers, settings, open_land, extracts_elsewhere(open_land, land, projection.crs)))
    faults.extend(_on_voids(placed, elevation))
    faults.extend(_outside_boundary(placed, outline))
    raise_faults(faults)
    warnings = (*elevation.warnings, *choice.warnings, *_off_the_land(cover, covers), *_in_buildings(placed, covers))
    read = bool(open_land.files or settings.land_cover.classes)
    accounted_m = accounted_boxes_m(open_land.accounted, land, projection.crs, rasters.accounted) if read else None
    covers = (*covers, *(item for item in rasters.covers if item.geometry.intersects(land)))
    reach_m = _reach_m(everything, open_land.files)
    wires = utilities_on_grid(open_land.utilities, projection.crs, land)
    return _OnGrid(
        placed,
        covers,
        outline,
        search,
        elevation,
        reach_m,
        accounted_m,
        choice.sentence,
        warnings,
        wires,
        tuple(rasters.notes),
        tuple(rasters.credits),
    )


def _reach_m(covers: Sequence[Cover], extracts: Sequence[str]) -> tuple[tuple[float, float, float, float], ...]:
    """Return the box around the shapes of each cover file that was drawn, in the order of the files."""
    by_file: dict[str, list[object]] = {}
    for item in covers:
        if item.where.split(", ")[0] in extracts:
            continue
        by_file.setdefault(item.where.split(", ")[0], []).append(item.geometry)
    boxes = []
    for shapes in by_file.values():
        west, south, east, north = shapely.total_bounds(shapes).tolist()
        boxes.append((west, south, east, north))
    return tuple(boxes)


def _near(sites: Sequence[Site]) -> tuple[float, float, float, float] | None:
    """Return a generous box of degrees around the sites; None where it would be no box."""
    if not sites:
        return None
    lon, lat = [site.lon_deg for site in sites], [site.lat_deg for site in sites]
    wide, high = max(lon) - min(lon), max(lat) - min(lat)
    if wide > _WIDEST_BOX_DEG or high > _WIDEST_BOX_DEG:
        return None
    more = 0.02 + max(wide, high)
    return min(lon) - more, max(-90.0, min(lat) - more), max(lon) + more, min(90.0, max(lat) + more)


def _stated_crs(settings: PropertySettings, faults: list[MeshplanError]) -> str | None:
    if settings.crs is None:
        return None
    try:
        parse_crs(settings.crs, f"{SETTINGS_FILE}, key 'crs'")
    except MeshplanError as fault:
        faults.append(fault)
        return None
    return settings.crs


def _vector_files(
    folder: Path,
    names: Sequence[str],
    key: str,
    crs: str | None,
    faults: list[MeshplanError],
    *,
    near_deg: tuple[float, float, float, float] | None = None,
) -> list[tuple[str, VectorFile]]:
    files = []
    for name in names:
        try:
            files.append((name, read_features(folder / name, name, key=key, default_crs=crs, near_deg=near_deg)))
        except MeshplanError as fault:
            faults.append(fault)
    return files


def _headers(folder: Path, files: PropertyFiles, faults: list[MeshplanError]) -> list[RasterHeader]:
    headers = []
    for raster in files.elevation:
        try:
            headers.append(open_header(folder / raster.file, raster.file, raster))
        except MeshplanError as fault:
            faults.append(fault)
    return as_products_hold(headers)


def _inside_elevation(sites: Sequence[Site], headers: Sequence[RasterHeader]) -> tuple[list[Site], list[MeshplanError]]:
    """Split the sites into those on some raster and the faults of the others."""
    if not sites or not headers:
        return list(sites), []
    lon = np.array([site.lon_deg for site in sites])
    lat = np.array([site.lat_deg for site in sites])
    inside = np.any([header.covers(lon, lat) for header in headers], axis=0)
    swapped = np.zeros_like(inside)
    possible = np.abs(lon) <= 90.0
    if possible.any():
        swapped[possible] = np.any([header.covers(lat[possible], lon[possible]) for header in headers], axis=0)
    faults: list[MeshplanError] = []
    for site, good, turned in zip(sites, inside, swapped, strict=True):
        if good:
            continue
        here = f"site '{site.name}' at lon {site.lon_deg:.5f}, lat {site.lat_deg:.5f} lies outside the elevation data"
        if turned:
            fix = (
                "Longitude and latitude look swapped: write "
                f"lon_deg = {plain(round(site.lat_deg, 7))}, lat_deg = {plain(round(site.lon_deg, 7))}."
            )
        else:
            fix = f"Correct its position, or add a raster there; the data reach {outside_hint(headers)}."
        faults.append(InputError(here, where=site.where, fix=fix))
    return [site for site, good in zip(sites, inside, strict=True) if good], faults


def _on_voids(sites: Sequence[Site], elevation: Elevation) -> list[MeshplanError]:
    known = known_at(elevation, [site.x_m for site in sites], [site.y_m for site in sites])
    return [
        InputError(
            f"site '{site.name}' stands on or beside a gap in the elevation data, its height is not known",
            where=site.where,
            fix="Add a raster that fills the gap, even a coarse one, or correct the position.",
        )
        for site, good in zip(sites, known, strict=True)
        if not good
    ]


def _outside_boundary(sites: Sequence[Site], boundary: shapely.Geometry | None) -> list[MeshplanError]:
    if boundary is None:
        return []
    away_m = shapely.distance(boundary, shapely.points([(site.x_m, site.y_m) for site in sites]))
    return [
        InputError(
            f"site '{site.name}' lies {away:.0f} m outside the boundary",
            where=site.where,
            fix="Correct its position, or draw the boundary around it.",
        )
        for site, away in zip(sites, away_m, strict=True)
        if away > BOUNDARY_TOLERANCE_M
    ]


def _wholly_elsewhere(
    everything: Sequence[Cover], kept: Sequence[Cover], settings: PropertySettings, open_land: OpenLand, extracts: Sequence[str]
) -> list[MeshplanError]:
    """Return the fault of each cover file of which no shape reaches the land, unless the user confirms that.

    Of an extract of OpenStreetMap all features count, since land where nothing stands has roads and fields.
    """
    reached = {item.where.split(", ")[0] for item in kept}
    missed = dict.fromkeys(name for item in everything if (name := item.where.split(", ")[0]) not in open_land.files)
    missed.update(dict.fromkeys(extracts))
    return [
        InputError(
            "none of its shapes reaches the land of the property: its projection or its place may be wrong",
            where=name,
            fix=f'Correct it, take it away, or confirm it: land_cover.elsewhere = ["{name}"] in property.toml.',
        )
        for name in missed
        if name not in reached and name not in settings.land_cover.elsewhere
    ]


def _off_the_land(cover: CoverList, kept: Sequence[Cover]) -> list[str]:
    """Tell how many shapes do not reach the property, if any."""
    lost = len(cover.raw) - len(kept)
    if not lost:
        return []
    files = ", ".join(dict.fromkeys(entry.feature.where.split(", ")[0] for entry in cover.raw))
    return [f"{files}: {lost} of {len(cover.raw)} shapes do not reach the property and are not used."]


def _in_buildings(sites: Sequence[Site], covers: Sequence[Cover]) -> list[str]:
    """Tell of sites that stand in a building and do not say so."""
    notes = []
    x_m, y_m = [site.x_m for site in sites], [site.y_m for site in sites]
    for building in covers:
        if not building.is_building:
            continue
        for index in np.flatnonzero(shapely.contains_xy(building.geometry, x_m, y_m)):
            site = sites[int(index)]
            if site.antenna_agl_m < building.height_m and site.indoors is None:
                wall = f' (indoors = "{building.wall}")' if building.wall else ""
                notes.append(
                    f"{site.where}: '{site.name}' stands inside '{building.name}' below its roof, "
                    "so its signal is taken to pass the wall. "
                    f"If the antenna is inside, say so{wall}; if not, move the site out of the outline."
                )
    return notes
