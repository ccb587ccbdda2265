"""The ground loss of low antennas behind hills over a whole raster: computed on a coarse lattice, and laid between its points."""

from __future__ import annotations

from typing import Final

import numpy as np

from meshplan.grid import Float32
from meshplan.loss.path_loss import PathSettings
from meshplan.propagation.behind_hills import SHADOWED_FROM_DB, ground_behind_hill_db
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import sample_profiles

LATTICE_POINTS: Final = 12_000
"""Points of the lattice; the loss changes slowly between them, unlike the edge loss that the sweep computes at every cell."""

MOST_SAMPLES: Final = 97
CHUNK_POINTS: Final = 512


def behind_hill_field_db(
    landscape: Landscape,
    x_m: float,
    y_m: float,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    terrain_db: Float32,
) -> Float32:
    """Return what `propagation.behind_hills` adds at every cell, zero where bare ground does not block the path.

    Parameters
    ----------
    landscape : Landscape
    x_m, y_m, antenna_agl_m : float
        Transmitter.
    receiver_agl_m : float
    settings : PathSettings
    terrain_db : ndarray of float32, shape (rows, columns)
        Diffraction over bare ground from the sweep; tells which cells lie in a shadow.
    """
    grid = landscape.grid
    step = max(1.0, np.sqrt(grid.rows * grid.columns / LATTICE_POINTS))
    rows = np.unique(np.rint(np.linspace(0, grid.rows - 1, max(2, int(grid.rows / step)))).astype(int))
    columns = np.unique(np.rint(np.linspace(0, grid.columns - 1, max(2, int(grid.columns / step)))).astype(int))
    column, row = (part.ravel() for part in np.meshgrid(columns, rows))
    near = max(1, int(np.ceil(step)))
    shadowed = np.array(
        [
            np.nanmax(terrain_db[max(r - near, 0) : r + near + 1, max(c - near, 0) : c + near + 1], initial=0.0) > SHADOWED_FROM_DB
            for r, c in zip(row, column, strict=True)
        ]
    )
    values = np.zeros(len(row))
    todo = np.flatnonzero(shadowed)
    x, y = grid.x_y(column, row)
    for start in range(0, len(todo), CHUNK_POINTS):
        part = todo[start : start + CHUNK_POINTS]
        values[part] = _losses(landscape, x_m, y_m, antenna_agl_m, receiver_agl_m, settings, x[part], y[part])
    # Points out of the shadow have no such loss and say nothing of it in the shadow.
    counts = np.isfinite(values) & (np.nan_to_num(terrain_db[row, column]) > SHADOWED_FROM_DB)
    field, weight = (
        _laid(rows, columns, part.reshape(len(rows), len(columns)), grid.shape)
        for part in (np.where(counts, values, 0.0), counts.astype(float))
    )
    field = np.divide(field, weight, out=np.zeros_like(field), where=weight > 0.0)
    return np.where(terrain_db > SHADOWED_FROM_DB, field, np.float32(0.0))


def _laid(rows: np.ndarray, columns: np.ndarray, values: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    from scipy.interpolate import RegularGridInterpolator  # noqa: PLC0415 - heavy, and needed for rasters only

    lay = RegularGridInterpolator((rows, columns), values)
    every = np.meshgrid(np.arange(shape[0]), np.arange(shape[1]), indexing="ij")
    return np.asarray(lay(tuple(every)), dtype=np.float32)


def _losses(
    landscape: Landscape,
    x_m: float,
    y_m: float,
    antenna_agl_m: float,
    receiver_agl_m: float,
    settings: PathSettings,
    to_x_m: np.ndarray,
    to_y_m: np.ndarray,
) -> np.ndarray:
    profiles = sample_profiles(landscape, np.full(len(to_x_m), x_m), np.full(len(to_x_m), y_m), to_x_m, to_y_m, MOST_SAMPLES)
    ground, along = profiles.ground_amsl_m, profiles.along_m
    start, end = ground[:, 0] + antenna_agl_m, ground[:, -1] + receiver_agl_m
    kinds = {"earth_radius_km": settings.earth_radius_km, "polarisation": settings.polarisation, "ground": settings.ground}
    loss = low_antenna_loss_db(along, ground, ground, start, end, settings.frequency_mhz, **kinds)  # type: ignore[arg-type]
    return ground_behind_hill_db(along, ground, start, end, settings.frequency_mhz, loss, **kinds)  # type: ignore[arg-type]
