"""One ray of the sweep: where it runs, and the loss-deciding extremes at every target on it, each found incrementally.

Lengths along a ray are counted in steps (sample i lies i steps from the transmitter), heights are relative to the transmitting
antenna. "Straightened" heights have the Earth's bulge taken off, i²·bulge, so that every line of sight is a straight line.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.kernels.compiled_loss import CLEAR_NU, H1, H2, LANES, NU
from meshplan.kernels.compiled_math import FAST

CAP = 0.5516
"""Clearance in Fresnel radii from which on J is 0: 0.78/sqrt(2), rounded up."""
LEAF = 16
"""Records under one bound of the lowest level."""
BRANCH = 8
"""Bounds of one level under one bound of the next."""
LEVELS = 3


@njit(fastmath=FAST, error_model="numpy")
def lay_ray(p, edge, n, origin, along, across, low, high, diagonal, place, side, share, own, target):
    """Lay ray `p` of `edge` and name the cells it owns; return how many.

    Sample k lies where the ray crosses line k of the quadrant, p·k/edge cells aside: between the cells at `place` and
    `place` + `side`, `share` of the way. Cell (k, c) belongs to the one ray that passes within k/(2·edge) cells of it.
    """
    count = 0
    for k in range(n + 1):
        aside = p * k
        exact = float(aside) / edge
        floor = math.floor(exact)
        t = exact - floor
        c = int(floor)
        c0 = min(max(c, low), high)
        c1 = min(max(c + 1, low), high) if t > 0.0 else c0
        base = origin + k * along
        place[k] = base + c0 * across
        side[k] = (c1 - c0) * across
        share[k] = t
        nearest = c + (1 if t >= 0.5 else 0)
        off = 2 * (aside - nearest * edge)
        wide = abs(nearest)
        mine = (off > -k) & (off <= k) & ((wide < k) | (diagonal & (wide == k))) & (nearest >= low) & (nearest <= high)
        own[count] = k
        target[count] = base + nearest * across
        count += 1 if mine else 0
    return count


@njit(fastmath=FAST)
def sample_ray(flat, n, place, side, share, base, out):
    """Write the heights along the ray, less `base`, and return the last sample before the first void."""
    last = n
    for k in range(n + 1):
        first = np.uint64(place[k])
        a = float(flat[first])
        b = float(flat[np.uint64(place[k] + side[k])])
        out[k] = a + (b - a) * share[k] - base
    for k in range(n + 1):
        if np.isnan(out[k]):
            last = k - 1
            break
    return last


@njit(fastmath=FAST, error_model="numpy")
def smooth_heights(n, h, tx_agl, rx_agl, own, count, work, hull_x, hull_h):
    """Write the antenna heights over the smooth line for every owned target (P.526 §4.5.2); `h` is less the antenna height.

    The fit comes from two running sums; the obstruction test from the steepest raw line of sight and a raw upper hull.
    """
    v1 = 0.0
    v2 = 0.0
    start = h[0]
    before = 0.0
    steepest = -math.inf
    top = -1
    q = 0
    for j in range(1, n + 1):
        here = h[j] - start
        v1 += here + before
        v2 += here * (3.0 * j - 1.0) + before * (3.0 * j - 2.0)
        before = here
        if q < count and own[q] == j:
            x = float(j)
            fit_start = start + (2.0 * v1 * x - v2) / (x * x)
            fit_end = start + (v2 - v1 * x) / (x * x)
            receiver = h[j] + rx_agl
            slope = receiver / x
            if steepest > slope:
                r = top
                while r > 0 and (hull_h[r - 1] - receiver) * (x - hull_x[r]) > (hull_h[r] - receiver) * (
                    x - hull_x[r - 1]
                ):
                    r -= 1
                from_end = (hull_h[r] - receiver) / (x - hull_x[r]) + slope
                while r > 0 and hull_h[r - 1] - hull_h[r] > slope * (hull_x[r - 1] - hull_x[r]):
                    r -= 1
                worst = hull_h[r] - slope * hull_x[r]
                from_start = steepest - slope
                part = worst / (from_start + from_end)
                fit_start -= part * from_start
                fit_end -= part * from_end
            block = work[q // LANES]
            lane = q % LANES
            block[lane + H1] = -min(fit_start, start)
            block[lane + H2] = receiver - min(fit_end, h[j])
            q += 1
        y = h[j]
        x = float(j)
        while top > 0 and (hull_h[top] - hull_h[top - 1]) * (x - hull_x[top]) <= (y - hull_h[top]) * (
            hull_x[top] - hull_x[top - 1]
        ):
            top -= 1
        top += 1
        hull_x[top] = x
        hull_h[top] = y
        steepest = max(steepest, y / x)


@njit(fastmath=FAST, forceinline=True)
def _bound(line, offset, a_first, a_last, sight, inverse):
    """Return a lower bound of (sight − s)²/(a − inverse) over records whose s lies under offset + line·a, line < 0."""
    e = sight - offset - line * inverse
    rise = -line
    y_low = a_last - inverse
    y_high = a_first - inverse
    if e > 0.0:
        if e < rise * y_low:
            root = e + rise * y_low
            return root * root / y_low
        if e > rise * y_high:
            root = e + rise * y_high
            return root * root / y_high
        return 4.0 * e * rise
    root = e + rise * y_low
    return root * root / y_low if root > 0.0 else 0.0


@njit(fastmath=FAST, error_model="numpy")
def _close_node(first, last, rec_s, rec_a, line, offset, index):
    """Lay a line through the first and last record and raise it over all between."""
    slope = (rec_s[first] - rec_s[last]) / (rec_a[first] - rec_a[last])
    top = -math.inf
    for i in range(first, last + 1):
        top = max(top, rec_s[i] - slope * rec_a[i])
    line[index] = slope
    offset[index] = top


@njit(fastmath=FAST, error_model="numpy")
def _least_clearance(sight, inverse, best, winner, records, rec_s, rec_a, rec_u, line, offset, room):
    """Return the least of (sight − s)²/(a − inverse) over all records, or `best` if none is less, and which record has it.

    Goes backwards from the receiver, leaps over whole nodes whose bound cannot win, stops where the rest is clear by `CAP`.
    """
    i = records - 1
    while i >= 0 and sight < rec_u[i]:
        full = i + 1
        size = LEAF
        if full % size == 0:
            level = 0
            while level + 1 < LEVELS and full % (size * BRANCH) == 0:
                size *= BRANCH
                level += 1
            leapt = False
            while level >= 0:
                index = level * room + full // size - 1
                if _bound(line[index], offset[index], rec_a[full - size], rec_a[i], sight, inverse) >= best:
                    i -= size
                    leapt = True
                    break
                size //= BRANCH
                level -= 1
            if leapt:
                continue
            first = full - LEAF
        else:
            first = full - full % LEAF
            gap = sight - rec_s[i]
            if gap * gap >= best * (rec_a[first] - inverse):
                i = first - 1
                continue
        for r in range(first, full):
            gap = sight - rec_s[r]
            if gap * gap < best * (rec_a[r] - inverse):
                best = gap * gap / (rec_a[r] - inverse)
                winner = r
        i = first - 1
    return best, winner


@njit(fastmath=FAST, error_model="numpy")
def edge_parameters(
    n, g, receivers, own, count, fresnel, inverses, roots, work, hull_x, hull_g, rec_s, rec_a, rec_u, line, offset, room
):
    """Write the Bullington nu of every owned target (P.526 §4.5.1).

    `g` and `receivers` are straightened heights of obstacles and of receiving antennas; `fresnel` is wavelength·step. Clear paths
    look for the least clearance among the records (samples that stand steeper than all before), others for the tangent to the
    upper hull.
    """
    top = -1
    records = 0
    steepest = -math.inf
    winner = -1
    q = 0
    cap = CAP * CAP * fresnel
    reach = CAP * math.sqrt(fresnel)
    to_nu = math.sqrt(2.0 / fresnel)
    for j in range(1, n + 1):
        x = float(j)
        if q < count and own[q] == j:
            receiver = receivers[j]
            inverse = inverses[j]
            sight = receiver * inverse
            nu = float(CLEAR_NU)
            if steepest < sight:
                if records > 0 and sight < rec_u[records - 1]:
                    best = cap
                    if winner >= 0:
                        gap = sight - rec_s[winner]
                        best = min(best, gap * gap / (rec_a[winner] - inverse))
                    best, winner = _least_clearance(
                        sight, inverse, best, winner, records, rec_s, rec_a, rec_u, line, offset, room
                    )
                    nu = -math.sqrt(best) * to_nu
            elif j > 1:
                r = top
                while r > 0 and (hull_g[r - 1] - receiver) * (x - hull_x[r]) > (hull_g[r] - receiver) * (
                    x - hull_x[r - 1]
                ):
                    r -= 1
                back = (hull_g[r] - receiver) / (x - hull_x[r])
                at = x * (sight + back) / (steepest + back)
                nu = (steepest - sight) * to_nu * math.sqrt(x * at / (x - at))
            work[q // LANES][q % LANES + NU] = nu if nu > -0.78 else float(CLEAR_NU)
            q += 1
        y = g[j]
        while top > 0 and (hull_g[top] - hull_g[top - 1]) * (x - hull_x[top]) <= (y - hull_g[top]) * (
            hull_x[top] - hull_x[top - 1]
        ):
            top -= 1
        top += 1
        hull_x[top] = x
        hull_g[top] = y
        s = y * inverses[j]
        if s > steepest:
            steepest = s
            rec_s[records] = s
            rec_a[records] = inverses[j]
            u = s + reach * roots[j]
            rec_u[records] = max(u, rec_u[records - 1]) if records > 0 else u
            records += 1
            size = LEAF
            for level in range(LEVELS):
                if records % size != 0:
                    break
                _close_node(records - size, records - 1, rec_s, rec_a, line, offset, level * room + records // size - 1)
                size *= BRANCH
