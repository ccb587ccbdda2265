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
from meshplan.links.link_table import LinkTable, compute_links, sample_count, sample_counts
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

THINNED_WORK: Final = 8
"""So many times `MOST_DRAWN_SAMPLES` may links to all cells take where only those are computed between which nothing is laid."""

THINNED_EVERY: Final = 3
"""Rows and columns from one node to the next; figures of the cells between are laid linearly where they change evenly."""

UNEVEN_DB, UNEVEN_CHANCE = 0.15, 0.04
"""Second differences of margin and chance at a node from which the cells around it are computed: a line through three nodes that
bend so much is off by an eighth of that between them, a kink by a quarter."""

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
    return max(1, math.ceil(math.sqrt(whole_work(prepared, stations, errors) / most)))


def whole_work(prepared: Prepared, stations: Sequence[Station], errors: ErrorFields) -> int:
    """Return what links from the worst of some stations to all cells take, in samples of height errors read from a lattice."""
    worst = max(stations, key=lambda station: work_of(prepared, station, errors.draws, 8))
    whole = work_of(prepared, worst, errors.draws)
    return whole * (WITHOUT_LATTICE if math.isinf(lattice_step_m(errors, prepared.landscape)) else 1)


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
    links = _Links(prepared, station, receiver_agl_m, season, errors, lattice, learned, cores)
    loss, margin, chance, uncertain = links.at(cells.rows, cells.columns, on_progress)
    unknown = ~np.isfinite(prepared.landscape.ground_amsl_m)

    def whole(values: Float32) -> Float32:
        spread_out = _spread_out(values.reshape(shape), cells.step, grid.shape)
        spread_out[unknown] = np.nan
        return spread_out

    elevation_spread_db = _spread_out(uncertain.reshape(shape), cells.step, grid.shape)
    return LandFigures(whole(loss), whole(margin), whole(chance), elevation_spread_db)


def figures_by_thinned_links(
    prepared: Prepared,
    station: Station,
    receiver_agl_m: float,
    season: int,
    errors: ErrorFields,
    lattice: ErrorLattice | None,
    *,
    most: int = MOST_DRAWN_SAMPLES,
    cores: int | None = None,
    on_progress: Callable[[int, int], None] | None = None,
) -> tuple[LandFigures, float]:
    """Return what `figures_by_links` does at every cell, of which only nodes and what is uneven between them are computed.

    Cells beside cover are all computed. So are those around nodes at which margin or chance bend, the most uneven first, as far as
    `most` samples go; the second result is the share of cells that should have been and were not.
    """
    grid = prepared.landscape.grid
    rows, columns = (np.unique([*range(0, count, THINNED_EVERY), count - 1]) for count in grid.shape)
    links = _Links(prepared, station, receiver_agl_m, season, errors, lattice, lambda table: table, cores)
    at = np.meshgrid(rows, columns, indexing="ij")
    found = links.at(at[0].ravel(), at[1].ravel(), on_progress)
    loss, margin, chance, uncertain = (values.reshape(at[0].shape) for values in found)
    bent = np.maximum(_second_difference(margin) / UNEVEN_DB, _second_difference(chance) / UNEVEN_CHANCE)
    bent = np.nan_to_num(bent, nan=np.inf)
    covered = _around(prepared.landscape.cover_index > 0, 1)
    per_block = np.maximum.reduce([bent[:-1, :-1], bent[1:, :-1], bent[:-1, 1:], bent[1:, 1:]])
    block = [np.minimum(np.searchsorted(edges, np.arange(count), "right") - 1, len(edges) - 2) for edges, count in
             zip((rows, columns), grid.shape, strict=True)]  # fmt: skip
    need = np.where(covered, np.inf, per_block[np.ix_(*block)])
    need[np.ix_(rows, columns)] = 0.0
    need[~np.isfinite(prepared.landscape.ground_amsl_m)] = 0.0
    whole = [_laid(values, rows, columns, grid.shape) for values in (loss, margin, chance)]
    doubt = _laid(uncertain.astype(np.float32), rows, columns, grid.shape) > 0.5
    todo = np.nonzero(need > 1.0)
    column, row = (float(part) for part in grid.column_row(station.site.x_m, station.site.y_m))
    lengths_m = grid.cell_m * np.hypot(todo[1] - column, todo[0] - row)
    order = np.argsort(lengths_m)
    work = np.empty(len(order))
    work[order] = sample_counts(np.maximum(lengths_m[order], NEAREST_M), prepared.landscape.sampled_as_m) * errors.draws
    first = np.argsort(-need[todo], kind="stable")
    first = np.sort(first[: int(np.searchsorted(np.cumsum(work[first]), most))])
    cells = todo[0][first], todo[1][first]
    if len(first):
        *again, uncertain_there = links.at(*cells, on_progress)
        for values, new in zip(whole, again, strict=True):
            values[cells] = new
        doubt[cells] = uncertain_there
    for values in whole:
        values[~np.isfinite(prepared.landscape.ground_amsl_m)] = np.nan
    left = (len(order) - len(first)) / max(int(np.isfinite(prepared.landscape.ground_amsl_m).sum()), 1)
    return LandFigures(whole[0], whole[1], whole[2], doubt), left


def _second_difference(values: Float32) -> Float32:
    """Return how much a figure bends at each node, in the direction in which it bends more; at the border that beside it."""
    found = np.zeros_like(values)
    for axis in (0, 1):
        if values.shape[axis] > 2:
            inner = np.abs(np.diff(values, 2, axis=axis))
            ends = [(1, 1) if one == axis else (0, 0) for one in (0, 1)]
            np.maximum(found, np.pad(inner, ends, mode="edge"), out=found)
    return found


def _around(cells: NDArray[np.bool_], reach: int) -> NDArray[np.bool_]:
    from scipy.ndimage import maximum_filter  # noqa: PLC0415 - heavy, and needed for rasters only

    return np.asarray(maximum_filter(cells, 2 * reach + 1))


def _laid(values: Float32, rows: NDArray[np.intp], columns: NDArray[np.intp], shape: tuple[int, int]) -> Float32:
    """Lay values of nodes linearly on all cells."""
    every_row, every_column = np.arange(shape[0], dtype=float), np.arange(shape[1], dtype=float)
    along = np.stack([np.interp(every_column, columns, line) for line in values])
    low = np.minimum(np.searchsorted(rows, every_row, "right") - 1, len(rows) - 2)
    share = ((every_row - rows[low]) / (rows[low + 1] - rows[low]))[:, None]
    return np.asarray(along[low] * (1.0 - share) + along[low + 1] * share, dtype=np.float32)


@dataclass(frozen=True, eq=False)
class _Links:
    """Links from a station to cells in one season."""

    prepared: Prepared
    station: Station
    receiver_agl_m: float
    season: int
    errors: ErrorFields
    lattice: ErrorLattice | None
    learned: Callable[[LinkTable], LinkTable]
    cores: int | None

    def at(
        self, rows: NDArray[np.intp], columns: NDArray[np.intp], on_progress: Callable[[int, int], None] | None
    ) -> tuple[Float32, Float32, Float32, NDArray[np.bool_]]:
        """Return loss, margin, chance and whether the land is the larger doubt; NaN where the ground is unknown."""
        prepared, station = self.prepared, self.station
        loss, margin, chance = (np.full(len(rows), np.nan, dtype=np.float32) for _ in range(3))
        uncertain = np.zeros(len(rows), dtype=bool)
        sensors = _Sensors(prepared, self.receiver_agl_m)
        for some in _blocks(prepared, rows, columns):
            x, y = (np.asarray(part, dtype=float) for part in prepared.landscape.grid.x_y(columns[some], rows[some]))
            # Nobody stands on the very spot of the transmitter.
            near = np.hypot(x - station.site.x_m, y - station.site.y_m) < NEAREST_M
            x = np.where(near, station.site.x_m + NEAREST_M, x)
            stations = (station, *sensors.at(x, y))
            pairs = np.stack([np.zeros(len(some), dtype=np.intp), np.arange(1, len(stations))], axis=1)
            table = self.learned(
                compute_links(
                    stations,
                    pairs,
                    prepared.landscape,
                    prepared.seasons,
                    prepared.path,
                    error_fields=self.errors,
                    error_lattice=self.lattice,
                    cores=self.cores,
                )
            )
            loss[some] = table.losses.total_db[self.season] + table.hidden_relief_db
            margin[some], chance[some] = table.margin_db[self.season], table.chance[self.season]
            uncertain[some] = 2.0 * table.elevation_spread_db**2 > table.spread_db[self.season] ** 2
            if on_progress is not None:
                on_progress(int(some[-1]) + 1, len(rows))
        return loss, margin, chance, uncertain


def _blocks(prepared: Prepared, rows: NDArray[np.intp], columns: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    known = np.flatnonzero(np.isfinite(prepared.landscape.ground_amsl_m[rows, columns]))
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
