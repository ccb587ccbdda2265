"""Losses over elevation draws: how elevation errors, and relief that a raster hides, move each link.

A draw is a copy of the ground with drawn height errors. One way for one link and for a million: extremes of the profiles
in single precision, formulas once for all copies. A path is done by itself, so its figures do not depend on what else is computed
with it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.loss.error_fields import ErrorFields, LineErrors, line_errors
from meshplan.loss.error_lattice import ErrorLattice
from meshplan.loss.fast.constants import RadioPath
from meshplan.loss.fast.draws import LatticeErrors, losses_over_lattice_db, smooth_parts
from meshplan.loss.fast.lines import Lines, shared_table, smooth_heights, terrain_losses_db
from meshplan.loss.path_loss import Ends, PathSettings
from meshplan.loss.standing_cover import radio_path
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles
from meshplan.units import Array


def terrain_draws_db(
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
    lattice: ErrorLattice | None = None,
    compiled: bool = False,
) -> Array:
    """Return the terrain and roof loss over each elevation draw; shape (n_paths, n_draws).

    With a `lattice` of the same fields, height errors are read there: a fraction of the time where many paths cross the same land.
    With `compiled` code figures are the same to the bit: worth its start where there are thousands of paths. Antennas stand on the
    ground of `ends`, so their heights move with it. Roofs count on paths that go over them, `over_roofs`; a
    path that goes through walls pays those, which no error of the ground changes.

    Notes
    -----
    Source
        The low-antenna rule (`propagation.low_antenna`) on each drawn profile.
    Accuracy
        Single precision along the profile: 0.01 dB from the formulas in double precision, mostly below 0.001 dB.
    """
    places = x_a_m, y_a_m, x_b_m, y_b_m
    if lattice is not None:
        ground, roofs, antennas = _heights(profiles, ends, landscape, over_roofs)
        path = radio_path(settings)
        assert profiles.raster is not None
        layer, layers = lattice.layer_of(profiles.raster), len(lattice.rasters)
        held = LatticeErrors(lattice.errors_m, layers, lattice.pairs, lattice.places(*places), layer)
        return losses_over_lattice_db(ground, roofs, antennas, profiles.distance_m, held, path)
    errors = line_errors(fields_, landscape, profiles, places, compiled=compiled)
    over = _compiled_parts if compiled else _parts
    with np.errstate(invalid="ignore", divide="ignore"):
        ground, roofs, antennas = _heights(profiles, ends, landscape, over_roofs)
        nu, start, end = over(profiles, ground, roofs, antennas, radio_path(settings), errors, fields_.pairs)
    distance = np.tile(profiles.distance_m, len(nu))
    found = terrain_losses_db(distance, nu.ravel(), start.ravel(), end.ravel(), profiles.samples - 1, radio_path(settings))
    return np.asarray(found.reshape(nu.shape).T)


def relief_hides(profiles: Profiles, fields_: ErrorFields) -> NDArray[np.bool_]:
    """Return on which paths a raster is so coarse that it hides relief worth counting in the mean; shape (n_paths,).

    On rasters that are sampled cell by cell the mean over elevation draws less the loss as mapped is no relief that they lack: what
    is drawn there is their own noise, which is in their heights, and in the loss over them, already.
    """
    hides = np.zeros(len(profiles.distance_m), dtype=bool)
    for number, causes in enumerate(fields_.waves):
        if profiles.raster is not None and any(waves.hidden for waves in causes):
            hides |= (profiles.raster == number).any(axis=1)
    return hides


def _mirrored(errors: LineErrors, pairs: int) -> Iterator[Float32]:
    """Yield the height errors of the lines in each draw: all first ones, then the same turned over."""
    drawn = []
    for pair in range(pairs):
        drawn.append(errors.errors_m(pair))
        yield drawn[-1]
    for error in drawn:
        yield -error


def _parts(
    profiles: Profiles, ground: Float32, roofs: Float32, antennas: Array, path: RadioPath, errors: LineErrors, pairs: int
) -> tuple[Array, Array, Array]:
    """Return ν of the edge and both antenna heights over the smooth line in each draw; shape (n_draws, n_paths)."""
    table = shared_table(profiles.samples - 1)
    roofed = np.flatnonzero(roofs[:, 1:-1].any(axis=1))
    rows = []
    for error in _mirrored(errors, pairs):
        drawn = ground + error[errors.line_of]
        lines = Lines(drawn, profiles.distance_m, antennas, path, table)
        nu = lines.edge_nu(drawn)
        if len(roofed):
            nu[roofed] = lines.edge_nu(drawn[roofed] + roofs[roofed], roofed)
        rows.append(np.stack([nu, *smooth_heights(lines, table)]))
    nu, start, end = np.stack(rows, axis=1)
    return nu, start, end


def _compiled_parts(
    profiles: Profiles, ground: Float32, roofs: Float32, antennas: Array, path: RadioPath, errors: LineErrors, pairs: int
) -> tuple[Array, Array, Array]:
    """Return what `_parts` returns, to the bit."""
    table = shared_table(profiles.samples - 1)
    on_lines, drawn = ground[errors.first], np.stack([errors.errors_m(pair) for pair in range(pairs)])
    fits, ends = [], []
    for sign in (1.0, -1.0):
        for error in drawn:
            line = on_lines + error if sign > 0.0 else on_lines - error
            fits.append([(line * weights).sum(axis=1) for weights in table[3:5]])
            ends.append([line[:, 0], line[:, -1]])
    fit, end = (np.stack(part)[..., errors.line_of] for part in (fits, ends))
    return smooth_parts(ground, roofs, drawn, errors.line_of, antennas, profiles.distance_m, path, fit.astype(float), end)


def _heights(profiles: Profiles, ends: Ends, landscape: Landscape, over_roofs: NDArray[np.bool_]) -> tuple[Float32, Float32, Array]:
    """Return ground above that of the first sample, roofs on it, and antennas above the ground at both ends."""
    heights = landscape.roof_heights_m
    around = (profiles.cover_index == ends.inside_a[:, None]) | (profiles.cover_index == ends.inside_b[:, None])
    counts = over_roofs[:, None] & ~around & (not landscape.ground_is_surface)
    roofs = np.where(counts, heights[profiles.cover_index], 0.0).astype(np.float32)
    ground = (profiles.ground_amsl_m - profiles.ground_amsl_m[:, :1]).astype(np.float32)
    return ground, roofs, np.stack([ends.antenna_a_agl_m, ends.antenna_b_agl_m], axis=1)
