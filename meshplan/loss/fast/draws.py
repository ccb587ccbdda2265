"""Terrain loss of many paths over elevation draws whose height errors lie on a lattice, as compiled code."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.lines import edge_nu_of, shared_table, terrain_losses_db
from meshplan.loss.fast.thread_pool import load_compiled

PAIR_LANES: Final = 16
"""Pairs of draws worked on together; lattices hold a multiple of it."""


def padded_pairs(pairs: int) -> int:
    """Return how many lanes a lattice needs for some pairs of draws."""
    return -(-pairs // PAIR_LANES) * PAIR_LANES


@dataclass(frozen=True, eq=False)
class LatticeErrors:
    """Height errors on a lattice, and where paths lie on it."""

    errors_m: NDArray[np.float32]
    """Shape (layers · rows, columns, lanes); lanes beyond `pairs` fill up to `padded_pairs`."""
    layers: int
    pairs: int
    places: NDArray[np.float64]
    """Fractional column and row of both ends of each path in any layer; shape (n_paths, 4)."""
    layer: NDArray[np.uint8]
    """The layer that each sample reads; shape (n_paths, n_samples)."""


def losses_over_lattice_db(
    ground_m: NDArray[np.float32],
    roofs_m: NDArray[np.float32],
    antennas_m: NDArray[np.float64],
    distance_m: NDArray[np.float64],
    errors: LatticeErrors,
    path: RadioPath,
) -> NDArray[np.float64]:
    """Return the terrain and roof loss over each elevation draw; shape (n_paths, 2·pairs), turned over draws last.

    Parameters
    ----------
    ground_m, roofs_m : ndarray, shape (n_paths, n_samples)
        Ground above any level of a path, and height of the roofs on it.
    antennas_m : ndarray, shape (n_paths, 2)
        Above the ground of each draw.
    distance_m : ndarray, shape (n_paths,)
    errors : LatticeErrors
    path : RadioPath

    Notes
    -----
    Source
        Extremes as in `Lines`, formulas of `terrain_losses_db`.
    """
    steps = ground_m.shape[1] - 1
    pairs = errors.pairs
    results: list[NDArray[Any]] = [np.empty((len(distance_m), 2 * pairs)) for _ in range(3)]
    run = load_compiled("compiled_draws", "drawn_extremes")
    heights = antennas_m.astype(np.float32)
    on_lattice = errors.places, errors.errors_m, errors.layer, errors.layers, pairs
    run(ground_m, roofs_m, heights, distance_m, *on_lattice, path.terms, shared_table(steps), *results)
    nu, start_m, end_m = (result.ravel() for result in results)
    found = terrain_losses_db(np.repeat(distance_m, 2 * pairs), nu, start_m, end_m, steps, path)
    return found.reshape(len(distance_m), 2 * pairs)


def smooth_parts(
    ground_m: NDArray[np.float32],
    roofs_m: NDArray[np.float32],
    errors_m: NDArray[np.float32],
    line_of: NDArray[np.intp],
    antennas_m: NDArray[np.float64],
    distance_m: NDArray[np.float64],
    path: RadioPath,
    fit_m: NDArray[np.float64],
    ends_m: NDArray[np.float32],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return ν of the edge and both antenna heights over the smooth line in each draw, to the bit those of `Lines`.

    Parameters
    ----------
    ground_m, roofs_m, antennas_m, distance_m, path
        As for `losses_over_lattice_db`.
    errors_m : ndarray, shape (n_pairs, n_lines, n_samples)
        Height errors of the pairs of draws along lines.
    line_of : ndarray, shape (n_paths,)
        Line of each path.
    fit_m, ends_m : ndarray, shape (2·n_pairs, 2, n_paths)
        Smooth line over all of the ground, and the drawn ground, at both ends.
    """
    heights = antennas_m.astype(np.float32)
    bulge = (distance_m**2 / (2.0 * path.terms.earth_radius_m)).astype(np.float32)
    found = np.empty((2 * len(errors_m), 6, len(distance_m)), dtype=np.float32)
    run = load_compiled("compiled_lines", "drawn_extremes")
    run(ground_m, roofs_m, errors_m, line_of, heights, bulge, shared_table(ground_m.shape[1] - 1), found)
    high_t, high_s, high, from_start, from_end, worst = found.astype(float).transpose(1, 0, 2)
    part = worst / (from_start + from_end)
    over = []
    for end, slope in enumerate((from_start, from_end)):
        ground = ends_m[:, end]
        smooth = np.where(worst > 0.0, fit_m[:, end] - part * slope, fit_m[:, end])
        over.append((ground + heights[:, end]) - np.minimum(smooth, ground))
    nu = edge_nu_of(high_t, high_s, high, distance_m, path.terms.wavelength_m)
    return nu, np.asarray(over[0], dtype=float), np.asarray(over[1], dtype=float)
