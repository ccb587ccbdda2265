"""Losses over shaken copies of the ground: how elevation errors move each link.

A few links are computed by the readable formulas on the samples of their profiles; many by compiled code, each copy of the ground
as a raster of its own. The two agree to a few hundredths of a decibel: the error is bilinear between places of its lattice, and a
second time between cells in the raster.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from meshplan.kernels import choose_engine, link_losses
from meshplan.links.path_loss import Ends, PathSettings
from meshplan.links.standing_cover import radio_path, roofs_alone
from meshplan.links.uncertainty import ErrorFields, height_errors_at
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles
from meshplan.units import Array

SAMPLES_AT_ONCE = 32_000
"""Samples of profiles computed together: enough that little time goes into calls, few enough to stay in the processor's cache."""


def shaken_terrain_db(
    profiles: Profiles,
    ends: Ends,
    landscape: Landscape,
    settings: PathSettings,
    fields_: ErrorFields,
    x_a_m: Array,
    y_a_m: Array,
    x_b_m: Array,
    y_b_m: Array,
    *,
    over_roofs: NDArray[np.bool_],
) -> Array:
    """Return the terrain and roof loss over each shaken ground; shape (n_paths, n_draws).

    Antennas stand on the true ground, so their heights move with it. Roofs count on paths that go over them, `over_roofs`; a path
    that goes through walls pays those, which no error of the ground changes.
    """
    share = np.linspace(0.0, 1.0, profiles.samples)
    x_m = x_a_m[:, None] * (1.0 - share) + x_b_m[:, None] * share
    y_m = y_a_m[:, None] * (1.0 - share) + y_b_m[:, None] * share
    heights = np.array([0.0, *(cover.height_m if cover.is_building else 0.0 for cover in landscape.covers)])
    around = (profiles.cover_index == ends.inside_a[:, None]) | (profiles.cover_index == ends.inside_b[:, None])
    counts = over_roofs[:, None] & ~around & (not landscape.ground_is_surface)
    roofs = np.where(counts, heights[profiles.cover_index], 0.0)
    errors_m = height_errors_at(fields_, landscape, x_m, y_m)
    n_paths = len(profiles.distance_m)
    losses = np.empty((n_paths, fields_.draws))
    at_once = max(SAMPLES_AT_ONCE // max(profiles.ground_amsl_m.size, 1), 1)
    for first in range(0, fields_.draws, at_once):
        draws = range(first, min(first + at_once, fields_.draws))
        ground = np.concatenate([profiles.ground_amsl_m + errors_m(draw) for draw in draws])
        copies = len(draws)
        losses[:, draws.start : draws.stop] = (
            low_antenna_loss_db(
                np.tile(profiles.along_m, (copies, 1)),
                ground,
                ground + np.tile(roofs, (copies, 1)),
                ground[:, 0] + np.tile(ends.antenna_a_agl_m, copies),
                ground[:, -1] + np.tile(ends.antenna_b_agl_m, copies),
                settings.frequency_mhz,
                earth_radius_km=settings.earth_radius_km,
                polarisation=settings.polarisation,
                ground=settings.ground,
            )
            .total_db.reshape(copies, n_paths)
            .T
        )
    return losses


def worth_compiling(samples: NDArray[np.intp], draws: int) -> bool:
    """Return whether so many links are to be shaken so often that compiled code pays; depends on the property alone."""
    return choose_engine(int(samples.sum()) * draws, 1) == "compiled"


def shaken_terrain_of_many_db(
    ends: Ends,
    landscape: Landscape,
    settings: PathSettings,
    fields_: ErrorFields,
    x_a_m: Array,
    y_a_m: Array,
    x_b_m: Array,
    y_b_m: Array,
    *,
    samples: NDArray[np.intp],
    over_roofs: NDArray[np.bool_],
) -> Array:
    """Return what `shaken_terrain_db` returns, by compiled code; `samples` has the number of samples of each path.

    NaN for paths that end outside the grid.
    """
    grid = landscape.grid
    column_a, row_a = grid.column_row(x_a_m, y_a_m)
    column_b, row_b = grid.column_row(x_b_m, y_b_m)
    places = np.stack([column_a, row_a, column_b, row_b], axis=1)
    most = np.array([grid.columns, grid.rows, grid.columns, grid.rows]) - 0.5
    inside_grid = ((places >= -0.5) & (places <= most)).all(axis=1)
    heights = np.stack([ends.antenna_a_agl_m, ends.antenna_b_agl_m], axis=1)
    inside = np.stack([ends.inside_a, ends.inside_b], axis=1).astype(np.int64)
    path = radio_path(settings)
    roofs = roofs_alone(landscape) if over_roofs.any() else None
    centres = grid.x_y(*np.meshgrid(np.arange(grid.columns, dtype=float), np.arange(grid.rows, dtype=float)))
    errors_m = height_errors_at(fields_, landscape, *centres)
    losses = np.full((len(places), fields_.draws), np.nan)
    batches = [
        (rows, int(count), cover)
        for count in np.unique(samples)
        for cover, over in ((None, ~over_roofs), (roofs, over_roofs))
        if len(rows := np.flatnonzero(inside_grid & over & (samples == count)))
    ]
    for draw in range(fields_.draws):
        ground = (landscape.ground_amsl_m + errors_m(draw)).astype(np.float32)
        for rows, count, cover in batches:
            found = link_losses(
                ground,
                grid.cell_m,
                places[rows],
                heights[rows],
                path,
                samples=count,
                cover=cover,
                inside=inside[rows],
                engine="compiled",
            )
            losses[rows, draw] = found.terrain_db + found.cover_db
    return losses
