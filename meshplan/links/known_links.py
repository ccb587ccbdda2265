"""Links of a property that was changed a little: what a path hangs on is compared, and only other paths are computed.

A path is known where both its ends stand as before (place, height, clutter, building) over the same heights and with the same cover
on and beside it, at the same frequency and in the same seasons. Nothing is said here of what a user may change: a moved site, a
felled wood or another radio class all come out as ends, cells or settings that differ.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from meshplan.grid import Elevation, RasterNodes
from meshplan.links.link_table import LinkTable, OnProgress, compute_links, table_of_losses
from meshplan.links.mixture import join_losses, losses_of_rows
from meshplan.loss.bypass_paths import FURTHEST_ASIDE_M
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.uncertainty import ErrorFields
from meshplan.propagation.seasons import Season
from meshplan.records import Cover
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape


@dataclass(frozen=True, eq=False)
class KnownLinks:
    """Links as they were computed, before any reading corrected them, with what their paths lay over."""

    table: LinkTable
    landscape: Landscape
    settings: PathSettings
    draws: int
    """Elevation draws; 0 where the elevation counted as exact."""


def links_with_known(
    known: KnownLinks,
    stations: Sequence[Station],
    pairs: NDArray[np.intp],
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    *,
    error_fields: ErrorFields | None = None,
    on_progress: OnProgress | None = None,
) -> LinkTable:
    """Return what `compute_links` returns, to the bit, with the paths taken over that are known.

    Parameters
    ----------
    known : KnownLinks
        Of the property before.
    stations, pairs, landscape, seasons, settings, error_fields, on_progress
        As for `compute_links`.
    """
    pairs = np.asarray(pairs, dtype=np.intp).reshape(-1, 2)
    old = np.full(len(pairs), -1, dtype=np.intp)
    draws = error_fields.draws if error_fields is not None else 0
    if settings == known.settings and tuple(seasons) == known.table.seasons and draws == known.draws:
        old = _known_rows(known, stations, pairs, landscape)
    kept, fresh = np.flatnonzero(old >= 0), np.flatnonzero(old < 0)
    computed = None
    if len(fresh) or not len(kept):
        computed = compute_links(
            stations, pairs[fresh], landscape, seasons, settings, error_fields=error_fields, on_progress=on_progress
        )
        if not len(kept):
            return computed
    back = np.argsort(np.concatenate([kept, fresh]), kind="stable")
    taken = [(known.table, old[kept])] + ([(computed, np.arange(len(fresh)))] if computed is not None else [])
    losses = losses_of_rows(join_losses([losses_of_rows(table.losses, rows) for table, rows in taken]), back)
    x, y = (np.array([getattr(station.site, name) for station in stations]) for name in ("x_m", "y_m"))
    a, b = pairs[:, 0], pairs[:, 1]
    return table_of_losses(
        stations,
        tuple(seasons),
        pairs,
        np.hypot(x[b] - x[a], y[b] - y[a]),
        np.degrees(np.arctan2(x[b] - x[a], y[b] - y[a])) % 360.0,
        losses,
        np.concatenate([table.samples[rows] for table, rows in taken])[back],
        np.concatenate([table.elevation_shift_db[rows] for table, rows in taken])[back],
        np.concatenate([table.hidden_relief_db[rows] for table, rows in taken])[back],
        {int(fresh[row]): leg for row, leg in computed.indoor_legs.items()} if computed is not None else {},
    )


def _known_rows(known: KnownLinks, stations: Sequence[Station], pairs: NDArray[np.intp], landscape: Landscape) -> NDArray[np.intp]:
    """Return the row of the known links that each pair may take over; -1 where its path must be computed."""
    rows = np.full(len(pairs), -1, dtype=np.intp)
    before = known.landscape
    if not same_heights(before.elevation, landscape.elevation):
        return rows
    changed = _changed_box(before, landscape)
    if changed is None:
        return rows
    ends_before = [_end(station, before) for station in known.table.stations]
    row_of = {
        (ends_before[i], ends_before[j]): row
        for row, (i, j) in enumerate(known.table.pairs)
        if row not in known.table.indoor_legs  # rooms are cheap, and their losses are no longer those of the path
    }
    ends = [_end(station, landscape) for station in stations]
    for number, (i, j) in enumerate(pairs):
        rows[number] = row_of.get((ends[i], ends[j]), -1)
    if not changed.is_empty:
        places = np.array([(station.site.x_m, station.site.y_m) for station in stations])
        lines = shapely.linestrings(places[pairs])
        reach_m = FURTHEST_ASIDE_M + 3.0 * landscape.cover_lattice.grid.cell_m
        rows[shapely.distance(lines, changed) <= reach_m] = -1
    return rows


def _end(station: Station, landscape: Landscape) -> Hashable:
    """Return all of a station that the loss of a path to it hangs on."""
    building = _stands(landscape.covers[station.inside - 1]) if station.inside else None
    return station.site.x_m, station.site.y_m, station.antenna_agl_m, station.clutter, building


def _stands(cover: Cover) -> Hashable:
    """Return all of a piece of cover that losses hang on: not its name, nor where it was read."""
    months, shape = tuple(cover.heights_by_month_m), shapely.to_wkb(cover.geometry)
    return cover.kind, shape, cover.height_m, months, cover.wall, cover.row_azimuth_deg


def _changed_box(before: Landscape, after: Landscape) -> shapely.Geometry | None:
    """Return a box around all cells whose cover differs, empty where none does; None where the lattices cannot be compared."""
    one, other = before.cover_lattice, after.cover_lattice
    if before.ground_is_surface != after.ground_is_surface or one.grid != other.grid:
        return None
    numbers: dict[Hashable, int] = {}
    same = [
        np.array([-1, *(numbers.setdefault(_stands(cover), len(numbers)) for cover in landscape.covers)])
        for landscape in (before, after)
    ]
    differs = same[0][one.index] != same[1][other.index]
    for first, second, full in ((one.share, other.share, 1.0), (one.canopy_m, other.canopy_m, np.nan)):
        if first is not second and (first is not None or second is not None):
            pair = [np.full(one.grid.shape, full, dtype=np.float32) if part is None else part for part in (first, second)]
            differs |= (pair[0] != pair[1]) & ~(np.isnan(pair[0]) & np.isnan(pair[1]))
    rows, columns = np.nonzero(differs)
    if not len(rows):
        return shapely.Polygon()
    west, north = one.grid.x_y(columns.min() - 0.5, rows.min() - 0.5)
    east, south = one.grid.x_y(columns.max() + 0.5, rows.max() + 0.5)
    return shapely.box(float(west), float(south), float(east), float(north))


def same_heights(one: Elevation, other: Elevation) -> bool:
    """Return whether two readings of elevation hold the same, to the last height."""
    if one is other:
        return True
    notes = [(e.grid, e.ground_is_surface, e.sampled_as_m, [tuple(vars(note).items()) for note in e.rasters]) for e in (one, other)]
    return (
        notes[0] == notes[1]
        and len(one.nodes) == len(other.nodes)
        and all(_same_nodes(a, b) for a, b in zip(one.nodes, other.nodes, strict=True))
        and np.array_equal(one.raster_index, other.raster_index)
        and np.array_equal(one.ground_amsl_m, other.ground_amsl_m, equal_nan=True)
        and (one.surface_amsl_m is None) == (other.surface_amsl_m is None)
        and (
            one.surface_amsl_m is None
            or other.surface_amsl_m is None
            or np.array_equal(one.surface_amsl_m, other.surface_amsl_m, equal_nan=True)
        )
    )


def _same_nodes(one: RasterNodes | None, other: RasterNodes | None) -> bool:
    if one is None or other is None:
        return one is other
    rest = [{name: value for name, value in vars(nodes).items() if name != "heights_m"} for nodes in (one, other)]
    return rest[0] == rest[1] and np.array_equal(one.heights_m, other.heights_m, equal_nan=True)
