"""Maximum flow from each sensor to the opened gateways, nodes having the capacity, and where it is held up."""

# mypy: disallow-untyped-defs = False, disallow-untyped-decorators = False
# The loop takes bare arrays, whose types the compiler finds by itself.

from __future__ import annotations

import numpy as np

from meshplan.planning.compiled import compiled


@compiled
def or_of_rows(ptr, to, words):
    """Return for each row the bitwise or of the words, shape (n_targets, n_words), of its neighbours."""
    result = np.zeros((ptr.size - 1, words.shape[1]), dtype=np.uint64)
    for row in range(ptr.size - 1):
        for k in range(ptr[row], ptr[row + 1]):
            for word in range(words.shape[1]):
                result[row, word] |= words[to[k], word]
    return result


@compiled
def held_up_flow(  # noqa: PLR0912, PLR0915  (one loop nest, compiled as a whole)
    sources_ptr,
    sources,
    need,
    ptr,
    head,
    edge,
    n,
    base_capacity,
    is_exit,
    allowed,
):
    """Return for each sensor its flow, the copies passed from the sensor's side and those beyond the hold-up from the gateways'."""
    n_sensors = need.size
    flows = np.zeros(n_sensors, dtype=np.int64)
    passed = np.zeros((n_sensors, n), dtype=np.uint8)
    beyond = np.zeros((n_sensors, n), dtype=np.uint8)
    capacity = base_capacity.copy()
    depth = np.empty(2 * n, dtype=np.int32)
    current = np.empty(2 * n, dtype=np.int64)
    queue = np.empty(2 * n, dtype=np.int32)
    path = np.empty(2 * n + 1, dtype=np.int64)
    for s in range(n_sensors):
        capacity[:] = base_capacity
        for c in range(n):
            if allowed[s, c] == 0:
                capacity[2 * c] = 0
        flow = 0
        while True:
            depth[:] = -1
            tail = 0
            for k in range(sources_ptr[s], sources_ptr[s + 1]):
                v = 2 * sources[k]
                if depth[v] < 0:
                    depth[v] = 0
                    queue[tail] = v
                    tail += 1
            position = 0
            reached = False
            while position < tail:
                v = queue[position]
                position += 1
                if v & 1 and is_exit[v >> 1]:
                    reached = True
                    continue
                for k in range(ptr[v], ptr[v + 1]):
                    w = head[k]
                    if depth[w] < 0 and capacity[edge[k]] > 0:
                        depth[w] = depth[v] + 1
                        queue[tail] = w
                        tail += 1
            if not reached or flow >= need[s]:
                break
            for v in range(2 * n):
                current[v] = ptr[v]
            for q in range(sources_ptr[s], sources_ptr[s + 1]):
                source = 2 * sources[q]
                if depth[source] != 0:
                    continue
                length = 0
                v = source
                while flow < need[s]:
                    if v & 1 and is_exit[v >> 1]:
                        push = need[s] - flow
                        for k in range(length):
                            push = min(push, capacity[edge[path[k]]])
                        for k in range(length):
                            capacity[edge[path[k]]] -= push
                            capacity[edge[path[k]] ^ 1] += push
                        flow += push
                        length = 0
                        v = source
                        continue
                    moved = False
                    while current[v] < ptr[v + 1]:
                        k = current[v]
                        w = head[k]
                        if capacity[edge[k]] > 0 and depth[w] == depth[v] + 1:
                            path[length] = k
                            length += 1
                            v = w
                            moved = True
                            break
                        current[v] += 1
                    if not moved:
                        if length == 0:
                            break
                        length -= 1
                        v = source if length == 0 else head[path[length - 1]]
                        current[v] += 1
            if flow >= need[s]:
                break
        flows[s] = flow
        if flow >= need[s]:
            continue
        for c in range(n):
            if depth[2 * c + 1] >= 0:
                passed[s, c] = 1
        depth[:] = -1
        tail = 0
        for c in range(n):
            if is_exit[c]:
                depth[2 * c + 1] = 0
                queue[tail] = 2 * c + 1
                tail += 1
        position = 0
        while position < tail:
            v = queue[position]
            position += 1
            for k in range(ptr[v], ptr[v + 1]):
                w = head[k]
                if depth[w] < 0 and capacity[edge[k] ^ 1] > 0:
                    depth[w] = 0
                    queue[tail] = w
                    tail += 1
        for c in range(n):
            if depth[2 * c] >= 0:
                beyond[s, c] = 1
    return flows, passed, beyond
