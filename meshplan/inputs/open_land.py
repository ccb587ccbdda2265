"""What open data say of the land: extracts of OpenStreetMap as cover, and where they account for it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Final

import numpy as np
import shapely

from meshplan.errors import MeshplanError
from meshplan.inputs.cover import RawCover
from meshplan.inputs.osm_cover import CREDIT, osm_cover
from meshplan.inputs.osm_file import OsmFeature, read_osm
from meshplan.inputs.osm_utilities import osm_utilities
from meshplan.inputs.vector import WGS84, move_geometry
from meshplan.records.utility import Utility

Box = tuple[float, float, float, float]

TILE_M: Final = 50.0
"""Side of the squares on which it is judged whether an extract accounts for the land (own choice)."""
TILE_SHARE: Final = 0.5
"""Share of a square that mapped areas must cover for that (own choice)."""
MOST_TILES: Final = 4096


@dataclass
class OpenLand:
    """What extracts hold, all together."""

    files: list[str] = field(default_factory=list)
    raw: list[RawCover] = field(default_factory=list)
    accounted: list[shapely.Geometry] = field(default_factory=list)
    """Areas in degrees of which an extract says what stands there, bare ones too."""
    notes: list[str] = field(default_factory=list)
    features: dict[str, list[shapely.Geometry]] = field(default_factory=dict)
    """All that each extract holds near the property, understood or not, in degrees."""
    utilities: list[Utility] = field(default_factory=list)
    """Wires and pipes, in degrees."""
    credits: list[str] = field(default_factory=list)


def read_open_land(folder: Path, names: Sequence[str], near_deg: Box | None, faults: list[MeshplanError]) -> OpenLand:
    """Return what the extracts of a property hold near it; what cannot be read is added to `faults`."""
    land = OpenLand()
    seen: set[tuple[str, bytes]] = set()
    for name in names:
        land.files.append(name)
        try:
            extract = read_osm(folder / name, name, near_deg=near_deg)
        except MeshplanError as fault:
            faults.append(fault)
            continue
        land.features[name] = [one.geometry for one in extract.features]
        fresh = tuple(one for one in extract.features if _same(one, name) not in seen)
        twice = len(extract.features) - len(fresh)
        seen |= {_same(one, name) for one in fresh}
        if twice:
            land.notes.append(f"{name}: {twice} features stand in another extract as well, and count once.")
            if not fresh:
                continue
            extract = replace(extract, features=fresh)
        found = osm_cover(extract, name)
        land.raw += found.raw
        land.accounted += found.accounted
        land.notes += found.notes
        wires = osm_utilities(extract, name)
        land.utilities += wires.items
        land.notes += wires.notes
        land.credits = [CREDIT]
    return land


def _same(one: OsmFeature, name: str) -> tuple[str, bytes]:
    """Return what two extracts that overlap have alike of a feature that is whole in both: its number, and its shape."""
    return one.where.removeprefix(name), bytes(shapely.to_wkb(one.geometry))


def extracts_elsewhere(open_land: OpenLand, land: shapely.Geometry, crs: str) -> list[str]:
    """Return the extracts of which nothing at all, not even a road, reaches the land (a polygon in `crs`)."""
    corners = shapely.segmentize(land, (land.bounds[2] - land.bounds[0]) / 8)
    land_deg = move_geometry(corners, crs, WGS84)
    shapely.prepare(land_deg)
    return [name for name, shapes in open_land.features.items() if not any(land_deg.intersects(shape) for shape in shapes)]


def accounted_boxes_m(
    areas_deg: Sequence[shapely.Geometry], land: shapely.Geometry, crs: str, areas_m: Sequence[shapely.Geometry] = ()
) -> tuple[Box, ...]:
    """Return boxes on the grid, side by side, of the squares that mapped areas cover by half or more.

    An extract holds what somebody mapped, so its outer limits say nothing: land between the areas is no bare land.

    Parameters
    ----------
    areas_deg
        Areas of which is told what stands there, in degrees.
    land
        Box of the land in `crs`.
    areas_m
        More such areas, in `crs`.
    """
    shapes = np.empty(len(areas_deg), dtype=object)
    shapes[:] = list(areas_deg)
    moved = [] if not len(areas_deg) else list(move_geometry(shapes, WGS84, crs))
    moved = [shape for shape in (*moved, *areas_m) if shape.intersects(land)]
    if not moved:
        return ()
    west, south, east, north = land.bounds
    side_m = max(TILE_M, float(np.sqrt((east - west) * (north - south) / MOST_TILES)))
    columns, rows = int(np.ceil((east - west) / side_m)), int(np.ceil((north - south) / side_m))
    whole = shapely.union_all([shapely.make_valid(shape) for shape in moved])
    left = west + side_m * np.arange(columns)
    bottom = south + side_m * np.arange(rows)
    tiles = shapely.box(left[None, :], bottom[:, None], left[None, :] + side_m, bottom[:, None] + side_m)
    shapely.prepare(whole)
    share = np.where(shapely.contains_properly(whole, tiles), 1.0, 0.0)
    unsure = (share == 0.0) & shapely.intersects(whole, tiles)
    share[unsure] = shapely.area(shapely.intersection(tiles[unsure], whole)) / side_m**2
    return tuple(_runs(share >= TILE_SHARE, west, south, side_m))


def _runs(known: np.ndarray, west: float, south: float, side_m: float) -> list[Box]:
    """Return the true cells as boxes, cells of a row and equal rows joined."""
    boxes: list[Box] = []
    open_runs: dict[tuple[int, int], int] = {}
    for row in range(known.shape[0] + 1):
        cells = known[row] if row < known.shape[0] else np.zeros(known.shape[1], dtype=bool)
        steps = np.flatnonzero(np.diff(np.concatenate([[False], cells, [False]]).astype(np.int8)))
        runs = {(int(a), int(b)) for a, b in zip(steps[::2], steps[1::2], strict=True)}
        for first, last in sorted(set(open_runs) - runs):
            start = open_runs.pop((first, last))
            boxes.append((west + first * side_m, south + start * side_m, west + last * side_m, south + row * side_m))
        for run in sorted(runs - set(open_runs)):
            open_runs[run] = row
    return boxes
