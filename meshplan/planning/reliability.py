"""Among plans of the same cost, the one whose routes are likeliest to work."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from meshplan.planning.demand import Demand
from meshplan.planning.layers import BoolArray, build_copies
from meshplan.planning.problem import LOG_UNITS, PlacementProblem
from meshplan.planning.routes import UNREACHED, OpenedGraph, narrowed, opened_graph, route_table, sensor_losses
from meshplan.planning.search import Search
from meshplan.planning.solver import BinaryModel, solve_binary

LARGEST_EXACT = 30_000
"""Flow columns (sensors times links) up to which the likeliest plan is found by the integer solver."""

MOST_TRIALS = 1500
"""Exchanges of nodes that are tried otherwise."""

SOLVER_UNIT = LOG_UNITS // 10**6
"""The solver sees log losses in millionths; finer differences are no one's concern."""


def total_loss(graph: OpenedGraph, demand: Demand) -> int:
    """Return the least log loss of every demanded sensor, summed, in whole billionths."""
    problem = graph.problem
    losses, _ = sensor_losses(graph, route_table(graph, problem.hop_limit))
    return int(np.minimum(losses[demand.single], UNREACHED // max(1, len(problem.sensors))).sum())


def likeliest_plan(search: Search, usable: BoolArray) -> tuple[BoolArray, str]:
    """Return the opened nodes of the likeliest plan that costs no more than the best one, and how sure that is.

    Parameters
    ----------
    usable : ndarray of bool, shape (n_nodes,)
        Nodes that a plan of this cost can have at all, as the reduced costs show.
    """
    assert search.best is not None
    problem, best = search.problem, search.best
    asked = search.asked(best)
    exact = _exact(search, asked, usable | best) if problem.one_level_each and problem.hop_limit is not None else None
    if exact is not None:
        return exact, "likeliest at this cost (proven)"
    return _by_exchange(search, best, asked), "likeliest found at this cost"


def _by_exchange(search: Search, opened: BoolArray, asked: Demand) -> BoolArray:
    """Return the opened nodes after exchanging single nodes at no extra cost while the routes get likelier."""
    problem = search.problem
    price = problem.cost_units
    free = np.flatnonzero(problem.allowed & (price == 0) & ~opened)
    moves = [(-1, int(node)) for node in free]
    for node in np.flatnonzero(opened & ~problem.forced):
        moves += [(int(node), other) for other in _stand_ins(problem, opened, int(node))]
    union = opened.copy()
    union[[into for _, into in moves]] = True
    links = opened_graph(problem, union)
    loss, trials, improved = total_loss(narrowed(links, opened), asked), 0, True
    while improved:
        improved = False
        for out, into in moves:
            if trials >= MOST_TRIALS or search.out_of_time():
                return opened
            if opened[into] or (out >= 0 and not opened[out]):
                continue
            trials += 1
            trial = opened.copy()
            trial[into] = True
            if out >= 0:
                trial[out] = False
            other = total_loss(narrowed(links, trial), asked)
            if other < loss and search.price(trial) == (search.best_value, True):
                opened, loss, improved = trial, other, True
    return opened


def _stand_ins(problem: PlacementProblem, opened: BoolArray, node: int) -> list[int]:
    """Return closed nodes of the same kind, no dearer, with most neighbours in common with `node`, at most a dozen."""
    access, backhaul = problem.usable_access, problem.usable_backhaul
    hears = np.zeros(len(problem.sensors))
    hears[access.start[access.end == node]] = 1.0
    reaches = np.zeros(len(problem.nodes))
    reaches[backhaul.end[backhaul.start == node]] = 1.0
    common = np.bincount(access.end, hears[access.start], len(problem.nodes))
    common = common + 0.1 * np.bincount(backhaul.start, reaches[backhaul.end], len(problem.nodes))
    fits = problem.allowed & ~opened & (problem.is_gateway == problem.is_gateway[node])
    fits &= (problem.cost_units <= problem.cost_units[node]) & (common > 0)
    order = np.flatnonzero(fits)
    return [int(other) for other in order[np.argsort(-common[order], kind="stable")][:12]]


def _exact(search: Search, asked: Demand, usable: BoolArray) -> BoolArray | None:
    """Return the likeliest plan by an integer programme with one flow per sensor, or None when that is too large or fails."""
    problem = search.problem
    graph = build_copies(problem, problem.hop_limit, usable)
    sensors = np.flatnonzero(asked.single)
    n_arcs, n_copies, n_nodes = graph.down.to.size, graph.size, len(problem.nodes)
    if sensors.size == 0 or sensors.size * (n_arcs + 1) > LARGEST_EXACT:
        return None
    access, backhaul = _loss_tables(problem)
    arc_loss = np.array(
        [backhaul[a, b] for a, b in zip(graph.node[graph.down.start].tolist(), graph.node[graph.down.to].tolist(), strict=True)],
        dtype=np.int64,
    )
    above = np.flatnonzero(~graph.is_exit)
    number = np.full(n_copies, -1)
    number[above] = np.arange(above.size)
    columns_of, losses, parts, lower = n_nodes, [], [], []
    entries = []
    for sensor in sensors:
        heard = graph.access[int(sensor)]
        entry = columns_of + np.arange(heard.size)
        arc = entry[-1] + 1 + np.arange(n_arcs) if heard.size else columns_of + np.arange(n_arcs)
        entries.append((heard, entry, arc))
        losses += [np.array([access[int(sensor), int(graph.node[c])] for c in heard], dtype=np.int64), arc_loss]
        columns_of += heard.size + n_arcs
    width = columns_of
    for heard, entry, arc in entries:
        parts.append(_block(np.zeros(entry.size, dtype=int), entry, np.ones(entry.size), 1, width))
        lower.append(np.ones(1))
        enters, passes = ~graph.is_exit[heard], ~graph.is_exit[graph.down.to]
        rows = np.concatenate([number[graph.down.start], number[graph.down.to[passes]], number[heard[enters]]])
        columns = np.concatenate([arc, arc[passes], entry[enters]])
        values = np.concatenate([np.ones(n_arcs), -np.ones(int(passes.sum())), -np.ones(int(enters.sum()))])
        parts.append(_block(rows, columns, values, above.size, width))
        lower.append(np.zeros(above.size))
        rows = np.concatenate([np.arange(n_nodes), graph.node[heard], graph.node[graph.down.to]])
        columns = np.concatenate([np.arange(n_nodes), entry, arc])
        values = np.concatenate([np.ones(n_nodes), -np.ones(entry.size + n_arcs)])
        parts.append(_block(rows, columns, values, n_nodes, width))
        lower.append(np.zeros(n_nodes))
    parts += _node_rows(search, asked, usable, width, lower)
    model = BinaryModel(
        np.zeros(n_nodes, dtype=np.int64),
        sparse.vstack(parts, format="csr"),
        np.concatenate(lower),
        n_continuous=width - n_nodes,
        continuous_cost=np.concatenate(losses) / SOLVER_UNIT,
    )
    answer = solve_binary(model, seed=search.limits.seed, time_s=search.time_left(), max_nodes=2000)
    if answer.x is None or not answer.complete:
        return None
    opened = answer.x | problem.forced
    used = search.heuristic.prune(opened, asked, search.node_prices())
    return min(
        (o for o in (opened, used) if search.price(o) == (search.best_value, True)), key=_by_loss(problem, asked), default=None
    )


def _by_loss(problem: PlacementProblem, asked: Demand):  # type: ignore[no-untyped-def]
    return lambda opened: (total_loss(opened_graph(problem, opened), asked), int(opened.sum()))


def _node_rows(
    search: Search, asked: Demand, usable: BoolArray, width: int, lower: list[NDArray[np.float64]]
) -> list[sparse.csr_matrix]:
    """Return the rows that hold the cost, keep forbidden nodes closed and forced ones open, and allow one mast per site."""
    problem = search.problem
    n = len(problem.nodes)
    every = np.arange(n)
    skipped = problem.worth_units[search.demand.single & ~asked.single].sum()
    allowance = search.best_value - int(skipped) // problem.cost_step
    parts = [_block(np.zeros(n, dtype=int), every, -(problem.cost_units // problem.cost_step).astype(float), 1, width)]
    lower.append(np.array([-float(allowance)]))
    shut, must = np.flatnonzero(~(problem.allowed & usable)), np.flatnonzero(problem.forced)
    parts.append(_block(np.arange(shut.size), shut, -np.ones(shut.size), shut.size, width))
    lower.append(np.zeros(shut.size))
    parts.append(_block(np.arange(must.size), must, np.ones(must.size), must.size, width))
    lower.append(np.ones(must.size))
    parts.append(_block(problem.site_number, every, -np.ones(n), int(problem.site_number.max()) + 1, width))
    lower.append(-np.ones(int(problem.site_number.max()) + 1))
    return parts


def _block(
    rows: NDArray[np.integer], columns: NDArray[np.integer], values: NDArray[np.float64], count: int, width: int
) -> sparse.csr_matrix:
    return sparse.csr_matrix((values, (rows, columns)), shape=(count, width))


def _loss_tables(problem: PlacementProblem) -> tuple[dict[tuple[int, int], int], dict[tuple[int, int], int]]:
    """Return the log loss of each access and backhaul link by its two ends; of parallel links the least."""
    everything = opened_graph(problem, problem.allowed)
    tables: list[dict[tuple[int, int], int]] = []
    for links, losses in ((everything.access, everything.access_loss), (everything.backhaul, everything.backhaul_loss)):
        table: dict[tuple[int, int], int] = {}
        for start, end, loss in zip(links.start.tolist(), links.end.tolist(), losses.tolist(), strict=True):
            table[start, end] = min(loss, table.get((start, end), UNREACHED))
        tables.append(table)
    return tables[0], tables[1]
