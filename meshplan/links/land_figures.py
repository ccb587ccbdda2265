"""Loss, margin and chance of a sensor at every cell of the land, from sweeps: `links.link_table` for rasters."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.links.cells_again import CellLinks, compute_again, places
from meshplan.links.margins import (
    antenna_spread_db,
    fade_margin_db,
    link_margins,
    model_spread_db,
    soil_spread_db,
    spread_of_all_db,
)
from meshplan.loss.elevation_draws_field import ElevationDrawsField
from meshplan.loss.fast import StandingCover, SweepLoss, Transmitter, sweep_parts
from meshplan.loss.indoor_legs import indoor_leg
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.raised_field import RaisedField
from meshplan.loss.standing_cover import radio_path
from meshplan.loss.uncertainty import chance_of
from meshplan.propagation.free_space import free_space_loss_db, slant_distance_m
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import LEAST_SAMPLES, ground_at
from meshplan.units import Array

BLOCK_CELLS: Final = 200_000
"""Cells worked on together: some twenty arrays of this length."""

NEAREST_M: Final = 1.0
"""Nobody stands nearer to a transmitter."""


@dataclass(frozen=True, eq=False)
class Receivers:
    """Who would listen at each cell: a sensor in the open, or one behind the walls of a building."""

    sensors: tuple[Station, ...]
    which: NDArray[np.uint8]
    """Position in `sensors`, for each cover index."""
    within: NDArray[np.bool_]
    """Whether a receiver stands inside that cover rather than on its roof."""


@dataclass(frozen=True, eq=False)
class LandFigures:
    """What a sensor would have at each cell; shape (rows, columns), NaN where the ground is unknown."""

    loss_db: Float32
    margin_db: Float32
    chance: Float32
    land_uncertain: NDArray[np.bool_]
    """Whether the elevation is a larger uncertainty than everything else."""


def receivers_on(
    landscape: Landscape, receiver_agl_m: float, sensor_at: Callable[[float, float], Station], in_the_open: Station
) -> Receivers:
    """Return the receivers of a height; `sensor_at` makes the station of a place, which matters inside buildings alone."""
    sensors: list[Station] = [in_the_open]
    known: dict[str | None, int] = {}
    which = np.zeros(len(landscape.covers) + 1, dtype=np.uint8)
    within = np.zeros(len(landscape.covers) + 1, dtype=bool)
    for number, cover in enumerate(landscape.covers, start=1):
        if not cover.is_building or receiver_agl_m >= cover.height_m:
            continue
        within[number] = True
        if cover.wall not in known:
            cells = np.flatnonzero(landscape.cover_index.ravel() == number)
            if not len(cells):
                continue
            row, column = divmod(int(cells[0]), landscape.grid.columns)
            x, y = landscape.grid.x_y(column, row)
            known[cover.wall] = len(sensors)
            sensors.append(sensor_at(float(x), float(y)))
        which[number] = known[cover.wall]
    return Receivers(tuple(sensors), which, within)


def swept_from(
    landscape: Landscape,
    station: Station,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    cover: StandingCover | None,
    *,
    cores: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> SweepLoss:
    """Return the sweep of a station from where it stands.

    Receivers inside a building have no walls of that building on their way: they are computed one by one.
    """
    found, links = _sweep_and_links(landscape, station, antenna_agl_m, receiver_agl_m, settings, cover, cores, notify)
    if cover is not None and links.inside.any():
        links.write(places(np.isfinite(found.loss_db) & links.inside), found, np.zeros_like(found.loss_db))
    return found


def as_links_from(
    landscape: Landscape,
    station: Station,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    cover: StandingCover | None,
    *,
    most_samples: int,
    cores: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> tuple[SweepLoss, Float32]:
    """Return the loss at every cell as links to them have it, and what they lose behind hills.

    Where links to all cells take at most `most_samples`, all are computed one by one; else the land is swept and those cells are
    computed in which that may be off (`cells_again`). Land that counts as unmapped is swept, as all losses from raised ends are.
    """
    found, links = _sweep_and_links(landscape, station, antenna_agl_m, receiver_agl_m, settings, cover, cores, notify)
    behind_hill_db = np.zeros_like(found.loss_db)
    known = np.isfinite(found.loss_db)
    if LEAST_SAMPLES * int(known.sum()) <= most_samples:
        cells = places(known)
        if int(links.counts(cells).sum()) <= most_samples:
            links.write(cells, found, behind_hill_db)
            return found, behind_hill_db
    compute_again(links, found, behind_hill_db, known)
    if cover is not None and links.inside.any():
        links.write(places(known & links.inside), found, behind_hill_db)
    return found, behind_hill_db


def _sweep_and_links(
    landscape: Landscape,
    station: Station,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    cover: StandingCover | None,
    cores: int | None,
    notify: Callable[[str], None] | None,
) -> tuple[SweepLoss, CellLinks]:
    grid, path = landscape.grid, radio_path(settings)
    column, row = (float(part) for part in grid.column_row(station.site.x_m, station.site.y_m))
    at = round(row), round(column)
    here = Transmitter(
        *at,
        antenna_agl_m,
        station.inside,
        row_off=row - at[0],
        column_off=column - at[1],
        ground_amsl_m=float(ground_at(landscape, station.site.x_m, station.site.y_m)),
    )
    found = sweep_parts(landscape.ground_amsl_m, grid.cell_m, here, receiver_agl_m, path, cover=cover, cores=cores, notify=notify)
    inside = _inside(landscape, receiver_agl_m)
    return found, CellLinks(landscape, station, antenna_agl_m, receiver_agl_m, path, cover, inside, cores, notify)


def _inside(landscape: Landscape, receiver_agl_m: float) -> NDArray[np.bool_]:
    """Return the cells where a receiver stands inside a building."""
    low = [cover.is_building and receiver_agl_m < cover.height_m for cover in landscape.covers]
    return np.asarray(np.array([False, *low])[landscape.cover_index])


def figures_on_land(
    landscape: Landscape,
    station: Station,
    receivers: Receivers,
    swept: SweepLoss,
    behind_hill_db: Float32,
    most_cover_db: Float32,
    raised: RaisedField | None,
    drawn: ElevationDrawsField,
    settings: PathSettings,
    weather_db: float,
    *,
    as_links: bool = False,
) -> LandFigures:
    """Return what sensors at all cells have of a station.

    Parameters
    ----------
    landscape : Landscape
    station : Station
    receivers : Receivers
    swept : SweepLoss
        Of `swept_from`.
    behind_hill_db : ndarray
        Of `behind_hill_field_db` or `as_links_from`.
    most_cover_db : ndarray
        Loss of cover in whatever season has most: it tells which paths are obstructed.
    raised : RaisedField or None
    drawn : ElevationDrawsField
    settings : PathSettings
    weather_db : float
        Loss at each wet antenna.
    as_links : bool
        Whether `swept` holds the losses of links, at whose steps `drawn.finer_db` is nothing.
    """
    shape = landscape.grid.shape
    loss, margin, chance = (np.full(shape, np.nan, dtype=np.float32) for _ in range(3))
    uncertain = np.zeros(shape, dtype=bool)
    stations = (station, *receivers.sensors)
    fades = np.array([fade_margin_db(sensor, station) for sensor in receivers.sensors])
    for block in _blocks(shape):
        grid, cover_index = landscape.grid, landscape.cover_index[block]
        rows, columns = np.indices(cover_index.shape)
        x, y = grid.x_y(columns, rows + block.start)
        across, up = (x - station.site.x_m).ravel(), (y - station.site.y_m).ravel()
        distance = np.hypot(across, up)
        bearing = np.degrees(np.arctan2(across, up)) % 360.0
        receiver_agl_m = receivers.sensors[0].antenna_agl_m
        ground = landscape.ground_amsl_m[block].ravel().astype(float)
        rise = ground + receiver_agl_m - station.ground_amsl_m - station.antenna_agl_m
        slant = np.maximum(slant_distance_m(distance, rise), NEAREST_M)
        free_space = free_space_loss_db(slant, settings.frequency_mhz)
        terrain, covered, smooth = (
            part[block].ravel().astype(float) for part in (swept.terrain_db, swept.cover_db, swept.smooth_db)
        )
        bare = terrain if as_links else terrain + drawn.finer_db[block].ravel()
        excess = bare + behind_hill_db[block].ravel() + covered
        plants = swept.plants_spread_db[block].ravel().astype(float)
        hidden, elevation = drawn.hidden_relief_db[block].ravel(), drawn.spread_db[block].ravel().astype(float)
        around: Array = np.zeros(len(distance))
        if raised is not None:
            excess = excess + raised.extra_db[block].ravel()
            around = raised.spread_db[block].ravel()
        total = free_space + excess + hidden
        kind = receivers.which[cover_index].ravel().astype(np.intp)
        rooms = (cover_index.ravel() == station.inside) & receivers.within[cover_index].ravel() & (station.inside > 0)
        a, b = np.zeros(len(distance), dtype=np.intp), kind + 1
        model = model_spread_db(
            bare - smooth + np.maximum(covered, most_cover_db[block].ravel()), _unmapped_ends(raised, block, len(distance))
        )
        soil = soil_spread_db(smooth > 0.0)
        for cell in np.flatnonzero(rooms):
            height_m = receiver_agl_m - station.antenna_agl_m
            slant_m = float(np.hypot(distance[cell], height_m))
            leg = indoor_leg(
                landscape.covers[station.inside - 1],
                max(slant_m, NEAREST_M),
                abs(height_m),
                settings.frequency_mhz,
                least_db=float(free_space[cell]),
            )
            total[cell], model[cell] = leg.total_db, leg.spread_db
            elevation[cell] = soil[cell] = plants[cell] = around[cell] = 0.0
        margins = link_margins(stations, a, b, bearing, distance, rise, total, weather_db, rooms).weaker_db
        spread = spread_of_all_db(model, elevation, soil, antenna_spread_db(stations, a, b, rooms), plants, around)
        here = cover_index.shape
        uncertain[block] = (2.0 * elevation**2 > spread**2).reshape(here)
        loss[block], margin[block] = total.reshape(here), margins.reshape(here)
        chance[block] = chance_of(margins, fades[kind], spread).reshape(here)
    unknown = ~np.isfinite(swept.loss_db)
    for values in (loss, margin, chance):
        values[unknown] = np.nan
    return LandFigures(loss, margin, chance, uncertain)


def _unmapped_ends(raised: RaisedField | None, block: slice, cells: int) -> Sequence[tuple[Array, Array]]:
    if raised is None:
        return [(np.zeros(cells), np.zeros(cells))] * 2
    return [
        (least[block].ravel(), share[block].ravel())
        for least, share in zip(raised.model_spread_db, raised.model_share, strict=True)
    ]


def _blocks(shape: tuple[int, int]) -> Iterator[slice]:
    height = max(1, BLOCK_CELLS // shape[1])
    for first in range(0, shape[0], height):
        yield slice(first, min(first + height, shape[0]))


def with_behind_hill(swept: SweepLoss, behind_hill_db: Float32) -> SweepLoss:
    """Return a sweep with the ground loss behind hills in its terrain."""
    return replace(swept, loss_db=swept.loss_db + behind_hill_db, terrain_db=swept.terrain_db + behind_hill_db)
