"""Tools that give a drawn landform the looks of land: noise of many scales, rain that cuts valleys, heights that must be kept.

Whatever follows `settled` uses only sums, products, quotients, square roots and comparisons, which IEEE 754 rounds alike on every
machine, so that a drainage network never turns another way for a last digit. Rows run from north to south, as in a raster.

The erosion is the detachment-limited stream power law with hillslope diffusion (common in landscape evolution: lowering
k·√area·slope, solved downstream to upstream, implicitly, as by Braun and Willett 2013, "A very efficient O(n), implicit and
parallel method to solve the stream power equation", Geomorphology 180-181). Depressions are flooded from the edge as by Barnes,
Lehman and Mulla 2014, "Priority-flood", Computers & Geosciences 62. All from memory of the papers; coefficients are chosen by eye.
"""

from __future__ import annotations

import heapq
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Points = Sequence[tuple[float, float, float]]
"""x, y and height of places whose ground is given."""

NEIGHBOURS = ((-1, -1), (-1, 0), (-1, 1), (0, -1), (0, 1), (1, -1), (1, 0), (1, 1))
DIAGONAL = 1.4142135623730951
SETTLED_DECIMALS = 5
STRAY = 0.45


def axes(box_m: tuple[float, float, float, float], cell_m: float) -> tuple[Array, Array]:
    """Return the middles of the columns and of the rows (from the north) of a box west, south, east, north."""
    west, south, east, north = box_m
    return (
        west + cell_m * (np.arange(round((east - west) / cell_m)) + 0.5),
        north - cell_m * (np.arange(round((north - south) / cell_m)) + 0.5),
    )


def settled(values: Array) -> Array:
    """Return values without the digits in which machines differ after sines and exponentials."""
    return np.round(values, SETTLED_DECIMALS)


def ease(values: Array, low: float, high: float) -> Array:
    """Return 0 up to `low`, 1 from `high` on, a smooth step between (3t² - 2t³); `high` may be the lesser."""
    t = np.clip((values - low) / (high - low), 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def noise(x: Array, y: Array, wavelength_m: float, seed: int) -> Array:
    """Return smooth noise of one scale, about -1 to 1: gradients at the corners of a lattice, blended by 6t⁵ - 15t⁴ + 10t³."""
    u, v = x / wavelength_m, y / wavelength_m
    column, row = np.floor(u), np.floor(v)
    dx, dy = u - column, v - row
    i, j = column.astype(np.int64), row.astype(np.int64)
    across, up = (t * t * t * (t * (6.0 * t - 15.0) + 10.0) for t in (dx, dy))
    corners = []
    for right, above in ((0, 0), (1, 0), (0, 1), (1, 1)):
        slope_x, slope_y = (_hashed(i + right, j + above, 2 * seed + part) for part in (0, 1))
        corners.append(slope_x * (dx - right) + slope_y * (dy - above))
    low = corners[0] + across * (corners[1] - corners[0])
    high = corners[2] + across * (corners[3] - corners[2])
    return np.asarray(1.6 * (low + up * (high - low)))


def _hashed(i: NDArray[np.int64], j: NDArray[np.int64], seed: int) -> Array:
    """Return a number from -1 to 1 for each corner of a lattice: integers mixed by shifts and odd factors."""
    mixed = i.astype(np.uint64) * np.uint64(0x9E3779B97F4A7C15) + j.astype(np.uint64) * np.uint64(0xC2B2AE3D27D4EB4F)
    mixed += np.uint64(seed * 0x165667B1 + 0x27D4EB2F)
    for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
        mixed = (mixed ^ (mixed >> np.uint64(shift))) * np.uint64(factor)
    mixed ^= mixed >> np.uint64(31)
    return (mixed >> np.uint64(33)).astype(np.float64) / 2.0**30 - 1.0


def octaves(x: Array, y: Array, longest_m: float, shortest_m: float, seed: int, *, fall: float = 0.55, warp: float = 0.25) -> Array:
    """Return noise of many scales, each half as long and `fall` as high as the one before, bent by noise of the longest scale.

    A `fall` of 0.5 to 0.6 makes height differences grow with distance to the power 0.7 to 1 (fall = 2^-H).
    """
    bent_x = x + warp * longest_m * noise(x, y, longest_m, seed + 101)
    bent_y = y + warp * longest_m * noise(x, y, longest_m, seed + 102)
    total, height, wavelength_m, octave = np.zeros(np.broadcast(x, y).shape), 1.0, longest_m, 0
    while wavelength_m >= shortest_m:
        total += height * noise(bent_x, bent_y, wavelength_m, seed + octave)
        bent_x, bent_y = 0.8 * bent_x - 0.6 * bent_y, 0.6 * bent_x + 0.8 * bent_y  # no two lattices lie alike
        height, wavelength_m, octave = height * fall, wavelength_m / 2.0, octave + 1
    return total


def smooth(values: Array, radius_cells: int) -> Array:
    """Return a mean over about a radius: three running means each way, edges repeated."""
    width = 2 * radius_cells + 1
    for axis in (0, 1):
        for _ in range(3):
            padded = np.pad(values, [(radius_cells + 1, radius_cells) if a == axis else (0, 0) for a in (0, 1)], mode="edge")
            sums = np.cumsum(padded, axis=axis)
            ahead, behind = (np.take(sums, np.arange(values.shape[axis]) + k, axis=axis) for k in (width, 0))
            values = (ahead - behind) / width
    return values


def finer(coarse: Array, times: int) -> Array:
    """Return a raster with `times` as many rows and columns over all but its outermost two cells a side: cubic B-splines.

    They smooth a little and never overshoot; slopes and bends are continuous.
    """
    t = (np.arange(times) + 0.5) / times + 0.5
    t = np.where(t >= 1.0, t - 1.0, t)
    late = (np.arange(times) + 0.5) / times >= 0.5
    weights = ((1 - t) ** 3 / 6, (3 * t**3 - 6 * t**2 + 4) / 6, (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6, t**3 / 6)
    for axis in (0, 1):
        moved = np.moveaxis(coarse, axis, -1)
        kept = moved.shape[-1] - 4
        parts = np.empty((*moved.shape[:-1], kept, times))
        for k in range(times):
            first = 1 if late[k] else 0
            parts[..., k] = sum(weights[n][k] * moved[..., first + n : first + n + kept] for n in range(4))
        coarse = np.moveaxis(parts.reshape(*moved.shape[:-1], kept * times), -1, axis)
    return coarse


def filled(height: Array, fall: float = 0.0) -> Array:
    """Return heights from which water finds a way to the edge: depressions flooded to their lowest rim, `fall` higher each cell."""
    rows, columns = height.shape
    width = columns + 2
    framed = np.full((rows + 2, width), np.inf)
    framed[1:-1, 1:-1] = height
    level: list[float] = framed.ravel().tolist()
    inner = np.zeros((rows + 2, width), dtype=bool)
    inner[1:-1, 1:-1] = True
    edge = inner.copy()
    edge[2:-2, 2:-2] = False
    waiting = bytearray((inner & ~edge).astype(np.uint8).tobytes())
    heap = [(level[cell], cell) for cell in np.flatnonzero(edge).tolist()]
    heapq.heapify(heap)
    steps = [row * width + column for row, column in NEIGHBOURS]
    pop, push = heapq.heappop, heapq.heappush
    while heap:
        here, cell = pop(heap)
        least = here + fall
        for step in steps:
            other = cell + step
            if waiting[other]:
                waiting[other] = 0
                level[other] = max(level[other], least)
                push(heap, (level[other], other))
    return np.array(level).reshape(rows + 2, width)[1:-1, 1:-1]


def drains_to(height: Array, stray: float = 0.0) -> tuple[NDArray[np.int64], Array]:
    """Return for each cell the flat index of the neighbour to which it falls steepest, and its distance in cells; itself if none.

    With `stray`, slopes count up to that share more or less, by cell and direction, so that water does not keep to the eight
    directions of the grid (after Fairfield and Leymarie 1991, Water Resources Research 27, from memory).
    """
    rows, columns = height.shape
    framed = np.pad(height, 1, constant_values=np.inf)
    own = np.arange(rows * columns).reshape(rows, columns)
    target, away, steepest = own.copy(), np.ones(height.shape), np.zeros(height.shape)
    for number, (row, column) in enumerate(NEIGHBOURS):
        distance = DIAGONAL if row and column else 1.0
        weight = 1.0 + stray * _hashed(own % columns, own // columns, 900 + number) if stray else 1.0
        slope = weight * (height - framed[1 + row : rows + 1 + row, 1 + column : columns + 1 + column]) / distance
        better = slope > steepest
        target[better] = own[better] + row * columns + column
        steepest[better], away[better] = slope[better], distance
    return target, away


def drained_cells(height: Array, stray: float = 0.0) -> NDArray[np.int64]:
    """Return how many cells drain through each, itself counted."""
    target = drains_to(height, stray)[0].ravel().tolist()
    count = [1] * len(target)
    for cell in np.argsort(-height, axis=None, kind="stable").tolist():
        if target[cell] != cell:
            count[target[cell]] += count[cell]
    return np.array(count, dtype=np.int64).reshape(height.shape)


def eroded(
    form: Array,
    *,
    rounds: int,
    cut: float,
    creep: float,
    hold_cells: int,
    spring_cells: float = 12.0,
    pins: tuple[Array, Array, Points, float] | None = None,
) -> Array:
    """Return a landform after rain: valleys cut in by stream power, hillslopes rounded by creep.

    Parameters
    ----------
    form : array
        The landform as drawn; as much as erosion takes from it over more than `hold_cells` is raised again, so that it keeps
        its large shape. Its edge stays.
    rounds, cut, creep
        Steps; lowering in a step for a slope of one in one and one drained cell, in cells; share of the bend that creep takes
        in a step (at most 0.2).
    spring_cells : float
        How many cells must drain through one before water runs in a bed there.
    pins : (x, y, points, reach), optional
        Places whose heights the land keeps while it forms.
    """
    columns = form.shape[1]
    height = filled(settled(form), 1e-4)
    inner = np.zeros(form.shape, dtype=bool)
    inner[1:-1, 1:-1] = True
    for step in range(rounds):
        if step % 4 == 0:
            height = filled(height, 1e-4)
        target, away = drains_to(height, STRAY)
        order = np.argsort(height, axis=None, kind="stable").tolist()
        below, level = target.ravel().tolist(), height.ravel().tolist()
        area = [1] * len(level)
        for cell in reversed(order):
            if below[cell] != cell:
                area[below[cell]] += area[cell]
        share = (cut * np.sqrt(np.maximum(np.array(area) - spring_cells, 0.0)) / away.ravel()).tolist()
        for cell in order:
            if below[cell] != cell:
                level[cell] = (level[cell] + share[cell] * level[below[cell]]) / (1.0 + share[cell])
        height = np.where(inner, np.array(level).reshape(-1, columns), form)
        bend = np.roll(height, 1, 0) + np.roll(height, -1, 0) + np.roll(height, 1, 1) + np.roll(height, -1, 1) - 4.0 * height
        height = height + np.where(inner, creep * bend, 0.0)
        height = height + smooth(form - height, hold_cells)
        if pins is not None and step % 4 == 3:
            x, y, points, reach_m = pins
            height = pinned(height, x, y, points, reach_m)
        height = settled(height)
    return height


def bilinear(height: Array, x: Array, y: Array, at_x: float, at_y: float) -> float:
    """Return the height at a place between the middles of cells."""
    cell_m = float(x[1] - x[0])
    column, row = (at_x - float(x[0])) / cell_m, (float(y[0]) - at_y) / cell_m
    i, j = int(np.floor(row)), int(np.floor(column))
    down, right = row - i, column - j
    north = (1 - right) * height[i, j] + right * height[i, j + 1]
    south = (1 - right) * height[i + 1, j] + right * height[i + 1, j + 1]
    return float((1 - down) * north + down * south)


def pinned(height: Array, x: Array, y: Array, points: Points, reach_m: float) -> Array:
    """Return heights bent smoothly through given ones, nothing changed beyond a reach of each.

    The bend is a sum of functions (1 - r)⁴·(4r + 1) of the distance r to each point over the reach (Wendland 1995, positive
    definite in the plane, from memory).
    """
    off = np.array([z - bilinear(height, x, y, px, py) for px, py, z in points])
    places = np.array([(px, py) for px, py, _ in points])
    apart = np.hypot(places[:, None, 0] - places[None, :, 0], places[:, None, 1] - places[None, :, 1])
    weights = np.round(np.linalg.solve(_bell(apart / reach_m), off), SETTLED_DECIMALS)
    height = height.copy()
    for (px, py), weight in zip(places.tolist(), weights.tolist(), strict=True):
        columns, rows = np.flatnonzero(np.abs(x - px) < reach_m), np.flatnonzero(np.abs(y - py) < reach_m)
        part = np.ix_(rows, columns)
        dx, dy = x[columns] - px, y[rows] - py
        height[part] += weight * _bell(np.sqrt(dx[None, :] * dx[None, :] + dy[:, None] * dy[:, None]) / reach_m)
    return height


def _bell(r: Array) -> Array:
    left = np.clip(1.0 - r, 0.0, None)
    return left * left * left * left * (4.0 * r + 1.0)


def course(points: Sequence[tuple[float, ...]], step_m: float) -> Array:
    """Return a smooth line through points (x, y and whatever else), about `step_m` apart: Catmull-Rom splines."""
    given = np.array(points, dtype=float)
    given = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    parts = []
    for a, b, c, d in zip(given, given[1:], given[2:], given[3:], strict=False):
        length_m = float(np.sqrt((c[0] - b[0]) ** 2 + (c[1] - b[1]) ** 2))
        t = (np.arange(max(round(length_m / step_m), 1)) / max(round(length_m / step_m), 1))[:, None]
        parts.append(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * t**2 + (3 * b - a - 3 * c + d) * t**3))
    return np.vstack([*parts, given[-2:-1]])


def away_from(line: Array, x: Array, y: Array, reach_m: float) -> tuple[Array, Array]:
    """Return the distance of each cell to a line (a reach at most) and the third figure of the line, if any, there."""
    away, figure = np.full((len(y), len(x)), reach_m), np.full((len(y), len(x)), np.nan)
    cell_m = float(x[1] - x[0])
    for px, py, value in np.pad(line, [(0, 0), (0, 1)])[:, :3].tolist():
        left, right = np.searchsorted(x, (px - reach_m, px + reach_m))
        top, bottom = (round(max((float(y[0]) - py) / cell_m + k * reach_m / cell_m, 0.0)) for k in (-1, 1))
        if left >= right or top >= bottom + 1:
            continue
        part = (slice(top, bottom + 1), slice(left, right))
        dx, dy = x[None, left:right] - px, y[top : bottom + 1, None] - py
        distance = np.sqrt(dx * dx + dy * dy)
        nearer = distance < away[part]
        away[part] = np.where(nearer, distance, away[part])
        figure[part] = np.where(nearer, value, figure[part])
    return away, figure
