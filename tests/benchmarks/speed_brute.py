"""Second yardstick: compiled brute force, one whole profile for every cell, fused and vectorised as well as we can."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from meshplan.loss.fast.compiled_loss import bullington_total_db, counted_nu, knife_edge_db, smooth_excess_db
from meshplan.loss.fast.compiled_math import FAST, f32, larger

_LOW = f32(-1e30)
_0 = f32(0.0)


@njit(fastmath=FAST, error_model="numpy")
def _profile(flat, origin, along, across, c, k, h):
    """Interpolate between the two cells that the line to (k, c) passes on each of its k lines."""
    base = flat[origin]
    for i in range(k + 1):
        y = float(np.int32(c * i)) / float(np.int32(k))
        floor = np.floor(y)
        share = f32(y - floor)
        at = origin + i * along + np.int32(floor) * across
        a = flat[np.uint32(at)] - base
        b = flat[np.uint32(at + (across if share > _0 else 0))] - base
        h[i] = a + (b - a) * share
    return base


@njit(fastmath=FAST, error_model="numpy")
def _loss(h, n, step, tx, rx, t, inverse, root):
    """Reduce one profile to its loss."""
    d = n * step
    start = h[0] + f32(tx)
    end = h[n] + f32(rx)
    slope = (end - start) / f32(n)
    bulge = f32(step * step / (2.0 * t.earth_radius_m))
    count = f32(n)
    high_t = high_s = high_f = raw_t = raw_s = raw = _LOW
    v1 = v2 = _0
    for i in range(1, n):
        x = f32(np.int32(i))
        y = h[i]
        over = y - start - slope * x
        e = over + bulge * x * (count - x)
        a = inverse[i]
        b = inverse[n - i]
        high_t = larger(high_t, e * a)
        high_s = larger(high_s, e * b)
        high_f = larger(high_f, e * root[i] * root[n - i])
        raw_t = larger(raw_t, over * a)
        raw_s = larger(raw_s, over * b)
        raw = larger(raw, over)
        v1 += y
        v2 += y * x
    nn = float(n)
    first = 2.0 * float(v1) + float(h[0]) + float(h[n])
    second = 6.0 * float(v2) + float(h[0]) + float(h[n]) * (3.0 * nn - 1.0)
    fit_start = (2.0 * first * nn - second) / (nn * nn)
    fit_end = (second - first * nn) / (nn * nn)
    if raw > _0:
        part = float(raw) / (float(raw_t) + float(raw_s))
        fit_start -= part * float(raw_t)
        fit_end -= part * float(raw_s)
    h1 = float(start) - min(fit_start, float(h[0]))
    h2 = float(end) - min(fit_end, float(h[n]))
    if high_t < _0:
        nu = float(high_f) * math.sqrt(2.0 * nn / (t.wavelength_m * step))
    else:
        nu = math.sqrt(2.0 * float(high_t) * float(high_s) * nn / (t.wavelength_m * step))
    rise = float(end - start)
    free = 20.0 * math.log10(4.0 * math.pi * math.sqrt(d * d + rise * rise) / t.wavelength_m)
    return free + bullington_total_db(knife_edge_db(f32(counted_nu(nu))), f32(d)) + smooth_excess_db(n, step, h1, h2, t)


@njit(fastmath=FAST, error_model="numpy", nogil=True, cache=True)
def brute_rows(ground, row, column, cell_m, tx, rx, wanted, t, out):
    """Write the loss of every cell of some rows."""
    rows, columns = ground.shape
    flat = ground.reshape(-1)
    longest = max(rows, columns) + 1
    h = np.empty(longest, dtype=np.float32)
    inverse = np.zeros(longest, dtype=np.float32)
    root = np.zeros(longest, dtype=np.float32)
    for i in range(1, longest):
        inverse[i] = 1.0 / i
        root[i] = 1.0 / math.sqrt(i)
    origin = row * columns + column
    for which in range(len(wanted)):
        r = wanted[which]
        for c in range(columns):
            down, right = r - row, c - column
            if down == 0 and right == 0:
                continue
            if abs(right) >= abs(down):
                k, aside = abs(right), down
                along, across = (1 if right > 0 else -1), columns
            else:
                k, aside = abs(down), right
                along, across = (columns if down > 0 else -columns), 1
            _profile(flat, origin, along, across, aside, k, h)
            out[which, c] = _loss(h, k, cell_m * math.sqrt(1.0 + (aside / k) ** 2), tx, rx, t, inverse, root)
