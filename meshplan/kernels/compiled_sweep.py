"""Many rays of one transmitter, from heights to loss at every owned cell."""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.kernels.compiled_loss import BLOCK, LANES, OUT, RISE, N, diffraction
from meshplan.kernels.compiled_math import FAST, db10, f32
from meshplan.kernels.compiled_ray import GROUP, LEAF, LEVELS, bound_records, clear_paths, lay_ray, sample_ray, scan_ray


@njit(fastmath=FAST, error_model="numpy")
def _free_space_block(w, step_m, factor_db, nearest2):
    """Add the free-space loss over the slant distance to `OUT`."""
    step = f32(step_m)
    for lane in range(LANES):
        d = w[lane + N] * step
        rise = w[lane + RISE]
        w[lane + OUT] += factor_db + db10(max(d * d + rise * rise, nearest2))


@njit(fastmath=FAST, error_model="numpy", nogil=True, cache=True)
def sweep_rays(ground, row, column, cell_m, tx_agl, rx_agl, quadrant, first, last, t, loss):
    """Write the loss at every cell owned by rays `first` … `last` − 1 of one quadrant (0 east, 1 west, 2 south, 3 north)."""
    rows, columns = ground.shape
    flat = ground.reshape(-1)
    out = loss.reshape(-1)
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
    line = np.empty(LEVELS * room)
    offset = np.empty(LEVELS * room)
    inverses = np.empty(size)
    roots = np.empty(size)
    for k in range(1, size):
        inverses[k] = 1.0 / k
        roots[k] = 1.0 / math.sqrt(k)
    antenna = float(flat[origin]) + tx_agl
    factor_db = f32(20.0 * math.log10(4.0 * math.pi / t.wavelength_m))
    nearest2 = f32(max(t.wavelength_m, 1.0) ** 2)
    for p in range(first, last):
        n = edge
        if p > 0:
            n = min(n, (2 * high + 1) * edge // (2 * p))
        elif p < 0:
            n = min(n, (1 - 2 * low) * edge // (-2 * p))
        count = lay_ray(
            p, edge, n, origin, along, across, low, high, diagonal, place, side, share, mine, own, target
        )  # fmt: skip
        known = sample_ray(flat, n, place, side, share, antenna, h)
        seen = count
        while seen > 0 and own[seen - 1] > known:
            seen -= 1
            out[target[seen]] = np.nan
        if seen == 0:
            continue
        known = own[seen - 1]
        step = cell_m * math.sqrt(1.0 + (float(p) / edge) ** 2)
        bulge = step * step * 0.5 / t.earth_radius_m
        records, waiting = scan_ray(
            known, h, h, bulge, tx_agl, rx_agl, own, seen, t.wavelength_m * step, inverses, roots, work, True,
            raw_x, raw_h, raw_s, hull_x, hull_g, hull_s, rec_s, rec_a, rec_u, slots, sights, before,
        )  # fmt: skip
        if waiting > 0:
            bound_records(records, rec_s, rec_a, line, offset, room)
            clear_paths(
                waiting, slots, sights, before, own, t.wavelength_m * step, inverses,
                rec_s, rec_a, rec_u, line, offset, room, group, work,
            )  # fmt: skip
        diffraction(work, seen, step, t, spare, marked)
        for index in range((seen + LANES - 1) // LANES):
            block = work[index]
            _free_space_block(block, step, factor_db, nearest2)
            for lane in range(min(LANES, seen - index * LANES)):
                out[target[index * LANES + lane]] = block[lane + OUT]
