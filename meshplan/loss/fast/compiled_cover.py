"""What stands on the ground along one ray: over the crowns or the roofs, through the leaves or the walls, whichever loses least.

Bypass paths of woods and crops, as in `meshplan.loss.path_loss`: through all of them; over all of them; through those near the two
antennas and over the rest. Bypass paths of buildings: over the roofs, or through two walls of each. All six are computed exactly:

* surfaces differ only in what stands on the samples; a surface that leaves out the crowns near the receiver is the bare one joined
  with the crowns that lie far enough behind, inserted late;
* the metres through leaves count by the part of the Fresnel zone that the plants fill, which differs from target to target. Plants
  are kept in short blocks, with the slopes above which a block is clear of every line of sight and below which it fills every zone;
  only blocks between the two are looked into, and none any more once going through costs more than the way over.
"""
# mypy: disable-error-code="no-untyped-def, untyped-decorator, assignment"

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from meshplan.loss.fast.compiled_loss import CLEAR_NU, LANES, NU, bullington_total_db, counted_nu, knife_edge_db, tangents_nu
from meshplan.loss.fast.compiled_math import f32, inlined, kernel
from meshplan.loss.fast.compiled_ray import CAP, Floats, Longs, add_record, begin_hull, push, slope_back, wait_if_near
from meshplan.loss.fast.cover import DEPTHS_AN_OCTAVE, SPREAD_DEPTHS

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


class Plants(NamedTuple):
    """The plants beside the samples of one ray, and again sorted by group.

    A sample holds a share of the two cells beside it: `beside` takes the group of plants on each (−1 for none), `crown` their
    height, `held` that share, by how much of the cell they take. `starts` takes the first piece of each group (and scratch),
    `sample` the place along the ray; rows of `part`: top over sqrt(place), sqrt(place), share, place. `blocks`: for each
    `BLOCK_SIZE` pieces of a group, slopes from which they are clear of every line and below which they fill every zone, and the
    sum of their shares.
    """

    beside: NDArray[np.int64]
    crown: Floats
    held: Floats
    starts: Longs
    sample: Longs
    part: NDArray[np.float32]
    blocks: Floats


@kernel
def new_plants(size, groups):
    """Return room for the plants along a ray."""
    room = 2 * size + groups * BLOCK_SIZE
    return Plants(
        np.empty((2, size), dtype=np.int64),
        np.empty((2, size)),
        np.empty((2, size)),
        np.zeros(2 * groups + 2, dtype=np.int64),
        np.empty(room, dtype=np.int64),
        np.empty((4, room), dtype=np.float32),
        np.empty((3, room // BLOCK_SIZE + 1)),
    )


@kernel
def sample_cover(n, samples, cover, index, crown, roof):
    """Write index, crown height and roof height above ground of the nearer cell of every sample; return (any crown, any roof)."""
    place, side, share = samples
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
def scan_surface(ray, low, high, near, always, far, work):
    """Write the Bullington nu over the joint surface of `low` and of what `high` adds farther than `near` steps from both ends.

    `low` and `high` are heights above the ground of the ray. The sample on the border of what is near has part of it: at the
    transmitter once and for all, at the receiver for one target only. Works as `compiled_ray.scan_ray`, with two surfaces; returns
    for each (records, waiting).
    """
    h, own, off, inverses, roots, bulge, count = ray.h, ray.own, ray.off, ray.inverses, ray.roots, ray.bulge, ray.seen
    near_x, near_y, near_s = always.hull
    rec0_s, rec0_a, rec0_u = always.records
    slots0, sights0, before0 = always.waits
    far_x, far_y, far_s = far.hull
    rec1_s, rec1_a, rec1_u = far.records
    slots1, sights1, before1 = far.waits
    reach = CAP * math.sqrt(ray.fresnel)
    to_nu = math.sqrt(2.0 / ray.fresnel)
    top0 = _U0
    top1 = _U0
    steep0 = -math.inf
    steep1 = -math.inf
    records0 = 0
    records1 = 0
    waiting0 = 0
    waiting1 = 0
    border = np.int64(near + 0.5)
    part = border - near + 0.5
    late = border
    q = 0
    for j in range(1, ray.last + 1):
        x = j - off
        i = j - 1 - border
        if i >= late and high[i] > low[i]:
            at = i - off
            y = h[i] + low[i] + (part if i == border else 1.0) * (high[i] - low[i]) - bulge * at * at
            if steep1 == -math.inf:
                begin_hull(at, y, far_x, far_y, far_s)
            else:
                top1 = push(at, y, top1, far_x, far_y, far_s)
            s = y * inverses[i]
            if s > steep1:
                steep1 = s
                records1 = add_record(s, inverses[i], roots[i], reach, records1, rec1_s, rec1_a, rec1_u)
        if q < count and own[q] == j:
            receiver = h[j] + ray.rx_agl - bulge * x * x
            sight = receiver * inverses[j]
            steepest = max(steep0, steep1)
            nu = float(CLEAR_NU)
            i = j - border
            beside = -math.inf
            if i >= late and high[i] > low[i]:
                beside = h[i] + low[i] + part * (high[i] - low[i]) - bulge * (i - off) * (i - off)
                steepest = max(steepest, beside * inverses[i])
            if steepest < sight:
                if beside > -math.inf:
                    nu = (beside * inverses[i] - sight) * to_nu * math.sqrt(x * (i - off) / (j - i))
                waiting0 = wait_if_near(q, sight, records0, rec0_u, waiting0, slots0, sights0, before0)
                waiting1 = wait_if_near(q, sight, records1, rec1_u, waiting1, slots1, sights1, before1)
            elif j > 1:
                back = slope_back(x, receiver, top0, near_x, near_y, near_s)
                if steep1 > -math.inf:
                    back = max(back, slope_back(x, receiver, top1, far_x, far_y, far_s))
                if beside > -math.inf:
                    back = max(back, (beside - receiver) / (j - i))
                nu = tangents_nu(steepest - sight, sight + back, to_nu * math.sqrt(x))
            work[q // LANES, q % LANES + NU] = counted_nu(nu)
            q += 1
        y = h[j] + low[j] - bulge * x * x
        if j == 1:
            begin_hull(x, y, near_x, near_y, near_s)
        else:
            top0 = push(x, y, top0, near_x, near_y, near_s)
        s = y * inverses[j]
        if s > steep0:
            steep0 = s
            records0 = add_record(s, inverses[j], roots[j], reach, records0, rec0_s, rec0_a, rec0_u)
    return records0, waiting0, records1, waiting1


@kernel
def edge_losses(work, ray, out):
    """Write the Bullington loss of every target from its nu."""
    own, count, off, step_m = ray.own, ray.seen, ray.off, ray.step_m
    for first in range(0, count, LANES):
        w = work[first // LANES]
        for lane in range(min(LANES, count - first)):
            length_m = (own[first + lane] - off) * step_m
            out[first + lane] = bullington_total_db(knife_edge_db(w[lane + NU]), f32(length_m))


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
def _foliage_variance_db2(cover, group, depth_m, loss_db):
    """Return the square of the spread of a loss by some metres of one group of plants; see `FoliageSpread`."""
    scale = cover.scale[group]
    if scale <= 0.0:
        return 0.0
    at = min(math.log2(1.0 + depth_m) * DEPTHS_AN_OCTAVE, SPREAD_DEPTHS - 1.001)
    low = int(at)
    table = cover.spread_by_depth_db[group, low]
    table += (cover.spread_by_depth_db[group, low + 1] - table) * (at - low)
    spread = cover.spread_terms[group, 0] * min(depth_m, 1.0) + cover.spread_terms[group, 1] * loss_db / scale + table
    return (scale * min(spread, cover.spread_terms[group, 2])) ** 2


@inlined
def _enough_metres(cover, group, loss_db, rate_db_per_m):
    """Return metres of one group of plants that lose `loss_db` for sure; infinite if none do.

    Saturating ones by −log(1 − y) <= y/(1 − y), which takes no logarithm.
    """
    most = cover.most_db[group] * cover.scale[group]
    if loss_db >= most or rate_db_per_m <= 0.0:
        return math.inf
    linear = loss_db / (cover.scale[group] * rate_db_per_m)
    return linear * most / (most - loss_db) if cover.saturates[group] > 0.0 else linear


@kernel
def lay_plants(ray, samples, zone, cover, plants):
    """Sort the plants beside samples 1 … `last` by group; return how many there are beside all samples.

    `zone` is the inner zone of one step.
    """
    n, off, bulge, h, roots = ray.last, ray.off, ray.bulge, ray.h, ray.roots
    place, side, share = samples
    beside, crown, held, starts, sample, part, blocks = plants
    groups = len(cover.most_db)
    codes = cover.codes.reshape(-1)
    canopy = cover.canopy.reshape(-1)
    starts[:] = 0
    count = 0
    for k in range(n + 1):
        for turn in range(2):
            weight = share[k] if turn == 1 else 1.0 - share[k]
            cell = place[k] + (side[k] if turn == 1 else 0)
            code = np.int64(codes[cell])
            height = cover.crown_m[code]
            if code > 0 and cover.has_canopy > 0:
                seen = float(canopy[cell])
                if not np.isnan(seen):
                    height = seen * cover.crown_share[code]
            if cover.has_share > 0:
                weight *= float(cover.cell_share.reshape(-1)[cell])
            group = cover.group[code] if weight > 0.0 and height > 0.0 else -1
            beside[turn, k] = group
            held[turn, k] = weight
            crown[turn, k] = height
            if group >= 0:
                count += 1
                if k > 0:
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
        x = k - off
        for turn in range(2):
            group = beside[turn, k]
            if group < 0:
                continue
            weight = held[turn, k]
            p = starts[groups + 1 + group]
            starts[groups + 1 + group] += 1
            top = h[k] + crown[turn, k] - bulge * x * x
            sample[p] = k
            part[0, p] = top * roots[k]
            part[1, p] = x * roots[k]
            part[2, p] = weight
            part[3, p] = x
            b = p // BLOCK_SIZE
            blocks[0, b] = max(blocks[0, b], top / x + zone * roots[k])
            blocks[1, b] = min(blocks[1, b], top / x - zone * roots[k])
            blocks[2, b] += weight
    return count


@inlined
def filled_share(over, inner):
    """Return how much of the inner zone a top fills (`propagation.filled_zone`)."""
    return min(max(0.5 + 0.5 * over / max(inner, 1e-6), 0.0), 1.0)


@inlined
def _filled(over, x, j, zone):
    """Return how much of the inner zone a top fills; an end stands for half a step, whose middle is a quarter of a step away."""
    at = min(max(x, 0.25), j - 0.25)
    return filled_share(over, zone * math.sqrt(at * (j - at) / j))


@inlined
def _at_one_end(group, end, at, j, agl, zone, beside, crown, held):
    """Return the steps of plants around one antenna itself: half a step at most."""
    steps = 0.0
    for turn in range(2):
        if beside[turn, end] == group:
            steps += 0.5 * held[turn, end] * _filled(crown[turn, end] - agl, at, j, zone)
    return steps


@kernel
def near_leaves(ray, bearing, zone, near, gaps, cover, plants, near_db, variance):
    """Write for every target the loss of leaves near the antennas, on the straight line, and its variance; `near` in steps."""
    off, h, bulge, step_m, own, count = ray.off, ray.h, ray.bulge, ray.step_m, ray.own, ray.seen
    tx_agl, rx_agl = ray.tx_agl, ray.rx_agl
    beside, crown, held, starts, sample, part, _ = plants
    for q in range(count):
        near_db[q] = 0.0
        variance[q] = 0.0
    for group in range(len(cover.most_db)):
        begin = starts[group]
        end = begin
        stop = starts[group + 1]
        ends_only = begin == stop
        for q in range(count):
            j = own[q]
            x = j - off
            slope = (h[j] + rx_agl - bulge * x * x) / x
            steps = _at_one_end(group, 0, 0.0, x, tx_agl, zone, beside, crown, held)
            steps += _at_one_end(group, j, x, x, rx_agl, zone, beside, crown, held)
            if not ends_only:
                while end < stop and sample[end] < j:
                    end += 1
                scale = 0.5 * math.sqrt(x) / zone
                p = begin
                while p < end and sample[p] < near + 0.5:
                    i = sample[p]
                    weight = min(near - min(i - off, float(j - i)) + 0.5, 1.0)
                    steps += weight * part[2, p] * min(max(0.5 + (part[0, p] - slope * part[1, p]) * gaps[j - i] * scale, 0.0), 1.0)
                    p += 1
                low = p
                p = end - 1
                while p >= low and j - sample[p] < near + 0.5:
                    i = sample[p]
                    weight = min(near - (j - i) + 0.5, 1.0)
                    steps += weight * part[2, p] * min(max(0.5 + (part[0, p] - slope * part[1, p]) * gaps[j - i] * scale, 0.0), 1.0)
                    p -= 1
            if steps > 0.0:
                loss = foliage_loss_db(cover, group, steps * step_m, bearing)
                near_db[q] += loss
                variance[q] += _foliage_variance_db2(cover, group, steps * step_m, loss)


@kernel
def _sum_filled(tops, sights, shares, places, width, j, slope, scale):
    """Return the sum of the shares of the first pieces, each by what it fills of the zone of target `j`."""
    total = f32(0.0)
    for k in range(width):
        filled = f32(0.5) + (tops[k] - slope * sights[k]) * (scale / np.sqrt(j - places[k]))
        total += shares[k] * min(max(filled, f32(0.0)), f32(1.0))
    return float(total)


@kernel
def all_leaves(ray, bearing, zone, cover, plants, most_db, all_db, variance):
    """Write for every target the loss of all leaves on the straight line, or one not below `most_db` where it is not below that.

    `variance` takes that of losses below `most_db`.
    """
    off, h, bulge, step_m, own, count = ray.off, ray.h, ray.bulge, ray.step_m, ray.own, ray.seen
    tx_agl, rx_agl = ray.tx_agl, ray.rx_agl
    beside, crown, held, starts, sample, part, blocks = plants
    for q in range(count):
        all_db[q] = 0.0
        variance[q] = 0.0
    for group in range(len(cover.most_db)):
        begin = starts[group]
        end = begin
        stop = starts[group + 1]
        rate = _rate_db_per_m(cover, group, bearing)
        for q in range(count):
            j = own[q]
            x = j - off
            slope = (h[j] + rx_agl - bulge * x * x) / x
            while end < stop and sample[end] < j:
                end += 1
            if all_db[q] > most_db[q]:
                continue
            room = max(most_db[q] - all_db[q], 1e-6)
            steps = _at_one_end(group, 0, 0.0, x, tx_agl, zone, beside, crown, held)
            steps += _at_one_end(group, j, x, x, rx_agl, zone, beside, crown, held)
            enough = _enough_metres(cover, group, room, rate) / step_m
            scale = 0.5 * math.sqrt(x) / zone
            last = end
            # From the receiver back: plants near the lower antenna fill the most.
            while last > begin and steps < enough:
                first = (last - 1) // BLOCK_SIZE * BLOCK_SIZE
                b = first // BLOCK_SIZE
                if blocks[0, b] > slope:
                    if last == first + BLOCK_SIZE and blocks[1, b] >= slope:
                        steps += blocks[2, b]
                    else:
                        steps += _sum_filled(
                            part[0, first:], part[1, first:], part[2, first:], part[3, first:], last - first,
                            f32(x), f32(slope), f32(scale),
                        )  # fmt: skip
                last = first
            if steps >= enough:
                all_db[q] += room
            elif steps > 0.0:
                loss = foliage_loss_db(cover, group, steps * step_m, bearing)
                all_db[q] += loss
                variance[q] += _foliage_variance_db2(cover, group, steps * step_m, loss)


@kernel
def walls_on_the_way(ray, zone, cover, index, roof, stretches, bounds, walls_db):
    """Write for every target the loss of the walls of all buildings on the straight line, each by what it fills of the zone."""
    n, off, h, bulge, tx_agl, rx_agl = ray.last, ray.off, ray.h, ray.bulge, ray.tx_agl, ray.rx_agl
    own, count, roots = ray.own, ray.seen, ray.roots
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
            x = k - off
            slope = (h[k] + roof[k] - bulge * x * x) / x
            bounds[0, found - 1] = max(bounds[0, found - 1], slope + zone * roots[k])
            bounds[1, found - 1] = max(bounds[1, found - 1], slope - zone * roots[k])
    for q in range(count):
        j = own[q]
        far = j - off
        slope = (h[j] + rx_agl - bulge * far * far) / far
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
                    x = k - off if k > 0 else 0.0
                    over = roof[0] - tx_agl if k == 0 else h[k] + roof[k] - bulge * x * x - slope * x
                    most = max(most, _filled(over, x, far, zone))
            walls += cover.walls_db[index[first]] * most
        walls_db[q] = walls
