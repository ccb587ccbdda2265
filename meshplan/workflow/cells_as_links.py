"""Cells of a coverage computed as the links to them: what a profile to each place tells, elevation draws and readings included."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.links.build_stations import build_stations
from meshplan.links.land_figures import NEAREST_M, LandFigures
from meshplan.links.link_table import LinkTable, compute_links, sample_count
from meshplan.loss.end_clutter import assumed_clutter
from meshplan.loss.error_fields import ErrorFields
from meshplan.loss.error_lattice import ErrorLattice, lattice_step_m
from meshplan.records import Role, Site
from meshplan.records.station import Station
from meshplan.terrain.cover_lattice import Cell, on_parts
from meshplan.terrain.profile import cover_at, ground_at
from meshplan.units import Array
from meshplan.workflow.prepare import Prepared, power_at

MOST_DRAWN_SAMPLES: Final = 2_000_000_000
"""Cells × elevation draws × samples of a station up to which every cell is computed as a link: some 30 s of one core over a raster
that hides relief, where sweeps over its draws take as long."""

MOST_LEARNED_SAMPLES: Final = 1_000_000_000
"""The same where readings correct each cell; on more land every second, third … cell stands for those around it."""

WITHOUT_LATTICE: Final = 10
"""So many times longer a sample takes where the land is too wide for a lattice of its height errors."""

BLOCK: Final = 4096
"""Cells worked on together."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Cells to compute: the middle ones of blocks of `step` × `step` cells."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    step: int


def work_of(prepared: Prepared, station: Station, draws: int, step: int = 1) -> int:
    """Return cells × elevation draws × samples of the links from a station to the cells of each `step`-th row and column."""
    grid = prepared.landscape.grid
    column, row = (float(part) for part in grid.column_row(station.site.x_m, station.site.y_m))
    lengths_m = grid.cell_m * np.hypot(*np.meshgrid(np.arange(grid.columns)[::step] - column, np.arange(grid.rows)[::step] - row))
    different, count = np.unique(np.rint(lengths_m).astype(int), return_counts=True)
    samples = [sample_count(max(float(length), NEAREST_M), prepared.landscape.sampled_as_m) for length in different]
    return int(np.dot(samples, count)) * max(draws, 1)


def every(prepared: Prepared, stations: Sequence[Station], errors: ErrorFields, most: int) -> int:
    """Return the least step of rows and columns at which the work for each station stays within a budget."""
    worst = max(stations, key=lambda station: work_of(prepared, station, errors.draws, 8))
    whole = work_of(prepared, worst, errors.draws)
    if math.isinf(lattice_step_m(errors, prepared.landscape)):
        whole *= WITHOUT_LATTICE
    return max(1, math.ceil(math.sqrt(whole / most)))


def cells_of(prepared: Prepared, step: int) -> Cells:
    """Return the middle cells of blocks whose ground is known."""
    grid = prepared.landscape.grid
    rows, columns = (
        np.minimum(np.arange(0, count, step) + step // 2, count - 1).astype(np.intp) for count in (grid.rows, grid.columns)
    )
    at = np.meshgrid(rows, columns, indexing="ij")
    return Cells(at[0].ravel(), at[1].ravel(), step)


def figures_by_links(
    prepared: Prepared,
    station: Station,
    cells: Cells,
    receiver_agl_m: float,
    season: int,
    errors: ErrorFields,
    lattice: ErrorLattice | None,
    learned: Callable[[LinkTable], LinkTable],
    *,
    cores: int | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> LandFigures:
    """Return what a sensor has at every cell from one station, in one season, as the links to the cells have it.

    Parameters
    ----------
    prepared : Prepared
    station : Station
    cells : Cells
        Each stands for the block around it.
    receiver_agl_m : float
    season : int
        Position in the seasons of `prepared`.
    errors : ErrorFields
    lattice : ErrorLattice or None
        The same errors under all of the land, for all stations.
    learned : callable
        Returns the links as readings correct them, or as they are.
    cores : int, optional
        Most threads.
    on_progress : callable, optional
        Called with cells done and cells in all.
    """
    grid = prepared.landscape.grid
    shape = -(-grid.rows // cells.step), -(-grid.columns // cells.step)
    loss, margin, chance = (np.full(len(cells.rows), np.nan, dtype=np.float32) for _ in range(3))
    uncertain = np.zeros(len(cells.rows), dtype=bool)
    sensors = _Sensors(prepared, receiver_agl_m)
    for some in _blocks(prepared, cells):
        x, y = (np.asarray(part, dtype=float) for part in grid.x_y(cells.columns[some], cells.rows[some]))
        # Nobody stands on the very spot of the transmitter.
        near = np.hypot(x - station.site.x_m, y - station.site.y_m) < NEAREST_M
        x = np.where(near, station.site.x_m + NEAREST_M, x)
        stations = (station, *sensors.at(x, y))
        pairs = np.stack([np.zeros(len(some), dtype=np.intp), np.arange(1, len(stations))], axis=1)
        table = learned(
            compute_links(
                stations,
                pairs,
                prepared.landscape,
                prepared.seasons,
                prepared.path,
                error_fields=errors,
                error_lattice=lattice,
                cores=cores,
            )
        )
        loss[some] = table.losses.total_db[season] + table.hidden_relief_db
        margin[some], chance[some] = table.margin_db[season], table.chance[season]
        uncertain[some] = 2.0 * table.elevation_spread_db**2 > table.spread_db[season] ** 2
        if on_progress is not None:
            on_progress(int(some[-1]) + 1, len(cells.rows))
    unknown = ~np.isfinite(prepared.landscape.ground_amsl_m)

    def whole(values: Float32) -> Float32:
        spread_out = _spread_out(values.reshape(shape), cells.step, grid.shape)
        spread_out[unknown] = np.nan
        return spread_out

    elevation_spread_db = _spread_out(uncertain.reshape(shape), cells.step, grid.shape)
    return LandFigures(whole(loss), whole(margin), whole(chance), elevation_spread_db)


def _blocks(prepared: Prepared, cells: Cells) -> Iterator[NDArray[np.intp]]:
    known = np.flatnonzero(np.isfinite(prepared.landscape.ground_amsl_m[cells.rows, cells.columns]))
    for first in range(0, len(known), BLOCK):
        yield known[first : first + BLOCK]


class _Sensors:
    """The sensors that a profile takes at places that are no sites.

    Stations on the same cover differ in place, ground and unmapped land alone: one of each kind is built, the others are copies.
    """

    def __init__(self, prepared: Prepared, receiver_agl_m: float) -> None:
        self.prepared, self.receiver_agl_m = prepared, receiver_agl_m
        self.power_for = power_at(prepared.base)
        self.built: dict[int, Station] = {}

    def at(self, x_m: Array, y_m: Array) -> tuple[Station, ...]:
        """Return a sensor at each place."""
        land = self.prepared.landscape
        unmapped = land.mapped.unmapped_share(x_m, y_m).tolist()
        ground = ground_at(land, x_m, y_m).tolist()
        stations = []
        for i, (x, y, on) in enumerate(zip(x_m.tolist(), y_m.tolist(), cover_at(land, x_m, y_m).tolist(), strict=True)):
            site = Site(f"cell {i}", Role.SENSOR, 0.0, 0.0, x, y, self.receiver_agl_m)
            if on not in self.built:
                self.built[on] = self._build(site)
            clutter = assumed_clutter(land.mapped.unmapped, unmapped[i])
            stations.append(replace(self.built[on], key=site.name, site=site, ground_amsl_m=ground[i], clutter=clutter))
        return tuple(stations)

    def _build(self, site: Site) -> Station:
        base, land = self.prepared.base, self.prepared.landscape
        settings = self.prepared.found.settings
        return build_stations((site,), land, self.prepared.radio, base.antennas, base.cables, settings, self.power_for)[0][0]


def _spread_out(values: NDArray[Cell], step: int, shape: tuple[int, int]) -> NDArray[Cell]:
    """Return the values of blocks on all of their cells."""
    return on_parts(values, step)[: shape[0], : shape[1]].copy()
