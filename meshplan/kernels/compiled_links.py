"""Many links, each with its own profile: sampling, all extremes in one pass, the loss, and the ways past cover."""
# mypy: disable-error-code="no-untyped-def, untyped-decorator, call-arg, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.kernels.compiled_cover import BOTH, CROWN, ROOF, WAYS, foliage_loss_db
from meshplan.kernels.compiled_loss import bullington_total_db, knife_edge_db, smooth_bullington_db, smooth_ground_db
from meshplan.kernels.compiled_math import FAST, f32, larger

FREE, EDGE, SMOOTH, GROUND, TERRAIN, COVER, SHARE, CLEAR_M, PLACE, WALLS, LEAVES = range(11)
"""Columns of the result: free space, edges of bare ground, edges of the smooth line, smooth ground, terrain in all, cover; least
clearance in Fresnel radii and in metres and its place along the path from 0 to 1; loss of walls and of all leaves on the line."""
RESULTS = 11
ACROSS, START, END, WEIGHT_START, WEIGHT_END, PART = range(6)
"""Rows of the table shared by all links: 1/sqrt(t(1−t)), 1/t, 1/(1−t), weights of the smooth fit, t."""
TABLE_ROWS = 6
_LOW = f32(-1e30)
_0, _1 = f32(0.0), f32(1.0)


@njit(fastmath=FAST, error_model="numpy")
def sample_line(flat, rows, columns, n, column_a, row_a, column_b, row_b, h):
    """Write the ground along a straight line, less that of the first cell, whose height is returned.

    Bilinear between four cells; a neighbour of no weight does not count.
    """
    most_column = float(columns - 1)
    most_row = float(rows - 1)
    across = (column_b - column_a) / n
    down = (row_b - row_a) / n
    width = np.int32(columns)
    base = flat[int(min(max(row_a, 0.0), most_row)) * columns + int(min(max(column_a, 0.0), most_column))]
    for i in range(n + 1):
        k = float(np.int32(i))
        c = min(max(column_a + across * k, 0.0), most_column)
        r = min(max(row_a + down * k, 0.0), most_row)
        c0 = np.int32(c)
        r0 = np.int32(r)
        u = f32(c - float(c0))
        v = f32(r - float(r0))
        right = np.int32(1) if u > _0 else np.int32(0)
        below = width if v > _0 else np.int32(0)
        at = np.uint32(np.int32(r0 * width + c0))
        p = flat[at] - base
        q = flat[np.uint32(at + right)] - base
        s = flat[np.uint32(at + below)] - base
        w = flat[np.uint32(at + below + right)] - base
        top = p + (q - p) * u
        bottom = s + (w - s) * u
        h[i] = top + (bottom - top) * v
    return base


@njit(fastmath=FAST, error_model="numpy")
def reduce_profile(h, n, start, end, bulge, table, found, shares):
    """Find all that the loss needs of bare ground, in one pass over the inner samples.

    `found`: largest of e/t, e/(1−t), e/sqrt(t(1−t)) with e the height over the line of sight, Earth bulge included; the same three
    (last: H itself) without the bulge; the two sums of the smooth fit. `shares` takes the third for every sample.
    """
    slope = end - start
    high_t = _LOW
    high_s = _LOW
    high_f = _LOW
    raw_t = _LOW
    raw_s = _LOW
    raw = _LOW
    fit_start = _0
    fit_end = _0
    for i in range(1, n):
        t = table[PART, i]
        y = h[i]
        over = y - start - slope * t
        e = over + bulge * (t - t * t)
        a = table[START, i]
        b = table[END, i]
        high_t = larger(high_t, e * a)
        high_s = larger(high_s, e * b)
        share = e * table[ACROSS, i]
        shares[i] = share
        high_f = larger(high_f, share)
        raw_t = larger(raw_t, over * a)
        raw_s = larger(raw_s, over * b)
        raw = larger(raw, over)
        fit_start += y * table[WEIGHT_START, i]
        fit_end += y * table[WEIGHT_END, i]
    found[0] = high_t
    found[1] = high_s
    found[2] = high_f
    found[3] = raw_t
    found[4] = raw_s
    found[5] = raw
    found[6] = fit_start + h[0] * table[WEIGHT_START, 0] + h[n] * table[WEIGHT_START, n]
    found[7] = fit_end + h[0] * table[WEIGHT_END, 0] + h[n] * table[WEIGHT_END, n]


@njit(fastmath=FAST, error_model="numpy")
def _surface_extremes(h, above, beyond, near, n, start, end, bulge, table, found, shares):
    """Find the first three extremes over `h` + `above`, or + `beyond` where farther than `near` samples from both ends."""
    slope = end - start
    high_t = _LOW
    high_s = _LOW
    high_f = _LOW
    for i in range(1, n):
        t = table[PART, i]
        stands = beyond[i] if (i > near) & (n - i > near) else above[i]
        e = h[i] + stands - start - slope * t + bulge * (t - t * t)
        high_t = larger(high_t, e * table[START, i])
        high_s = larger(high_s, e * table[END, i])
        share = e * table[ACROSS, i]
        shares[i] = share
        high_f = larger(high_f, share)
    found[0] = high_t
    found[1] = high_s
    found[2] = high_f


@njit(fastmath=FAST)
def _first(shares, n, highest):
    """Return the first inner sample that has the largest share."""
    i = 1
    while i < n - 1 and shares[i] != highest:
        i += 1
    return i


@njit(fastmath=FAST, error_model="numpy")
def _edge_loss(found, d, wavelength_m):
    """Return the Bullington loss of the extremes: least clearance if the line is free, else the one edge of both tangents."""
    high_t = float(found[0])
    if high_t < 0.0:
        nu = float(found[2]) * math.sqrt(2.0 / (wavelength_m * d))
    else:
        nu = math.sqrt(2.0 * high_t * float(found[1]) / (wavelength_m * d))
    return bullington_total_db(knife_edge_db(nu), d)


@njit(fastmath=FAST, error_model="numpy")
def _sample_codes(cover, rows, columns, n, column_a, row_a, column_b, row_b, inside_a, inside_b, code, crown, roof):
    """Write code, crown and roof of the nearest cell of each sample; return whether anything stands there."""
    codes = cover.codes.reshape(-1)
    canopy = cover.canopy.reshape(-1)
    across = (column_b - column_a) / n
    down = (row_b - row_a) / n
    crowns = 0
    roofs = 0
    for i in range(n + 1):
        c = min(max(int(np.rint(column_a + across * i)), 0), columns - 1)
        r = min(max(int(np.rint(row_a + down * i)), 0), rows - 1)
        at = np.int64(codes[r * columns + c])
        if at in (inside_a, inside_b):
            at = 0
        code[i] = at
        crown[i] = f32(cover.crown_m[at])
        roof[i] = f32(cover.roof_m[at])
        if at > 0 and cover.has_canopy > 0:
            seen = float(canopy[r * columns + c])
            if not np.isnan(seen):
                crown[i] = f32(seen * cover.crown_share[at])
                roof[i] = f32(seen * cover.roof_share[at])
        crowns += 1 if crown[i] > _0 else 0
        roofs += 1 if 0 < i < n and roof[i] > _0 else 0
    return crowns, roofs


@njit(fastmath=FAST, error_model="numpy")
def _through(cover, n, near, h, crown, roof, code, start, end, bulge, step, bearing, depth):
    """Add up metres by group; return the loss of all leaves on the line, of those near the antennas, and of walls."""
    groups = len(cover.most_db)
    depth[:, :groups] = 0.0
    walls = 0.0
    was_inside = False
    for i in range(n + 1):
        t = float(i) / n
        sight = start + (end - start) * t - bulge * (t - t * t)
        if crown[i] > _0 and sight < h[i] + crown[i] and cover.group[code[i]] >= 0:
            metres = 0.5 * step if i in (0, n) else step
            depth[0, cover.group[code[i]]] += metres
            if i <= near or n - i <= near:
                depth[1, cover.group[code[i]]] += metres
        inside = roof[i] > _0 and sight < h[i] + roof[i]
        if i > 0 and inside and not (was_inside and code[i] == code[i - 1]):
            walls += cover.walls_db[code[i]]
        was_inside = inside
    leaves = 0.0
    close = 0.0
    for group in range(groups):
        leaves += foliage_loss_db(cover, group, depth[0, group], bearing)
        close += foliage_loss_db(cover, group, depth[1, group], bearing)
    return leaves, close, walls


@njit(fastmath=FAST, error_model="numpy", nogil=True, cache=True)
def link_losses(ground, ends, heights, inside, first, last, n, cell_m, table, t, cover, results, depths):
    """Write `RESULTS` numbers and the metres in each group of plants for links `first` … `last` − 1.

    `ends` holds column and row of both ends, `heights` the antennas above ground, `inside` the buildings around them.
    """
    rows, columns = ground.shape
    flat = ground.reshape(-1)
    h = np.empty(n + 1, dtype=np.float32)
    shares = np.empty(n + 1, dtype=np.float32)
    found = np.empty(8, dtype=np.float32)
    stands = np.zeros((4, n + 1), dtype=np.float32)
    code = np.zeros(n + 1, dtype=np.int64)
    depth = np.zeros((2, max(len(cover.most_db), 1)))
    factor_db = 20.0 * math.log10(4.0 * math.pi / t.wavelength_m)
    nearest = max(t.wavelength_m, 1.0)
    for link in range(first, last):
        column_a, row_a, column_b, row_b = ends[link, 0], ends[link, 1], ends[link, 2], ends[link, 3]
        d = cell_m * math.hypot(column_b - column_a, row_b - row_a)
        out = results[link]
        sample_line(flat, rows, columns, n, column_a, row_a, column_b, row_b, h)
        start = h[0] + f32(heights[link, 0])
        end = h[n] + f32(heights[link, 1])
        rise = float(end - start)
        out[FREE] = factor_db + 20.0 * math.log10(max(math.sqrt(d * d + rise * rise), nearest))
        if d <= 0.0:
            out[EDGE:] = 0.0
            out[SHARE : PLACE + 1] = np.nan
            depths[link] = 0.0
            if np.isnan(rise):
                out[:] = np.nan
            continue
        bulge = f32(d * d / (2.0 * t.earth_radius_m))
        reduce_profile(h, n, start, end, bulge, table, found, shares)
        fit_start = float(found[6])
        if np.isnan(fit_start + rise):
            out[:] = np.nan
            depths[link] = np.nan
            continue
        fit_end = float(found[7])
        if found[5] > _0:
            part = float(found[5]) / (float(found[3]) + float(found[4]))
            fit_start -= part * float(found[3])
            fit_end -= part * float(found[4])
        h1 = float(start) - min(fit_start, float(h[0]))
        h2 = float(end) - min(fit_end, float(h[n]))
        edge = _edge_loss(found, d, t.wavelength_m)
        over_ground = smooth_ground_db(d, h1, h2, t)
        over_line = smooth_bullington_db(n, d / n, h1, h2, t) if over_ground > 0.0 else 0.0
        terrain = edge + max(over_ground - over_line, 0.0)
        out[EDGE] = edge
        out[SMOOTH] = over_line
        out[GROUND] = over_ground
        out[TERRAIN] = terrain
        extra = 0.0
        walls = 0.0
        leaves = 0.0
        highest = found[2]
        if cover.present > 0:
            crowns, roofs = _sample_codes(
                cover, rows, columns, n, column_a, row_a, column_b, row_b, inside[link, 0], inside[link, 1], code,
                stands[CROWN], stands[ROOF],
            )  # fmt: skip
            depths[link] = 0.0
            if crowns + roofs > 0:
                step = d / n
                near = int(cover.near_m / step + 1e-9)
                bearing = math.atan2(column_b - column_a, row_a - row_b)
                leaves, close, walls = _through(
                    cover, n, near, h, stands[CROWN], stands[ROOF], code, start, end, bulge, step, bearing, depth
                )
                for group in range(len(cover.most_db)):
                    depths[link, group] = depth[0, group]
                for i in range(n + 1):
                    stands[BOTH, i] = stands[CROWN, i] + stands[ROOF, i]
                best = edge + leaves
                for way in range(1, len(WAYS)):
                    under, above, roofed, crowned, far = WAYS[way]
                    if not (way == 2 or ((roofs > 0 or not roofed) and (leaves > 0.0 or not crowned))):
                        continue
                    _surface_extremes(
                        h, stands[under], stands[above], near if far else n, n, start, end, bulge, table, found, shares
                    )
                    over = _edge_loss(found, d, t.wavelength_m)
                    if way == 1:
                        best = min(max(over, edge), edge + walls) + leaves
                    elif way == 2:
                        highest = found[2]
                        worst = _first(shares, n, highest)
                        out[CLEAR_M] = -shares[worst] / table[ACROSS, worst]
                        out[PLACE] = float(worst) / n
                        if leaves > 0.0:
                            best = min(best, over)
                    else:
                        best = min(best, over + (close if far else 0.0) + (walls if roofed else 0.0))
                extra = best - edge
            else:
                code[0] = 0
        if cover.present == 0 or crowns + roofs == 0:
            worst = _first(shares, n, highest)
            out[CLEAR_M] = -shares[worst] / table[ACROSS, worst]
            out[PLACE] = float(worst) / n
        out[COVER] = extra
        out[SHARE] = -float(highest) / math.sqrt(t.wavelength_m * d)
        out[WALLS] = walls
        out[LEAVES] = leaves
