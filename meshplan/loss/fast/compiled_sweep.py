"""Many rays of one transmitter, from heights to loss at every owned cell."""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.loss.fast.compiled_cover import (
    BLOCK_SIZE,
    BOTH,
    CROWN,
    ROOF,
    WAYS,
    all_leaves,
    edge_losses,
    lay_plants,
    near_leaves,
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
    bound_records,
    clear_paths,
    lay_ray,
    lay_shifted_ray,
    sample_ray,
    scan_ray,
)
from meshplan.propagation.filled_zone import INNER_ZONE

OVER_CROWNS_SPREAD_DB = 3.0
"""Spread of a way over crowns, as in `meshplan.loss.path_loss`."""

SAME_DB = 1e-3
"""Ways that differ by less than rounding: the plainer one is taken."""

SURFACE_ROWS = 14
"""Scratch rows of `scan_surface`: two hulls, two lists of records, two lists of slopes."""


@kernel
def _way_loss(n, off, h, low, high, near, bulge, rx_agl, own, seen, step, t, inverses, roots, trial, f, waits, nodes, group, out):
    """Write the Bullington loss of every target over one surface."""
    fresnel = t.wavelength_m * step
    room = nodes.shape[1] // LEVELS
    records0, waiting0, records1, waiting1 = scan_surface(
        n, off, h, low, high, near, bulge, rx_agl, own, seen, fresnel, inverses, roots, trial, f, waits
    )
    if waiting0 > 0:
        bound_records(records0, f[6], f[7], nodes[0], nodes[1], room)
        clear_paths(
            waiting0, waits[0], f[12], waits[1], own, fresnel, inverses,
            f[6], f[7], f[8], nodes[0], nodes[1], room, group, trial,
        )  # fmt: skip
    if waiting1 > 0:
        bound_records(records1, f[9], f[10], nodes[0], nodes[1], room)
        # One by one: the records of a later path may lie too near the receiver of an earlier one.
        for k in range(waiting1):
            clear_paths(
                1, waits[2, k:], f[13, k:], waits[3, k:], own, fresnel, inverses,
                f[9], f[10], f[11], nodes[0], nodes[1], room, group, trial,
            )  # fmt: skip
    edge_losses(trial, seen, own, off, step, out)


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


@njit(fastmath=FAST, error_model="numpy", nogil=True, cache=True)
def sweep_rays(
    ground, row, column, row_off, column_off, origin_amsl, cell_m, tx_agl, rx_agl, quadrant, first, last, t, cover,
    handicap_db, number, loss, terrain, covered, smooth, plants_spread, server,
):  # fmt: skip
    """Write the loss at every cell owned by rays `first` … `last` − 1 of one quadrant (0 east, 1 west, 2 south, 3 north).

    `terrain`, `covered`, `smooth` and `plants_spread` take the parts of the loss and what they hang on where they have the shape of
    the ground; `row_off` and `column_off` tell how far beside the middle of its cell the transmitter stands, on ground at
    `origin_amsl`; if `server` has it, only losses below those already there are written, with the number of the transmitter.
    """
    rows, columns = ground.shape
    flat = ground.reshape(-1)
    out = loss.reshape(-1)
    out_terrain = terrain.reshape(-1)
    out_covered = covered.reshape(-1)
    out_smooth = smooth.reshape(-1)
    out_plants = plants_spread.reshape(-1)
    out_server = server.reshape(-1)
    wants_parts = terrain.size == ground.size
    compares = server.size == ground.size
    origin = row * columns + column
    if quadrant < 2:
        edge = columns - 1 - column if quadrant == 0 else column
        along = 1 if quadrant == 0 else -1
        across, low, high = columns, -row, rows - 1 - row
    else:
        edge = rows - 1 - row if quadrant == 2 else row
        along = columns if quadrant == 2 else -columns
        across, low, high = 1, -column, columns - 1 - column
    diagonal = quadrant < 2
    size = edge + 1
    blocks = size // LANES + 1
    room = size // LEAF + 1
    work = np.empty((blocks, BLOCK), dtype=np.float32)
    spare = np.empty((blocks, BLOCK), dtype=np.float32)
    marked = np.empty(blocks * LANES, dtype=np.int64)
    place = np.empty(size, dtype=np.int32)
    side = np.empty(size, dtype=np.int32)
    mine = np.empty(size, dtype=np.int32)
    share = np.empty(size)
    own = np.empty(size + 1, dtype=np.int64)
    target = np.empty(size + 1, dtype=np.int64)
    h = np.empty(size)
    raw_x = np.empty(size)
    raw_h = np.empty(size)
    raw_s = np.empty(size)
    hull_x = np.empty(size)
    hull_g = np.empty(size)
    hull_s = np.empty(size)
    rec_s = np.empty(size)
    rec_a = np.empty(size)
    rec_u = np.empty(size)
    slots = np.empty(size, dtype=np.int64)
    sights = np.empty(size)
    before = np.empty(size, dtype=np.int64)
    group = np.empty(5 * GROUP)
    nodes = np.empty((2, LEVELS * room))
    inverses = np.empty(size)
    roots = np.empty(size)
    extra_size = size if cover.present > 0 else 1
    groups = len(cover.most_db)
    trial = np.empty((blocks if cover.present > 0 else 1, BLOCK), dtype=np.float32)
    scratch = np.empty((SURFACE_ROWS, extra_size))
    waits = np.empty((4, extra_size), dtype=np.int64)
    index = np.empty(extra_size, dtype=np.int64)
    heights = np.zeros((4, extra_size))
    ways = np.empty((len(WAYS), extra_size))
    through = np.empty((3, extra_size))
    variance = np.empty((2, extra_size))
    spread = np.zeros(extra_size)
    room_for = 2 * extra_size + groups * BLOCK_SIZE
    starts = np.zeros(2 * groups + 2, dtype=np.int64)
    sample = np.empty(room_for, dtype=np.int64)
    beside = np.empty((2, extra_size), dtype=np.int64)
    crown = np.empty((2, extra_size))
    held = np.empty((2, extra_size))
    part = np.empty((4, room_for), dtype=np.float32)
    plants = np.empty((3, room_for // BLOCK_SIZE + 1))
    stretches = np.empty((2, extra_size), dtype=np.int64)
    bounds = np.empty((2, extra_size))
    most = np.empty(extra_size)
    extra = np.zeros(extra_size)

    off = (column_off, -column_off, row_off, -row_off)[quadrant]
    lat = row_off if quadrant < 2 else column_off
    shifted = off != 0.0 or lat != 0.0
    antenna = origin_amsl + tx_agl
    factor_db = f32(20.0 * math.log10(4.0 * math.pi / t.wavelength_m))
    nearest2 = f32(max(t.wavelength_m, 1.0) ** 2)
    gaps = np.empty(size)
    for k in range(1, size):
        inverses[k] = 1.0 / (k - off)
        roots[k] = 1.0 / math.sqrt(k - off)
        gaps[k] = 1.0 / math.sqrt(k)
    for p in range(first, last):
        n = edge
        if shifted:
            if p > lat:
                n = min(n, int((high + 0.5 - lat) * (edge - off) / (p - lat) + off))
            elif p < lat:
                n = min(n, int((low - 0.5 - lat) * (edge - off) / (p - lat) + off))
            count = lay_shifted_ray(
                p, edge, n, origin, along, across, low, high, diagonal, off, lat, place, side, share, own, target
            )
        else:
            if p > 0:
                n = min(n, (2 * high + 1) * edge // (2 * p))
            elif p < 0:
                n = min(n, (1 - 2 * low) * edge // (-2 * p))
            count = lay_ray(p, edge, n, origin, along, across, low, high, diagonal, place, side, share, mine, own, target)
        known = sample_ray(flat, n, place, side, share, antenna, h)
        h[0] = -tx_agl
        seen = count
        while seen > 0 and own[seen - 1] > known:
            seen -= 1
            if not compares:
                out[target[seen]] = np.nan
        if seen == 0:
            continue
        known = own[seen - 1]
        slant = (p - lat) / (edge - off)
        step = cell_m * math.sqrt(1.0 + slant**2)
        bulge = step * step * 0.5 / t.earth_radius_m
        records, waiting = scan_ray(
            known, off, h, step, bulge, rx_agl, own, seen, t.wavelength_m * step, inverses, roots, work,
            raw_x, raw_h, raw_s, hull_x, hull_g, hull_s, rec_s, rec_a, rec_u, slots, sights, before,
        )  # fmt: skip
        if waiting > 0:
            bound_records(records, rec_s, rec_a, nodes[0], nodes[1], room)
            clear_paths(
                waiting, slots, sights, before, own, t.wavelength_m * step, inverses,
                rec_s, rec_a, rec_u, nodes[0], nodes[1], room, group, work,
            )  # fmt: skip
        diffraction(work, seen, t, spare, marked)
        stands = False
        if cover.present > 0:
            crowns, roofs = sample_cover(known, place, side, share, cover, index, heights[CROWN], heights[ROOF])
            zone = INNER_ZONE * math.sqrt(t.wavelength_m * step)
            pieces = lay_plants(
                known, off, place, side, share, h, bulge, zone, roots, cover, beside, crown, held, starts, sample, part, plants
            )
            crowns += pieces
            stands = crowns + roofs > 0
            if stands:
                if quadrant < 2:
                    bearing = math.atan2(float(along), -slant)
                else:
                    bearing = math.atan2(slant, -float(along // columns))
                near = cover.near_m / step
                edge_losses(work, seen, own, off, step, ways[0])
                for k in range(known + 1):
                    heights[BOTH, k] = heights[CROWN, k] + heights[ROOF, k]
                for way in range(1, len(WAYS)):
                    under, above, roofed, crowned, keeps_near = WAYS[way]
                    if (roofs > 0 or not roofed) and (crowns > 0 or not crowned):
                        _way_loss(
                            known, off, h, heights[under], heights[above], near if keeps_near else 0.0, bulge, rx_agl, own, seen,
                            step, t, inverses, roots, trial, scratch, waits, nodes, group, ways[way],
                        )  # fmt: skip
                walls_on_the_way(
                    known, off, h, bulge, tx_agl, rx_agl, cover, zone, roots, index, heights[ROOF], own, seen,
                    stretches, bounds, through[2],
                )  # fmt: skip
                near_leaves(
                    off, h, bulge, tx_agl, rx_agl, step, bearing, cover, near, held, zone, gaps, own, seen,
                    beside, crown, starts, sample, part, through[1], variance[1],
                )  # fmt: skip
                _most_through_db(seen, crowns > 0, roofs > 0, ways, through, most)
                all_leaves(
                    off, h, bulge, tx_agl, rx_agl, step, bearing, cover, held, zone, own, seen,
                    beside, crown, starts, sample, part, plants, most, through[0], variance[0],
                )  # fmt: skip
                _cheapest_ways(seen, crowns > 0, roofs > 0, ways, through, variance, extra, spread)
        for block_index in range((seen + LANES - 1) // LANES):
            block = work[block_index]
            lanes = min(LANES, seen - block_index * LANES)
            for lane in range(LANES):
                block[lane + NU] = block[lane + OUT]
            free_space_block(block, factor_db, nearest2)
            for lane in range(LANES):
                block[lane + OUT] += block[lane + NU]
            begin = block_index * LANES
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
                elif not out[cell] <= value + f32(handicap_db):
                    out[cell] = value + f32(handicap_db)
                    out_server[cell] = number
