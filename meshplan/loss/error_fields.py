"""Random height errors of the rasters: functions of absolute place, the same in every property, window and grid.

A field is a sum of plane waves with random directions, lengths and phases (random Fourier features). It needs no lattice and no
memory, and is worked out where a path needs it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from meshplan.grid import Float32
from meshplan.loss.fast.thread_pool import load_compiled
from meshplan.terrain.bilinear import bilinear
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.profile import Profiles
from meshplan.terrain.relief import NO_RASTER, Relief, ground_of_nodes, node_places
from meshplan.units import Array

ELEVATION_SEED: Final = 20_260
ELEVATION_DRAWS: Final = 32
"""Draws of the height errors, in mirrored pairs: what is linear in the error cancels in their mean."""

WAVES: Final = 64
"""Plane waves in a field."""

_STRIDE: Final = 16
"""Samples of a line are counted as 16·i + j: waves at both parts are multiplied, which spares most sines."""

_NUMBERS_AT_ONCE: Final = 32_768
"""Phases worked out together: a few arrays of as many numbers stay in a usual cache; no figure hangs on it."""

_TURN: Final = float(np.float32(2.0 * np.pi))
_REST_OF_TURN: Final = 2.0 * np.pi - _TURN

_PRODUCT, _HIDDEN = 0, 1


@dataclass(frozen=True, eq=False)
class Waves:
    """Plane waves of one raster and one cause, all draws: wave vectors in 1/m, shape (n_pairs, WAVES, 2), and phases."""

    hidden: bool
    """Relief between the nodes of the raster; else the error of the product."""
    vector_per_m: Array
    phase: Array


@dataclass(frozen=True, eq=False)
class ErrorFields:
    """Random height errors of the rasters of a landscape; `waves` has an entry for each of them, empty where it gives no ground.

    Draw `n_pairs` + i is draw i turned over.
    """

    waves: tuple[tuple[Waves, ...], ...]
    draws: int

    @property
    def pairs(self) -> int:
        """Draws that differ by more than their sign."""
        return self.draws // 2


def draw_error_fields(landscape: Landscape, draws: int | None = None, seed: int = ELEVATION_SEED) -> ErrorFields:
    """Return seeded error fields for the rasters of a landscape.

    Parameters
    ----------
    landscape : Landscape
        Its rasters name the standard deviations of their errors and the lengths over which these stay alike.
    draws : int, optional
        Number of elevation draws, even; by default `ELEVATION_DRAWS`.
    seed : int
        Same seed, same fields.

    Notes
    -----
    Source
        Random Fourier features of the Gaussian correlation exp(−(r/length)²): G(x) = sqrt(2/K)·Σ cos(k·x + φ) with wave vectors k
        normal of variance 2/length² along each axis (Rahimi and Recht 2007, recalled).
    Accuracy
        See `tests/links/test_uncertainty.py`: the usual draws against four hundred.
    """
    pairs = max((draws or ELEVATION_DRAWS) // 2, 1)
    return ErrorFields(tuple(_waves_of(relief, pairs, seed) for relief in landscape.reliefs), 2 * pairs)


def _waves_of(relief: Relief | None, pairs: int, seed: int) -> tuple[Waves, ...]:
    if relief is None:
        return ()
    causes = [(_PRODUCT, relief.error_length_m)]
    if relief.hidden_m is not None:
        causes.append((_HIDDEN, relief.hidden_length_m))
    found = []
    for cause, length_m in causes:
        random = np.random.default_rng([seed, cause, relief.identity])
        vectors = random.standard_normal((pairs, WAVES, 2)) * (np.sqrt(2.0) / length_m)
        found.append(Waves(cause == _HIDDEN, vectors, random.uniform(0.0, 2.0 * np.pi, (pairs, WAVES))))
    return tuple(found)


def height_errors_along(
    fields: ErrorFields,
    landscape: Landscape,
    profiles: Profiles,
    x_a_m: Array,
    y_a_m: Array,
    x_b_m: Array,
    y_b_m: Array,
) -> Callable[[int], Float32]:
    """Return a function from the number of a pair of draws to the height errors of all samples, shape (n_paths, n_samples)."""
    lines = line_errors(fields, landscape, profiles, (x_a_m, y_a_m, x_b_m, y_b_m))
    if len(lines.first) == len(lines.line_of):
        return lines.errors_m
    return lambda pair: lines.errors_m(pair)[lines.line_of]


@dataclass(frozen=True, eq=False)
class LineErrors:
    """Height errors of the lines that some paths lie over: links between other heights of the same two places share one."""

    first: NDArray[np.intp]
    """A path over each line."""
    line_of: NDArray[np.intp]
    errors_m: Callable[[int], Float32]
    """Takes the number of a pair of draws, returns shape (n_lines, n_samples)."""


def line_errors(
    fields: ErrorFields,
    landscape: Landscape,
    profiles: Profiles,
    places: tuple[Array, Array, Array, Array],
    *,
    compiled: bool = False,
) -> LineErrors:
    """Return the height errors of paths, each line once; `compiled` code gives the same to the bit."""
    assert profiles.raster is not None
    ends = np.stack(places, axis=1)
    _, line, line_of = np.unique(ends, axis=0, return_index=True, return_inverse=True)
    if len(line) == len(ends):
        line = line_of = np.arange(len(ends))
    x_a, y_a, x_b, y_b = np.ascontiguousarray(ends[line].T)
    raster = profiles.raster[line]
    parts = []
    for number, (relief, causes) in enumerate(zip(landscape.reliefs, fields.waves, strict=True)):
        here = raster == number
        rows = np.flatnonzero(here.any(axis=1))
        if relief is None or not len(rows):
            continue
        mask = None if here.all() else here[rows]
        place = tuple(axis[line[rows]] for axis in profiles.places[number])
        for waves in causes:
            spread = _spread_at(relief, waves, *place)
            if mask is not None:
                spread = np.where(mask, spread, np.float32(0.0))
            if spread.any():
                parts.append((rows, waves, spread))

    def errors_m(pair: int) -> Float32:
        errors = np.zeros((len(line), profiles.samples), dtype=np.float32)
        for rows, waves, spread in parts:
            ends = x_a[rows], y_a[rows], x_b[rows], y_b[rows]
            found = _along_lines(waves, pair, ends, profiles.samples, compiled=compiled)
            found *= spread
            if len(rows) == len(line):
                errors += found
            else:
                errors[rows] += found
        return errors

    return LineErrors(line, line_of.reshape(-1), errors_m)


def _spread_at(relief: Relief, waves: Waves, column: Array, row: Array) -> Float32:
    values = relief.hidden_m if waves.hidden else relief.error_m
    assert values is not None
    return np.nan_to_num(bilinear(values, column, row)).astype(np.float32)


def _along_lines(
    waves: Waves, pair: int, ends: tuple[Array, Array, Array, Array], samples: int, *, compiled: bool = False
) -> NDArray[np.float32]:
    """Return the field of unit variance at equally spaced samples of lines, shape (n_lines, samples)."""
    x_a, y_a, x_b, y_b = ends
    k = waves.vector_per_m[pair]
    steps = max(samples - 1, 1)
    strides = -(-samples // _STRIDE)
    field = np.empty((len(x_a), strides * _STRIDE), dtype=np.float32)
    at_once = max(_NUMBERS_AT_ONCE // (max(strides, _STRIDE) * WAVES), 1)
    for first in range(0, len(x_a), at_once):
        part = slice(first, first + at_once)
        way = (x_b[part] - x_a[part]) / steps, (y_b[part] - y_a[part]) / steps
        phases = _compiled_phases if compiled else _phases
        coarse, fine = (_cosine_and_sine(angle) for angle in phases(x_a[part], y_a[part], *way, k, waves.phase[pair], strides))
        np.negative(coarse[..., WAVES:], out=coarse[..., WAVES:])
        # cos(p + q) = cos p · cos q − sin p · sin q, summed over all waves by one product of matrices a line
        np.matmul(coarse, fine.transpose(0, 2, 1), out=field[part].reshape(-1, strides, _STRIDE))
    return np.asarray(field[:, :samples] * np.float32(np.sqrt(2.0 / WAVES)), dtype=np.float32)


def _phases(x_a: Array, y_a: Array, turn_x: Array, turn_y: Array, k: Array, phase: Array, strides: int) -> tuple[Float32, Float32]:
    """Return the phases of waves at every stride from the first end of lines, and at each sample from there, less whole turns."""
    start = np.multiply.outer(x_a, k[:, 0]) + np.multiply.outer(y_a, k[:, 1]) + phase
    turn = np.multiply.outer(turn_x, k[:, 0]) + np.multiply.outer(turn_y, k[:, 1])
    coarse = turn[:, None, :] * (_STRIDE * np.arange(strides, dtype=float))[:, None]
    coarse += start[:, None, :]
    return _less_whole_turns(coarse), _less_whole_turns(turn[:, None, :] * np.arange(_STRIDE, dtype=float)[:, None])


def _compiled_phases(
    x_a: Array, y_a: Array, turn_x: Array, turn_y: Array, k: Array, phase: Array, strides: int
) -> tuple[Float32, Float32]:
    coarse, fine = (np.empty((len(x_a), count, WAVES), dtype=np.float32) for count in (strides, _STRIDE))
    _phases_code()(x_a, y_a, turn_x, turn_y, k, phase, _TURN, _REST_OF_TURN, float(_STRIDE), coarse, fine)
    return coarse, fine


@cache
def _phases_code() -> Callable[..., Any]:
    return load_compiled("compiled_lines", "phases")


def _less_whole_turns(phase: Array) -> Float32:
    # `np.remainder` gives the same and takes forty times as long; a turn in two parts, so that nothing is rounded on the way
    turns = phase * (0.5 / np.pi)
    np.floor(turns, out=turns)
    small = turns * _TURN
    np.subtract(phase, small, out=small)
    turns *= _REST_OF_TURN
    small -= turns
    return small.astype(np.float32)


def _cosine_and_sine(phase: Float32) -> Float32:
    count = phase.shape[-1]
    result = np.empty((*phase.shape[:-1], 2 * count), dtype=np.float32)
    np.cos(phase, out=result[..., :count])
    np.sin(phase, out=result[..., count:])
    return result


def height_errors_at(fields: ErrorFields, landscape: Landscape, x_m: ArrayLike, y_m: ArrayLike) -> Callable[[int], Array]:
    """Return a function from the number of a draw to its height errors at places, shape of `x_m`."""
    x, y = np.asarray(x_m, dtype=float), np.asarray(y_m, dtype=float)
    grid = landscape.grid
    on_grid = grid.column_row(x, y)
    places = [
        on_grid if relief is None or relief.nodes is None else node_places(relief.nodes, grid, x, y) for relief in landscape.reliefs
    ]
    _, raster = ground_of_nodes(landscape.reliefs, places)

    def errors_m(draw: int) -> Array:
        pair, sign = draw % fields.pairs, 1.0 if draw < fields.pairs else -1.0
        errors = np.zeros(x.shape)
        for number, (relief, causes) in enumerate(zip(landscape.reliefs, fields.waves, strict=True)):
            if relief is None:
                continue
            for waves in causes:
                k = waves.vector_per_m[pair]
                phase = np.multiply.outer(x, k[:, 0]) + np.multiply.outer(y, k[:, 1]) + waves.phase[pair]
                unit = np.sqrt(2.0 / WAVES) * np.cos(phase).sum(axis=-1)
                spread = _spread_at(relief, waves, *places[number])
                errors += np.where(raster == number, sign * spread * unit, 0.0)
        return errors

    return errors_m


def spreads_on_lattice(
    fields: ErrorFields, landscape: Landscape, x_m: Array, y_m: Array, raster: int | None = None
) -> list[tuple[Waves, Float32]]:
    """Return the standard deviation of each field where columns at `x_m` cross rows at `y_m`, zero where it tells nothing.

    Beside the land that is known the nearest known place counts, so that what lies between is that of the land up to its border.
    With a `raster`, so does that of each other: fields of this one alone, as if there were no finer one.
    """
    grid = landscape.grid
    across, down = np.meshgrid(x_m, y_m)
    on_grid = grid.column_row(across, down)
    places = [
        on_grid if relief is None or relief.nodes is None else node_places(relief.nodes, grid, across, down)
        for relief in landscape.reliefs
    ]
    if raster is not None:
        relief = landscape.reliefs[raster]
        assert relief is not None
        known = np.isfinite(bilinear(relief.heights_m, *places[raster]))
        spreads = [(waves, _spread_at(relief, waves, *places[raster])) for waves in fields.waves[raster]]
        return _as_nearest(spreads, ~known) if known.any() else []
    _, source = ground_of_nodes(landscape.reliefs, places)
    parts: list[tuple[Waves, Float32]] = []
    for number, (relief, causes) in enumerate(zip(landscape.reliefs, fields.waves, strict=True)):
        here = source == number
        if relief is not None and here.any():
            parts.extend((waves, np.where(here, _spread_at(relief, waves, *places[number]), np.float32(0.0))) for waves in causes)
    return _as_nearest(parts, source == NO_RASTER)


def _as_nearest(parts: list[tuple[Waves, Float32]], unknown: NDArray[np.bool_]) -> list[tuple[Waves, Float32]]:
    """Return spreads with that of the nearest known place wherever one is unknown."""
    if not parts or not unknown.any():
        return parts
    from scipy.ndimage import distance_transform_edt  # noqa: PLC0415 - a link needs none of it

    nearest = tuple(distance_transform_edt(unknown, return_distances=False, return_indices=True))
    return [(waves, spread[nearest]) for waves, spread in parts]


def height_errors_on_lattice(
    fields: ErrorFields, landscape: Landscape, x_m: Array, y_m: Array, raster: int | None = None
) -> Callable[[int], Float32]:
    """Return a function from the number of a pair of draws to its height errors where columns at `x_m` cross rows at `y_m`.

    Those of whichever raster gives the ground there, or of one `raster` everywhere.
    Waves are products along the two axes there, cos(p + q) = cos p · cos q − sin p · sin q, summed by one product of matrices.
    """
    parts = spreads_on_lattice(fields, landscape, x_m, y_m, raster)

    def errors_m(pair: int) -> Float32:
        errors = np.zeros((len(y_m), len(x_m)), dtype=np.float32)
        for waves, spread in parts:
            k = waves.vector_per_m[pair]
            rows = _cosine_and_sine(_less_whole_turns(np.multiply.outer(y_m, k[:, 1]) + waves.phase[pair]))
            columns = _cosine_and_sine(_less_whole_turns(np.multiply.outer(x_m, k[:, 0])))
            np.negative(rows[:, WAVES:], out=rows[:, WAVES:])
            errors += spread * (rows @ columns.T) * np.float32(np.sqrt(2.0 / WAVES))
        return errors

    return errors_m
