"""The two loops that plans are built and checked with: open cheap ways, and see whether everybody is served."""

# mypy: disallow-untyped-defs = False, disallow-untyped-decorators = False
# The loops take bare arrays, whose types the compiler finds by itself.

from __future__ import annotations

import numpy as np

from meshplan.planning.compiled import compiled


@compiled
def open_ways(  # noqa: PLR0912, PLR0915  (one loop nest, compiled as a whole)
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
    infinite = 1e300
    extra = price.copy()
    for v in range(n):
        if not usable[v]:
            extra[v] = infinite
        elif opened[v]:
            extra[v] = 0.0
    for v in range(n):
        if opened[v]:
            for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                if not opened[siblings[k]]:
                    extra[siblings[k]] = infinite
    gain = np.zeros(n, dtype=np.int64)
    n_waiting = 0
    for s in range(waiting.size):
        if waiting[s] == 1:
            n_waiting += 1
            for k in range(heard_ptr[s], heard_ptr[s + 1]):
                gain[heard_by[k]] += 1
    table = np.full((levels, n), infinite)
    parent = np.full((levels, n), -1, dtype=np.int32)
    size = levels * n + 1
    queue = np.empty(size, dtype=np.int64)
    queued = np.zeros(levels * n, dtype=np.uint8)
    first, last = 0, 0
    rebuild = True
    way = np.empty(levels * n + 1, dtype=np.int32)
    seen = np.full(waiting.size, -1, dtype=np.int64)
    stamp = 0
    on_way = np.full(n, -1, dtype=np.int64)
    banned = np.zeros(n, dtype=np.uint8)
    top = np.empty(6, dtype=np.int64)
    top_ratio = np.empty(6)
    while n_waiting > 0:
        if rebuild:
            table[:] = infinite
            parent[:] = -1
            for v in range(n):
                if is_gateway[v] and extra[v] < infinite:
                    table[0, v] = extra[v]
                    queue[last] = v
                    queued[v] = 1
                    last = (last + 1) % size
            rebuild = False
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
        n_top = 0
        for v in range(n):
            if gain[v] > 0 and banned[v] == 0 and table[levels - 1, v] < infinite:
                ratio = table[levels - 1, v] / gain[v]
                if n_top == 6 and ratio >= top_ratio[5]:
                    continue
                place = min(n_top, 5)
                while place > 0 and top_ratio[place - 1] > ratio:
                    top_ratio[place] = top_ratio[place - 1]
                    top[place] = top[place - 1]
                    place -= 1
                top_ratio[place] = ratio
                top[place] = v
                n_top = min(n_top + 1, 6)
        best, best_ratio = -1, infinite
        for q in range(n_top):
            stamp += 1
            v, level, count, clash = top[q], levels - 1, 0, False
            while v >= 0:
                on_way[v] = stamp
                for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                    if on_way[siblings[k]] == stamp:
                        clash = True
                for k in range(hears_ptr[v], hears_ptr[v + 1]):
                    s = hears[k]
                    if waiting[s] == 1 and seen[s] != stamp:
                        seen[s] = stamp
                        count += 1
                following = parent[level, v]
                while following == -2:
                    level -= 1
                    following = parent[level, v]
                if layered:
                    level -= 1
                v = following
            if clash:
                banned[top[q]] = 1
            elif table[levels - 1, top[q]] / count < best_ratio:
                best_ratio = table[levels - 1, top[q]] / count
                best = top[q]
        cheapest_skip, skipped = infinite, -1
        for s in range(waiting.size):
            if waiting[s] == 1 and skip_price[s] < cheapest_skip:
                cheapest_skip = skip_price[s]
                skipped = s
        if skipped >= 0 and cheapest_skip <= best_ratio:
            waiting[skipped] = 2
            n_waiting -= 1
            for k in range(heard_ptr[skipped], heard_ptr[skipped + 1]):
                gain[heard_by[k]] -= 1
            continue
        if best < 0:
            if n_top == 0:
                break
            continue
        length, v, level = 0, best, levels - 1
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
        for q in range(length):
            v = way[q]
            if not opened[v]:
                opened[v] = True
                for level in range(levels):
                    if table[level, v] < infinite:
                        table[level, v] = max(0.0, table[level, v] - extra[v])
                        slot = level * n + v
                        if queued[slot] == 0:
                            queued[slot] = 1
                            queue[last] = slot
                            last = (last + 1) % size
                extra[v] = 0.0
                for k in range(sibling_ptr[v], sibling_ptr[v + 1]):
                    extra[siblings[k]] = infinite
                    rebuild = True
            for k in range(hears_ptr[v], hears_ptr[v + 1]):
                s = hears[k]
                if waiting[s] == 1:
                    waiting[s] = 0
                    n_waiting -= 1
                    for j in range(heard_ptr[s], heard_ptr[s + 1]):
                        gain[heard_by[j]] -= 1
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
