"""The two loops that plans are built and checked with: open cheap ways, and see whether everybody is served."""

# mypy: disallow-untyped-defs = False, disallow-untyped-decorators = False
# The loops take bare arrays, whose types the compiler finds by itself.

from __future__ import annotations

import numpy as np

from meshplan.planning.compiled import compiled, compiled_part

INFINITE = 1e300
SHORTLIST = 6
"""Ways that are walked before one is opened: the cheapest for each sensor that would be joined."""


@compiled_part
def _extra_prices(price, usable, opened, sibling_ptr, siblings):
    """Return what opening each node adds: nothing where it is open, infinite where it may not be or a sibling stands."""
    extra = price.copy()
    for v in range(price.size):
        if not usable[v]:
            extra[v] = INFINITE
        elif opened[v]:
            extra[v] = 0.0
    for v in range(price.size):
        if opened[v]:
            for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                if not opened[siblings[k]]:
                    extra[siblings[k]] = INFINITE
    return extra


@compiled_part
def _begin_at_gateways(table, parent, extra, is_gateway, queue, queued, last):
    """Forget all ways and queue the gateways; return the end of the queue."""
    table[:] = INFINITE
    parent[:] = -1
    for v in range(extra.size):
        if is_gateway[v] and extra[v] < INFINITE:
            table[0, v] = extra[v]
            queue[last] = v
            queued[v] = 1
            last = (last + 1) % queue.size
    return last


@compiled_part
def _spread_prices(levels, layered, extra, up_ptr, up_to, table, parent, queue, queued, first, last):
    """Carry the price of the cheapest way from queued nodes to all that hear them, until the queue is empty; return its ends."""
    n, size = extra.size, queue.size
    while first != last:
        key = queue[first]
        first = (first + 1) % size
        queued[key] = 0
        level = key // n
        u = key - level * n
        value = table[level, u]
        if layered:
            if level + 1 == levels:
                continue
            if value < table[level + 1, u]:
                table[level + 1, u] = value
                parent[level + 1, u] = -2
                if queued[key + n] == 0:
                    queued[key + n] = 1
                    queue[last] = key + n
                    last = (last + 1) % size
        target = level + 1 if layered else level
        for k in range(up_ptr[u], up_ptr[u + 1]):
            v = up_to[k]
            offer = value + extra[v]
            if offer < table[target, v] - 1e-9:
                table[target, v] = offer
                parent[target, v] = u
                slot = target * n + v
                if queued[slot] == 0:
                    queued[slot] = 1
                    queue[last] = slot
                    last = (last + 1) % size
    return first, last


@compiled_part
def _shortlist(prices, gain, banned, top, top_ratio):
    """Write the nodes whose ways are cheapest for each sensor that waits at them; return how many there are."""
    n_top = 0
    for v in range(prices.size):
        if gain[v] > 0 and banned[v] == 0 and prices[v] < INFINITE:
            ratio = prices[v] / gain[v]
            if n_top == SHORTLIST and ratio >= top_ratio[SHORTLIST - 1]:
                continue
            place = min(n_top, SHORTLIST - 1)
            while place > 0 and top_ratio[place - 1] > ratio:
                top_ratio[place] = top_ratio[place - 1]
                top[place] = top[place - 1]
                place -= 1
            top_ratio[place] = ratio
            top[place] = v
            n_top = min(n_top + 1, SHORTLIST)
    return n_top


@compiled_part
def _walk(v, levels, layered, parent, way):
    """Write the nodes from `v` to its gateway; return how many there are."""
    length, level = 0, levels - 1
    while v >= 0:
        way[length] = v
        length += 1
        following = parent[level, v]
        while following == -2:
            level -= 1
            following = parent[level, v]
        if layered:
            level -= 1
        v = following
    return length


@compiled_part
def _joined_by(way, length, sibling_ptr, siblings, hears_ptr, hears, waiting, seen, on_way, stamp):
    """Return how many waiting sensors a way would join, −1 where two nodes of one place stand on it."""
    count, clash = 0, False
    for q in range(length):
        v = way[q]
        on_way[v] = stamp
        for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
            if on_way[siblings[k]] == stamp:
                clash = True
        for k in range(hears_ptr[v], hears_ptr[v + 1]):
            s = hears[k]
            if waiting[s] == 1 and seen[s] != stamp:
                seen[s] = stamp
                count += 1
    return -1 if clash else count


@compiled_part
def _cheapest_to_skip(waiting, skip_price):
    """Return the waiting sensor that costs least to leave out, and what; −1 where none may be."""
    cheapest, skipped = INFINITE, -1
    for s in range(waiting.size):
        if waiting[s] == 1 and skip_price[s] < cheapest:
            cheapest = skip_price[s]
            skipped = s
    return skipped, cheapest


@compiled_part
def _waiting_at(waiting, heard_ptr, heard_by, n):
    """Return how many waiting sensors each node hears."""
    gain = np.zeros(n, dtype=np.int64)
    for s in range(waiting.size):
        if waiting[s] == 1:
            for k in range(heard_ptr[s], heard_ptr[s + 1]):
                gain[heard_by[k]] += 1
    return gain


@compiled_part
def _settle(s, state, waiting, gain, heard_ptr, heard_by):
    """Let a sensor wait no more."""
    waiting[s] = state
    for k in range(heard_ptr[s], heard_ptr[s + 1]):
        gain[heard_by[k]] -= 1


@compiled_part
def _open_node(v, extra, opened, table, queue, queued, last, sibling_ptr, siblings):
    """Open a node: its price falls away from all ways over it; return the end of the queue and whether siblings fell out."""
    n = opened.size
    opened[v] = True
    for level in range(table.shape[0]):
        if table[level, v] < INFINITE:
            table[level, v] = max(0.0, table[level, v] - extra[v])
            slot = level * n + v
            if queued[slot] == 0:
                queued[slot] = 1
                queue[last] = slot
                last = (last + 1) % queue.size
    extra[v] = 0.0
    for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
        extra[siblings[k]] = INFINITE
    return last, sibling_ptr[v + 1] > sibling_ptr[v]


@compiled
def open_ways(  # noqa: PLR0912, PLR0915  (the arrays it works in take a line each)
    levels,
    layered,
    price,
    is_gateway,
    usable,
    opened,
    up_ptr,
    up_to,
    hears_ptr,
    hears,
    heard_ptr,
    heard_by,
    waiting,
    skip_price,
    sibling_ptr,
    siblings,
):
    """Open ways in place until nobody waits or nobody can be joined; `waiting` ends as 1 for those left, 2 for those skipped."""
    n = price.size
    extra = _extra_prices(price, usable, opened, sibling_ptr, siblings)
    gain = _waiting_at(waiting, heard_ptr, heard_by, n)
    n_waiting = np.sum(waiting == 1)
    table = np.full((levels, n), INFINITE)
    parent = np.full((levels, n), -1, dtype=np.int32)
    size = levels * n + 1
    queue = np.empty(size, dtype=np.int64)
    queued = np.zeros(levels * n, dtype=np.uint8)
    first, last, stamp = 0, 0, 0
    rebuild = True
    way = np.empty(size, dtype=np.int32)
    seen = np.full(waiting.size, -1, dtype=np.int64)
    on_way = np.full(n, -1, dtype=np.int64)
    banned = np.zeros(n, dtype=np.uint8)
    top = np.empty(SHORTLIST, dtype=np.int64)
    top_ratio = np.empty(SHORTLIST)
    while n_waiting > 0:
        if rebuild:
            last = _begin_at_gateways(table, parent, extra, is_gateway, queue, queued, last)
            rebuild = False
        first, last = _spread_prices(levels, layered, extra, up_ptr, up_to, table, parent, queue, queued, first, last)
        n_top = _shortlist(table[levels - 1], gain, banned, top, top_ratio)
        best, best_ratio = -1, INFINITE
        for q in range(n_top):
            stamp += 1
            length = _walk(top[q], levels, layered, parent, way)
            count = _joined_by(way, length, sibling_ptr, siblings, hears_ptr, hears, waiting, seen, on_way, stamp)
            if count < 0:
                banned[top[q]] = 1
            elif table[levels - 1, top[q]] / count < best_ratio:
                best_ratio = table[levels - 1, top[q]] / count
                best = top[q]
        skipped, cheapest_skip = _cheapest_to_skip(waiting, skip_price)
        if skipped >= 0 and cheapest_skip <= best_ratio:
            _settle(skipped, 2, waiting, gain, heard_ptr, heard_by)
            n_waiting -= 1
            continue
        if best < 0:
            if n_top == 0:
                break
            continue
        for q in range(_walk(best, levels, layered, parent, way)):
            v = way[q]
            if not opened[v]:
                last, parted = _open_node(v, extra, opened, table, queue, queued, last, sibling_ptr, siblings)
                rebuild = rebuild or parted
            for k in range(hears_ptr[v], hears_ptr[v + 1]):
                if waiting[hears[k]] == 1:
                    _settle(hears[k], 0, waiting, gain, heard_ptr, heard_by)
                    n_waiting -= 1
        if rebuild:
            banned[:] = 0
            while first != last:
                queued[queue[first]] = 0
                first = (first + 1) % size


@compiled
def all_served(  # noqa: PLR0912
    levels,
    levels_after,
    layered,
    is_gateway,
    opened,
    up_ptr,
    up_to,
    hears_ptr,
    hears,
    must,
    must_after,
    fails,
    queue,
    hop,
    got,
):
    """Return whether all `must` sensors are served, and all `must_after` ones too when any single node of `fails` is lost."""
    n = opened.size
    n_must, n_after, n_failing = 0, 0, 0
    for s in range(must.size):
        n_must += must[s]
        n_after += must_after[s]
    if n_after > 0:
        for v in range(n):
            if opened[v] and fails[v]:
                n_failing += 1
    got[:] = 0
    stamp, lost = 0, -1
    for trial in range(1 + n_failing):
        stamp += 1
        limit, wanted = levels, n_must
        if trial > 0:
            lost += 1
            while not (opened[lost] and fails[lost]):
                lost += 1
            limit, wanted = levels_after, n_after
        hop[:] = -1
        first, last, count = 0, 0, 0
        for v in range(n):
            if is_gateway[v] and opened[v] and v != lost:
                hop[v] = 0
                queue[last] = v
                last += 1
        while first < last and count < wanted:
            u = queue[first]
            first += 1
            for k in range(hears_ptr[u], hears_ptr[u + 1]):
                s = hears[k]
                if got[s] != stamp:
                    got[s] = stamp
                    count += must[s] if trial == 0 else must_after[s]
            if layered and hop[u] + 1 >= limit:
                continue
            for k in range(up_ptr[u], up_ptr[u + 1]):
                v = up_to[k]
                if opened[v] and hop[v] < 0 and v != lost:
                    hop[v] = hop[u] + 1
                    queue[last] = v
                    last += 1
        if count < wanted:
            return False
    return True
