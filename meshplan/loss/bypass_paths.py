"""The way around the end of a hedge: how far a row of plants reaches on either side of a path, and what passing there costs.

Through a row is counted metre by metre, over its top as an edge of the profile; this is the third way. It lies flat: from one
antenna past the end of the row to the other, with one edge where the two tangents meet.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.kinds import PLANT_KINDS
from meshplan.propagation.knife_edge import knife_edge_loss_db
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles
from meshplan.units import Array, wavelength_m

FURTHEST_ASIDE_M: Final = 100.0
"""How far beside the path the end of a row is looked for (own choice)."""

CLEAR_BELOW_M: Final = 1.0
"""Cover that never grows taller than this beside a row does not bar the way around it (own choice)."""


def row_bypass_losses_db(
    landscape: Landscape, profiles: Profiles, x_a_m: Array, y_a_m: Array, x_b_m: Array, y_b_m: Array, frequency_mhz: float
) -> Mapping[int, Array]:
    """Return what the way around the nearer end of each hedge costs, by cover index.

    Parameters
    ----------
    landscape : Landscape
    profiles : Profiles
        Land between the pairs.
    x_a_m, y_a_m, x_b_m, y_b_m : ndarray, shape (n_paths,)
        The two ends of each path.
    frequency_mhz : float

    Returns
    -------
    mapping of int to ndarray, shape (n_paths,)
        In excess of the way without the row; infinite for paths that do not meet it or find no end within `FURTHEST_ASIDE_M`. Rows
        that no path meets are left out.

    Notes
    -----
    Source
        ITU-R P.833-10 §3 (a single row costs no more than the path around it); one edge at the meeting point of the tangents, as
        ITU-R P.526-16 §4.5.1 does upright: ν = sqrt(2·D·s1·s2/λ), s1 and s2 the greatest of reach over distance from either end.
    Valid for
        Rows as the lattice of cover draws them: the reach is good to half a cell. The ground on the way around is taken to be that
        under the path. An antenna in the row itself has no way around.
    """
    inner = profiles.cover_index[:, 1:-1]
    rows = [number for number in np.unique(inner).tolist() if number and _is_row(landscape.covers[number - 1].kind)]
    found: dict[int, Array] = {}
    if not rows or landscape.ground_is_surface:
        return found
    for number in rows:
        here = inner == number
        meets = np.flatnonzero(here.any(axis=1))
        if not len(meets):
            continue
        losses = np.full(len(inner), np.inf)
        # Where a path lies in the row with its very end there is no way around, which the first or last sample tells.
        ends = profiles.cover_index[meets][:, [0, -1]] == number
        for path in meets[~ends.any(axis=1)]:
            samples = np.flatnonzero(here[path]) + 1
            share = samples / (profiles.samples - 1)
            along_m = float(profiles.distance_m[path]) * share
            ends_m = (float(x_a_m[path]), float(y_a_m[path])), (float(x_b_m[path]), float(y_b_m[path]))
            losses[path] = _least_loss_db(landscape, number, ends_m, along_m, float(profiles.distance_m[path]), frequency_mhz)
        found[number] = losses
    return found


def _is_row(kind: str) -> bool:
    return kind in PLANT_KINDS and PLANT_KINDS[kind].form == "row"


def _least_loss_db(
    landscape: Landscape,
    number: int,
    ends_m: tuple[tuple[float, float], tuple[float, float]],
    along_m: Array,
    distance_m: float,
    frequency_mhz: float,
) -> float:
    """Return the cheaper of the ways around the left and the right end of one row."""
    (x_a, y_a), (x_b, y_b) = ends_m
    ahead_x, ahead_y = (x_b - x_a) / distance_m, (y_b - y_a) / distance_m
    x, y = x_a + ahead_x * along_m, y_a + ahead_y * along_m
    cell_m = landscape.cover_lattice.grid.cell_m
    aside_m = cell_m * np.arange(1, int(np.ceil(FURTHEST_ASIDE_M / cell_m)) + 1)
    losses = []
    for turn in (1.0, -1.0):
        clear = _is_clear(landscape, x[:, None] - turn * ahead_y * aside_m, y[:, None] + turn * ahead_x * aside_m)
        if not clear.any(axis=1).all():
            continue
        reach_m = aside_m[np.argmax(clear, axis=1)] - 0.5 * cell_m
        slope_a, slope_b = (reach_m / along_m).max(), (reach_m / (distance_m - along_m)).max()
        nu = np.sqrt(2.0 * distance_m * slope_a * slope_b / wavelength_m(frequency_mhz))
        losses.append(float(knife_edge_loss_db(nu)))
    return min(losses, default=float("inf"))


def _is_clear(landscape: Landscape, x_m: Array, y_m: Array) -> NDArray[np.bool_]:
    """Return where nothing stands that bars the way; places outside the land are not clear."""
    number, inside = landscape.cover_lattice.numbers_at(x_m, y_m)
    heights = landscape.tallest_covers_m
    return np.asarray(inside & (heights[number] <= CLEAR_BELOW_M))
