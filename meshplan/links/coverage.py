"""Where would a future sensor work? Loss, margin and chance at every cell of the land, from one station or the best of several."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.links.land_figures import LandFigures, Receivers, as_links_from, figures_on_land, swept_from, with_behind_hill
from meshplan.loss.behind_hill_field import behind_hill_field_db
from meshplan.loss.elevation_draws_field import ElevationDrawsField, elevation_draws_field
from meshplan.loss.error_fields import ErrorFields
from meshplan.loss.fast import StandingCover, SweepLoss
from meshplan.loss.path_loss import PathSettings
from meshplan.loss.raised_field import raised_field
from meshplan.propagation.seasons import Season
from meshplan.records.station import Station
from meshplan.terrain.landscape import Landscape

ONE_BY_ONE_SAMPLES: Final = 200_000_000
"""Samples of all links to all cells from one station up to which every cell is computed as a link: some 2 s of one core."""


@dataclass(frozen=True, eq=False)
class Coverage:
    """What a sensor would have at each cell; arrays of shape (rows, columns), NaN where the ground is unknown."""

    names: tuple[str, ...]
    """Transmitters, in the order that `server` counts."""
    loss_db: Float32
    margin_db: Float32
    chance: Float32
    server: NDArray[np.int16]
    land_uncertain: NDArray[np.bool_]
    """Whether the elevation is more uncertain than everything else: between a sure yes and a sure no the verdict is "not sure"."""
    receiver_agl_m: float
    season: str
    radio: str
    """Key of the radio class of the future sensor."""
    calibrated: bool = False
    """Whether readings corrected it."""
    notes: tuple[str, ...] = ()
    """What is to be said of how it was computed."""

    def share_served(self, required_chance: float) -> float:
        """Return the share of the known land where the chance reaches what is asked."""
        known = self.chance[np.isfinite(self.chance)]
        return float((known >= required_chance).mean()) if known.size else 0.0


def figures_of(
    landscape: Landscape,
    station: Station,
    receivers: Receivers,
    receiver_agl_m: float,
    season: Season,
    path: PathSettings,
    covers: tuple[StandingCover | None, StandingCover | None],
    errors: ErrorFields,
    *,
    cores: int | None = None,
    notify: Callable[[str], None] | None = None,
) -> LandFigures:
    """Return what a sensor has at every cell from one station, in one season.

    Parameters
    ----------
    receivers, receiver_agl_m
        Who would listen at each cell, and how high.
    covers : tuple of StandingCover
        What stands on the land in that season, and in the season that has most of it.
    errors : ErrorFields
        Height errors of the rasters.
    cores : int, optional
        Most threads.
    notify : callable, optional
        Called with a sentence for the user.
    """
    cover, in_leaf = covers

    def bare(antenna_agl_m: float, receiver_m: float, standing: StandingCover | None = cover) -> SweepLoss:
        return swept_from(landscape, station, antenna_agl_m, receiver_m, path, standing, cores=cores, notify=notify)

    def behind(antenna_agl_m: float, receiver_m: float, parts: SweepLoss) -> Float32:
        x_m, y_m = station.site.x_m, station.site.y_m
        return behind_hill_field_db(landscape, x_m, y_m, antenna_agl_m, receiver_m, path, parts.terrain_db)

    def sweep(antenna_agl_m: float, receiver_m: float) -> SweepLoss:
        parts = bare(antenna_agl_m, receiver_m)
        return with_behind_hill(parts, behind(antenna_agl_m, receiver_m, parts))

    # Where a raster hides relief, the mean over the elevation draws counts, which are swept: the ground as mapped must be, too. And
    # rasters finer than the grid are met by links alone (`workflow.cells_as_links`).
    hides = any(waves.hidden for causes in errors.waves for waves in causes)
    as_links = not hides and landscape.grid_holds_ground
    if as_links:
        swept, behind_db = as_links_from(
            landscape,
            station,
            station.antenna_agl_m,
            receiver_agl_m,
            path,
            cover,
            most_samples=ONE_BY_ONE_SAMPLES,
            cores=cores,
            notify=notify,
        )
    else:
        swept = bare(station.antenna_agl_m, receiver_agl_m)
        behind_db = behind(station.antenna_agl_m, receiver_agl_m, swept)
    most = swept if in_leaf is cover else bare(station.antenna_agl_m, receiver_agl_m, in_leaf)

    def draw(antenna_agl_m: float, receiver_m: float) -> ElevationDrawsField:
        ends = station.site.x_m, station.site.y_m, antenna_agl_m, receiver_m
        return elevation_draws_field(landscape, *ends, path, errors, swept.cover_db, inside=station.inside, cores=cores)

    from_behind = with_behind_hill(swept, behind_db)
    raised = raised_field(landscape, station, receiver_agl_m, season.leaf_share, from_behind, sweep, draw)
    drawn = draw(station.antenna_agl_m, receiver_agl_m) if raised is None else raised.drawn
    return figures_on_land(
        landscape,
        station,
        receivers,
        swept,
        behind_db,
        most.cover_db,
        raised,
        drawn,
        path,
        season.antenna_loss_db,
        as_links=as_links,
    )


def best_of(singles: Sequence[Coverage]) -> Coverage:
    """Return the best of several stations at each cell."""
    loss, margin, chance, server = (singles[0].loss_db, singles[0].margin_db, singles[0].chance, singles[0].server)
    uncertain = singles[0].land_uncertain
    for single in singles[1:]:
        better = np.nan_to_num(single.chance, nan=-1.0) > np.nan_to_num(chance, nan=-1.0)
        loss = np.where(better, single.loss_db, loss)
        margin = np.where(better, single.margin_db, margin)
        chance = np.where(better, single.chance, chance)
        server = np.where(better, single.server, server)
        uncertain = np.where(better, single.land_uncertain, uncertain)
    return Coverage(
        names=tuple(name for single in singles for name in single.names),
        loss_db=loss,
        margin_db=margin,
        chance=chance,
        server=server,
        land_uncertain=uncertain,
        receiver_agl_m=singles[0].receiver_agl_m,
        radio=singles[0].radio,
        season=singles[0].season,
        calibrated=singles[0].calibrated,
        notes=singles[0].notes,
    )
