"""Airtime: routes that fit into what each device may carry, and the flow rows that bring it into the integer programme."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from meshplan.planning.cover import CoverModel, Row
from meshplan.planning.demand import Demand
from meshplan.planning.greedy import Heuristic
from meshplan.planning.layers import BoolArray, CopyGraph, build_copies
from meshplan.planning.order import ByName
from meshplan.planning.problem import PlacementProblem
from meshplan.planning.routes import Walks, opened_graph, route_table, sensor_losses, way_from
from meshplan.planning.solver import BinaryModel, solve_binary

LOAD_TOLERANCE = 1e-9

SHORT_SEARCH = 500
"""Nodes of the search for the sensors that fit: what it misses is little, and proving it may take for ever."""

IMPORTANCE_UNITS = 1000
"""Importance is compared in whole thousandths."""

Ways = dict[int, tuple[int, ...]]
Choice = tuple[int, int, tuple[int, ...]]
"""A sensor, what the choice costs, and its route; an empty route drops the sensor."""


def loads_and_capacities(problem: PlacementProblem) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the load of each sensor and the capacity of each node, shape (n_sensors,) and (n_nodes,)."""
    load = np.array([sensor.load for sensor in problem.sensors])
    return load, np.array([node.capacity for node in problem.nodes])


@dataclass(frozen=True, eq=False)
class Routing:
    """First routes that fit, and the optional sensors that had to be dropped for it."""

    ways: Ways
    dropped: tuple[int, ...]


def route_within_capacity(
    problem: PlacementProblem,
    opened: BoolArray,
    sensors: list[int],
    double: BoolArray,
    seed: int,
    may_drop: BoolArray | None = None,
) -> Routing | None:
    """Return first routes so that no node carries more than it can, the likeliest together; None if there are none.

    Parameters
    ----------
    double : ndarray of bool, shape (n_sensors,)
        Sensors whose first route must leave room for a second one beside it.
    may_drop : ndarray of bool, shape (n_sensors,), optional
        Sensors that may be dropped, the least worth first.
    """
    asked = sensors
    load, capacity = loads_and_capacities(problem)
    graph = opened_graph(problem, opened)
    table = route_table(graph, problem.hop_limit)
    losses, starts = sensor_losses(graph, table)
    drops = np.zeros(len(problem.sensors), dtype=bool) if may_drop is None else may_drop
    served = (starts >= 0) & (losses <= problem.route_loss_limits)
    if any(not served[sensor] and not drops[sensor] for sensor in sensors):
        return None
    best = {sensor: way_from(table, int(starts[sensor])) for sensor in sensors if served[sensor]}
    if len(best) == len(sensors) and not double.any() and _fits(best, load, capacity):
        return Routing(best, ())
    walks = Walks(graph)
    # Log losses in millionths are fine enough to tell routes apart, and keep the objective small.
    choices: list[Choice] = [
        (sensor, loss // 1000, way) for sensor in best for loss, way in walks.first_routes(sensor, bool(double[sensor]))
    ]
    if drops.any():
        # First drop as little worth as possible, then choose the likeliest routes for the rest.
        step = problem.cost_step
        priced = [(s, 0, way) for s, _, way in choices]
        priced += [(s, int(problem.worth_units[s]) // step, ()) for s in sensors if drops[s]]
        picked = _assign(priced, sensors, load, capacity, seed)
        if picked is None:
            return None
        sensors = [priced[i][0] for i in picked if priced[i][2]]
    picked = _assign([c for c in choices if c[0] in set(sensors)], sensors, load, capacity, seed)
    if picked is None:
        return None
    kept = [c for c in choices if c[0] in set(sensors)]
    ways = {kept[i][0]: kept[i][2] for i in picked}
    return Routing(ways, tuple(sensor for sensor in asked if sensor not in ways))


def _fits(ways: Ways, load: NDArray[np.float64], capacity: NDArray[np.float64]) -> bool:
    carried = np.zeros(capacity.size)
    for sensor, way in ways.items():
        carried[list(way)] += load[sensor]
    return bool((carried <= capacity + LOAD_TOLERANCE).all())


def _assign(
    choices: list[Choice],
    sensors: list[int],
    load: NDArray[np.float64],
    capacity: NDArray[np.float64],
    seed: int,
    max_nodes: int | None = None,
) -> list[int] | None:
    """Return the chosen (sensor, loss, way) entries, one per sensor, within capacity and with the least loss."""
    n = len(choices)
    if {sensor for sensor, _, _ in choices} != set(sensors):
        return None
    if not sensors:
        return []
    owner = {sensor: row for row, sensor in enumerate(sensors)}
    of_sensor = np.array([owner[sensor] for sensor, _, _ in choices])
    limited = np.flatnonzero(np.isfinite(capacity))
    row_of = {int(node): row for row, node in enumerate(limited)}
    uses = [(row_of[node], i, load[s]) for i, (s, _, way) in enumerate(choices) for node in way if node in row_of]
    one_each = sparse.csr_matrix((np.ones(n), (of_sensor, np.arange(n))), shape=(len(sensors), n))
    rows = np.array([u[0] for u in uses], dtype=int)
    carried = sparse.csr_matrix((-np.array([u[2] for u in uses]), (rows, [u[1] for u in uses])), shape=(limited.size, n))
    cost = np.array([price for _, price, _ in choices], dtype=np.int64)
    lower = np.concatenate([np.ones(len(sensors)), -capacity[limited] - LOAD_TOLERANCE])
    model = BinaryModel(cost, sparse.vstack([one_each, carried], format="csr"), lower)
    answer = solve_binary(model, seed=seed, max_nodes=max_nodes)
    if answer.x is None:
        return None
    picked: dict[int, int] = {}
    for i in np.flatnonzero(answer.x):
        picked.setdefault(choices[i][0], int(i))
    return list(picked.values())


def left_out_by_airtime(problem: PlacementProblem, opened: BoolArray, sensors: list[int], seed: int) -> tuple[int, ...]:
    """Return which of some sensors find no room on the opened nodes, as little importance together as a short search finds.

    Where the search finds nothing better, the most important come first, of equals those of the least load, then those named
    first in the alphabet, and optional ones last; each takes its likeliest route that has room. Sensors without any route are not
    named.
    """
    by_name = ByName.of(problem)
    place = {int(old): new for new, old in enumerate(by_name.sensors)}
    asked = sorted(place[sensor] for sensor in sensors)
    out = _left_out_by_name(by_name.problem, opened[by_name.nodes], asked, seed)
    return tuple(sorted(int(by_name.sensors[sensor]) for sensor in out))


def _left_out_by_name(problem: PlacementProblem, opened: BoolArray, sensors: list[int], seed: int) -> tuple[int, ...]:
    load, capacity = loads_and_capacities(problem)
    graph = opened_graph(problem, opened)
    table = route_table(graph, problem.hop_limit)
    _, starts = sensor_losses(graph, table)
    if _fits({s: way_from(table, int(starts[s])) for s in sensors if starts[s] >= 0}, load, capacity):
        return ()
    walks = Walks(graph)
    routes = {sensor: [way for _, way in walks.first_routes(sensor, False)] for sensor in sensors}
    able = [sensor for sensor in sensors if routes[sensor]]
    # What may be left out anyway goes first.
    worth = {s: round(problem.sensors[s].importance * IMPORTANCE_UNITS) if problem.sensors[s].required else 0 for s in able}
    worth = {s: value + 1 for s, value in worth.items()}
    left, out = capacity.copy(), []
    for sensor in sorted(able, key=lambda s: (-worth[s], load[s], s)):
        way = next((list(way) for way in routes[sensor] if (left[list(way)] >= load[sensor] - LOAD_TOLERANCE).all()), None)
        if way is None:
            out.append(sensor)
        else:
            left[way] -= load[sensor]
    if not out:
        return ()
    choices: list[Choice] = [(sensor, 0, way) for sensor in able for way in routes[sensor]]
    choices += [(sensor, worth[sensor], ()) for sensor in able]
    picked = _assign(choices, able, load, capacity, seed, max_nodes=SHORT_SEARCH)
    better = out if picked is None else [choices[i][0] for i in picked if not choices[i][2]]
    return tuple(sorted(better if sum(worth[s] for s in better) < sum(worth[s] for s in out) else out))


def blocking_capacity_row(model: CoverModel, opened: BoolArray, sensors: list[int], double: BoolArray, seed: int) -> Row:
    """Return "open one of these, or leave one of those sensors out", met by every good plan and not by this one."""
    problem = model.problem

    def fits(nodes: BoolArray, served: list[int]) -> bool:
        return route_within_capacity(problem, nodes, served, double, seed) is not None

    crowd = list(sensors)
    for sensor in sensors:
        fewer = [s for s in crowd if s != sensor]
        if not fits(opened, fewer):
            crowd = fewer
    trial, needed = opened.copy(), []
    pending = [np.flatnonzero(problem.allowed & ~opened)]
    while pending:
        group = pending.pop()
        trial[group] = True
        if not fits(trial, crowd):
            continue
        trial[group] = False
        if group.size == 1:
            needed.append(int(group[0]))
        elif group.size:
            pending += [group[group.size // 2 :], group[: group.size // 2]]
    columns = np.flatnonzero(np.isin(model.item_node, needed)).astype(np.int32)
    skips = [model.skip_column[s] for s in crowd if s in model.skip_column]
    columns = np.append(columns, np.array(skips, dtype=np.int32))
    return Row(columns, np.ones(columns.size), 1.0, crowd[0] if crowd else -1, proof=False)


@dataclass(frozen=True, eq=False)
class FlowRows:
    """Rows over the model's columns followed by `n_flows` flow columns (shares of sensors, then airtime per arc)."""

    matrix: sparse.csr_matrix
    lower: NDArray[np.float64]
    n_flows: int


def flow_rows(model: CoverModel, sensors: NDArray[np.int32]) -> FlowRows:
    """Return rows that send each sensor's airtime down the copies within what the opened nodes can carry.

    Loads may split here, so the rows only bound what single routes can do; answers are checked afterwards.
    """
    problem = model.problem
    graph: CopyGraph = build_copies(problem, problem.hop_limit)
    load, capacity = loads_and_capacities(problem)
    capacity = np.minimum(capacity, load.sum())
    n = model.cost.size
    owner = np.concatenate([np.full(graph.access[s].size, i) for i, s in enumerate(sensors)]).astype(int)
    entry = np.concatenate([graph.access[s] for s in sensors]).astype(int)
    n_entry, n_arcs = entry.size, graph.down.to.size
    share = n + np.arange(n_entry)
    arc = n + n_entry + np.arange(n_arcs)
    width = n + n_entry + n_arcs
    parts, lower = [], []

    def block(rows: NDArray[np.int64], columns: NDArray[np.int64], values: NDArray[np.float64], count: int) -> None:
        parts.append(sparse.csr_matrix((values, (rows, columns)), shape=(count, width)))

    # Every sensor's shares make one, unless it is left out.
    skips = [(i, model.skip_column[int(s)]) for i, s in enumerate(sensors) if int(s) in model.skip_column]
    rows = np.concatenate([owner, [i for i, _ in skips]]).astype(int)
    block(rows, np.concatenate([share, [c for _, c in skips]]).astype(int), np.ones(rows.size), sensors.size)
    lower.append(np.ones(sensors.size))
    # What enters a copy above the gateways leaves it again.
    above = np.flatnonzero(~graph.is_exit)
    number = np.full(graph.size, -1)
    number[above] = np.arange(above.size)
    weight = load[sensors][owner]
    enters, passes = ~graph.is_exit[entry], ~graph.is_exit[graph.down.to]
    rows = np.concatenate([number[graph.down.start], number[graph.down.to[passes]], number[entry[enters]]])
    columns = np.concatenate([arc, arc[passes], share[enters]])
    values = np.concatenate([np.ones(n_arcs), -np.ones(passes.sum()), -weight[enters]])
    block(rows, columns, values, above.size)
    lower.append(np.zeros(above.size))
    # A node carries no more than it can, and nothing when closed.
    node_item = np.full(len(problem.nodes), -1)
    node_item[model.item_node] = np.arange(model.n_items)
    nodes = np.unique(graph.node)
    row_of = np.full(len(problem.nodes), -1)
    row_of[nodes] = np.arange(nodes.size)
    rows = np.concatenate([np.arange(nodes.size), row_of[graph.node[entry]], row_of[graph.node[graph.down.to]]])
    columns = np.concatenate([node_item[nodes], share, arc])
    values = np.concatenate([capacity[nodes], -weight, -np.ones(n_arcs)])
    block(rows, columns, values, nodes.size)
    lower.append(np.full(nodes.size, -LOAD_TOLERANCE))
    # A share needs its node opened, whatever the load.
    rows = np.concatenate([np.arange(n_entry), np.arange(n_entry)])
    block(rows, np.concatenate([node_item[graph.node[entry]], share]), np.repeat([1.0, -1.0], n_entry), n_entry)
    lower.append(np.zeros(n_entry))
    return FlowRows(sparse.vstack(parts, format="csr"), np.concatenate(lower), n_entry + n_arcs)


def insertion_plan(
    problem: PlacementProblem,
    heuristic: Heuristic,
    demand: Demand,
    price: NDArray[np.float64],
    skip_price: NDArray[np.float64],
) -> BoolArray:
    """Return opened nodes found by routing one sensor after the other, heaviest first, through devices with airtime to spare."""
    load, left = loads_and_capacities(problem)
    opened = problem.forced.copy()
    sensors = np.flatnonzero(demand.single)
    for sensor in sensors[np.argsort(-load[sensors], kind="stable")]:
        roomy = problem.allowed & (left >= load[sensor] - LOAD_TOLERANCE)
        wanted = np.zeros_like(demand.single)
        wanted[sensor] = True
        grown, _ = heuristic.construct(opened, wanted, np.where(opened, 0.0, price), skip_price, usable=roomy)
        table = route_table(opened_graph(problem, grown & roomy), problem.hop_limit)
        _, starts = sensor_losses(opened_graph(problem, grown & roomy), table)
        if starts[sensor] >= 0:
            way = list(way_from(table, int(starts[sensor])))
            left[way] -= load[sensor]
            opened[way] = True
    return opened
