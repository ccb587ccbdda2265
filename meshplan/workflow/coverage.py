"""Where would a future sensor work? The loss from every gateway and relay to every cell of the land."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from meshplan.assembly.page_data import map_landscape
from meshplan.assembly.page_records import CoverageLayer
from meshplan.assembly.stored import stored_settings
from meshplan.errors import InputError, TooLargeError, nearest_name
from meshplan.explain.verdict import coverage_verdicts
from meshplan.inputs.elevation import AVERAGED_FROM
from meshplan.links.coverage import Coverage, best_of, figures_of
from meshplan.links.land_figures import LandFigures, receivers_on
from meshplan.links.seasons import season_word
from meshplan.loss.error_fields import ErrorFields
from meshplan.loss.error_lattice import error_lattice, lattice_bytes, lattice_step_m
from meshplan.loss.standing_cover import fullest_cover, standing_cover
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.propagation.noise import usual_noise_rise_db
from meshplan.propagation.seasons import Season
from meshplan.records import Plan, Role, Site
from meshplan.records.station import Station
from meshplan.reporting.coverage_files import write_coverage_raster
from meshplan.reporting.file_sets import all_or_nothing
from meshplan.reporting.map import write_map
from meshplan.workflow.cells_as_links import (
    MOST_DRAWN_SAMPLES,
    MOST_LEARNED_SAMPLES,
    THINNED_EVERY,
    THINNED_WORK,
    cells_of,
    every,
    figures_by_links,
    figures_by_thinned_links,
    whole_work,
)
from meshplan.workflow.learned import correction_as_asked
from meshplan.workflow.new_places import new_places
from meshplan.workflow.prepare import Prepared, prepare_property
from meshplan.workflow.profile import station_for
from meshplan.workflow.progress import OnProgress, silent

SWEPT_NOTE: Final = (
    "The land has too many cells to compute each as a link; it was swept: nine cells in ten are within 1.5 dB of a link's figure."
)
"""Where the raster hides relief or cells are coarse; how near was measured on a demo of 30 m cells
(tests/workflow/test_coverage_figures.py)."""

THINNED_NOTE: Final = (
    "The land has too many cells to compute each as a link: {share:.0%} of them are laid between links {apart_m:g} m apart "
    "though figures are uneven there; nine in ten are within 0.15 dB of a link's figure."
)

BYTES_PER_CELL: Final = 88
"""Rasters held at once: ground, cover, loss with its parts in two seasons, behind hills, elevation draws, best loss, margin,
chance, classes."""

RAISED_BYTES_PER_CELL: Final = 200
"""More where something stands around ends that is in no layer: five losses from raised ends, their means and spreads."""


def estimate_coverage_bytes(prepared: Prepared) -> int:
    """Return the memory that a coverage takes beside the libraries."""
    grid = prepared.landscape.grid
    raised = any(station.clutter is not None for station in prepared.stations)
    return grid.rows * grid.columns * (BYTES_PER_CELL + (RAISED_BYTES_PER_CELL if raised else 0))


def compute_coverage(
    prepared: Prepared,
    plan: Plan,
    *,
    transmitters: Sequence[str] = (),
    receiver_agl_m: float = 1.0,
    season: str | None = None,
    calibrated: bool = False,
    cores: int | None = None,
    most_bytes: int | None = None,
    figures_by: FiguresBy | None = None,
    on_progress: OnProgress | None = None,
) -> tuple[Coverage, tuple[Coverage, ...]]:
    """Return the best of all transmitters at each cell, and each transmitter alone.

    Parameters
    ----------
    prepared : Prepared
    plan : Plan
        Its gateways and relays transmit unless others are named.
    transmitters : sequence of str
        Names of stations.
    receiver_agl_m : float
        Antenna height of the future sensor.
    season : str, optional
        One of the plan's seasons; by default the one with most leaves on.
    calibrated : bool
        Whether to use what readings taught, as kept in the property folder.
    cores : int, optional
        Most threads.
    most_bytes : int, optional
        Memory that may be used; more is refused with an offer of a coarser cell.
    figures_by : callable, optional
        What computes the figures of each transmitter in place of this process.
    """
    tell = on_progress or silent
    state = next((s for s in prepared.seasons if season_word(s.name) == season_word(season)), None) if season else None
    if season and state is None:
        known = [s.name for s in prepared.seasons]
        raise InputError(
            f"season '{season}' is not in the plan.{nearest_name(season, known)}",
            where="--season",
            fix=f"Name one of: {', '.join(known)}.",
        )
    state = state or max(prepared.seasons, key=lambda s: (s.leaf_share, s.wet))
    stations = _transmitting(prepared, plan, transmitters)
    landscape = prepared.landscape
    future = _future_sensor(prepared, receiver_agl_m)
    errors = draw_error_fields(landscape)
    grid = landscape.grid
    told = correction_as_asked(prepared.found.folder, grid.crs, calibrated=calibrated, command="coverage")[1]
    way = _way(prepared, stations, errors, calibrated=calibrated)
    notes = (*told, *way.notes)
    needed = estimate_coverage_bytes(prepared)
    if way.step:
        needed += int(lattice_bytes(errors, landscape, lattice_step_m(errors, landscape)))
    _refuse_too_large(prepared, needed, most_bytes)
    tell(f"Coverage of {grid.rows * grid.columns} cells, about {max(needed // 1_000_000, 1)} MB of memory", 0, 0)
    asked = CoverageAsked(receiver_agl_m, state.name, way.step, thinned=way.thinned, calibrated=calibrated)
    compute = figures_by or figures_here(errors, cores)
    computed = compute(prepared, stations, asked, tell)
    tell("Computing the land", len(stations), len(stations))
    left = max(share for _, share in computed)
    if left > 0.0:
        notes = (*notes, THINNED_NOTE.format(share=left, apart_m=THINNED_EVERY * grid.cell_m))
    singles = [
        Coverage(
            names=(station.key,),
            loss_db=figures.loss_db,
            margin_db=figures.margin_db,
            chance=figures.chance,
            server=np.where(np.isfinite(figures.loss_db), number, -1).astype(np.int16),
            land_uncertain=figures.land_uncertain,
            receiver_agl_m=receiver_agl_m,
            radio=future.radio.name,
            season=state.name,
            calibrated=calibrated,
            notes=notes,
        )
        for number, (station, (figures, _)) in enumerate(zip(stations, computed, strict=True))
    ]
    return best_of(singles), tuple(singles)


@dataclass(frozen=True)
class CoverageAsked:
    """What the figures of a transmitter follow from, beside the property: enough for another process."""

    receiver_agl_m: float
    season: str
    step: int
    """Each how manyth cell is computed as a link; 0 for a sweep."""
    thinned: bool
    """Whether cells that lie evenly between others are laid between these."""
    calibrated: bool


FiguresBy = Callable[[Prepared, Sequence[Station], CoverageAsked, OnProgress], list[tuple[LandFigures, float]]]
"""What computes the land for each transmitter: its figures, and the share of cells that a budget kept from being links."""


def figures_here(errors: ErrorFields, cores: int | None) -> FiguresBy:
    """Return what computes the land in this process, one transmitter after the other."""

    def compute(
        prepared: Prepared, stations: Sequence[Station], asked: CoverageAsked, tell: OnProgress
    ) -> list[tuple[LandFigures, float]]:
        landscape = prepared.landscape
        state = next(season for season in prepared.seasons if season.name == asked.season)
        folder = prepared.found.folder
        learned = correction_as_asked(folder, landscape.grid.crs, calibrated=asked.calibrated, command="coverage")[0]
        lattice = error_lattice(errors, landscape) if asked.step else None
        future = _future_sensor(prepared, asked.receiver_agl_m)
        sweep = None if asked.step else _sweeper(prepared, state, future, asked.receiver_agl_m, errors, cores, tell)
        found: list[tuple[LandFigures, float]] = []
        for number, station in enumerate(stations):
            tell("Computing the land", number, len(stations))
            if sweep is not None:
                found.append((sweep(station), 0.0))
                continue
            how = asked.receiver_agl_m, prepared.seasons.index(state), errors, lattice

            def tell_cells(done: int, total: int, key: str = station.key) -> None:
                tell(f"Cells as links from {key}", done, total)

            if asked.thinned:
                found.append(
                    figures_by_thinned_links(prepared, station, *how, most=MOST_DRAWN_SAMPLES, cores=cores, on_progress=tell_cells)
                )
            else:
                cells = cells_of(prepared, asked.step)
                figures = figures_by_links(prepared, station, cells, *how, learned, cores=cores, on_progress=tell_cells)
                found.append((figures, 0.0))
        return found

    return compute


@dataclass(frozen=True)
class _Way:
    """How cells are computed: as links at each `step`-th cell, or by sweeps where `step` is 0."""

    step: int
    notes: tuple[str, ...] = ()
    thinned: bool = False
    """Whether cells that lie evenly between others are laid between these."""


def _way(prepared: Prepared, stations: Sequence[Station], errors: ErrorFields, *, calibrated: bool) -> _Way:
    """Return how the cells are computed.

    Readings correct links, so cells are links where they count. Else sweeps have the figure of a link, but where the raster hides
    relief, is finer than the cells, or cover lies on parts of them: there cells are links as far as their number allows.
    """
    land = prepared.landscape
    if calibrated:
        step = every(prepared, stations, errors, MOST_LEARNED_SAMPLES)
        if step == 1:
            return _Way(1)
        return _Way(step, (f"Computed as links every {step * land.grid.cell_m:g} m; each stands for the land around it.",))
    hides = any(waves.hidden for causes in errors.waves for waves in causes)
    finer = any(
        relief is not None and relief.nodes is not None and note.cell_m < land.grid.cell_m / AVERAGED_FROM
        for relief, note in zip(land.reliefs, land.elevation.rasters, strict=True)
    )
    if not hides and not finer and land.finer_cover is None:
        return _Way(0)
    work = whole_work(prepared, stations, errors)
    if work <= MOST_DRAWN_SAMPLES:
        return _Way(1)
    return _Way(1, thinned=True) if work <= THINNED_WORK * MOST_DRAWN_SAMPLES else _Way(0, (SWEPT_NOTE,))


def _sweeper(
    prepared: Prepared,
    state: Season,
    future: Station,
    receiver_agl_m: float,
    errors: ErrorFields,
    cores: int | None,
    tell: OnProgress,
) -> Callable[[Station], LandFigures]:
    """Return what sweeps the land from a station."""
    landscape, path = prepared.landscape, prepared.path
    receivers = receivers_on(landscape, receiver_agl_m, lambda x_m, y_m: _sensor_at(prepared, x_m, y_m, receiver_agl_m), future)
    cover = standing_cover(landscape, state, path)
    others = [standing_cover(landscape, season, path) for season in prepared.seasons if season is not state]
    in_leaf = fullest_cover([cover, *others])

    def sweep(station: Station) -> LandFigures:
        return figures_of(
            landscape,
            station,
            receivers,
            receiver_agl_m,
            state,
            path,
            (cover, in_leaf),
            errors,
            cores=cores,
            notify=lambda words: tell(words, 0, 0),
        )

    return sweep


def write_coverage(prepared: Prepared, plan: Plan, best: Coverage, singles: Sequence[Coverage], folder: Path) -> tuple[Path, ...]:
    """Write coverage.tif (cloud-optimised: loss, margin, chance, transmitter) and the map with its layers; return their paths.

    `prepared` is the property with all its radio classes.
    """
    layers = [_layer("any of them" if len(singles) > 1 else best.names[0], best, plan)]
    if len(singles) > 1:
        layers.extend(_layer(single.names[0], single, plan) for single in singles)
    first, *others = prepared.parts or (prepared,)
    land = map_landscape(
        plan,
        first.landscape,
        first.stations,
        first.seasons,
        first.path,
        coverage=layers,
        more=[(part.stations, part.path) for part in others],
        new=new_places(first),
        changes=first.found.changes,
    )
    with all_or_nothing(folder) as scratch:
        bands: dict[str, NDArray[Any]] = {
            "loss_db": best.loss_db,
            "margin_db": best.margin_db,
            "chance": best.chance,
            "transmitter": best.server,
        }
        write_coverage_raster(prepared.landscape.grid, bands, best.names, scratch / "coverage.tif")
        write_map(plan, land, scratch / "map.html")
    return folder / "coverage.tif", folder / "map.html"


def coverage_of(
    folder: Path, plan: Plan, *, radio: str | None = None, overrides: dict[str, Any] | None = None, **options: Any
) -> tuple[Prepared, Coverage, tuple[Coverage, ...]]:
    """Read a property and compute its coverage with a radio of its plan; further options are those of `compute_coverage`.

    The settings that the plan was made with count, unless `overrides` names them again. Where places carry different
    classes, `radio` names the one that the future sensor carries; by default the plan's first.
    """
    settings = {**stored_settings(plan.made_with.settings), **(overrides or {})}
    prepared = prepare_property(folder, radio=None if plan.more_radios else plan.radio.key, overrides=settings)
    parts = {part.radio.name: part for part in prepared.parts or (prepared,)}
    chosen = radio or (plan.radio.key if plan.radio.key in parts else next(iter(parts)))
    if chosen not in parts:
        raise InputError(
            f"the plan has no radio class '{chosen}'.{nearest_name(chosen, parts)}",
            where="--radio",
            fix=f"Name one of: {', '.join(parts)}.",
        )
    best, singles = compute_coverage(parts[chosen], plan, **options)
    return prepared, best, singles


def _refuse_too_large(prepared: Prepared, needed: int, most_bytes: int | None) -> None:
    if most_bytes is None or needed <= most_bytes:
        return
    cell_m = prepared.landscape.grid.cell_m * float(np.sqrt(needed / most_bytes))
    raise TooLargeError(
        f"the coverage needs {needed / 1e6:.0f} MB, {most_bytes / 1e6:.0f} MB may be used",
        where=f"grid of {prepared.landscape.grid.columns} × {prepared.landscape.grid.rows} cells",
        fix=f"Take coarser cells: --set terrain.cell_m={np.ceil(cell_m * 10.0) / 10.0:g}",
    )


def _transmitting(prepared: Prepared, plan: Plan, names: Sequence[str]) -> list[Station]:
    by_key = {station.key: station for station in prepared.stations}
    wanted = list(names) or [d.name for d in plan.devices if d.in_plan and d.role is not Role.SENSOR and d.name in by_key]
    found = []
    for name in wanted:
        matches = [s for key, s in by_key.items() if name in {key, s.site.name}]
        if not matches:
            known = [key for key, station in by_key.items() if station.site.role is not Role.SENSOR]
            raise InputError(
                f"there is no gateway or relay '{name}'.{nearest_name(name, known)}",
                where="--from",
                fix=f"Name any of: {', '.join(known)}.",
            )
        found.append(matches[0])
    if not found:
        raise InputError("the plan has no gateway or relay", where="plan.json", fix="Name a transmitter with --from.")
    return found


def _future_sensor(prepared: Prepared, receiver_agl_m: float) -> Station:
    """Return the sensor that a profile takes at a place that is no site, standing in the open."""
    if not any(station.site.role is Role.SENSOR for station in prepared.stations):
        raise InputError(
            f"no sensor carries the radio class {prepared.radio.name}: there is none to imagine more of",
            where="--radio",
            fix="Name the class of a sensor.",
        )
    grid = prepared.landscape.grid
    quiet_db = float(usual_noise_rise_db(prepared.radio.frequency_mhz, near_buildings=False))
    sensor = _sensor_at(prepared, grid.west_m, grid.north_m, receiver_agl_m, noise_rise_db=quiet_db)
    return replace(sensor, entry_loss_db=0.0, entry_spread_db=0.0, inside=0)


def _sensor_at(prepared: Prepared, x_m: float, y_m: float, receiver_agl_m: float, *, noise_rise_db: float | None = None) -> Station:
    site = Site("a future sensor", Role.SENSOR, 0.0, 0.0, x_m, y_m, receiver_agl_m, noise_rise_db=noise_rise_db)
    return station_for(prepared, site)[0]


def _layer(name: str, coverage: Coverage, plan: Plan) -> CoverageLayer:
    words, classes = coverage_verdicts(coverage, plan.required_chance)
    note = f"a sensor {coverage.receiver_agl_m:g} m above the ground, {coverage.season}"
    if plan.made_with.calibrated or coverage.calibrated:
        note += f", {'with' if coverage.calibrated else 'without'} what readings taught"
    if plan.more_radios:
        titles = {radio.key: radio.title for radio in (plan.radio, *plan.more_radios)}
        note += f", {titles.get(coverage.radio, coverage.radio)}"
    return CoverageLayer(name=name, classes=classes, class_names=words, note=note)
