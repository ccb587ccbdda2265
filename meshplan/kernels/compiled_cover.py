"""What stands on the ground along one ray: over the crowns or the roofs, through the leaves or the walls, whichever loses least.

Ways past woods and crops, as in `meshplan.links.path_loss`: through all of them; over all of them; through those near the two
antennas and over the rest. Ways past buildings: over the roofs, or through two walls of each. All six are computed exactly:

* surfaces differ only in what stands on the samples; a surface that leaves out the crowns near the receiver is the bare one joined
  with the crowns that lie far enough behind, inserted late;
* the metres inside leaves on the straight line to a target are the samples i whose top is seen from the transmitter under a
  steeper angle than the target: a count of "tops above this slope so far", kept in a Fenwick tree over the sorted slopes of all
  targets of the ray. Walls are counted likewise.
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


@kernel
def sort_slopes(slopes, count, order):
    """Write the order of rising slopes (shell sort: most rays come almost sorted)."""
    for i in range(count):
        order[i] = i
    gap = 1
    while gap < count // 3:
        gap = 3 * gap + 1
    while gap > 0:
        for i in range(gap, count):
            moved = order[i]
            value = slopes[moved]
            j = i
            while j >= gap and slopes[order[j - gap]] > value:
                order[j] = order[j - gap]
                j -= gap
            order[j] = moved
        gap //= 3


@inlined
def _below(slopes, order, count, value):
    """Return how many targets have a slope below `value`."""
    low = 0
    high = count
    while low < high:
        middle = (low + high) // 2
        if slopes[order[middle]] < value:
            low = middle + 1
        else:
            high = middle
    return low


@inlined
def _add(tree, at, amount):
    """Add to position `at` >= 1 of a Fenwick tree that sums from the end."""
    while at > 0:
        tree[at] += amount
        at -= at & -at


@inlined
def _sum_from(tree, at):
    """Return the sum of all positions >= `at` >= 1."""
    total = tree[0] * 0
    size = len(tree)
    while at < size:
        total += tree[at]
        at += at & -at
    return total


@kernel
def foliage_loss_db(cover, group, depth_m, bearing):
    """Return the loss of some metres of one group of plants."""
    rate = cover.across_db_per_m[group]
    if not np.isnan(cover.azimuth_rad[group]):
        crossing = abs(math.sin(bearing - cover.azimuth_rad[group]))
        rate = cover.along_db_per_m[group] + (rate - cover.along_db_per_m[group]) * crossing
    most = cover.most_db[group]
    if cover.saturates[group] > 0.0:
        return cover.scale[group] * most * (1.0 - math.exp(-depth_m * rate / most))
    return cover.scale[group] * min(depth_m * rate, most)


@kernel
def through_losses(
    n, h, bulge, tx_agl, rx_agl, step_m, bearing, cover, near, index, crown, roof, own, count,
    slopes, order, rank, tops, crowned, trees, wall_tree, all_db, near_db, walls_db,
):  # fmt: skip
    """Write for every target the loss of leaves on the straight line, of those near the antennas, and of walls."""
    groups = len(cover.most_db)
    for q in range(count):
        j = own[q]
        slopes[q] = (h[j] + rx_agl - bulge * j * j) / j
    sort_slopes(slopes, count, order)
    for i in range(count):
        rank[order[i]] = i
    size = count + 1
    trees[:, :size] = 0
    wall_tree[:size] = 0.0
    crowned[0] = 0
    for i in range(1, n + 1):
        tops[i] = (h[i] + max(crown[i], roof[i]) - bulge * i * i) / i
        crowned[i] = crowned[i - 1] + (1 if crown[i] > 0.0 else 0)
    start_inside = crown[0] > tx_agl
    wall_before = roof[0] > tx_agl
    q = 0
    for j in range(1, n + 1):
        if q < count and own[q] == j:
            slope = slopes[q]
            position = rank[q] + 1
            total = 0.0
            close = 0.0
            end_inside = crown[j] > rx_agl
            if crowned[j - 1] > 0 or start_inside or end_inside:
                for group in range(groups):
                    metres = float(_sum_from(trees[group, :size], position))
                    ends = 0.0
                    if start_inside and cover.group[index[0]] == group:
                        ends += 0.5
                    if end_inside and cover.group[index[j]] == group:
                        ends += 0.5
                    nearby = ends
                    if metres > 0.0 and near > 0:
                        for i in range(1, min(near, j - 1) + 1):
                            if crown[i] > 0.0 and tops[i] > slope and cover.group[index[i]] == group:
                                nearby += 1.0
                        for i in range(max(near + 1, j - near), j):
                            if crown[i] > 0.0 and tops[i] > slope and cover.group[index[i]] == group:
                                nearby += 1.0
                    metres += ends
                    if metres > 0.0:
                        total += foliage_loss_db(cover, group, metres * step_m, bearing)
                        close += foliage_loss_db(cover, group, nearby * step_m, bearing)
            all_db[q] = total
            near_db[q] = close
            walls = _sum_from(wall_tree[:size], position)
            if roof[j] > rx_agl:
                same = index[j - 1] == index[j] and (tops[j - 1] > slope if j > 1 else wall_before)
                if not same:
                    walls += cover.walls_db[index[j]]
            walls_db[q] = max(walls, 0.0)
            q += 1
        if crown[j] > 0.0 and cover.group[index[j]] >= 0:
            _add(trees[cover.group[index[j]]], _below(slopes, order, count, tops[j]), 1)
        elif roof[j] > 0.0:
            weight = cover.walls_db[index[j]]
            here = _below(slopes, order, count, tops[j])
            before = 0
            if index[j - 1] == index[j] and roof[j - 1] > 0.0:
                if j > 1:
                    before = _below(slopes, order, count, tops[j - 1])
                elif wall_before:
                    before = count
            if here > before:
                _add(wall_tree, here, weight)
                _add(wall_tree, before, -weight)
