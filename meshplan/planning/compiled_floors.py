"""Loops over ways whose chance counts: who has a good enough way, which copies lie on one, and what would give a sensor one."""

# mypy: disallow-untyped-defs = False, disallow-untyped-decorators = False
# The loops take bare arrays, whose types the compiler finds by itself. Losses are whole billionths of log loss.

from __future__ import annotations

import numpy as np

from meshplan.planning.compiled import compiled, row_of


@compiled
def all_within(  # noqa: PLR0912, PLR0915  (one loop nest, compiled as a whole)
    levels,
    levels_after,
    layered,
    is_gateway,
    opened,
    up_ptr,
    up_to,
    up_loss,
    hears_ptr,
    hears,
    hears_loss,
    limits,
    must,
    must_after,
    fails,
):
    """Return whether all `must` sensors have good enough ways, and all `must_after` ones too when any node of `fails` is lost."""
    n = opened.size
    far = 2**61
    n_must, n_after, n_failing = 0, 0, 0
    for s in range(must.size):
        n_must += must[s]
        n_after += must_after[s]
    if n_after > 0:
        for v in range(n):
            if opened[v] and fails[v]:
                n_failing += 1
    now, later = np.full(n, far, dtype=np.int64), np.full(n, far, dtype=np.int64)
    active, following = np.empty(n, dtype=np.int32), np.empty(n, dtype=np.int32)
    queued = np.zeros(n, dtype=np.uint8)
    got = np.zeros(must.size, dtype=np.uint8)
    lost = -1
    for trial in range(1 + n_failing):
        limit, wanted = levels, n_must
        if trial > 0:
            lost += 1
            while not (opened[lost] and fails[lost]):
                lost += 1
            limit, wanted = levels_after, n_after
        count, n_active = 0, 0
        for v in range(n):
            now[v] = later[v] = far
            if is_gateway[v] and opened[v] and v != lost:
                now[v] = later[v] = 0
                active[n_active] = v
                n_active += 1
        got[:] = 0
        level = 0
        while n_active > 0:
            for i in range(n_active):
                u = active[i]
                for k in range(hears_ptr[u], hears_ptr[u + 1]):
                    s = hears[k]
                    if got[s] == 0 and now[u] + hears_loss[k] <= limits[s]:
                        got[s] = 1
                        count += must[s] if trial == 0 else must_after[s]
            if count >= wanted or (layered and level + 1 >= limit):
                break
            n_following = 0
            for i in range(n_active):
                u = active[i]
                for k in range(up_ptr[u], up_ptr[u + 1]):
                    v = up_to[k]
                    if opened[v] and v != lost and now[u] + up_loss[k] < later[v]:
                        later[v] = now[u] + up_loss[k]
                        if queued[v] == 0:
                            queued[v] = 1
                            following[n_following] = v
                            n_following += 1
            for i in range(n_following):
                v = following[i]
                queued[v] = 0
                now[v] = later[v]
                active[i] = v
            n_active = n_following
            level += 1
        if count < wanted:
            return False
    return True


@compiled
def good_copies(access_ptr, access_to, access_loss, down_ptr, down_to, down_loss, below, limits, good):
    """Mark in `good`, shape (n_sensors, n_copies), the copies on good enough walks; copies come with higher levels later."""
    far = 2**61
    n = below.size
    above = np.full(n, far, dtype=np.int64)
    for s in range(limits.size):
        top = -1
        for k in range(access_ptr[s], access_ptr[s + 1]):
            above[access_to[k]] = min(above[access_to[k]], access_loss[k])
            top = max(top, access_to[k])
        for c in range(top, -1, -1):
            loss = above[c]
            if loss >= far:
                continue
            above[c] = far
            if loss + below[c] > limits[s]:
                continue
            good[s, c] = 1
            for k in range(down_ptr[c], down_ptr[c + 1]):
                above[down_to[k]] = min(above[down_to[k]], loss + down_loss[k])


@compiled
def still_needed(  # noqa: PLR0912, PLR0915  (one loop nest, compiled as a whole)
    hops,
    layered,
    is_gateway,
    standing,
    closed,
    limit,
    weights,
    most,
    heard,
    heard_loss,
    down_ptr,
    down_to,
    down_loss,
    up_ptr,
    up_to,
    up_loss,
):
    """Return which of the nodes `closed`, opened one after the other, give a way that is good enough; they stay closed.

    The nodes `standing` are opened before. Once those that stay closed weigh more than `most`, the others are not looked at.
    """
    far = 2**61
    n = len(is_gateway)
    levels = hops if layered else 1
    step = 1 if layered else 0
    trial = row_of(n, 0)
    first = row_of(n, far)
    for k in range(len(heard)):
        first[heard[k]] = min(first[heard[k]], heard_loss[k])
    # ahead[i, v]: least loss from the sensor to v in at most i + 1 links; behind[i, v]: from v to a gateway in at most i links.
    ahead, behind = row_of(levels * n, far), row_of(levels * n, far)
    needed = row_of(len(closed), 0)
    f, b = row_of(levels, far), row_of(levels, far)
    queue = row_of(2 * levels * n + 2, 0)
    queued = row_of(2 * levels * n, 0)
    size = len(queue)
    weight = 0.0
    for number in range(len(standing) + len(closed)):
        mine = number >= len(standing)
        v = closed[number - len(standing)] if mine else standing[number]
        for i in range(levels):
            f[i], b[i] = first[v], 0 if is_gateway[v] else far
            if layered and i == 0:
                continue
            for k in range(up_ptr[v], up_ptr[v + 1]):
                u = up_to[k]
                if trial[u] and ahead[(i - step) * n + u] < far:
                    f[i] = min(f[i], ahead[(i - step) * n + u] + up_loss[k])
            if is_gateway[v]:
                continue
            for k in range(down_ptr[v], down_ptr[v + 1]):
                w = down_to[k]
                if trial[w] and behind[(i - step) * n + w] < far:
                    b[i] = min(b[i], behind[(i - step) * n + w] + down_loss[k])
        if mine:
            for i in range(levels):
                if f[i] < far and b[levels - 1 - i] < far and f[i] + b[levels - 1 - i] <= limit:
                    needed[number - len(standing)] = 1
            if needed[number - len(standing)]:
                weight += weights[v]
                if weight > most:
                    return needed
                continue
        trial[v] = 1
        head, tail = 0, 0
        for i in range(levels):
            ahead[i * n + v], behind[i * n + v] = f[i], b[i]
            for side in range(2):
                queue[tail] = (side * levels + i) * n + v
                queued[(side * levels + i) * n + v] = 1
                tail += 1
        while head != tail:
            key = queue[head]
            head = (head + 1) % size
            u = key % n
            i = key // n % levels
            side = key // n // levels
            queued[key] = 0
            target = i + step
            if target >= levels:
                continue
            value = ahead[i * n + u] if side == 0 else behind[i * n + u]
            if value >= far or (side == 0 and is_gateway[u]):
                continue
            low, high = (down_ptr[u], down_ptr[u + 1]) if side == 0 else (up_ptr[u], up_ptr[u + 1])
            for k in range(low, high):
                w = down_to[k] if side == 0 else up_to[k]
                if not trial[w]:
                    continue
                offer = value + (down_loss[k] if side == 0 else up_loss[k])
                if side == 0 and offer < ahead[target * n + w]:
                    ahead[target * n + w] = offer
                elif side == 1 and not is_gateway[w] and offer < behind[target * n + w]:
                    behind[target * n + w] = offer
                else:
                    continue
                if queued[(side * levels + target) * n + w] == 0:
                    queued[(side * levels + target) * n + w] = 1
                    queue[tail] = (side * levels + target) * n + w
                    tail = (tail + 1) % size
            # What is reached in fewer links is reached in as many, too.
            if layered:
                if side == 0 and value < ahead[target * n + u]:
                    ahead[target * n + u] = value
                elif side == 1 and value < behind[target * n + u]:
                    behind[target * n + u] = value
                else:
                    continue
                if queued[(side * levels + target) * n + u] == 0:
                    queued[(side * levels + target) * n + u] = 1
                    queue[tail] = (side * levels + target) * n + u
                    tail = (tail + 1) % size
    return needed
