"""The diffraction formulas as compiled code: once scalar in double precision, once on blocks of 32 lanes in single.

The readable definitions are those of `meshplan.propagation`; tests hold both forms to them.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math

import numpy as np

from meshplan.loss.fast.compiled_math import db10, db20, exp2, exp_minus, f32, inlined, kernel, log2, sin_small

LANES = 32
"""Targets in one block."""
NU, H1, H2, N, LENGTH, RISE, OUT, KIND, GROUND, SMOOTH = (row * LANES for row in range(10))
"""Offsets in a block: Fresnel parameter, effective heights, number of steps, length, height difference of the antennas; result,
kind of smooth loss, loss of smooth ground, Bullington loss over the smooth line."""
BLOCK = 10 * LANES
CLEAR_NU = f32(-9.0)
"""Stands for "nu below -0.78": the jump of J there is decided in double precision, never by rounding."""

_HIGH = 1e30


@inlined
def knife_edge_db(nu):
    """Return J(nu) (P.526 §4.1)."""
    if nu <= -0.78:
        return 0.0
    w = nu - 0.1
    return max(6.9 + 20.0 * math.log10(math.sqrt(w * w + 1.0) + w), 0.0)


@inlined
def bullington_total_db(edge_db, distance_m):
    """Return the Bullington loss from its knife-edge loss (P.526 §4.5.1)."""
    return edge_db + (1.0 - math.exp(-edge_db / 6.0)) * (10.0 + 2e-5 * distance_m)


@kernel
def first_term_db(d, h1, h2, radius_m, t):
    """Return the first term of the residue series (P.526 §3.1.1); may be negative."""
    q = (radius_m / 1000.0) ** (-1.0 / 3.0)
    k = t.admittance * q
    k2 = k * k
    beta = (1.0 + 1.6 * k2 + 0.67 * k2 * k2) / (1.0 + 4.5 * k2 + 1.53 * k2 * k2)
    x = 21.88 * beta * t.cube_root_f * q * q * d / 1000.0
    if x >= 1.6:
        loss = -11.0 - 10.0 * math.log10(x) + 17.6 * x
    else:
        loss = 20.0 * math.log10(x) + 5.6488 * x**1.425
    least = 2.0 + 20.0 * math.log10(k)
    for h in (h1, h2):
        b = 0.9575 * beta * beta * t.cube_root_f * t.cube_root_f * q * h
        if b > 2.0:
            gain = 17.6 * math.sqrt(b - 1.1) - 5.0 * math.log10(b - 1.1) - 8.0
        else:
            gain = 20.0 * math.log10(b + 0.1 * b * b * b)
        loss -= max(gain, least)
    return loss


@kernel
def grazing_point(d, h1, h2, radius_m):
    """Return b in [-1, 1]: the point of least clearance over a sphere is at d(1 + b)/2 (P.526 §3.2)."""
    c = (h1 - h2) / (h1 + h2)
    m = d * d / (4.0 * radius_m * (h1 + h2))
    inside = min(max(1.5 * c * math.sqrt(3.0 * m / (m + 1.0) ** 3), -1.0), 1.0)
    return 2.0 * math.sqrt((m + 1.0) / (3.0 * m)) * math.cos(math.pi / 3.0 + math.acos(inside) / 3.0)


@kernel
def sphere_db(d, h1, h2, t):
    """Return the loss over a smooth sphere at any distance (P.526 §3.2)."""
    a = t.earth_radius_m
    roots = math.sqrt(h1) + math.sqrt(h2)
    if d >= math.sqrt(2.0 * a) * roots:
        return max(first_term_db(d, h1, h2, a, t), 0.0)
    b = grazing_point(d, h1, h2, a)
    d1 = 0.5 * d * (1.0 + b)
    d2 = d - d1
    clear = ((h1 - d1 * d1 / (2.0 * a)) * d2 + (h2 - d2 * d2 / (2.0 * a)) * d1) / d
    needed = 17.456 * math.sqrt(d1 * d2 * t.wavelength_m / (1000.0 * d))
    if clear >= needed:
        return 0.0
    loss = max(first_term_db(d, h1, h2, 0.5 * (d / roots) ** 2, t), 0.0)
    return max((1.0 - clear / needed) * loss, 0.0)


@kernel
def smooth_ground_db(d, h1, h2, t):
    """Return the larger of sphere and plane earth, antennas raised by the surface-wave floor."""
    e1 = math.sqrt(h1 * h1 + t.least_height_m * t.least_height_m)
    e2 = math.sqrt(h2 * h2 + t.least_height_m * t.least_height_m)
    loss = sphere_db(d, e1, e2, t)
    if t.plane > 0.0:
        phase = 2.0 * math.pi * e1 * e2 / (t.wavelength_m * d)
        if phase < math.pi / 6.0:
            loss = max(loss, -20.0 * math.log10(2.0 * math.sin(phase)))
    return loss


@kernel
def smooth_bullington_db(n, step_m, h1, h2, t):
    """Return the Bullington loss over bare smooth ground, sampled every `step_m` at 1 … n−1 (P.526 §4.5.2).

    Both slopes and the clearance in Fresnel radii have one extreme over smooth ground, so the two samples beside it decide.
    """
    if n < 2:
        return 0.0
    d = n * step_m
    half = 0.5 / t.earth_radius_m
    at1 = math.sqrt(h1 / half) / step_m
    at2 = math.sqrt(h2 / half) / step_m
    steepest = -_HIGH
    back = -_HIGH
    for side in range(2):
        i = min(max(math.floor(at1) + side, 1.0), n - 1.0)
        steepest = max(steepest, half * (n - i) * step_m - h1 / (i * step_m))
        i = min(max(math.floor(at2) + side, 1.0), n - 1.0)
        back = max(back, half * (n - i) * step_m - h2 / (i * step_m))
    slope = (h2 - h1) / d
    if steepest < slope:
        near = 0.5 * n * (1.0 + grazing_point(d, h1, h2, t.earth_radius_m))
        nu = -_HIGH
        for side in range(2):
            i = min(max(math.floor(near) + side, 1.0), n - 1.0)
            rise = half * i * (n - i) * step_m * step_m - (h1 * (n - i) + h2 * i) / n
            nu = max(nu, rise * math.sqrt(2.0 * n / (t.wavelength_m * step_m * i * (n - i))))
    else:
        at = (h2 - h1 + back * d) / (steepest + back)
        nu = (steepest - slope) * math.sqrt(2.0 * d * at / (t.wavelength_m * (d - at)))
    return bullington_total_db(knife_edge_db(nu), d)


@kernel
def smooth_excess_db(n, step_m, h1, h2, t):
    """Return what smooth ground adds to the loss of the edges: max(smooth loss − Bullington over the smooth line, 0)."""
    over = smooth_ground_db(n * step_m, h1, h2, t)
    if over <= 0.0:
        return 0.0
    return max(over - smooth_bullington_db(n, step_m, h1, h2, t), 0.0)


_0, _1, _2, _3, _4 = (f32(value) for value in range(5))
_HALF = f32(0.5)
_TENTH = f32(0.1)
_SIXTH = f32(1.0 / 6.0)
_SIXTH_PI = f32(math.pi / 6.0)
_TWO_PI = f32(2.0 * math.pi)
_J0 = f32(6.9)
_TEN = f32(10.0)
_PER_M = f32(2e-5)
_NO_LOSS_NU = f32(-0.78)
_CLEAR_TEST = f32(-5.0)
_ALMOST = f32(0.998)
_REQUIRED = f32(17.456**2 / 1000.0)
_ROOT_THIRD = f32(-1.0 / 3.0)
_LOG_KM = f32(np.log2(1000.0))
_KM = f32(0.001)
_B1, _B2, _B3, _B4 = f32(1.6), f32(0.67), f32(4.5), f32(1.53)
_X = f32(21.88)
_Y = f32(0.9575)
_X_SPLIT, _X_POWER, _X_FACTOR = f32(1.6), f32(1.425), f32(5.6488)
_F0, _F1 = f32(11.0), f32(17.6)
_G_SHIFT, _G_LAST, _G_ROOT, _G_HALF_LOG = f32(1.1), f32(8.0), f32(17.6), f32(0.5)
_TINY = f32(1e-2)


@inlined
def _edge(nu):
    w = nu - _TENTH
    return max(_J0 + db20(np.sqrt(w * w + _1) + w), _0)


@inlined
def _with_roughness(edge, d):
    return edge + (_1 - exp_minus(edge * _SIXTH)) * (_TEN + _PER_M * d)


@inlined
def _grazing(d, h1, h2, quarter):
    """Return b by Newton's method; `quarter` is 1/(4a). Its use below is stationary in b, so four steps are plenty."""
    both = h1 + h2
    c = (h1 - h2) / both
    m = d * d * quarter / both
    m1 = m + _1
    m3 = _3 * m
    b = c / m1
    for _ in range(4):
        b = b - (b * (m * b * b - m1) + c) / (m3 * b * b - m1)
    return b


@inlined
def _height_gain(b):
    over = max(b - _G_SHIFT, _TINY)
    high = _G_ROOT * np.sqrt(over) - _G_HALF_LOG * db10(over) - _G_LAST
    low = db20(b + _TENTH * b * b * b)
    return high if b > _2 else low


@kernel
def edges_block(w, t):
    """Turn `NU` into the Bullington loss in `OUT` and say in `KIND` what smooth ground may add.

    0: nothing; 1: perhaps something, within the horizon; 2: near or beyond the horizon, to be done in double precision. With u the
    place along the path, the line clears the ground by at least 2·sqrt(h1·h2·u(1−u)) less the bulge, so that one test serves all u.
    """
    quarter = f32(0.25 / t.earth_radius_m)
    horizon2 = f32(2.0 * t.earth_radius_m) * _ALMOST
    needed2 = _REQUIRED * f32(t.wavelength_m)
    floor2 = f32(t.least_height_m * t.least_height_m)
    plane = f32(t.wavelength_m / 12.0) if t.plane > 0.0 else _0
    for lane in range(LANES):
        nu = w[lane + NU]
        h1 = w[lane + H1]
        h2 = w[lane + H2]
        d = w[lane + LENGTH]
        edge = _edge(nu) if nu > _CLEAR_TEST else _0
        w[lane + OUT] = _with_roughness(edge, d)
        product = np.sqrt((h1 * h1 + floor2) * (h2 * h2 + floor2))
        open_sphere = _2 * np.sqrt(product) - quarter * d * d > np.sqrt(needed2 * d)
        open_plane = product >= plane * d
        within = d * d < horizon2 * (h1 + h2 + _2 * np.sqrt(h1 * h2))
        kind = _0 if (open_sphere & open_plane) else _1
        w[lane + KIND] = kind if within else _2


@kernel
def smooth_block(w, t):
    """Write to `OUT` what smooth ground adds, for lanes within the horizon, and its two parts."""
    half = f32(0.5 / t.earth_radius_m)
    quarter = f32(0.25 / t.earth_radius_m)
    lam = f32(t.wavelength_m)
    needed2 = _REQUIRED * lam
    floor2 = f32(t.least_height_m * t.least_height_m)
    phase_factor = f32(2.0 * math.pi / t.wavelength_m)
    plane = _1 if t.plane > 0.0 else f32(1e6)
    admittance = f32(t.admittance)
    cube = f32(t.cube_root_f)
    fresnel = f32(2.0 / t.wavelength_m)
    for lane in range(LANES):
        h1 = w[lane + H1]
        h2 = w[lane + H2]
        n = w[lane + N]
        d = w[lane + LENGTH]
        e1 = np.sqrt(h1 * h1 + floor2)
        e2 = np.sqrt(h2 * h2 + floor2)
        b = _grazing(d, e1, e2, quarter)
        d1 = _HALF * d * (_1 + b)
        d2 = _HALF * d * (_1 - b)
        clear = ((e1 - half * d1 * d1) * d2 + (e2 - half * d2 * d2) * d1) / d
        share = _1 - clear / np.sqrt(needed2 * d1 * d2 / d)
        roots = np.sqrt(e1) + np.sqrt(e2)
        flat = d / roots
        q = exp2(_ROOT_THIRD * (log2(_HALF * flat * flat) - _LOG_KM))
        k = admittance * q
        k2 = k * k
        beta = (_1 + k2 * (_B1 + _B2 * k2)) / (_1 + k2 * (_B3 + _B4 * k2))
        x = _X * beta * cube * q * q * d * _KM
        log_x = log2(x)
        far = -_F0 - db10(x) + _F1 * x
        near = db20(x) + _X_FACTOR * exp2(min(_X_POWER * log_x, f32(100.0)))
        loss = far if x >= _X_SPLIT else near
        scale = _Y * beta * beta * cube * cube * q
        least = _2 + db20(k)
        loss = loss - max(_height_gain(scale * e1), least) - max(_height_gain(scale * e2), least)
        sphere = max(loss, _0) * max(share, _0)
        phase = min(phase_factor * e1 * e2 / d * plane, _SIXTH_PI)
        ground = max(sphere, -db20(_2 * sin_small(phase)))
        b = _grazing(d, h1, h2, quarter)
        last = max(n - _1, _1)
        step = d / n
        bulge = half * step * step
        per_step = fresnel / step
        i = min(max(np.floor(_HALF * n * (_1 + b)), _1), last)
        back = max(n - i, _TINY)
        nu = (bulge * i * back - (h1 * back + h2 * i) / n) * np.sqrt(per_step * n / (i * back))
        i = min(i + _1, last)
        back = max(n - i, _TINY)
        nu = max(nu, (bulge * i * back - (h1 * back + h2 * i) / n) * np.sqrt(per_step * n / (i * back)))
        edge = _edge(nu) if (nu > _NO_LOSS_NU) & (n > f32(1.5)) else _0
        edge = _with_roughness(edge, d)
        w[lane + GROUND] = ground
        w[lane + SMOOTH] = edge
        w[lane + OUT] = max(ground - edge, _0)


@kernel
def free_space_block(w, factor_db, nearest2):
    """Turn `OUT` into the free-space loss over the slant distance."""
    for lane in range(LANES):
        d = w[lane + LENGTH]
        rise = w[lane + RISE]
        w[lane + OUT] = factor_db + db10(max(d * d + rise * rise, nearest2))


@kernel
def diffraction(work, count, t, spare, place):
    """Finish `count` targets held in the blocks of `work`: afterwards `OUT` holds the diffraction loss.

    `spare` is a second set of blocks, `place` an int64 array of the same number of lanes.
    """
    blocks = (count + LANES - 1) // LANES
    marked = 0
    for index in range(blocks):
        w = work[index]
        edges_block(w, t)
        for lane in range(min(LANES, count - index * LANES)):
            kind = w[lane + KIND]
            if kind == _1:
                v = spare[marked // LANES]
                to = marked % LANES
                v[to + H1] = w[lane + H1]
                v[to + H2] = w[lane + H2]
                v[to + N] = w[lane + N]
                v[to + LENGTH] = w[lane + LENGTH]
                place[marked] = index * LANES + lane
                marked += 1
            elif kind == _2:
                n = float(w[lane + N])
                d = float(w[lane + LENGTH])
                ground = smooth_ground_db(d, float(w[lane + H1]), float(w[lane + H2]), t)
                edge = 0.0
                if ground > 0.0:
                    edge = smooth_bullington_db(n, d / n, float(w[lane + H1]), float(w[lane + H2]), t)
                w[lane + GROUND] = ground
                w[lane + SMOOTH] = edge
                w[lane + OUT] += f32(max(ground - edge, 0.0))
            else:
                w[lane + GROUND] = _0
                w[lane + SMOOTH] = _0
    for index in range((marked + LANES - 1) // LANES):
        v = spare[index]
        for lane in range(max(marked - index * LANES, 0), LANES):
            v[lane + H1] = _1
            v[lane + H2] = _1
            v[lane + N] = _3
            v[lane + LENGTH] = _3
        smooth_block(v, t)
        for lane in range(min(LANES, marked - index * LANES)):
            to = place[index * LANES + lane]
            w = work[to // LANES]
            w[to % LANES + OUT] += v[lane + OUT]
            w[to % LANES + GROUND] = v[lane + GROUND]
            w[to % LANES + SMOOTH] = v[lane + SMOOTH]
