"""The closing step: an integer programme on the columns that a cheaper plan could still use.

Rows are the cuts found so far. In a layered graph "an opened copy needs an opened copy below" makes every binary point a plan;
otherwise each answer is checked and, if it is no plan yet, cut off and asked for again. Every answer's bound is valid on the way.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from meshplan.planning.capacity import FlowRows, blocking_capacity_row, flow_rows, route_within_capacity
from meshplan.planning.cover import CoverModel, Row
from meshplan.planning.demand import rows_for, shortfalls
from meshplan.planning.search import Search
from meshplan.planning.solver import BinaryAnswer, BinaryModel, solve_binary

MAX_ROUNDS = 200


def usable_columns(search: Search, reduced: NDArray[np.float64], value: float) -> NDArray[np.int64]:
    """Return the columns that a plan cheaper than the best one may use: others cost too much by their reduced cost."""
    if search.best is None:
        return np.arange(reduced.size)
    slack = search.best_value - 1 - value + 1e-6
    return np.flatnonzero(reduced <= slack)


def close_gap(search: Search, rows: list[Row], columns: NDArray[np.int64], *, max_nodes: int | None, share: float = 1.0) -> str:
    """Search for a cheaper plan among `columns` until none is left; improve plan and bound; return how it ended."""
    model = search.model
    rows = list(rows)
    known = {row.key for row in rows}
    flows = flow_rows(model, model.served) if search.problem.has_capacity else None
    for _ in range(MAX_ROUNDS):
        if search.out_of_time(share):
            return "stopped by the time limit"
        binary = restricted_model(model, rows, columns, flows)
        cutoff = None if search.best is None else search.best_value - model.forced_cost
        if binary is None:
            answer = BinaryAnswer(None, 0, np.inf, True)
        else:
            answer = solve_binary(
                binary, seed=search.limits.seed, time_s=search.time_left(share), max_nodes=max_nodes, cutoff=cutoff
            )
        ceiling = np.inf if search.best is None else search.best_value
        search.raise_bound(min(answer.bound + model.forced_cost, ceiling), "closing")
        if answer.x is None:
            return "no cheaper plan exists" if answer.complete else "stopped by its limit"
        x = np.zeros(model.cost.size, dtype=bool)
        x[columns] = answer.x
        opened = model.opened_nodes(x)
        search.offer(opened, "closing")
        if search.proven:
            return "proven"
        fresh = [row for row in _broken_rows(search, x, opened) if row.key not in known]
        if not fresh:
            return "stopped by its limit"
        known |= {row.key for row in fresh}
        rows += fresh
    return "stopped by its round limit"


def _broken_rows(search: Search, x: NDArray[np.bool_], opened: NDArray[np.bool_]) -> list[Row]:
    """Return rows that cut off a binary point that is no plan."""
    model = search.model
    rows = model.violated_rows(x.astype(np.float64))
    left_out = {int(sensor) for sensor in model.skip_sensor[x[model.n_items :]]}
    if not rows:
        missing = [fall for fall in shortfalls(search.problem, opened, search.demand) if fall.sensor not in left_out]
        rows = rows_for(model, opened, missing)
        if not missing and search.problem.has_capacity:
            served = [int(s) for s in model.served if int(s) not in left_out]
            if route_within_capacity(search.problem, opened, served, search.demand.double, search.limits.seed) is None:
                rows = [blocking_capacity_row(model, opened, served, search.demand.double, search.limits.seed)]
    return rows


def restricted_model(
    model: CoverModel, rows: list[Row], columns: NDArray[np.int64], flows: FlowRows | None = None
) -> BinaryModel | None:
    """Return the binary model on `columns` (all others closed), or None when a row cannot be met any more."""
    place = np.full(model.cost.size, -1, dtype=np.int64)
    place[columns] = np.arange(columns.size)
    data, indices, sizes, lower = [], [], [], []
    for row in rows:
        at = place[row.columns]
        keep = at >= 0
        if row.coefficients[keep].sum() < row.need:
            return None
        data.append(row.coefficients[keep])
        indices.append(at[keep])
        sizes.append(int(keep.sum()))
        lower.append(row.need)
    for group in model.site_groups:
        at = place[group]
        at = at[at >= 0]
        if at.size > 1:
            data.append(-np.ones(at.size))
            indices.append(at)
            sizes.append(at.size)
            lower.append(-1.0)
    spend = model.spend_row()
    if spend is not None:
        at = place[spend.columns]
        data.append(spend.coefficients[at >= 0])
        indices.append(at[at >= 0])
        sizes.append(int((at >= 0).sum()))
        lower.append(spend.need)
    family = model.families[0]
    if model.problem.has_levels:
        for part in _support_rows(family, place):
            data.append(np.concatenate([np.ones(part.size - 1), [-1.0]]))
            indices.append(part)
            sizes.append(part.size)
            lower.append(0.0)
    pointers = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    flat = np.concatenate(indices) if indices else np.zeros(0, dtype=np.int64)
    values = np.concatenate(data) if data else np.zeros(0)
    matrix = sparse.csr_matrix((values, flat, pointers), shape=(len(sizes), columns.size))
    if flows is None:
        return BinaryModel(model.cost[columns], matrix, np.array(lower))
    n = model.cost.size
    wide = sparse.csr_matrix((matrix.data, matrix.indices, matrix.indptr), shape=(len(sizes), columns.size + flows.n_flows))
    kept = flows.matrix[:, np.concatenate([columns, n + np.arange(flows.n_flows)])]
    both = sparse.vstack([wide, kept], format="csr")
    return BinaryModel(model.cost[columns], both, np.concatenate([lower, flows.lower]), flows.n_flows)


def _support_rows(family: object, place: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Return, for each kept copy above the gateways, its kept copies below followed by itself."""
    graph = family.graph  # type: ignore[attr-defined]
    start, end = place[graph.down.start], place[graph.down.to]
    both = (start >= 0) & (end >= 0)
    start, end = start[both], end[both]
    kept = place[: graph.size]
    kept = kept[(kept >= 0) & ~graph.is_exit]
    order = np.argsort(start, kind="stable")
    start, end = start[order], end[order]
    left = np.searchsorted(start, kept)
    right = np.searchsorted(start, kept, side="right")
    return [np.append(end[a:b], copy) for a, b, copy in zip(left, right, kept, strict=True)]
