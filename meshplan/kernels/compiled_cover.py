"""What stands on the ground along one ray: over the crowns or the roofs, through the leaves or the walls, whichever loses least.

Ways past woods and crops, as in `meshplan.links.path_loss`: through all of them; over all of them; through those near the two
antennas and over the rest. Ways past buildings: over the roofs, or through two walls of each. All six are computed exactly:

* surfaces differ only in what stands on the samples; a surface that leaves out the crowns near the receiver is the bare one joined
  with the crowns that lie far enough behind, inserted late;
* the metres through leaves count by the part of the Fresnel zone that the plants fill, which differs from target to target. Plants
  are kept in short blocks, with the slopes above which a block is clear of every line of sight and below which it fills every zone;
  only blocks between the two are looked into, and none any more once going through costs more than the way over.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator, assignment"

from __future__ import annotations

import math

import numpy as np

from meshplan.kernels.compiled_loss import CLEAR_NU, LANES, NU, bullington_total_db, knife_edge_db
from meshplan.kernels.compiled_math import inlined, kernel
from meshplan.kernels.compiled_ray import CAP, push, tangent

CROWN, ROOF, BOTH, NOTHING = range(4)
WAYS = (
    (NOTHING, NOTHING, 0, 0, 0),
    (ROOF, NOTHING, 1, 0, 0),
    (BOTH, NOTHING, 0, 1, 0),
    (ROOF, BOTH, 0, 1, 1),
    (CROWN, NOTHING, 1, 1, 0),
    (NOTHING, CROWN, 1, 1, 1),
)
"""Surfaces of the ways: what stands everywhere, what stands far from the antennas; needs roofs, needs crowns, near from far."""

BLOCK_SIZE = 16
"""Pieces of plants that are looked at together."""

_U0 = np.uint64(0)


@kernel
def sample_cover(n, place, side, share, cover, index, crown, roof):
    """Write index, crown height and roof height above ground of the nearer cell of every sample; return (any crown, any roof)."""
    codes = cover.codes.reshape(-1)
    canopy = cover.canopy.reshape(-1)
    crowns = 0
    roofs = 0
    for k in range(n + 1):
        cell = place[k] + (side[k] if share[k] >= 0.5 else 0)
        code = np.int64(codes[cell])
        if code == cover.inside:
            code = 0
        index[k] = code
        crown[k] = cover.crown_m[code]
        roof[k] = cover.roof_m[code]
        if code > 0 and cover.has_canopy > 0:
            seen = float(canopy[cell])
            if not np.isnan(seen):
                crown[k] = seen * cover.crown_share[code]
                roof[k] = seen * cover.roof_share[code]
        crowns += 1 if crown[k] > 0.0 else 0
        roofs += 1 if roof[k] > 0.0 else 0
    return crowns, roofs


@kernel
def scan_surface(n, h, low, high, near, bulge, rx_agl, own, count, fresnel, inverses, roots, work, f, waits):
    """Write the Bullington nu over the joint surface of `low` and of what `high` adds farther than `near` steps from both ends.

    `low` and `high` are heights above the ground `h`. Works as `compiled_ray.scan_ray`, with two hulls and two lists of records;
    returns for each list (records, waiting). `f` holds the scratch rows of both.
    """
    reach = CAP * math.sqrt(fresnel)
    to_nu = math.sqrt(2.0 / fresnel)
    top0 = _U0
    top1 = _U0
    steep0 = -math.inf
    steep1 = -math.inf
    records0 = 0
    records1 = 0
    waiting0 = 0
    waiting1 = 0
    late = near + 1
    q = 0
    for j in range(1, n + 1):
        x = float(j)
        i = j - 1 - near
        if i >= late and high[i] > low[i]:
            at = float(i)
            y = h[i] + high[i] - bulge * at * at
            if steep1 == -math.inf:
                f[3, 0] = at
                f[4, 0] = y
                f[5, 0] = math.inf
            else:
                top1 = push(at, y, top1, f[3], f[4], f[5])
            s = y * inverses[i]
            if s > steep1:
                steep1 = s
                f[9, records1] = s
                f[10, records1] = inverses[i]
                u = s + reach * roots[i]
                f[11, records1] = max(u, f[11, records1 - 1]) if records1 > 0 else u
                records1 += 1
        if q < count and own[q] == j:
            receiver = h[j] + rx_agl - bulge * x * x
            sight = receiver * inverses[j]
            steepest = max(steep0, steep1)
            nu = float(CLEAR_NU)
            if steepest < sight:
                if records0 > 0 and sight < f[8, records0 - 1]:
                    waits[0, waiting0] = q
                    waits[1, waiting0] = records0
                    f[12, waiting0] = sight
                    waiting0 += 1
                if records1 > 0 and sight < f[11, records1 - 1]:
                    waits[2, waiting1] = q
                    waits[3, waiting1] = records1
                    f[13, waiting1] = sight
                    waiting1 += 1
            elif j > 1:
                r = tangent(x, receiver, top0, f[0], f[1], f[2])
                back = (f[1, r] - receiver) / (x - f[0, r])
                if steep1 > -math.inf:
                    r = tangent(x, receiver, top1, f[3], f[4], f[5])
                    back = max(back, (f[4, r] - receiver) / (x - f[3, r]))
                at = x * (sight + back) / (steepest + back)
                nu = (steepest - sight) * to_nu * math.sqrt(x * at / (x - at))
            work[q // LANES, q % LANES + NU] = nu if nu > -0.78 else float(CLEAR_NU)
            q += 1
        y = h[j] + low[j] - bulge * x * x
        if j == 1:
            f[0, 0] = x
            f[1, 0] = y
            f[2, 0] = math.inf
        else:
            top0 = push(x, y, top0, f[0], f[1], f[2])
        s = y * inverses[j]
        if s > steep0:
            steep0 = s
            f[6, records0] = s
            f[7, records0] = inverses[j]
            u = s + reach * roots[j]
            f[8, records0] = max(u, f[8, records0 - 1]) if records0 > 0 else u
            records0 += 1
    return records0, waiting0, records1, waiting1


@kernel
def edge_losses(work, count, own, step_m, out):
    """Write the Bullington loss of every target from its nu."""
    for q in range(count):
        nu = float(work[q // LANES, q % LANES + NU])
        out[q] = bullington_total_db(knife_edge_db(nu), own[q] * step_m) if nu > -5.0 else 0.0


@inlined
def _rate_db_per_m(cover, group, bearing):
    """Return what the first metre of a group loses on a ray of this bearing."""
    rate = cover.across_db_per_m[group]
    if not np.isnan(cover.azimuth_rad[group]):
        crossing = abs(math.sin(bearing - cover.azimuth_rad[group]))
        rate = cover.along_db_per_m[group] + (rate - cover.along_db_per_m[group]) * crossing
    return rate


@kernel
def foliage_loss_db(cover, group, depth_m, bearing):
    """Return the loss of some metres of one group of plants."""
    rate = _rate_db_per_m(cover, group, bearing)
    most = cover.most_db[group]
    if cover.saturates[group] > 0.0:
        return cover.scale[group] * most * (1.0 - math.exp(-depth_m * rate / most))
    return cover.scale[group] * min(depth_m * rate, most)


@inlined
def _most_metres(cover, group, loss_db, bearing):
    """Return the metres of one group of plants that lose `loss_db`; infinite if none do."""
    rate = _rate_db_per_m(cover, group, bearing)
    most = cover.most_db[group] * cover.scale[group]
    if loss_db >= most or rate <= 0.0:
        return math.inf
    if cover.saturates[group] > 0.0:
        return -cover.most_db[group] / rate * math.log(1.0 - loss_db / most)
    return loss_db / (cover.scale[group] * rate)


@inlined
def _plants_of(cell, cover):
    """Return the group of the plants on a cell, −1 if there are none, and their height."""
    code = np.int64(cover.codes.reshape(-1)[cell])
    if code == 0 or cover.group[code] < 0:
        return -1, 0.0
    crown = cover.crown_m[code]
    if cover.has_canopy > 0:
        seen = float(cover.canopy.reshape(-1)[cell])
        if not np.isnan(seen):
            crown = seen * cover.crown_share[code]
    return (cover.group[code], crown) if crown > 0.0 else (-1, 0.0)


@kernel
def lay_plants(n, place, side, share, h, bulge, zone, roots, cover, starts, sample, part, blocks):
    """Sort the plants beside samples 1 … n by group; return how many there are.

    A sample holds a share of the two cells beside it. `starts` takes the first piece of each group (and scratch), `sample` the place
    along the ray; rows of `part`: top over sqrt(place), sqrt(place), share. `blocks`: for each `BLOCK_SIZE` pieces of a group, slopes from
    which they are clear of every line and below which they fill every zone, and the sum of their shares. `zone` is the inner zone
    of one step.
    """
    groups = len(cover.most_db)
    starts[:] = 0
    for k in range(1, n + 1):
        for turn in range(2):
            weight = share[k] if turn == 1 else 1.0 - share[k]
            if weight > 0.0:
                group, _ = _plants_of(place[k] + (side[k] if turn == 1 else 0), cover)
                if group >= 0:
                    starts[group + 1] += 1
    for group in range(groups):
        # Every group begins a block of its own.
        blocked = (starts[group + 1] + BLOCK_SIZE - 1) // BLOCK_SIZE * BLOCK_SIZE
        starts[group + 1] = starts[group] + blocked
        starts[groups + 1 + group] = starts[group]
    total = starts[groups]
    for p in range(total):
        sample[p] = n + 1
    for b in range(total // BLOCK_SIZE):
        blocks[0, b] = -math.inf
        blocks[1, b] = math.inf
        blocks[2, b] = 0.0
    for k in range(1, n + 1):
        x = float(k)
        for turn in range(2):
            weight = share[k] if turn == 1 else 1.0 - share[k]
            if weight <= 0.0:
                continue
            group, crown = _plants_of(place[k] + (side[k] if turn == 1 else 0), cover)
            if group < 0:
                continue
            p = starts[groups + 1 + group]
            starts[groups + 1 + group] += 1
            top = h[k] + crown - bulge * x * x
            sample[p] = k
            part[0, p] = top * roots[k]
            part[1, p] = x * roots[k]
            part[2, p] = weight
            b = p // BLOCK_SIZE
            blocks[0, b] = max(blocks[0, b], top / x + zone * roots[k])
            blocks[1, b] = min(blocks[1, b], top / x - zone * roots[k])
            blocks[2, b] += weight
    return total


@inlined
def _filled(over, x, j, zone):
    """Return how much of the inner zone a top fills; an end stands for half a step, whose middle is a quarter of a step away."""
    at = min(max(x, 0.25), j - 0.25)
    return min(max(0.5 + 0.5 * over / max(zone * math.sqrt(at * (j - at) / j), 1e-6), 0.0), 1.0)


@kernel
def _at_the_ends(group, j, tx_agl, rx_agl, place, side, share, zone, cover):
    """Return the steps of plants around the two antennas themselves: half a step each at most."""
    steps = 0.0
    for end in (0, j):
        for turn in range(2):
            weight = share[end] if turn == 1 else 1.0 - share[end]
            if weight > 0.0:
                found, crown = _plants_of(place[end] + (side[end] if turn == 1 else 0), cover)
                if found == group:
                    steps += 0.5 * weight * _filled(crown - (tx_agl if end == 0 else rx_agl), float(end), float(j), zone)
    return steps


@kernel
def near_leaves(
    h, bulge, tx_agl, rx_agl, step_m, bearing, cover, near, place, side, share, zone, roots, own, count,
    starts, sample, part, near_db,
):  # fmt: skip
    """Write for every target the loss of leaves near the antennas, on the straight line; `near` in steps."""
    for q in range(count):
        near_db[q] = 0.0
    for group in range(len(cover.most_db)):
        begin = starts[group]
        end = begin
        stop = starts[group + 1]
        ends_only = begin == stop
        for q in range(count):
            j = own[q]
            slope = (h[j] + rx_agl - bulge * j * j) / j
            steps = _at_the_ends(group, j, tx_agl, rx_agl, place, side, share, zone, cover)
            if not ends_only:
                while end < stop and sample[end] < j:
                    end += 1
                scale = 0.5 * math.sqrt(float(j)) / zone
                p = begin
                while p < end and sample[p] < near + 0.5:
                    i = sample[p]
                    weight = min(near - min(i, j - i) + 0.5, 1.0)
                    steps += weight * part[2, p] * min(max(0.5 + (part[0, p] - slope * part[1, p]) * roots[j - i] * scale, 0.0), 1.0)
                    p += 1
                low = p
                p = end - 1
                while p >= low and j - sample[p] < near + 0.5:
                    i = sample[p]
                    weight = min(near - (j - i) + 0.5, 1.0)
                    steps += weight * part[2, p] * min(max(0.5 + (part[0, p] - slope * part[1, p]) * roots[j - i] * scale, 0.0), 1.0)
                    p -= 1
            if steps > 0.0:
                near_db[q] += foliage_loss_db(cover, group, steps * step_m, bearing)


@kernel
def all_leaves(
    h, bulge, tx_agl, rx_agl, step_m, bearing, cover, place, side, share, zone, roots, own, count,
    starts, sample, part, blocks, most_db, all_db,
):  # fmt: skip
    """Write for every target the loss of all leaves on the straight line, or one not below `most_db` where it is not below that."""
    for q in range(count):
        all_db[q] = 0.0
    for group in range(len(cover.most_db)):
        begin = starts[group]
        end = begin
        stop = starts[group + 1]
        for q in range(count):
            j = own[q]
            slope = (h[j] + rx_agl - bulge * j * j) / j
            while end < stop and sample[end] < j:
                end += 1
            if all_db[q] > most_db[q]:
                continue
            room = max(most_db[q] - all_db[q], 1e-6)
            steps = _at_the_ends(group, j, tx_agl, rx_agl, place, side, share, zone, cover)
            enough = _most_metres(cover, group, room, bearing) / step_m
            scale = 0.5 * math.sqrt(float(j)) / zone
            p = begin
            while p < end and steps < enough:
                last = min(p + BLOCK_SIZE, end)
                b = p // BLOCK_SIZE
                if blocks[0, b] > slope:
                    if last == p + BLOCK_SIZE and blocks[1, b] >= slope:
                        steps += blocks[2, b]
                    else:
                        for k in range(p, last):
                            filled = 0.5 + (part[0, k] - slope * part[1, k]) * roots[j - sample[k]] * scale
                            steps += part[2, k] * min(max(filled, 0.0), 1.0)
                p = last
            if steps > 0.0:
                all_db[q] += foliage_loss_db(cover, group, steps * step_m, bearing)


@kernel
def walls_on_the_way(n, h, bulge, tx_agl, rx_agl, cover, zone, roots, index, roof, own, count, stretches, bounds, walls_db):
    """Write for every target the loss of the walls of all buildings on the straight line, each by what it fills of the zone."""
    found = 0
    for k in range(n + 1):
        if roof[k] <= 0.0:
            continue
        if k == 0 or roof[k - 1] <= 0.0 or index[k - 1] != index[k]:
            stretches[0, found] = k
            bounds[0, found] = -math.inf
            bounds[1, found] = -math.inf
            found += 1
        stretches[1, found - 1] = k
        if k > 0:
            slope = (h[k] + roof[k] - bulge * k * k) / k
            bounds[0, found - 1] = max(bounds[0, found - 1], slope + zone * roots[k])
            bounds[1, found - 1] = max(bounds[1, found - 1], slope - zone * roots[k])
    for q in range(count):
        j = own[q]
        slope = (h[j] + rx_agl - bulge * j * j) / j
        walls = 0.0
        for s in range(found):
            first = stretches[0, s]
            if first > j:
                break
            whole = first > 0 and stretches[1, s] < j
            if whole and bounds[0, s] <= slope:
                continue
            most = 0.0
            if whole and bounds[1, s] >= slope:
                most = 1.0
            else:
                for k in range(first, min(stretches[1, s], j) + 1):
                    over = roof[0] - tx_agl if k == 0 else h[k] + roof[k] - bulge * k * k - slope * k
                    most = max(most, _filled(over, float(k), float(j), zone))
            walls += cover.walls_db[index[first]] * most
        walls_db[q] = walls
