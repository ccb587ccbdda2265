"""The diffraction formulas as compiled code, in single precision on blocks of 32 lanes: knife edge, Bullington, smooth ground.

Each stands here once, for links and for sweeps. The readable definitions are those of `meshplan.propagation`; tests and the golden
vectors hold these to them.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math

import numpy as np

from meshplan.loss.fast.compiled_math import db10, db20, exp2, exp_minus, f32, inlined, kernel, log2, sin_small
from meshplan.propagation.knife_edge import CLEAR_NU as NO_LOSS_NU

LANES = 32
"""Targets in one block."""
NU, H1, H2, N, LENGTH, RISE, OUT, KIND, GROUND, SMOOTH = (row * LANES for row in range(10))
"""Offsets in a block: Fresnel parameter, effective heights, number of steps, length, height difference of the antennas; result,
kind of smooth loss, loss of smooth ground, Bullington loss over the smooth line."""
BLOCK = 10 * LANES
CLEAR_NU = f32(-9.0)
"""Stands for "no loss": the jump of J at −0.78 is decided in double precision, never by rounding."""
_NO_LOSS = float(NO_LOSS_NU)
_CLEAR = float(CLEAR_NU)

_0, _1, _2, _3, _4 = (f32(value) for value in range(5))
_HALF = f32(0.5)
_TENTH = f32(0.1)
_SIXTH = f32(1.0 / 6.0)
_SIXTH_PI = f32(math.pi / 6.0)
_J0 = f32(6.9)
_TEN = f32(10.0)
_PER_M = f32(2e-5)
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
def counted_nu(nu):
    """Return nu, or `CLEAR_NU` where an edge costs nothing (P.526 §4.1)."""
    return nu if nu > _NO_LOSS else _CLEAR


@inlined
def tangents_nu(from_start, from_end, scale):
    """Return nu where both tangents meet; slopes over the line of sight, times what makes them nu (P.526 §4.5.1)."""
    return math.sqrt(max(from_start * from_end, 0.0)) * scale


@inlined
def knife_edge_db(nu):
    """Return J(nu) of a counted nu (P.526 §4.1)."""
    w = nu - _TENTH
    return max(_J0 + db20(np.sqrt(w * w + _1) + w), _0) if nu > _CLEAR_TEST else _0


@inlined
def bullington_total_db(edge_db, distance_m):
    """Return the Bullington loss from its knife-edge loss (P.526 §4.5.1)."""
    return edge_db + (_1 - exp_minus(edge_db * _SIXTH)) * (_TEN + _PER_M * distance_m)


@inlined
def _grazing(d, h1, h2, quarter):
    """Return b in [-1, 1]: the point of least clearance over a sphere is at d(1 + b)/2 (P.526 §3.2).

    By Newton's method; `quarter` is 1/(4a). What follows is stationary in b, so four steps are plenty.
    """
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


@inlined
def _first_term_db(d, e1, e2, radius_m, t):
    """Return the first term of the residue series (P.526 §3.1.1), not below zero."""
    admittance = f32(t.admittance)
    cube = f32(t.cube_root_f)
    q = exp2(_ROOT_THIRD * (log2(radius_m) - _LOG_KM))
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
    return max(loss - max(_height_gain(scale * e1), least) - max(_height_gain(scale * e2), least), _0)


@inlined
def _sphere_db(d, e1, e2, t, beyond):
    """Return the loss over a smooth sphere (P.526 §3.2); within the horizon by the radius at which it would just be reached."""
    half = f32(0.5 / t.earth_radius_m)
    b = _grazing(d, e1, e2, f32(0.25 / t.earth_radius_m))
    d1 = _HALF * d * (_1 + b)
    d2 = _HALF * d * (_1 - b)
    clear = ((e1 - half * d1 * d1) * d2 + (e2 - half * d2 * d2) * d1) / d
    share = max(_1 - clear / np.sqrt(_REQUIRED * f32(t.wavelength_m) * d1 * d2 / d), _0)
    flat = d / (np.sqrt(e1) + np.sqrt(e2))
    radius_m = _HALF * flat * flat
    if beyond:
        whole = f32(t.earth_radius_m)
        share = _1 if radius_m >= whole else share
        radius_m = min(radius_m, whole)
    return _first_term_db(d, e1, e2, radius_m, t) * share


@inlined
def plane_db(d, e1, e2, t):
    """Return the plane-earth loss in excess of free space, up to where it ends (`propagation.two_ray`)."""
    plane = _1 if t.plane > 0.0 else f32(1e6)
    phase = min(f32(2.0 * math.pi / t.wavelength_m) * e1 * e2 / d * plane, _SIXTH_PI)
    return -db20(_2 * sin_small(phase))


@inlined
def _smooth_nu(n, d, h1, h2, t, beyond):
    """Return nu of the Bullington edge over bare smooth ground, sampled n − 1 times (P.526 §4.5.2).

    Both slopes and the clearance in Fresnel radii have one extreme over smooth ground, so the two samples beside it decide.
    """
    half = f32(0.5 / t.earth_radius_m)
    fresnel = f32(2.0 / t.wavelength_m)
    last = max(n - _1, _1)
    step = d / n
    bulge = half * step * step
    per_step = fresnel / step
    b = _grazing(d, h1, h2, f32(0.25 / t.earth_radius_m))
    i = min(max(np.floor(_HALF * n * (_1 + b)), _1), last)
    back = max(n - i, _TINY)
    nu = (bulge * i * back - (h1 * back + h2 * i) / n) * np.sqrt(per_step * n / (i * back))
    i = min(i + _1, last)
    back = max(n - i, _TINY)
    nu = max(nu, (bulge * i * back - (h1 * back + h2 * i) / n) * np.sqrt(per_step * n / (i * back)))
    if beyond:
        rise = (h2 - h1) / d
        from_start = _steepest(n, step, h1, half) - rise
        from_end = _steepest(n, step, h2, half) + rise
        blocked = np.sqrt(fresnel * d * max(from_start * from_end, _0))
        nu = nu if from_start < _0 else blocked
    return nu if nu > f32(_NO_LOSS) else CLEAR_NU


@inlined
def _steepest(n, step, h, half):
    """Return the greatest slope from an antenna to smooth ground, against a level line."""
    last = max(n - _1, _1)
    i = min(max(np.floor(np.sqrt(h / half) / step), _1), last)
    j = min(i + _1, last)
    return max(half * (n - i) * step - h / (i * step), half * (n - j) * step - h / (j * step))


@inlined
def _smooth_losses(n, d, h1, h2, t, beyond):
    """Return the larger of sphere and plane earth, antennas raised by the surface-wave floor, and the Bullington loss there.

    `beyond` is False for paths that end well before the horizon, which spares them what only longer ones need.
    """
    floor2 = f32(t.least_height_m * t.least_height_m)
    e1 = np.sqrt(h1 * h1 + floor2)
    e2 = np.sqrt(h2 * h2 + floor2)
    ground = max(_sphere_db(d, e1, e2, t, beyond), plane_db(d, e1, e2, t))
    edge = knife_edge_db(_smooth_nu(n, d, h1, h2, t, beyond) if n > f32(1.5) else CLEAR_NU)
    return ground, bullington_total_db(edge, d)


@kernel
def smooth_excess_db(n, step_m, h1, h2, t):
    """Return what smooth ground adds to the loss of the edges: max(smooth loss − Bullington over the smooth line, 0)."""
    ground, edge = _smooth_losses(f32(n), f32(n * step_m), f32(h1), f32(h2), t, True)
    return max(ground - edge, _0)


@kernel
def edges_block(w, t):
    """Turn `NU` into the Bullington loss in `OUT` and say in `KIND` what smooth ground may add.

    0: nothing; 1: perhaps something, within the horizon; 2: near or beyond the horizon. With u the place along the path, the line
    clears the ground by at least 2·sqrt(h1·h2·u(1−u)) less the bulge, so that one test serves all u.
    """
    quarter = f32(0.25 / t.earth_radius_m)
    horizon2 = f32(2.0 * t.earth_radius_m) * _ALMOST
    needed2 = _REQUIRED * f32(t.wavelength_m)
    floor2 = f32(t.least_height_m * t.least_height_m)
    plane = f32(t.wavelength_m / 12.0) if t.plane > 0.0 else _0
    for lane in range(LANES):
        h1 = w[lane + H1]
        h2 = w[lane + H2]
        d = w[lane + LENGTH]
        w[lane + OUT] = bullington_total_db(knife_edge_db(w[lane + NU]), d)
        product = np.sqrt((h1 * h1 + floor2) * (h2 * h2 + floor2))
        open_sphere = _2 * np.sqrt(product) - quarter * d * d > np.sqrt(needed2 * d)
        open_plane = product >= plane * d
        within = d * d < horizon2 * (h1 + h2 + _2 * np.sqrt(h1 * h2))
        kind = _0 if (open_sphere & open_plane) else _1
        w[lane + KIND] = kind if within else _2


@kernel
def _smooth_block(w, t):
    """Write to `OUT` what smooth ground adds, for lanes within the horizon, and its two parts."""
    for lane in range(LANES):
        ground, edge = _smooth_losses(w[lane + N], w[lane + LENGTH], w[lane + H1], w[lane + H2], t, False)
        w[lane + GROUND] = ground
        w[lane + SMOOTH] = edge
        w[lane + OUT] = max(ground - edge, _0)


@kernel
def _far_block(w, t):
    """Do the same for lanes near and beyond the horizon; where smooth ground costs nothing its edge is not told."""
    for lane in range(LANES):
        ground, edge = _smooth_losses(w[lane + N], w[lane + LENGTH], w[lane + H1], w[lane + H2], t, True)
        w[lane + GROUND] = ground
        w[lane + SMOOTH] = edge if ground > _0 else _0
        w[lane + OUT] = max(ground - edge, _0)


@kernel
def free_space_block(w, factor_db, nearest2):
    """Turn `OUT` into the free-space loss over the slant distance."""
    for lane in range(LANES):
        d = w[lane + LENGTH]
        rise = w[lane + RISE]
        w[lane + OUT] = factor_db + db10(max(d * d + rise * rise, nearest2))


@kernel
def _gather(work, count, kind, spare, place):
    """Copy all lanes of a kind into `spare`, whose last block is filled up, and say in `place` where they came from."""
    marked = 0
    for index in range((count + LANES - 1) // LANES):
        w = work[index]
        for lane in range(min(LANES, count - index * LANES)):
            if w[lane + KIND] == kind:
                v = spare[marked // LANES]
                to = marked % LANES
                v[to + H1] = w[lane + H1]
                v[to + H2] = w[lane + H2]
                v[to + N] = w[lane + N]
                v[to + LENGTH] = w[lane + LENGTH]
                place[marked] = index * LANES + lane
                marked += 1
    for lane in range(marked, (marked + LANES - 1) // LANES * LANES):
        v = spare[lane // LANES]
        to = lane % LANES
        v[to + H1] = _1
        v[to + H2] = _1
        v[to + N] = _3
        v[to + LENGTH] = _3
    return marked


@kernel
def diffraction(work, count, t, spare, place):
    """Finish `count` targets held in the blocks of `work`: afterwards `OUT` holds the diffraction loss.

    `spare` is a second set of blocks, `place` an int64 array of the same number of lanes.
    """
    for index in range((count + LANES - 1) // LANES):
        w = work[index]
        edges_block(w, t)
        for lane in range(LANES):
            w[lane + GROUND] = _0
            w[lane + SMOOTH] = _0
    for kind in range(1, 3):
        marked = _gather(work, count, f32(kind), spare, place)
        for index in range((marked + LANES - 1) // LANES):
            if kind == 1:
                _smooth_block(spare[index], t)
            else:
                _far_block(spare[index], t)
        for k in range(marked):
            v = spare[k // LANES]
            w = work[place[k] // LANES]
            to = place[k] % LANES
            w[to + OUT] += v[k % LANES + OUT]
            w[to + GROUND] = v[k % LANES + GROUND]
            w[to + SMOOTH] = v[k % LANES + SMOOTH]
