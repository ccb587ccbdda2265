"""All candidate links of a property at once: losses, margins both ways, spread and chance, season by season."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from meshplan.links.margins import (
    antenna_spread_db,
    fade_margin_db,
    link_margins,
    model_spread_db,
    soil_spread_db,
    spread_of_all_db,
)
from meshplan.loss.bypass_paths import row_bypass_losses_db
from meshplan.loss.elevation_draws import relief_hides, terrain_draws_db
from meshplan.loss.error_lattice import ErrorLattice
from meshplan.loss.fast.thread_pool import run_pieces
from meshplan.loss.indoor_legs import IndoorLeg, indoor_legs, with_indoor_legs
from meshplan.loss.path_loss import Ends, PathLosses, PathSettings
from meshplan.loss.raised_ends import end_tops, raised_paths
from meshplan.loss.uncertainty import ErrorFields, chance_of
from meshplan.propagation.seasons import Season
from meshplan.records.short_form import Facts, ShortForm
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import MOST_SAMPLES, choose_sample_count, sample_profiles
from meshplan.units import Array

OnProgress = Callable[[int, int], None]

CHUNK_SAMPLES = 131_072
"""Samples computed together: ten arrays of this size stay in a usual cache."""

COMPILED_FROM_SAMPLES = 2_000_000
"""Samples of all links from which compiled code earns its start over elevation draws; the figures are the same to the bit."""

SAMPLES_EXACT_TO = 32
"""Profiles up to this long take one sample a cell; longer ones share counts, at most a sixteenth more, so that they batch."""


@dataclass(frozen=True, eq=False, repr=False)
class LinkTable(ShortForm):
    """Links between stations; arrays have shape (n_links,) or (n_seasons, n_links). `pairs` has shape (n_links, 2)."""

    stations: tuple[Station, ...]
    seasons: tuple[Season, ...]
    pairs: NDArray[np.intp]
    distance_m: Array
    bearing_deg: Array
    losses: PathLosses
    samples: NDArray[np.intp]
    gain_a_dbi: Array
    gain_b_dbi: Array
    received_at_b_dbm: Array
    received_at_a_dbm: Array
    margin_at_b_db: Array
    margin_at_a_db: Array
    fade_margin_db: Array
    model_spread_db: Array
    elevation_spread_db: Array
    elevation_shift_db: NDArray[np.float32]
    """How each elevation draw changes the loss, the same grounds for all links; shape (n_links, n_draws)."""
    hidden_relief_db: Array
    """Mean loss over the elevation draws of coarse rasters less that over the ground as mapped; may be below zero."""
    soil_spread_db: Array
    antenna_spread_db: Array
    indoor_legs: dict[int, IndoorLeg]
    """Links that stay inside one building, by row."""
    chance: Array
    """Of the weaker direction that the radio needs; shape (n_seasons, n_links)."""
    learned_db: Array | None = None
    """What readings add to the power, already in powers and margins; shape (n_seasons, n_links)."""
    tail_freedom: Array | None = None
    """Degrees of freedom of the loss where readings taught how far off single links may be, already in the chance; shape
    (n_seasons, n_links)."""

    def short_facts(self) -> Facts:
        """Return how many links, stations and seasons."""
        return (
            ("links", len(self.pairs)),
            ("stations", len(self.stations)),
            ("seasons", [season.name for season in self.seasons]),
        )

    @cached_property
    def margin_db(self) -> Array:
        """Median margin of the weaker direction that the radio needs; shape (n_seasons, n_links)."""
        return np.asarray(np.minimum(self.margin_at_b_db, self.margin_at_a_db))

    @property
    def spread_db(self) -> Array:
        """Standard deviation of all causes; shape (n_seasons, n_links)."""
        return spread_of_all_db(
            self.model_spread_db,
            self.elevation_spread_db,
            self.soil_spread_db,
            self.antenna_spread_db,
            self.losses.vegetation_spread_db,
            self.clutter_spread_db,
        )

    @property
    def clutter_spread_db(self) -> Array:
        """Standard deviation of what stands around both ends; shape (n_seasons, n_links)."""
        return np.asarray(np.hypot(self.losses.clutter_spread_a_db, self.losses.clutter_spread_b_db))

    def freedom(self, season: int, row: int) -> float:
        """Return the degrees of freedom of the loss of a link; infinite for the normal distribution."""
        return np.inf if self.tail_freedom is None else float(self.tail_freedom[season, row])

    @cached_property
    def worst_season(self) -> NDArray[np.intp]:
        """Season with the least chance of each link."""
        return np.asarray(np.argmin(np.where(np.isnan(self.chance), 2.0, self.chance), axis=0))

    @cached_property
    def worst_chance(self) -> Array:
        """Chance in the worst season, shape (n_links,); zero where the ground is unknown."""
        return np.asarray(np.nan_to_num(self.chance, nan=0.0).min(axis=0))


def compute_links(
    stations: Sequence[Station],
    pairs: NDArray[np.intp],
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    *,
    error_fields: ErrorFields | None = None,
    error_lattice: ErrorLattice | None = None,
    cores: int | None = None,
    on_progress: OnProgress | None = None,
) -> LinkTable:
    """Return every link between the given pairs of stations.

    Parameters
    ----------
    stations : sequence of Station
    pairs : ndarray, shape (n_links, 2)
        Indices of the two stations of each link.
    landscape : Landscape
    seasons : sequence of Season
    settings : PathSettings
    error_fields : ErrorFields, optional
        Elevation errors to carry; without them the elevation counts as exact.
    error_lattice : ErrorLattice, optional
        The same errors worked out under all of the land, where many paths cross it.
    cores : int, optional
        Most threads.
    on_progress : callable, optional
        Called with links done and links in all.
    """
    pairs = np.asarray(pairs, dtype=np.intp).reshape(-1, 2)
    paths = compute_paths(
        stations,
        pairs,
        landscape,
        seasons,
        settings,
        error_fields=error_fields,
        error_lattice=error_lattice,
        cores=cores,
        on_progress=on_progress,
    )
    return table_of_paths(stations, pairs, landscape, seasons, settings, paths)


@dataclass(frozen=True, eq=False)
class PathFigures:
    """What was computed of paths, before anything is known of radios: each row from its own two ends and the land alone."""

    losses: PathLosses
    samples: NDArray[np.intp]
    """Samples of each profile, shape (n_links,)."""
    elevation_shift_db: NDArray[np.float32]
    """As in `LinkTable`."""
    hidden_relief_db: Array
    """As in `LinkTable`."""


def compute_paths(
    stations: Sequence[Station],
    pairs: NDArray[np.intp],
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    *,
    error_fields: ErrorFields | None = None,
    error_lattice: ErrorLattice | None = None,
    cores: int | None = None,
    on_progress: OnProgress | None = None,
) -> PathFigures:
    """Return the losses of paths with their elevation draws; parameters are those of `compute_links`.

    Rows do not depend on each other: any split of the pairs gives the same bits (`tests/cluster/test_paths_in_parts.py`).
    """
    total = len(pairs)
    x, y, height, distance, bearing = _ends_of(stations, pairs)
    inside = np.array([station.inside for station in stations], dtype=landscape.cover_index.dtype)
    a, b = pairs[:, 0], pairs[:, 1]
    draws = error_fields.draws if error_fields is not None else 0
    shifts = np.zeros((total, draws), dtype=np.float32)
    hidden = np.zeros(total)
    tops = tuple(end_tops(height.tolist(), [station.clutter for station in stations], end) for end in (a, b))
    order = np.argsort(distance, kind="stable")
    samples = np.array([sample_count(length, landscape.sampled_as_m) for length in distance.tolist()], dtype=np.intp)
    chunks = list(_chunks(order, samples))
    found: dict[int, PathLosses] = {}
    compiled = int(samples.sum()) >= COMPILED_FROM_SAMPLES

    def work(number: int) -> None:
        rows = chunks[number]
        places = x[a[rows]], y[a[rows]], x[b[rows]], y[b[rows]]
        profiles = sample_profiles(landscape, *places, int(samples[rows[0]]))
        ends = Ends(height[a[rows]], height[b[rows]], inside[a[rows]], inside[b[rows]], bearing[rows])
        around_db = row_bypass_losses_db(landscape, profiles, *places, settings.frequency_mhz)
        here = tops[0].at(rows), tops[1].at(rows)
        raised = raised_paths(profiles, ends, here, landscape, seasons, settings, places, around_db=around_db)
        found[number] = raised.losses
        if error_fields is not None:
            drawn_db = terrain_draws_db(
                profiles,
                raised.ends,
                landscape,
                settings,
                error_fields,
                *places,
                over_roofs=raised.over_roofs,
                lattice=error_lattice,
                compiled=compiled,
            )
            drawn_db = np.ascontiguousarray(drawn_db)
            mean_db = drawn_db.mean(axis=1)
            shifts[rows] = drawn_db - mean_db[:, None]
            hides = relief_hides(profiles, error_fields)
            hidden[rows] = np.where(hides, mean_db - raised.as_mapped_db, 0.0)

    def tell(done: int, pieces: int) -> None:
        if on_progress is not None:
            on_progress(total * done // pieces, total)

    run_pieces(work, [(number,) for number in range(len(chunks))], cores=cores, progress=tell)
    joined = _join([found[number] for number in range(len(chunks))], order, len(seasons))
    found.clear()
    return PathFigures(joined, samples, shifts, hidden)


def join_paths(parts: Sequence[PathFigures]) -> PathFigures:
    """Return the rows of some parts, one part after the other."""
    rows = sum(len(part.samples) for part in parts)
    return PathFigures(
        losses=_join([part.losses for part in parts], np.arange(rows), len(parts[0].losses.vegetation_db)),
        samples=np.concatenate([part.samples for part in parts]),
        elevation_shift_db=np.concatenate([part.elevation_shift_db for part in parts]),
        hidden_relief_db=np.concatenate([part.hidden_relief_db for part in parts]),
    )


def table_of_paths(
    stations: Sequence[Station],
    pairs: NDArray[np.intp],
    landscape: Landscape,
    seasons: Sequence[Season],
    settings: PathSettings,
    paths: PathFigures,
) -> LinkTable:
    """Return the links over computed paths: legs within buildings, gains, margins, spread and chance."""
    distance, bearing = _ends_of(stations, pairs)[3:]
    indoors = indoor_legs(stations, pairs, distance, landscape, settings, paths.losses)
    losses = with_indoor_legs(paths.losses, indoors)
    shifts, hidden = paths.elevation_shift_db, paths.hidden_relief_db
    if indoors:
        shifts, hidden = shifts.copy(), hidden.copy()
        shifts[list(indoors)], hidden[list(indoors)] = 0.0, 0.0
    return table_of_losses(stations, tuple(seasons), pairs, distance, bearing, losses, paths.samples, shifts, hidden, indoors)


def _ends_of(stations: Sequence[Station], pairs: NDArray[np.intp]) -> tuple[Array, Array, Array, Array, Array]:
    """Return x, y and antenna height of each station, and distance and bearing of each pair."""
    x = np.array([station.site.x_m for station in stations])
    y = np.array([station.site.y_m for station in stations])
    height = np.array([station.antenna_agl_m for station in stations])
    a, b = pairs[:, 0], pairs[:, 1]
    distance = np.hypot(x[b] - x[a], y[b] - y[a])
    return x, y, height, distance, np.degrees(np.arctan2(x[b] - x[a], y[b] - y[a])) % 360.0


def sample_count(distance_m: float, cell_m: float) -> int:
    """Return how many samples the profile of a link takes, whatever other links are computed with it.

    `cell_m` is the cell of the elevation raster (`Landscape.sampled_as_m`), not of the working grid.
    """
    count = choose_sample_count(distance_m, cell_m)
    if count <= SAMPLES_EXACT_TO:
        return count
    step = 1 << max((count - 1).bit_length() - 5, 0)
    return min(-(-count // step) * step, MOST_SAMPLES)


def sample_counts(rising_m: NDArray[np.float64], cell_m: float) -> NDArray[np.intp]:
    """Return `sample_count` of many distances in rising order, shape (n,).

    A longer path never takes fewer samples: where both ends of a stretch of distances take as many, so do all between.
    """
    counts = np.empty(len(rising_m), dtype=np.intp)
    open_ends = [(0, len(rising_m) - 1)] if len(rising_m) else []
    while open_ends:
        first, last = open_ends.pop()
        low, high = (sample_count(float(rising_m[end]), cell_m) for end in (first, last))
        counts[first : last + 1] = low
        counts[last] = high
        if low != high and last - first > 1:
            middle = (first + last) // 2
            open_ends += [(first, middle), (middle, last)]
    return counts


def with_stations(table: LinkTable, stations: Sequence[Station]) -> LinkTable:
    """Return the same paths with other radios, antennas or cables at their ends.

    Parameters
    ----------
    table : LinkTable
    stations : sequence of Station
        The same sites and heights in the same order, at nearly the same frequency: the losses on the way are taken over.
    """
    return table_of_losses(
        stations,
        table.seasons,
        table.pairs,
        table.distance_m,
        table.bearing_deg,
        table.losses,
        table.samples,
        table.elevation_shift_db,
        table.hidden_relief_db,
        table.indoor_legs,
    )


def _chunks(order: NDArray[np.intp], samples: NDArray[np.intp]) -> Iterator[NDArray[np.intp]]:
    """Split links, shortest first, into chunks that take the same number of samples and fit the cache together."""
    start = 0
    while start < len(order):
        count = int(samples[order[start]])
        stop = start + 1
        while stop < len(order) and (stop + 1 - start) * count <= CHUNK_SAMPLES and samples[order[stop]] == count:
            stop += 1
        yield order[start:stop]
        start = stop


def _join(parts: Sequence[PathLosses], order: NDArray[np.intp], n_seasons: int) -> PathLosses:
    """Put chunks back into the order of the links."""
    back = np.argsort(order, kind="stable")

    def together(name: str, of: Sequence[object]) -> Array:
        arrays = [np.asarray(getattr(part, name)) for part in of]
        return np.concatenate(arrays, axis=-1)[..., back]

    if not parts:
        raise AssertionError("no links to join")
    terrain = [part.terrain_parts for part in parts]
    kinds = sorted({kind for part in parts for kind in part.cover_depth_m})
    depth = {}
    for kind in kinds:
        columns = [part.cover_depth_m.get(kind, np.zeros((n_seasons, len(part.terrain_db)))) for part in parts]
        depth[kind] = np.concatenate(columns, axis=-1)[..., back]
    plain: dict[str, Any] = {
        item.name: together(item.name, parts) for item in fields(PathLosses) if item.name not in ("terrain_parts", "cover_depth_m")
    }
    terrain_fields: dict[str, Any] = {item.name: together(item.name, terrain) for item in fields(terrain[0])}
    whole = type(terrain[0])(**terrain_fields)
    return PathLosses(terrain_parts=whole, cover_depth_m=depth, **plain)


def table_of_losses(
    stations: Sequence[Station],
    seasons: tuple[Season, ...],
    pairs: NDArray[np.intp],
    distance_m: Array,
    bearing_deg: Array,
    losses: PathLosses,
    samples: NDArray[np.intp],
    elevation_shift_db: NDArray[np.float32],
    hidden_relief_db: Array,
    legs: dict[int, IndoorLeg],
) -> LinkTable:
    """Return the links of stations over paths whose losses are known: gains, margins, spread and chance.

    `elevation_shift_db` has shape (n_links, n_draws), `legs` holds links that stay inside a building; the rest as in `LinkTable`.
    """
    a, b = pairs[:, 0], pairs[:, 1]
    many = elevation_shift_db.shape[1] > 1
    elevation_spread_db = elevation_shift_db.std(axis=1, dtype=float, ddof=1) if many else np.zeros(len(pairs))
    indoors = np.zeros(len(pairs), dtype=bool)
    indoors[list(legs)] = True
    top = np.array([station.antenna_agl_m for station in stations]) + np.array([station.ground_amsl_m for station in stations])
    weather = np.array([season.antenna_loss_db for season in seasons])[:, None]
    loss_db = losses.total_db + hidden_relief_db
    margins = link_margins(stations, a, b, bearing_deg, distance_m, top[b] - top[a], loss_db, weather, indoors)
    fade = np.array([fade_margin_db(stations[i], stations[j]) for i, j in pairs])
    obstacles_db = losses.terrain_parts.obstacle_db + losses.building_db + losses.vegetation_db.max(axis=0)
    on_land = [station.clutter for station in stations]
    least = np.array([0.0 if around is None else around.model_spread_db for around in on_land])
    share = np.array([0.0 if around is None else around.share for around in on_land])
    model = model_spread_db(obstacles_db, [(least[end], share[end]) for end in (a, b)])
    for row, leg in legs.items():
        model[row] = leg.spread_db
    soil = soil_spread_db(losses.terrain_parts.ground_limited)
    antenna = antenna_spread_db(stations, a, b, indoors)
    around_spread = np.hypot(losses.clutter_spread_a_db, losses.clutter_spread_b_db)
    all_spread = spread_of_all_db(model, elevation_spread_db, soil, antenna, losses.vegetation_spread_db, around_spread)
    return LinkTable(
        stations=tuple(stations),
        seasons=seasons,
        pairs=pairs,
        distance_m=distance_m,
        bearing_deg=bearing_deg,
        losses=losses,
        samples=samples,
        gain_a_dbi=margins.gain_a_dbi,
        gain_b_dbi=margins.gain_b_dbi,
        received_at_b_dbm=margins.received_at_b_dbm,
        received_at_a_dbm=margins.received_at_a_dbm,
        margin_at_b_db=margins.at_b_db,
        margin_at_a_db=margins.at_a_db,
        fade_margin_db=fade,
        model_spread_db=model,
        elevation_spread_db=elevation_spread_db,
        elevation_shift_db=elevation_shift_db,
        hidden_relief_db=hidden_relief_db,
        soil_spread_db=soil,
        antenna_spread_db=antenna,
        indoor_legs=legs,
        chance=chance_of(margins.weaker_db, fade, all_spread),
    )
