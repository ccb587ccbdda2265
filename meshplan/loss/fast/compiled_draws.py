"""All elevation draws of a path at once: a lane for each pair of draws, its height errors from a lattice."""
# mypy: disable-error-code="no-untyped-def, untyped-decorator, call-arg, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.loss.fast.compiled_links import ACROSS, END, PART, START, WEIGHT_END, WEIGHT_START
from meshplan.loss.fast.compiled_math import FAST, f32, kernel, larger
from meshplan.loss.fast.draws import PAIR_LANES

_LOW = f32(-1e30)
_0 = f32(0.0)
_AT_A, _AT_B, _FIT_A, _FIT_B = (row * PAIR_LANES for row in range(4))
"""Offsets in the work of a path: height errors at both ends, and their two sums of the smooth fit."""
_UP, _DOWN = 4 * PAIR_LANES, 12 * PAIR_LANES
"""The same for draws as they are and turned over: line of sight (first height, rise), largest slopes from both ends and clearance
over what stands there with the Earth's bulge, then both slopes and height over bare ground without it."""
_SIGHT, _RISE, _EDGE_A, _EDGE_B, _EDGE, _RAW_A, _RAW_B, _RAW = (row * PAIR_LANES for row in range(8))
_WORK = 20 * PAIR_LANES


@kernel
def _corner(column, row, columns, rows):
    """Return the first of the four nodes around a place and the ways from it to the next ones."""
    c = min(max(column, 0.0), columns - 1.000001)
    r = min(max(row, 0.0), rows - 1.000001)
    return int(r) * columns + int(c), f32(c - math.floor(c)), f32(r - math.floor(r))


@kernel
def _errors_at(errors, at, u, v, right, below, w, to):
    """Write the errors of a place, bilinear between four nodes, to the lanes from `to`."""
    for lane in range(PAIR_LANES):
        p = errors[at + lane]
        s = errors[at + below + lane]
        top = p + (errors[at + right + lane] - p) * u
        bottom = s + (errors[at + below + right + lane] - s) * u
        w[to + lane] = top + (bottom - top) * v


@kernel
def _begin(w, side, sign, start, end):
    """Lay the lines of sight between antennas that move with the ground."""
    for lane in range(PAIR_LANES):
        first = start + sign * w[lane + _AT_A]
        w[side + lane + _SIGHT] = first
        w[side + lane + _RISE] = end + sign * w[lane + _AT_B] - first
        for row in range(2, 8):
            w[side + lane + row * PAIR_LANES] = _LOW


@kernel
def _sample(errors, at, u, v, right, below, w, y, over, t, across, a, b, fit_a, fit_b):
    """Take one inner sample: ground at `y`, all that stands there and the Earth's bulge higher by `over`."""
    for lane in range(PAIR_LANES):
        p = errors[at + lane]
        s = errors[at + below + lane]
        top = p + (errors[at + right + lane] - p) * u
        bottom = s + (errors[at + below + right + lane] - s) * u
        e = top + (bottom - top) * v
        w[lane + _FIT_A] += e * fit_a
        w[lane + _FIT_B] += e * fit_b
        raw = y + e - (w[lane + _UP + _SIGHT] + w[lane + _UP + _RISE] * t)
        high = raw + over
        w[lane + _UP + _EDGE_A] = larger(w[lane + _UP + _EDGE_A], high * a)
        w[lane + _UP + _EDGE_B] = larger(w[lane + _UP + _EDGE_B], high * b)
        w[lane + _UP + _EDGE] = larger(w[lane + _UP + _EDGE], high * across)
        w[lane + _UP + _RAW_A] = larger(w[lane + _UP + _RAW_A], raw * a)
        w[lane + _UP + _RAW_B] = larger(w[lane + _UP + _RAW_B], raw * b)
        w[lane + _UP + _RAW] = larger(w[lane + _UP + _RAW], raw)
        raw = y - e - (w[lane + _DOWN + _SIGHT] + w[lane + _DOWN + _RISE] * t)
        high = raw + over
        w[lane + _DOWN + _EDGE_A] = larger(w[lane + _DOWN + _EDGE_A], high * a)
        w[lane + _DOWN + _EDGE_B] = larger(w[lane + _DOWN + _EDGE_B], high * b)
        w[lane + _DOWN + _EDGE] = larger(w[lane + _DOWN + _EDGE], high * across)
        w[lane + _DOWN + _RAW_A] = larger(w[lane + _DOWN + _RAW_A], raw * a)
        w[lane + _DOWN + _RAW_B] = larger(w[lane + _DOWN + _RAW_B], raw * b)
        w[lane + _DOWN + _RAW] = larger(w[lane + _DOWN + _RAW], raw)


@kernel
def _finish(w, side, sign, count, ground_a, ground_b, fit_a, fit_b, scale, nu, h1, h2, to):
    """Write nu and the antenna heights over the smooth line (P.526-16 §4.5) of `count` draws."""
    for lane in range(count):
        from_a = float(w[side + lane + _EDGE_A])
        blocked = math.sqrt(max(from_a * float(w[side + lane + _EDGE_B]), 0.0))
        nu[to + lane] = (float(w[side + lane + _EDGE]) if from_a < 0.0 else blocked) * scale
        smooth_a = float(fit_a + sign * w[lane + _FIT_A])
        smooth_b = float(fit_b + sign * w[lane + _FIT_B])
        worst = float(w[side + lane + _RAW])
        if worst > 0.0:
            slope_a = float(w[side + lane + _RAW_A])
            slope_b = float(w[side + lane + _RAW_B])
            part = worst / (slope_a + slope_b)
            smooth_a -= part * slope_a
            smooth_b -= part * slope_b
        first = w[side + lane + _SIGHT]
        at_a = float(ground_a + sign * w[lane + _AT_A])
        at_b = float(ground_b + sign * w[lane + _AT_B])
        h1[to + lane] = float(first) - min(smooth_a, at_a)
        h2[to + lane] = float(first + w[side + lane + _RISE]) - min(smooth_b, at_b)


@njit(cache=True, nogil=True, fastmath=FAST, error_model="numpy")
def drawn_extremes(ground, roofs, antennas, distance_m, places, lattice, layer, layers, pairs, terms, table, nu, h1, h2):
    """Find what the loss over each draw needs: nu of the edge, and both antenna heights over the smooth line.

    Parameters
    ----------
    ground, roofs : float32, shape (n_paths, n_samples)
        Ground over that of the first sample, and how high roofs stand on it.
    antennas : float32, shape (n_paths, 2)
    distance_m : float64, shape (n_paths,)
    places : float64, shape (n_paths, 4)
        Fractional column and row in the lattice of both ends.
    lattice : float32, shape (layers · rows, columns, lanes)
        Height errors of each pair of draws; more lanes than `pairs` are padding.
    layer : uint8, shape (n_paths, n_samples)
        The layer that each sample reads.
    nu, h1, h2 : float64, shape (n_paths, 2·pairs)
        Results: first all draws as they are, then the same turned over.
    """
    rows, columns, right = lattice.shape
    rows = rows // layers
    whole = rows * columns
    below = columns * right
    errors = lattice.reshape(-1)
    n = ground.shape[1] - 1
    w = np.empty(_WORK, dtype=np.float32)
    for path in range(len(distance_m)):
        d = distance_m[path]
        bulge = f32(d * d / (2.0 * terms.earth_radius_m))
        scale = math.sqrt(2.0 / (terms.wavelength_m * (d if d > 0.0 else 1.0)))
        column = places[path, 0]
        row = places[path, 1]
        across = (places[path, 2] - column) / n
        down = (places[path, 3] - row) / n
        ground_b = ground[path, n]
        fit_a = _0
        fit_b = _0
        for i in range(n + 1):
            fit_a += ground[path, i] * table[WEIGHT_START, i]
            fit_b += ground[path, i] * table[WEIGHT_END, i]
        for first in range(0, pairs, PAIR_LANES):
            node, u, v = _corner(column, row, columns, rows)
            node += layer[path, 0] * whole
            _errors_at(errors, node * right + first, u, v, right, below, w, _AT_A)
            node, u, v = _corner(places[path, 2], places[path, 3], columns, rows)
            node += layer[path, n] * whole
            _errors_at(errors, node * right + first, u, v, right, below, w, _AT_B)
            for lane in range(PAIR_LANES):
                w[lane + _FIT_A] = w[lane + _AT_A] * table[WEIGHT_START, 0] + w[lane + _AT_B] * table[WEIGHT_START, n]
                w[lane + _FIT_B] = w[lane + _AT_A] * table[WEIGHT_END, 0] + w[lane + _AT_B] * table[WEIGHT_END, n]
            start = ground[path, 0] + antennas[path, 0]
            end = ground_b + antennas[path, 1]
            _begin(w, _UP, f32(1.0), start, end)
            _begin(w, _DOWN, f32(-1.0), start, end)
            for i in range(1, n):
                node, u, v = _corner(column + across * i, row + down * i, columns, rows)
                node += layer[path, i] * whole
                t = table[PART, i]
                _sample(
                    errors,
                    node * right + first,
                    u,
                    v,
                    right,
                    below,
                    w,
                    ground[path, i],
                    roofs[path, i] + bulge * (t - t * t),
                    t,
                    table[ACROSS, i],
                    table[START, i],
                    table[END, i],
                    table[WEIGHT_START, i],
                    table[WEIGHT_END, i],
                )
            count = min(pairs - first, PAIR_LANES)
            for side in range(2):
                _finish(
                    w,
                    _DOWN if side else _UP,
                    f32(-1.0) if side else f32(1.0),
                    count,
                    ground[path, 0],
                    ground_b,
                    fit_a,
                    fit_b,
                    scale,
                    nu[path],
                    h1[path],
                    h2[path],
                    first + side * pairs,
                )
