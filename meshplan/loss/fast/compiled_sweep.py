"""Many rays of one transmitter, from heights to loss at every owned cell."""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from meshplan.loss.fast.compiled_cover import (
    BOTH,
    CROWN,
    ROOF,
    WAYS,
    Plants,
    all_leaves,
    edge_losses,
    lay_plants,
    near_leaves,
    new_plants,
    sample_cover,
    scan_surface,
    walls_on_the_way,
)
from meshplan.loss.fast.compiled_loss import BLOCK, GROUND, LANES, NU, OUT, SMOOTH, diffraction, free_space_block
from meshplan.loss.fast.compiled_math import FAST, f32, kernel
from meshplan.loss.fast.compiled_ray import (
    GROUP,
    LEAF,
    LEVELS,
    Fan,
    Floats,
    Longs,
    Ray,
    Samples,
    Surface,
    Targets,
    Tree,
    bound_records,
    clear_paths,
    lay_ray,
    lay_shifted_ray,
    new_hull,
    new_surface,
    sample_ray,
    scan_ray,
)
from meshplan.propagation.filled_zone import INNER_ZONE

OVER_CROWNS_SPREAD_DB = 3.0
"""Spread of a way over crowns, as in `meshplan.loss.path_loss`."""

SAME_DB = 1e-3
"""Ways that differ by less than rounding: the plainer one is taken."""


class Search(NamedTuple):
    """What the search for the least clearance of clear paths works in."""

    tree: Tree
    group: Floats


class Scratch(NamedTuple):
    """What the cover along one ray is worked out in."""

    trial: NDArray[np.float32]
    always: Surface
    far: Surface
    """What stands everywhere, and what counts only far from the antennas."""
    code: Longs
    heights: Floats
    plants: Plants
    stretches: Longs
    bounds: Floats
    ways: Floats
    through: Floats
    variance: Floats
    most: Floats
    gaps: Floats
    extra: Floats
    spread: Floats


@kernel
def _new_scratch(size, blocks, groups):
    """Return room for the cover along rays of some samples."""
    return Scratch(
        np.empty((blocks, BLOCK), dtype=np.float32),
        new_surface(size),
        new_surface(size),
        np.empty(size, dtype=np.int64),
        np.zeros((4, size)),
        new_plants(size, groups),
        np.empty((2, size), dtype=np.int64),
        np.empty((2, size)),
        np.empty((len(WAYS), size)),
        np.empty((3, size)),
        np.empty((2, size)),
        np.empty(size),
        np.empty(size),
        np.zeros(size),
        np.zeros(size),
    )


@kernel
def _way_loss(ray, low, high, near, search, s, out):
    """Write the Bullington loss of every target over one surface."""
    records0, waiting0, records1, waiting1 = scan_surface(ray, low, high, near, s.always, s.far, s.trial)
    if waiting0 > 0:
        bound_records(records0, s.always.records, search.tree)
        clear_paths(0, waiting0, s.always, ray, search.tree, search.group, s.trial)
    if waiting1 > 0:
        bound_records(records1, s.far.records, search.tree)
        # One by one: the records of a later path may lie too near the receiver of an earlier one.
        for k in range(waiting1):
            clear_paths(k, k + 1, s.far, ray, search.tree, search.group, s.trial)
    edge_losses(s.trial, ray, out)


@kernel
def _most_through_db(seen, has_crown, has_roof, ways, through, most):
    """Write the loss of leaves from which going through them all cannot be the way that loses least.

    What is cut off there must still be told from the other way by more than `SAME_DB`, or rounding would name the way.
    """
    for q in range(seen):
        bare = ways[0, q]
        other = math.inf
        if has_crown:
            other = min(ways[2, q], ways[3, q] + through[1, q])
            if has_roof:
                other = min(other, through[2, q] + min(ways[4, q], ways[5, q] + through[1, q]))
        if has_roof:
            bare = min(max(ways[1, q], bare), bare + through[2, q])
        most[q] = other - bare + 2.0 * SAME_DB


@kernel
def _cheapest_ways(seen, has_crown, has_roof, ways, through, variance, extra, spread):
    """Write what cover and buildings add to the edges of bare ground on the way that loses least, and the spread of plants on it.

    `ways` holds the edge losses (rows as in `WAYS`), `through` the losses of leaves, of leaves near the antennas, and of walls,
    `variance` those of all leaves and of those near the antennas.
    """
    over2 = OVER_CROWNS_SPREAD_DB**2
    for q in range(seen):
        bare = ways[0, q]
        leaves = through[0, q]
        near = through[1, q]
        walls = through[2, q]
        best = bare + leaves
        if has_roof:
            best = min(max(ways[1, q], bare), bare + walls) + leaves
        plants2 = variance[0, q] if leaves > 0.0 else 0.0
        if leaves > 0.0 and has_crown:
            over = ways[2, q]
            mixed = ways[3, q] + near
            if has_roof:
                over = min(over, walls + ways[4, q])
                mixed = min(mixed, walls + ways[5, q] + near)
            if over < best - SAME_DB and over <= mixed:
                plants2 = over2
            elif mixed < best - SAME_DB:
                plants2 = variance[1, q] + over2
            best = min(best, over, mixed)
        extra[q] = best - bare
        spread[q] = math.sqrt(plants2)


@kernel
def _past_cover(ray, samples, bearing, cover, work, t, search, s):
    """Write what cover adds on the way that loses least, and its spread; return whether anything stands there."""
    crowns, roofs = sample_cover(ray.last, samples, cover, s.code, s.heights[CROWN], s.heights[ROOF])
    zone = INNER_ZONE * math.sqrt(ray.fresnel)
    crowns += lay_plants(ray, samples, zone, cover, s.plants)
    if crowns + roofs == 0:
        return False
    near = cover.near_m / ray.step_m
    edge_losses(work, ray, s.ways[0])
    heights = s.heights
    for k in range(ray.last + 1):
        heights[BOTH, k] = heights[CROWN, k] + heights[ROOF, k]
    for way in range(1, len(WAYS)):
        under, above, roofed, crowned, keeps_near = WAYS[way]
        if (roofs > 0 or not roofed) and (crowns > 0 or not crowned):
            _way_loss(ray, s.heights[under], s.heights[above], near if keeps_near else 0.0, search, s, s.ways[way])
    walls_on_the_way(ray, zone, cover, s.code, s.heights[ROOF], s.stretches, s.bounds, s.through[2])
    near_leaves(ray, bearing, zone, near, s.gaps, cover, s.plants, s.through[1], s.variance[1])
    _most_through_db(ray.seen, crowns > 0, roofs > 0, s.ways, s.through, s.most)
    all_leaves(ray, bearing, zone, cover, s.plants, s.most, s.through[0], s.variance[0])
    _cheapest_ways(ray.seen, crowns > 0, roofs > 0, s.ways, s.through, s.variance, s.extra, s.spread)
    return True


@kernel
def _fan(quadrant, row, column, rows, columns):
    """Return the rays of one quadrant (0 east, 1 west, 2 south, 3 north) of a place."""
    origin = row * columns + column
    if quadrant < 2:
        edge = columns - 1 - column if quadrant == 0 else column
        along = 1 if quadrant == 0 else -1
        return Fan(edge, origin, along, columns, -row, rows - 1 - row, True)
    edge = rows - 1 - row if quadrant == 2 else row
    along = columns if quadrant == 2 else -columns
    return Fan(edge, origin, along, 1, -column, columns - 1 - column, False)


@kernel
def _samples_inside(p, fan, off, lat):
    """Return how far ray `p` runs before it leaves the raster."""
    n = fan.edge
    if off != 0.0 or lat != 0.0:
        if p > lat:
            n = min(n, int((fan.high + 0.5 - lat) * (fan.edge - off) / (p - lat) + off))
        elif p < lat:
            n = min(n, int((fan.low - 0.5 - lat) * (fan.edge - off) / (p - lat) + off))
    elif p > 0:
        n = min(n, (2 * fan.high + 1) * fan.edge // (2 * p))
    elif p < 0:
        n = min(n, (1 - 2 * fan.low) * fan.edge // (-2 * p))
    return n


@njit(fastmath=FAST, error_model="numpy", nogil=True, cache=True)
def sweep_rays(ground, at, quadrant, first, last, t, cover, rasters):
    """Write the loss at every cell owned by rays `first` … `last` − 1 of one quadrant (0 east, 1 west, 2 south, 3 north).

    `at` is the transmitter (`Origin`). Of the `rasters` the parts are written where they have the shape of the ground; if `server`
    has it, only losses below those already there are written, with the number of the transmitter.
    """
    rows, columns = ground.shape
    flat = ground.reshape(-1)
    out = rasters.loss.reshape(-1)
    out_terrain = rasters.terrain.reshape(-1)
    out_covered = rasters.covered.reshape(-1)
    out_smooth = rasters.smooth.reshape(-1)
    out_plants = rasters.plants_spread.reshape(-1)
    out_server = rasters.server.reshape(-1)
    wants_parts = rasters.terrain.size == ground.size
    compares = rasters.server.size == ground.size
    fan = _fan(quadrant, at.row, at.column, rows, columns)
    size = fan.edge + 1
    blocks = size // LANES + 1
    room = size // LEAF + 1
    work = np.empty((blocks, BLOCK), dtype=np.float32)
    spare = np.empty((blocks, BLOCK), dtype=np.float32)
    marked = np.empty(blocks * LANES, dtype=np.int64)
    samples = Samples(np.empty(size, dtype=np.int32), np.empty(size, dtype=np.int32), np.empty(size))
    mine = np.empty(size, dtype=np.int32)
    targets = Targets(np.empty(size + 1, dtype=np.int64), np.empty(size + 1, dtype=np.int64))
    own, target = targets
    h = np.empty(size)
    raw = new_hull(size)
    surface = new_surface(size)
    search = Search(Tree(np.empty(LEVELS * room), np.empty(LEVELS * room)), np.empty(5 * GROUP))
    inverses = np.empty(size)
    roots = np.empty(size)
    some = cover.present > 0
    scratch = _new_scratch(size if some else 1, blocks if some else 1, len(cover.most_db) if some else 0)
    extra, spread, gaps = scratch.extra, scratch.spread, scratch.gaps
    off = (at.column_off, -at.column_off, at.row_off, -at.row_off)[quadrant]
    lat = at.row_off if quadrant < 2 else at.column_off
    shifted = off != 0.0 or lat != 0.0
    antenna = at.ground_amsl_m + at.tx_agl_m
    factor_db = f32(20.0 * math.log10(4.0 * math.pi / t.wavelength_m))
    nearest2 = f32(max(t.wavelength_m, 1.0) ** 2)
    for k in range(1, size):
        inverses[k] = 1.0 / (k - off)
        roots[k] = 1.0 / math.sqrt(k - off)
        if some:
            gaps[k] = 1.0 / math.sqrt(k)
    for p in range(first, last):
        n = _samples_inside(p, fan, off, lat)
        if shifted:
            count = lay_shifted_ray(p, n, fan, off, lat, samples, targets)
        else:
            count = lay_ray(p, n, fan, samples, mine, targets)
        known = sample_ray(flat, n, samples, antenna, h)
        h[0] = -at.tx_agl_m
        seen = count
        while seen > 0 and own[seen - 1] > known:
            seen -= 1
            if not compares:
                out[target[seen]] = np.nan
        if seen == 0:
            continue
        slant = (p - lat) / (fan.edge - off)
        step = at.cell_m * math.sqrt(1.0 + slant**2)
        bulge = step * step * 0.5 / t.earth_radius_m
        fresnel = t.wavelength_m * step
        ray = Ray(own[seen - 1], off, step, bulge, fresnel, at.tx_agl_m, at.rx_agl_m, h, own, seen, inverses, roots)
        records, waiting = scan_ray(ray, raw, surface, work)
        if waiting > 0:
            bound_records(records, surface.records, search.tree)
            clear_paths(0, waiting, surface, ray, search.tree, search.group, work)
        diffraction(work, seen, t, spare, marked)
        stands = False
        if some:
            if quadrant < 2:
                bearing = math.atan2(float(fan.along), -slant)
            else:
                bearing = math.atan2(slant, -float(fan.along // columns))
            stands = _past_cover(ray, samples, bearing, cover, work, t, search, scratch)
        for begin in range(0, seen, LANES):
            block = work[begin // LANES]
            lanes = min(LANES, seen - begin)
            for lane in range(LANES):
                block[lane + NU] = block[lane + OUT]
            free_space_block(block, factor_db, nearest2)
            for lane in range(LANES):
                block[lane + OUT] += block[lane + NU]
            if not (wants_parts or compares or stands):
                for lane in range(lanes):
                    out[target[begin + lane]] = block[lane + OUT]
                continue
            for lane in range(lanes):
                cell = target[begin + lane]
                added = f32(extra[begin + lane]) if stands else f32(0.0)
                value = block[lane + OUT] + added
                if wants_parts:
                    out_terrain[cell] = block[lane + NU]
                    out_covered[cell] = added
                    out_smooth[cell] = max(block[lane + GROUND], block[lane + SMOOTH])
                    out_plants[cell] = f32(spread[begin + lane]) if stands else f32(0.0)
                if not compares:
                    out[cell] = value
                elif not out[cell] <= value + f32(at.handicap_db):
                    out[cell] = value + f32(at.handicap_db)
                    out_server[cell] = at.number
