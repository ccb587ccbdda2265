"""Many links, each with its own profile: sampling, all extremes in one pass, the loss, and the bypass paths of cover."""
# mypy: disable-error-code="no-untyped-def, untyped-decorator, call-arg, assignment"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.loss.fast.compiled_cover import BOTH, CROWN, ROOF, WAYS, filled_share, foliage_loss_db
from meshplan.loss.fast.compiled_loss import (
    BLOCK,
    CLEAR_NU,
    GROUND,
    H1,
    H2,
    LANES,
    LENGTH,
    NU,
    OUT,
    RISE,
    SMOOTH,
    N,
    bullington_total_db,
    counted_nu,
    diffraction,
    free_space_block,
    knife_edge_db,
    plane_db,
    smooth_excess_db,
    tangents_nu,
)
from meshplan.loss.fast.compiled_math import FAST, f32, inlined, kernel, larger
from meshplan.propagation.behind_hills import FULLY_BLOCKED_NU, GIVEN_BACK, SHADOWED_FROM_DB
from meshplan.propagation.filled_zone import INNER_ZONE

FREE, EDGE, SMOOTH_EDGE, OVER_GROUND, TERRAIN, COVER, SHARE, CLEAR_M, PLACE, WALLS, LEAVES, BEHIND = range(12)
"""Columns of the result: free space, edges of bare ground, edges of the smooth line, smooth ground, terrain in all, cover; least
clearance in Fresnel radii and in metres and its place along the path from 0 to 1; loss of walls and of all leaves on the line;
ground loss behind hills, which is not in the terrain."""
RESULTS = 12
ACROSS, START, END, WEIGHT_START, WEIGHT_END, PART = range(6)
"""Rows of the table shared by all links: 1/sqrt(t(1−t)), 1/t, 1/(1−t), weights of the smooth fit, t."""
TABLE_ROWS = 6
_LOW = f32(-1e30)
_0 = f32(0.0)
_FRACTION = f32(2.0**-24)


@kernel
def sample_line(flat, rows, columns, n, column_a, row_a, column_b, row_b, at, across, down, h):
    """Write the ground along a straight line, less that of its first cell, bilinear between four cells.

    Places run in whole numbers of 2⁻³² cells. A place on the last centres moves a millionth of a cell inwards, so that four cells
    are always there.
    """
    unit = 4294967296.0
    most_column = float(columns - 1) - 1e-6
    most_row = float(rows - 1) - 1e-6
    c = np.int64(min(max(column_a, 0.0), most_column) * unit)
    r = np.int64(min(max(row_a, 0.0), most_row) * unit)
    right = (np.int64(min(max(column_b, 0.0), most_column) * unit) - c) / n
    below = (np.int64(min(max(row_b, 0.0), most_row) * unit) - r) / n
    step_c = np.int64(right)
    step_r = np.int64(below)
    base = flat[(r >> 32) * columns + (c >> 32)]
    for i in range(n + 1):
        at[i] = np.int32((r >> 32) * columns + (c >> 32))
        across[i] = f32(np.int32((c >> 8) & 0xFFFFFF)) * _FRACTION
        down[i] = f32(np.int32((r >> 8) & 0xFFFFFF)) * _FRACTION
        c += step_c
        r += step_r
    lower = flat[columns:]
    for i in range(n + 1):
        j = np.uint64(at[i])
        k = j + np.uint64(1)
        p = flat[j] - base
        q = flat[k] - base
        s = lower[j] - base
        w = lower[k] - base
        u = across[i]
        top = p + (q - p) * u
        bottom = s + (w - s) * u
        h[i] = top + (bottom - top) * down[i]


@kernel
def sample_line_by_void(flat, rows, columns, n, column_a, row_a, column_b, row_b, cells, h):
    """Do the same slowly where a cell is unknown: a neighbour of no weight does not count."""
    base = flat[int(min(max(row_a, 0.0), rows - 1.0)) * columns + int(min(max(column_a, 0.0), columns - 1.0))]
    for i in range(n + 1):
        c = min(max(column_a + (column_b - column_a) / n * i, 0.0), columns - 1.0)
        r = min(max(row_a + (row_b - row_a) / n * i, 0.0), rows - 1.0)
        u = f32(c - math.floor(c))
        v = f32(r - math.floor(r))
        at = int(r) * columns + int(c)
        cells[i] = np.int32(at)
        right = 1 if u > _0 else 0
        below = columns if v > _0 else 0
        p = flat[at] - base
        top = p + (flat[at + right] - base - p) * u
        p = flat[at + below] - base
        bottom = p + (flat[at + below + right] - base - p) * u
        h[i] = top + (bottom - top) * v


@kernel
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


@kernel
def _surface_extremes(h, above, beyond, near, n, start, end, bulge, table, beside, count, found, over, shares):
    """Find the first three extremes over `h` + `above`, or + `beyond` where farther than `near` steps from both ends.

    Only the `count` samples of `beside` have cover, which never stands below the ground: those of bare ground, `found`, hold for
    all others. A sample on the border of what is near belongs to both sides of it.
    """
    slope = end - start
    high_t = found[0]
    high_s = found[1]
    high_f = found[2]
    for k in range(count):
        i = beside[k]
        if i in (0, n):
            continue
        t = table[PART, i]
        far = f32(min(max(min(i, n - i) - near + 0.5, 0.0), 1.0))
        stands = above[i] + far * (beyond[i] - above[i])
        e = h[i] + stands - start - slope * t + bulge * (t - t * t)
        high_t = larger(high_t, e * table[START, i])
        high_s = larger(high_s, e * table[END, i])
        share = e * table[ACROSS, i]
        shares[i] = share
        high_f = larger(high_f, share)
    over[0] = high_t
    over[1] = high_s
    over[2] = high_f


@kernel
def _first(shares, n, highest):
    """Return the first inner sample that has the largest share."""
    behind = np.int32(0)
    last = np.int32(n)
    for i in range(1, n):
        behind = max(behind, last - np.int32(i) if shares[i] == highest else np.int32(0))
    return n - behind


@kernel
def _edge_nu(found, d, wavelength_m):
    """Return nu of the extremes: least clearance if the line is free, else the one edge of both tangents."""
    scale = math.sqrt(2.0 / (wavelength_m * d))
    if found[0] < _0:
        return float(found[2]) * scale
    return tangents_nu(float(found[0]), float(found[1]), scale)


@kernel
def _edge_loss(found, d, wavelength_m):
    """Return the Bullington loss of the extremes."""
    nu = counted_nu(_edge_nu(found, d, wavelength_m))
    return float(bullington_total_db(knife_edge_db(f32(nu)), f32(d)))


@kernel
def _samples_beside(at, near_cover, n, beside):
    """Name the samples between cells of which any has cover; return how many."""
    cells = near_cover.reshape(-1)
    count = 0
    for i in range(n + 1):
        beside[count] = i
        count += np.int64(cells[at[i]])
    return count


@kernel
def _sample_codes(
    cover, rows, columns, n, column_a, row_a, column_b, row_b, inside_a, inside_b, beside, count, code, crown, roof
):  # fmt: skip
    """Write code, crown and roof of the nearest cell of each sample beside cover; return how many roofs."""
    codes = cover.codes.reshape(-1)
    canopy = cover.canopy.reshape(-1)
    across = (column_b - column_a) / n
    down = (row_b - row_a) / n
    roofs = 0
    for k in range(count):
        i = beside[k]
        c = min(max(column_a + across * i, 0.0), columns - 1.0)
        r = min(max(row_a + down * i, 0.0), rows - 1.0)
        nearest = int(np.rint(r)) * columns + int(np.rint(c))
        at = np.int64(codes[nearest])
        if at in (inside_a, inside_b):
            at = 0
        code[i] = at
        crown[i] = f32(cover.crown_m[at])
        roof[i] = f32(cover.roof_m[at])
        if at > 0 and cover.has_canopy > 0:
            seen = float(canopy[nearest])
            if not np.isnan(seen):
                crown[i] = f32(seen * cover.crown_share[at])
                roof[i] = f32(seen * cover.roof_share[at])
        roofs += 1 if 0 < i < n and roof[i] > _0 else 0
    return roofs


@kernel
def _clear_samples(beside, count, code, stands):
    """Leave nothing behind for the next link."""
    for k in range(count):
        i = beside[k]
        code[i] = 0
        for row in range(len(stands)):
            stands[row, i] = _0


@inlined
def _piece_crown_m(cover, at, code):
    """Return how high the plants of one cell stand; 0 where none do."""
    if code == 0 or cover.group[code] < 0:
        return 0.0
    if cover.has_canopy > 0:
        seen = float(cover.canopy.reshape(-1)[at])
        if not np.isnan(seen):
            return seen * cover.crown_share[code]
    return cover.crown_m[code]


@kernel
def _through_leaves(
    cover, rows, columns, n, column_a, row_a, column_b, row_b, h, start, end, bulge, d, wavelength_m, bearing, beside, count, depth
):  # fmt: skip
    """Add up metres by group, of all leaves and of those near the antennas; return what both lose."""
    codes = cover.codes.reshape(-1)
    groups = len(cover.most_db)
    depth[:, :groups] = 0.0
    step = d / n
    right = 1 if columns > 1 else 0
    below = columns if rows > 1 else 0
    zone = INNER_ZONE * math.sqrt(wavelength_m * d)
    for k in range(count):
        i = beside[k]
        part = float(i) / n
        c = min(max(column_a + (column_b - column_a) * part, 0.0), columns - 1.0)
        r = min(max(row_a + (row_b - row_a) * part, 0.0), rows - 1.0)
        c0 = min(int(c), max(columns - 2, 0))
        r0 = min(int(r), max(rows - 2, 0))
        first = r0 * columns + c0
        if codes[first] == 0 and codes[first + right] == 0 and codes[first + below] == 0 and codes[first + below + right] == 0:
            continue
        u = c - c0
        v = r - r0
        t = min(max(part, 0.25 / n), 1.0 - 0.25 / n)
        inner = zone * math.sqrt(t * (1.0 - t))
        over = h[i] - (start + (end - start) * part - bulge * (part - part * part))
        metres = 0.5 * step if i in (0, n) else step
        near = min(max((cover.near_m - min(i, n - i) * step) / step + 0.5, 0.0), 1.0)
        for corner in range(4):
            share = (v if corner > 1 else 1.0 - v) * (u if corner % 2 == 1 else 1.0 - u)
            at = first + (below if corner > 1 else 0) + (right if corner % 2 == 1 else 0)
            code = np.int64(codes[at])
            crown = _piece_crown_m(cover, at, code)
            if cover.has_share > 0:
                share *= float(cover.cell_share.reshape(-1)[at])
            if share > 0.0 and crown > 0.0:
                filled = filled_share(over + crown, inner)
                depth[0, cover.group[code]] += metres * share * filled
                depth[1, cover.group[code]] += metres * share * filled * near
    leaves = 0.0
    close = 0.0
    for group in range(groups):
        leaves += foliage_loss_db(cover, group, depth[0, group], bearing)
        close += foliage_loss_db(cover, group, depth[1, group], bearing)
    return leaves, close


@kernel
def _through_walls(cover, n, h, roof, code, beside, count, start, end, bulge, d, wavelength_m):
    """Return the loss of the walls of every building on the line, by the part of the Fresnel zone that it fills."""
    zone = INNER_ZONE * math.sqrt(wavelength_m * d)
    walls = 0.0
    most = 0.0
    for k in range(count):
        i = beside[k]
        if roof[i] <= _0:
            continue
        part = float(i) / n
        t = min(max(part, 0.25 / n), 1.0 - 0.25 / n)
        inner = zone * math.sqrt(t * (1.0 - t))
        over = h[i] + roof[i] - (start + (end - start) * part - bulge * (part - part * part))
        most = max(most, filled_share(over, inner))
        if i == n or code[i + 1] != code[i] or roof[i + 1] <= _0:
            walls += cover.walls_db[code[i]] * most
            most = 0.0
    return walls


@kernel
def _past_cover(
    rows, columns, place, n, d, h, start, end, bulge, bearing, code, stands, cover, roofs, beside, count, depth, table, t, found,
    over, shares, edge, out
):  # fmt: skip
    """Write what cover adds on the way that loses least, and leave the extremes over all that stands there in `over`."""
    step = d / n
    near = cover.near_m / step
    leaves, close = _through_leaves(
        cover, rows, columns, n, place[0], place[1], place[2], place[3], h, start, end, bulge, d, t.wavelength_m, bearing,
        beside, count, depth,
    )  # fmt: skip
    walls = _through_walls(cover, n, h, stands[ROOF], code, beside, count, start, end, bulge, d, t.wavelength_m)
    for k in range(count):
        i = beside[k]
        stands[BOTH, i] = stands[CROWN, i] + stands[ROOF, i]
    best = edge + leaves
    for turn in range(1, len(WAYS)):
        way = 2 if turn == len(WAYS) - 1 else (turn if turn < 2 else turn + 1)  # the surface of all that stands comes last
        under, above, roofed, crowned, far = WAYS[way]
        if way != 2 and ((roofed and roofs == 0) or (crowned and leaves <= 0.0)):
            continue
        steps = near if far else float(n)
        _surface_extremes(
            h, stands[under], stands[above], steps, n, start, end, bulge, table, beside, count, found, over, shares
        )  # fmt: skip
        above_db = _edge_loss(over, d, t.wavelength_m)
        if way == 1:
            best = min(max(above_db, edge), edge + walls) + leaves
        elif way > 2 or leaves > 0.0:
            best = min(best, above_db + (close if far else 0.0) + (walls if roofed else 0.0))
    out[COVER] = best - edge
    out[WALLS] = walls
    out[LEAVES] = leaves


@kernel
def _leg_db(h, first, step, n, reach, d, bulge, mast, top, t):
    """Return the plane-earth loss from an antenna to a hill top `reach` steps away (`propagation.behind_hills`).

    From the end at sample `first` on, `step` samples at a time. Ground is straight between samples, so that the least-squares
    slope is a sum over them: sample i within the leg counts ∫ hat·x·(1 − x/reach), and the piece up to the top by Simpson's rule.
    """
    whole = int(reach)
    foot = float(h[first])
    per = 1.0 / reach
    linear = 0.0
    square = 0.0
    arc = bulge / (float(n) * n)
    for i in range(1, whole):
        rise = float(h[first + step * i]) - foot + arc * i * (n - i)
        linear += rise * i
        square += rise * (float(i) * i + 1.0 / 6.0)
    total = linear - per * square
    last = float(whole)
    rise = float(h[first + step * whole]) - foot + arc * last * (n - last)
    if whole > 0:
        total += rise * (0.5 * last - 1.0 / 6.0 - per * (0.5 * last * last - last / 3.0 + 1.0 / 12.0))
    rest = reach - last
    if rest > 0.0 and whole < n:
        beyond = float(h[first + step * (whole + 1)]) - foot + arc * (last + 1.0) * (n - last - 1.0)
        middle = last + 0.5 * rest
        half_way = (1.0 - middle * per) * middle * (rise + 0.5 * rest * (beyond - rise))
        total += rest / 6.0 * ((1.0 - last * per) * last * rise + 4.0 * half_way)
    slope = 12.0 * total * per * per * per
    over = max(top - (foot + slope * reach), 0.0)
    floor2 = t.least_height_m * t.least_height_m
    return plane_db(f32(reach * d / n), f32(math.sqrt(mast * mast + floor2)), f32(math.sqrt(over * over + floor2)), t)


@kernel
def _legs_db(h, n, d, start, end, bulge, from_start, from_end, mast_a, mast_b, t):
    """Return the plane-earth losses of both legs to the hill top, where the tangents from both ends meet over the line of sight."""
    part = from_end / (from_start + from_end)
    top = start + (end - start) * part + from_start * part
    reach = max(part * n, 1e-6)
    back = max((1.0 - part) * n, 1e-6)
    return _leg_db(h, 0, 1, n, reach, d, bulge, mast_a, top, t) + _leg_db(h, n, -1, n, back, d, bulge, mast_b, top, t)


@kernel
def _behind_hill_db(nu, edge, terrain, legs, n, d, mast_a, mast_b, t):
    """Return the ground loss that the smooth surface hides behind a hill (`propagation.behind_hills`)."""
    if nu <= 0.0 or edge <= SHADOWED_FROM_DB or legs <= terrain - edge:
        return 0.0
    bare = float(smooth_excess_db(n, d / n, mast_a, mast_b, t))
    hidden = max(min(bare, legs) - (terrain - edge), 0.0)
    return GIVEN_BACK * hidden * min(nu / FULLY_BLOCKED_NU, 1.0)


@njit(fastmath=FAST, error_model="numpy", nogil=True, cache=True)
def link_losses(ground, ends, heights, inside, first, last, n, cell_m, table, t, cover, near_cover, results, depths):
    """Write `RESULTS` numbers and the metres in each group of plants for links `first` … `last` − 1.

    `ends` holds column and row of both ends, `heights` the antennas above ground, `inside` the buildings around them, `near_cover`
    whether any of the four cells from each on has cover. Links go in blocks: extremes one link after the other, then the formulas
    of all of a block at once.
    """
    rows, columns = ground.shape
    flat = ground.reshape(-1)
    h = np.empty(n + 1, dtype=np.float32)
    shares = np.empty(n + 1, dtype=np.float32)
    at = np.empty(n + 1, dtype=np.int32)
    across = np.empty(n + 1, dtype=np.float32)
    down = np.empty(n + 1, dtype=np.float32)
    found = np.empty(8, dtype=np.float32)
    over = np.empty(8, dtype=np.float32)
    beside = np.empty(n + 2, dtype=np.int64)
    blocked = np.empty(LANES)
    legs = np.empty(LANES)
    stands = np.zeros((4, n + 1), dtype=np.float32)
    code = np.zeros(n + 1, dtype=np.int64)
    depth = np.zeros((2, max(len(cover.most_db), 1)))
    work = np.empty((1, BLOCK), dtype=np.float32)
    spare = np.empty((1, BLOCK), dtype=np.float32)
    marked = np.empty(LANES, dtype=np.int64)
    factor_db = f32(20.0 * math.log10(4.0 * math.pi / t.wavelength_m))
    nearest2 = f32(max(t.wavelength_m, 1.0) ** 2)
    w = work[0]
    for begin in range(first, last, LANES):
        lanes = min(LANES, last - begin)
        for lane in range(LANES):
            link = begin + min(lane, lanes - 1)
            column_a, row_a, column_b, row_b = ends[link, 0], ends[link, 1], ends[link, 2], ends[link, 3]
            east = cell_m * (column_b - column_a)
            south = cell_m * (row_b - row_a)
            d = math.sqrt(east * east + south * south)
            w[lane + N] = n
            w[lane + LENGTH] = max(d, 1e-3)
            if lane >= lanes:
                w[lane + NU] = CLEAR_NU
                w[lane + H1] = 1.0
                w[lane + H2] = 1.0
                w[lane + RISE] = 0.0
                continue
            out = results[link]
            out[COVER] = 0.0
            out[WALLS] = 0.0
            out[LEAVES] = 0.0
            blocked[lane] = 0.0
            legs[lane] = 0.0
            inner = min(column_a, row_a, column_b, row_b) >= 0.0 and max(column_a, column_b) <= columns - 1.0
            if inner and max(row_a, row_b) <= rows - 1.0 and rows > 1 and columns > 1:
                sample_line(flat, rows, columns, n, column_a, row_a, column_b, row_b, at, across, down, h)
            else:
                h[0] = np.nan
            start = h[0] + f32(heights[link, 0])
            end = h[n] + f32(heights[link, 1])
            bulge = f32(d * d / (2.0 * t.earth_radius_m))
            reduce_profile(h, n, start, end, bulge, table, found, shares)
            if np.isnan(found[6] + start):
                sample_line_by_void(flat, rows, columns, n, column_a, row_a, column_b, row_b, at, h)
                start = h[0] + f32(heights[link, 0])
                end = h[n] + f32(heights[link, 1])
                reduce_profile(h, n, start, end, bulge, table, found, shares)
            w[lane + RISE] = end - start
            fit_start = float(found[6])
            fit_end = float(found[7])
            if d <= 0.0 or np.isnan(fit_start + start):
                w[lane + NU] = CLEAR_NU
                w[lane + H1] = 1.0
                w[lane + H2] = 1.0
                fill = 0.0 if d <= 0.0 and not np.isnan(start) else np.nan
                out[FREE] = fill
                depths[link] = fill
                out[SHARE] = np.nan
                out[CLEAR_M] = np.nan
                out[PLACE] = np.nan
                continue
            if found[5] > _0:
                part = float(found[5]) / (float(found[3]) + float(found[4]))
                fit_start -= part * float(found[3])
                fit_end -= part * float(found[4])
            w[lane + H1] = float(start) - min(fit_start, float(h[0]))
            w[lane + H2] = float(end) - min(fit_end, float(h[n]))
            nu = _edge_nu(found, d, t.wavelength_m)
            w[lane + NU] = counted_nu(nu)
            if found[0] > _0 and nu > 0.0:
                blocked[lane] = nu
                legs[lane] = _legs_db(
                    h, n, d, float(start), float(end), float(bulge), float(found[0]), float(found[1]), heights[link, 0],
                    heights[link, 1], t,
                )  # fmt: skip
            depths[link] = 0.0
            for extreme in range(3):
                over[extreme] = found[extreme]
            if cover.present > 0:
                count = _samples_beside(at, near_cover, n, beside)
                if count > 0:
                    roofs = _sample_codes(
                        cover, rows, columns, n, column_a, row_a, column_b, row_b, inside[link, 0], inside[link, 1], beside, count,
                        code, stands[CROWN], stands[ROOF],
                    )  # fmt: skip
                    edge = _edge_loss(found, d, t.wavelength_m)
                    bearing = math.atan2(east, -south)
                    _past_cover(
                        rows, columns, ends[link], n, d, h, start, end, bulge, bearing, code, stands, cover, roofs, beside,
                        count, depth, table, t, found, over, shares, edge, out,
                    )  # fmt: skip
                    _clear_samples(beside, count, code, stands)
                    for group in range(len(cover.most_db)):
                        depths[link, group] = depth[0, group]
            worst = _first(shares, n, over[2])
            out[FREE] = 0.0
            out[CLEAR_M] = -shares[worst] / table[ACROSS, worst]
            out[PLACE] = float(worst) / n
            out[SHARE] = -float(over[2]) / math.sqrt(t.wavelength_m * d)
        diffraction(work, LANES, t, spare, marked)
        for lane in range(lanes):
            out = results[begin + lane]
            out[SMOOTH_EDGE] = w[lane + SMOOTH]
            out[OVER_GROUND] = w[lane + GROUND]
            out[TERRAIN] = w[lane + OUT]
            out[EDGE] = out[TERRAIN] - max(out[OVER_GROUND] - out[SMOOTH_EDGE], 0.0)
            out[BEHIND] = _behind_hill_db(
                blocked[lane], out[EDGE], out[TERRAIN], legs[lane], n, float(w[lane + LENGTH]), heights[begin + lane, 0],
                heights[begin + lane, 1], t,
            )  # fmt: skip
        free_space_block(w, factor_db, nearest2)
        for lane in range(lanes):
            out = results[begin + lane]
            if np.isnan(out[FREE]):
                out[:] = np.nan
            else:
                out[FREE] = w[lane + OUT]
                if np.isnan(out[SHARE]):
                    out[EDGE] = 0.0
                    out[SMOOTH_EDGE] = 0.0
                    out[OVER_GROUND] = 0.0
                    out[TERRAIN] = 0.0
