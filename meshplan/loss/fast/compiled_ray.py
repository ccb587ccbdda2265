"""One ray of the sweep: where it runs, and the loss-deciding extremes at every target on it, each found incrementally.

Lengths along a ray are counted in steps (sample i lies i steps from the transmitter), heights are relative to the transmitting
antenna. "Straightened" heights have the Earth's bulge taken off, i²·bulge, so that every line of sight is a straight line.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator"

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast.compiled_loss import CLEAR_NU, H1, H2, LANES, LENGTH, NU, RISE, N, counted_nu, tangents_nu
from meshplan.loss.fast.compiled_math import inlined, kernel

CAP = 0.5516
"""Clearance in Fresnel radii from which on J is 0: 0.78/sqrt(2), rounded up."""

LEAF = 8
"""Records under one bound of the lowest level."""
BRANCH = 2
"""Bounds of one level under one bound of the next."""
GROUP = 16
"""Clear paths that look for their least clearance together."""
SIGHT, INVERSE, BEST, UPPER, LOWER = (row * GROUP for row in range(5))
LEVELS = 9
NOBODY = np.int32(-1)
"""Marks a sample that owns no cell."""

_U0 = np.uint64(0)
_U1 = np.uint64(1)
_LANES = np.uint64(LANES)

Floats = NDArray[np.float64]
Longs = NDArray[np.int64]
Ints = NDArray[np.int32]


class Fan(NamedTuple):
    """The rays of one quadrant: how long they are, and how the cells there are numbered."""

    edge: int
    origin: int
    along: int
    across: int
    """Steps in the numbers of cells: to the next line, and to the next cell of a line."""
    low: int
    high: int
    """First and last cell of every line, counted from the transmitter."""
    diagonal: bool
    """Whether cells as far aside as ahead belong to this quadrant."""


class Samples(NamedTuple):
    """Where each sample of a ray lies: between the cells `place` and `place` + `side`, `share` of the way."""

    place: Ints
    side: Ints
    share: Floats


class Targets(NamedTuple):
    """The samples of a ray that own a cell, in order, and those cells."""

    own: Longs
    cell: Longs


class Ray(NamedTuple):
    """One ray with its ground: heights less that of the transmitting antenna, samples 0 … `last`, `seen` targets on it.

    Sample j lies j − `off` steps of `step_m` away; `fresnel` is wavelength·step, `bulge` the Earth's over one step.
    """

    last: int
    off: float
    step_m: float
    bulge: float
    fresnel: float
    tx_agl: float
    rx_agl: float
    h: Floats
    own: Longs
    seen: int
    inverses: Floats
    roots: Floats
    """1/x and 1/sqrt(x) of the way to each sample."""


class Hull(NamedTuple):
    """An upper hull; `slope` is that up to each vertex, +inf at the first."""

    x: Floats
    y: Floats
    slope: Floats


class Records(NamedTuple):
    """Samples that stand steeper than all before: their slope, 1/x, and the slope from which a line is clear of all up to there."""

    slope: Floats
    inverse: Floats
    clear: Floats


class Waits(NamedTuple):
    """Clear paths that still look for their least clearance: slot, line of sight, how many records lie before the receiver."""

    slot: Longs
    sight: Floats
    before: Longs


class Surface(NamedTuple):
    """What is remembered of a surface along one ray."""

    hull: Hull
    records: Records
    waits: Waits


class Tree(NamedTuple):
    """Lines over the records, level by level; for each its slope and offset."""

    slope: Floats
    offset: Floats


@kernel
def new_hull(size):
    """Return room for a hull."""
    return Hull(np.empty(size), np.empty(size), np.empty(size))


@kernel
def new_surface(size):
    """Return room for a surface."""
    records = Records(np.empty(size), np.empty(size), np.empty(size))
    waits = Waits(np.empty(size, dtype=np.int64), np.empty(size), np.empty(size, dtype=np.int64))
    return Surface(new_hull(size), records, waits)


@kernel
def lay_ray(p, n, fan, samples, mine, targets):
    """Lay ray `p` of a fan and name the cells it owns; return how many.

    Sample k lies where the ray crosses line k of the quadrant, p·k/edge cells aside: between the cells at `place` and
    `place` + `side`, `share` of the way. Cell (k, c) belongs to the one ray that passes within k/(2·edge) cells of it.
    """
    place, side, share = samples
    own, target = targets
    whole = float(fan.edge)
    part = 1.0 / whole
    least = float(fan.low)
    most = float(fan.high)
    corner = 0.5 if fan.diagonal else -0.5
    start0 = np.int32(fan.origin)
    ahead = np.int32(fan.along)
    aside32 = np.int32(fan.across)
    for k in range(n + 1):
        line = float(np.int32(k))
        aside = p * line
        c = np.floor(aside * part + 1e-9)
        rest = aside - c * whole
        c0 = min(max(c, least), most)
        c1 = min(max(c + 1.0, least), most) if rest > 0.0 else c0
        start = np.int32(start0 + np.int32(k) * ahead)
        place[k] = np.int32(start + np.int32(c0) * aside32)
        side[k] = np.int32(np.int32(c1 - c0) * aside32)
        share[k] = rest * part
        over = 2.0 * rest >= whole
        nearest = c + 1.0 if over else c
        off = 2.0 * (rest - whole if over else rest)
        inside = (nearest >= least) & (nearest <= most) & (abs(nearest) < line + corner)
        mine[k] = np.int32(start + np.int32(nearest) * aside32) if (off > -line) & (off <= line) & inside else NOBODY
    count = 0
    for k in range(n + 1):
        cell = mine[k]
        own[count] = k
        target[count] = cell
        count += 1 if cell >= 0 else 0
    return count


@kernel
def lay_shifted_ray(p, n, fan, off, lat, samples, targets):
    """Do what `lay_ray` does from a place `off` cells ahead of the middle of the origin and `lat` cells aside.

    Cell (k, c) belongs to the quadrant in which it lies as seen from there, and to the ray that passes nearest.
    """
    place, side, share = samples
    own, target = targets
    edge, origin, along, across, low, high, diagonal = fan
    per_line = (p - lat) / (edge - off)
    place[0] = np.int32(origin)
    side[0] = np.int32(0)
    share[0] = 0.0
    count = 0
    for k in range(1, n + 1):
        ahead = k - off
        aside = lat + per_line * ahead
        c = np.floor(aside + 1e-9)
        rest = max(aside - c, 0.0)
        c0 = min(max(c, float(low)), float(high))
        c1 = min(max(c + 1.0, float(low)), float(high)) if rest > 0.0 else c0
        start = origin + k * along
        place[k] = np.int32(start + np.int64(c0) * across)
        side[k] = np.int32(np.int64(c1 - c0) * across)
        share[k] = rest
        nearest = c + 1.0 if rest > 0.5 else c
        beside = abs(nearest - lat)
        if nearest < low or nearest > high or beside > ahead or (beside == ahead and not diagonal and nearest != 0.0):
            continue
        if np.floor(lat + (nearest - lat) * (edge - off) / ahead + 0.5) == p:
            own[count] = k
            target[count] = np.int64(start) + np.int64(nearest) * across
            count += 1
    return count


@kernel
def sample_ray(flat, n, samples, base, out):
    """Write the heights along the ray, less `base`, and return the last sample before the first void."""
    place, side, share = samples
    for k in range(n + 1):
        first = np.uint64(place[k])
        a = float(flat[first])
        b = float(flat[first + np.uint64(side[k])])
        out[k] = a + (b - a) * share[k] - base
    for k in range(n + 1):
        if np.isnan(out[k]):
            return k - 1
    return n


# Small functions take bare arrays and do not branch around them: else the compiler counts who holds an array at every call, which
# makes a sweep a third slower.


@inlined
def push(x, y, top, hull_x, hull_y, hull_s):
    """Put a point behind an upper hull and return the new top."""
    while y - hull_y[top] >= hull_s[top] * (x - hull_x[top]):
        top -= _U1
    slope = (y - hull_y[top]) / (x - hull_x[top])
    top += _U1
    hull_x[top] = x
    hull_y[top] = y
    hull_s[top] = slope
    return top


@inlined
def begin_hull(x, y, hull_x, hull_y, hull_s):
    """Put down the first point of a hull, whose top is then 0."""
    hull_x[0] = x
    hull_y[0] = y
    hull_s[0] = math.inf


@inlined
def tangent(x, y, top, hull_x, hull_y, hull_s):
    """Return the vertex that stands highest as seen from (x, y) behind the hull."""
    while y - hull_y[top] > hull_s[top] * (x - hull_x[top]):
        top -= _U1
    return top


@inlined
def slope_back(x, y, top, hull_x, hull_y, hull_s):
    """Return the steepest slope from (x, y) back to the hull."""
    r = tangent(x, y, top, hull_x, hull_y, hull_s)
    return (hull_y[r] - y) / (x - hull_x[r])


@inlined
def add_record(slope, inverse, root, reach, count, rec_s, rec_a, rec_u):
    """Note a sample that stands steeper than all before; return how many there are now."""
    rec_s[count] = slope
    rec_a[count] = inverse
    clear = slope + reach * root
    before = rec_u[max(count - 1, 0)]
    rec_u[count] = max(clear, before) if count > 0 else clear
    return count + 1


@inlined
def wait_if_near(q, sight, records, rec_u, waiting, slots, sights, before):
    """Let a clear path wait for `clear_paths` where any record may come near it; return how many wait."""
    slots[waiting] = q
    sights[waiting] = sight
    before[waiting] = records
    near = (records > 0) & (sight < rec_u[max(records - 1, 0)])
    return waiting + (1 if near else 0)


@kernel
def bound_records(count, records, tree):
    """Lay a line over every node of records: through its ends, raised over all between. s <= offset + line·a holds in it.

    A leaf looks at its records, a higher node at the lines below it, which it must clear at both ends of each.
    """
    rec_s, rec_a = records.slope, records.inverse
    line, offset = tree
    room = len(line) // LEVELS
    size = LEAF
    for level in range(LEVELS):
        below = size // BRANCH
        for node in range((count + size - 1) // size):
            first = node * size
            last = min(first + size, count) - 1
            slope = (rec_s[first] - rec_s[last]) / (rec_a[first] - rec_a[last]) if last > first else 0.0
            top = -math.inf
            if level == 0:
                for i in range(first, last + 1):
                    top = max(top, rec_s[i] - slope * rec_a[i])
            else:
                child = (level - 1) * room + first // below
                for start in range(first, last + 1, below):
                    tilt = line[child] - slope
                    end = min(start + below - 1, last)
                    top = max(top, offset[child] + max(tilt * rec_a[start], tilt * rec_a[end]))
                    child += 1
            line[level * room + node] = slope
            offset[level * room + node] = top
        size *= BRANCH


@inlined
def _cannot_win(group, width, slope, offset, a_first, a_last):
    """Say whether no record of a node comes nearer to any path of the group than what that path has found.

    Under the line, (sight − s)²/(a − inverse) is least where the two terms of sight − s = e − slope·y are equal, or at an end.
    """
    steep = -slope
    per = 1.0 / steep if steep > 0.0 else 0.0
    open_paths = 0.0
    for i in range(width):
        inverse = group[i + INVERSE]
        e = group[i + SIGHT] - offset - slope * inverse
        y = max(min(max(e * per, a_last - inverse), a_first - inverse), 0.0)
        gap = e + steep * y
        open_paths += 0.0 if (gap > 0.0) & (gap * gap >= group[i + BEST] * y) else 1.0
    return open_paths == 0.0


@inlined
def _try_records(group, width, first, end, rec_s, rec_a):
    """Let each path of the group find the least clearance among some records; those behind its receiver never win."""
    for i in range(width):
        group[i + UPPER] = group[i + BEST]
        group[i + LOWER] = 1.0
    for r in range(first, end):
        s = rec_s[r]
        a = rec_a[r]
        for i in range(width):
            gap = group[i + SIGHT] - s
            y = a - group[i + INVERSE]
            gap2 = gap * gap
            upper = group[i + UPPER]
            lower = group[i + LOWER]
            nearer = gap2 * lower < upper * y
            group[i + UPPER] = gap2 if nearer else upper
            group[i + LOWER] = y if nearer else lower
    for i in range(width):
        group[i + BEST] = group[i + UPPER] / group[i + LOWER]


@kernel
def clear_paths(begin, stop, surface, ray, tree, group, work):
    """Write nu of the clear paths `begin` … `stop` − 1: the least clearance in Fresnel radii over all records before the receiver.

    Paths are taken in groups, neighbours along the ray. A group goes backwards from its last receiver, leaps over nodes that
    cannot win, and stops where all that is left is clear by `CAP`.
    """
    rec_s, rec_a, rec_u = surface.records
    slots, sights, before = surface.waits
    line, offset = tree
    own, inverses, fresnel = ray.own, ray.inverses, ray.fresnel
    room = len(line) // LEVELS
    cap = CAP * CAP * fresnel
    to_nu = math.sqrt(2.0 / fresnel)
    width = len(group) // 5  # a constant here would unroll the inner loops instead of vectorising them
    warm = -1
    for start in range(begin, stop, GROUP):
        lowest = math.inf
        for i in range(width):
            k = min(start + i, stop - 1)
            sight = sights[k]
            group[i + SIGHT] = sight
            group[i + INVERSE] = inverses[own[slots[k]]]
            group[i + BEST] = cap
            lowest = min(lowest, sight)
        records = before[min(start + GROUP, stop) - 1]
        leaf = (records - 1) // LEAF
        if warm >= 0:
            _try_records(group, width, warm * LEAF, min(warm * LEAF + LEAF, records), rec_s, rec_a)
        tried = warm
        while leaf >= 0 and lowest < rec_u[min(leaf * LEAF + LEAF, records) - 1]:
            if leaf == tried:
                leaf -= 1
                continue
            level = 0
            span = 1
            while level + 1 < LEVELS and (leaf + 1) % (span * BRANCH) == 0:
                span *= BRANCH
                level += 1
            leapt = False
            while not leapt and level >= 0:
                index = level * room + (leaf + 1) // span - 1
                first = (leaf + 1 - span) * LEAF
                last = min(leaf * LEAF + LEAF, records) - 1
                leapt = _cannot_win(group, width, line[index], offset[index], rec_a[first], rec_a[last])
                if not leapt:
                    span //= BRANCH
                    level -= 1
            if leapt:
                leaf -= span
                continue
            had = group[GROUP - 1 + BEST]
            _try_records(group, width, leaf * LEAF, min(leaf * LEAF + LEAF, records), rec_s, rec_a)
            if group[GROUP - 1 + BEST] < had:
                warm = leaf
            leaf -= 1
        for i in range(min(GROUP, stop - start)):
            nu = -math.sqrt(group[i + BEST]) * to_nu
            q = slots[start + i]
            at = q % LANES + NU
            if nu > -0.78:
                work[q // LANES, at] = max(work[q // LANES, at], nu)


@kernel
def scan_ray(ray, raw, surface, work):
    """Write, for every owned target, the Bullington nu over bare ground and the antenna heights over the smooth line.

    Clear paths are only noted for `clear_paths`; return how many records there are and how many paths wait. They look for the
    least clearance among the records, others for the tangent to the upper hull of straightened ground (P.526 §4.5.1). The fit
    comes from two running sums, its obstruction test from the steepest raw line of sight and the hull of the `raw` ground (§4.5.2).
    """
    h, own, inverses, roots = ray.h, ray.own, ray.inverses, ray.roots
    raw_x, raw_h, raw_s = raw
    hull_x, hull_y, hull_s = surface.hull
    rec_s, rec_a, rec_u = surface.records
    slots, sights, before = surface.waits
    v1 = 0.0
    v2 = 0.0
    start = h[0]
    previous = 0.0
    raw_steepest = -math.inf
    raw_top = _U0
    steepest = -math.inf
    top = _U0
    found = 0
    waiting = 0
    reach = CAP * math.sqrt(ray.fresnel)
    to_nu = math.sqrt(2.0 / ray.fresnel)
    q = _U0
    left = np.uint64(ray.seen)
    before_x = 0.0
    for j in range(1, ray.last + 1):
        x = j - ray.off
        inverse = inverses[j]
        here = h[j]
        lower = ray.bulge * x * x
        rise = here - start
        wide = x - before_x
        v1 += wide * (rise + previous)
        v2 += wide * (rise * (2.0 * x + before_x) + previous * (x + 2.0 * before_x))
        before_x = x
        previous = rise
        if q < left and own[q] == j:
            block = work[q // _LANES]
            lane = q % _LANES
            fit_start = start + (2.0 * v1 * x - v2) * inverse * inverse
            fit_end = start + (v2 - v1 * x) * inverse * inverse
            receiver = here + ray.rx_agl
            slope = receiver * inverse
            if raw_steepest > slope:
                r = tangent(x, receiver, raw_top, raw_x, raw_h, raw_s)
                from_end = (raw_h[r] - receiver) / (x - raw_x[r]) + slope
                while raw_s[r] < slope:
                    r -= _U1
                from_start = raw_steepest - slope
                part = (raw_h[r] - slope * raw_x[r]) / (from_start + from_end)
                fit_start -= part * from_start
                fit_end -= part * from_end
            block[lane + np.uint64(H1)] = -min(fit_start, start)
            block[lane + np.uint64(H2)] = receiver - min(fit_end, here)
            block[lane + np.uint64(N)] = x
            block[lane + np.uint64(LENGTH)] = x * ray.step_m
            block[lane + np.uint64(RISE)] = receiver
            receiver = here + ray.rx_agl - lower
            sight = receiver * inverse
            nu = float(CLEAR_NU)
            if steepest < sight:
                waiting = wait_if_near(q, sight, found, rec_u, waiting, slots, sights, before)
            elif j > 1:
                back = slope_back(x, receiver, top, hull_x, hull_y, hull_s)
                nu = tangents_nu(steepest - sight, sight + back, to_nu * math.sqrt(x))
            block[lane + np.uint64(NU)] = counted_nu(nu)
            q += _U1
        y = here - lower
        if j == 1:
            begin_hull(x, y, hull_x, hull_y, hull_s)
            begin_hull(x, here, raw_x, raw_h, raw_s)
        else:
            top = push(x, y, top, hull_x, hull_y, hull_s)
            raw_top = push(x, here, raw_top, raw_x, raw_h, raw_s)
        raw_steepest = max(raw_steepest, here * inverse)
        s = y * inverse
        if s > steepest:
            steepest = s
            found = add_record(s, inverse, roots[j], reach, found, rec_s, rec_a, rec_u)
    return found, waiting
