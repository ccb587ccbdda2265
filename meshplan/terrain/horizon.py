"""The horizon around a place: how high ground and cover stand in every direction."""

from __future__ import annotations

from typing import Final

import numpy as np

from meshplan.kinds import COVER_KINDS
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import cover_at, ground_at
from meshplan.units import Array

AZIMUTHS: Final = 72
"""Directions, every five degrees."""
NEAREST_M: Final = 2.0
FARTHEST_M: Final = 30_000.0
GROWTH: Final = 1.02
"""Each sample lies a cell or a fiftieth of its distance farther than the one before."""
REFRACTED_EARTH_M: Final = 7.4e6
"""Earth radius as light sees it (mean refraction of the atmosphere, 7/6 of the radius)."""
LEAFLESS_KINDS: Final = frozenset(name for name, kind in COVER_KINDS.items() if kind.sheds_leaves)
"""What lets light through in winter."""


def horizon_deg(landscape: Landscape, x_m: float, y_m: float, height_agl_m: float, month: int) -> tuple[Array, Array]:
    """Return the elevation of the horizon at a place, without and with leafless plants; shape (AZIMUTHS,) each, north first.

    Parameters
    ----------
    x_m, y_m : float
    height_agl_m : float
        Of the eye above the ground.
    month : int
        Height of crops.

    Notes
    -----
    Derivation
        atan((z − z0 − d²/2R)/d), the highest along each direction. Land outside the rasters counts as level and is not seen.
    """
    distances = _distances(landscape)
    azimuths = np.radians(np.arange(AZIMUTHS) * 360.0 / AZIMUTHS)[:, None]
    x, y = x_m + distances * np.sin(azimuths), y_m + distances * np.cos(azimuths)
    ground = ground_at(landscape, x, y)
    index = cover_at(landscape, x, y)
    heights = landscape.cover_heights_m(month)
    leafless = landscape.covers_of(LEAFLESS_KINDS)
    solid = np.where(leafless, 0.0, heights)[index]
    grown = np.where(leafless, heights, 0.0)[index]
    if landscape.canopy_m is not None and not landscape.ground_is_surface:
        shown = _canopy(landscape, x, y)
        grown = np.where(index == 0, np.maximum(grown, shown), grown)
    eye = float(ground_at(landscape, x_m, y_m)) + height_agl_m
    drop = distances**2 / (2.0 * REFRACTED_EARTH_M)
    angles = (np.degrees(np.arctan2(ground + over - eye - drop, distances)) for over in (solid, np.maximum(solid, grown)))
    hard, bare = (np.fmax.reduce(np.nan_to_num(each, nan=-90.0), axis=1) for each in angles)
    return np.maximum(hard, 0.0), np.maximum(bare, 0.0)


def _distances(landscape: Landscape) -> Array:
    grid = landscape.grid
    end = min(FARTHEST_M, float(np.hypot(grid.columns, grid.rows)) * grid.cell_m)
    found = [NEAREST_M]
    while found[-1] < end:
        found.append(max(found[-1] + grid.cell_m, found[-1] * GROWTH))
    return np.asarray(found)


def _canopy(landscape: Landscape, x: Array, y: Array) -> Array:
    """Return what a surface raster shows above bare ground, 0 where it shows nothing or ends."""
    assert landscape.canopy_m is not None
    column, row = (np.rint(each).astype(int) for each in landscape.grid.column_row(x, y))
    inside = (column >= 0) & (row >= 0) & (column < landscape.grid.columns) & (row < landscape.grid.rows)
    shown = landscape.canopy_m[np.where(inside, row, 0), np.where(inside, column, 0)]
    return np.where(inside, np.nan_to_num(shown, nan=0.0), 0.0)
