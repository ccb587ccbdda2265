"""Height errors of all elevation draws on a lattice, for land on which thousands of paths cross: worked out once, read by all.

The fields are those of `error_fields`; between the nodes, sixteen to the shortest length of a field where memory allows, they are
laid linearly, which errs by 0.2 % of their spread. Nodes lie at whole multiples of the spacing, wherever a property lies. Each
raster has a layer of its own, since errors jump where one ends and another begins: a sample reads that of the raster which gives
its ground.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from meshplan.grid import Float32
from meshplan.loss.error_fields import ErrorFields, height_errors_on_lattice
from meshplan.loss.fast.draws import padded_pairs
from meshplan.terrain.landscape import Landscape
from meshplan.terrain.relief import NO_RASTER
from meshplan.units import Array

NODES_A_LENGTH: Final = (16.0, 12.0, 8.0)
"""Nodes to the distance over which a field falls to 1/e: the first that memory allows."""

MOST_LATTICE_BYTES: Final = 300_000_000


@dataclass(frozen=True, eq=False)
class ErrorLattice:
    """Height errors of the pairs of draws, shape (layers · rows, columns, lanes); columns go east, rows north."""

    west_m: float
    south_m: float
    step_m: float
    pairs: int
    errors_m: Float32
    rasters: tuple[int, ...] = (0,)
    """Number of the raster of each layer."""

    def layer_of(self, raster: NDArray[np.uint8]) -> NDArray[np.uint8]:
        """Return the layer that samples read whose ground is that of a raster; the first where none tells."""
        layers = np.zeros(NO_RASTER + 1, dtype=np.uint8)
        layers[list(self.rasters)] = np.arange(len(self.rasters))
        return layers[raster]

    def places(self, x_a_m: Array, y_a_m: Array, x_b_m: Array, y_b_m: Array) -> Array:
        """Return fractional column and row of both ends of paths; shape (n_paths, 4)."""
        from_west, from_south = self.west_m, self.south_m
        sides = (x_a_m - from_west, y_a_m - from_south, x_b_m - from_west, y_b_m - from_south)
        return np.ascontiguousarray(np.stack(sides, axis=1) / self.step_m)


def lattice_step_m(fields: ErrorFields, landscape: Landscape) -> float:
    """Return how far apart the nodes lie; infinite where nothing is drawn or no lattice fits the memory."""
    lengths = [
        relief.hidden_length_m if waves.hidden else relief.error_length_m
        for relief, causes in zip(landscape.reliefs, fields.waves, strict=True)
        if relief is not None
        for waves in causes
    ]
    for nodes in NODES_A_LENGTH if lengths else ():
        step_m = min(lengths) / nodes
        if lattice_bytes(fields, landscape, step_m) <= MOST_LATTICE_BYTES:
            return step_m
    return math.inf


def lattice_bytes(fields: ErrorFields, landscape: Landscape, step_m: float) -> float:
    """Return the memory that a lattice under all of the land takes; none where `step_m` is infinite."""
    grid = landscape.grid
    if math.isinf(step_m):
        return 0.0
    nodes = (grid.columns * grid.cell_m / step_m + 3.0) * (grid.rows * grid.cell_m / step_m + 3.0)
    return 4.0 * nodes * padded_pairs(fields.pairs) * max(len(_drawn_rasters(fields, landscape)), 1)


def _drawn_rasters(fields: ErrorFields, landscape: Landscape) -> tuple[int, ...]:
    both = enumerate(zip(landscape.reliefs, fields.waves, strict=True))
    return tuple(number for number, (relief, causes) in both if relief is not None and causes)


def error_lattice(fields: ErrorFields, landscape: Landscape) -> ErrorLattice | None:
    """Return the height errors under all of the land; None where nothing is drawn or the memory would be too large.

    Notes
    -----
    Accuracy
        At 16 nodes a length 0.2 % of the spread of a field, at 8 nodes 0.7 %: the linear rule errs by h²/8 times the second
        derivative at most, whose standard deviation is √12/ℓ² for a correlation of exp(−(r/ℓ)²). Losses of links on harsh land
        within 0.1 dB: tests/loss/test_error_lattice.py.
    """
    step_m = lattice_step_m(fields, landscape)
    if math.isinf(step_m):
        return None
    grid = landscape.grid
    x_m, y_m = grid.x_y(np.array([-0.5, grid.columns - 0.5]), np.array([grid.rows - 0.5, -0.5]))
    (west, east), (south, north) = ((math.floor(low / step_m), math.ceil(high / step_m)) for low, high in (x_m, y_m))
    xs, ys = np.arange(west, east + 1) * step_m, np.arange(south, north + 1) * step_m
    rasters = _drawn_rasters(fields, landscape)
    errors = np.zeros((len(rasters), len(ys), len(xs), padded_pairs(fields.pairs)), dtype=np.float32)
    for layer, raster in zip(errors, rasters, strict=True):
        drawn_m = height_errors_on_lattice(fields, landscape, xs, ys, raster)
        for pair in range(fields.pairs):
            layer[:, :, pair] = drawn_m(pair)
    return ErrorLattice(west * step_m, south * step_m, step_m, fields.pairs, errors.reshape(-1, *errors.shape[2:]), rasters)
