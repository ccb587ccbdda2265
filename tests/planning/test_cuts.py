"""Node cuts against general-purpose maximum flow (networkx), and compiled loops against the same loops in plain Python."""

from __future__ import annotations

import networkx as nx
import numpy as np
import pytest
from brute_force import random_problem
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_property import make_property

from meshplan.planning import compiled
from meshplan.planning.compiled_flow import or_of_rows
from meshplan.planning.cover import Row, RowTable, row_gap
from meshplan.planning.layers import Adjacency, CopyGraph, build_copies, or_over
from meshplan.planning.mincut import find_cuts
from meshplan.planning.problem import SolveLimits
from meshplan.planning.solve import solve_placement


def _flow(graph: CopyGraph, opened: np.ndarray, sensor: int) -> float:
    network = nx.DiGraph()
    network.add_nodes_from(["from", "to"])
    for copy in range(graph.size):
        network.add_edge(("in", copy), ("out", copy), capacity=float(opened[copy]))
        if graph.is_exit[copy]:
            network.add_edge(("out", copy), "to")
        for below in graph.down[copy]:
            network.add_edge(("out", copy), ("in", int(below)))
    for copy in graph.access[sensor]:
        network.add_edge("from", ("in", int(copy)))
    return float(nx.maximum_flow_value(network, "from", "to"))


@pytest.mark.parametrize("hop_limit", [1, 2, 3, 4, None])
@pytest.mark.parametrize("seed", range(4))
def test_cuts_weigh_what_the_flow_carries(seed: int, hop_limit: int | None) -> None:
    problem = random_problem(seed, n_sensors=6, n_relays=9, n_gateways=3, hop_limit=hop_limit)
    graph = build_copies(problem, hop_limit)
    opened = np.round(np.random.default_rng(seed).random(graph.size) * 0.6, 3)
    opened[::3] = 0.0
    sensors = np.array([s for s in range(6) if graph.access[s].size], dtype=np.int32)
    cuts = find_cuts(graph, opened, sensors, np.ones(sensors.size, dtype=np.int64))
    weights: dict[int, float] = {}
    for cut in cuts:
        weight = float(opened[cut.copies].sum())
        weights.setdefault(cut.sensor, weight)
        assert weight == pytest.approx(weights[cut.sensor], abs=1e-6)
        shut = np.ones(graph.size)
        shut[cut.copies] = 0.0
        assert _flow(graph, shut, cut.sensor) == 0.0
        for member in cut.copies:
            shut[member] = 1.0
            assert _flow(graph, shut, cut.sensor) > 0.0, "every member must touch both sides"
            shut[member] = 0.0
    for sensor in sensors:
        flow = _flow(graph, opened, int(sensor))
        if int(sensor) in weights:
            assert weights[int(sensor)] == pytest.approx(flow, abs=1e-6)
        else:
            assert flow >= 1 - 2e-4


@pytest.mark.slow
def test_compiled_and_plain_loops_give_the_same_plan(monkeypatch: pytest.MonkeyPatch) -> None:
    problem = make_property(20, 100, 4, hop_limit=3, seed=5)
    limits = SolveLimits(iterations=30)
    monkeypatch.setattr(compiled, "WORTH_COMPILING", 10**12)
    plain = solve_placement(problem, limits=limits)
    monkeypatch.setattr(compiled, "WORTH_COMPILING", 0)
    assert solve_placement(problem, limits=limits) == plain


def test_levels_keep_the_hop_limit() -> None:
    problem = random_problem(3, n_relays=8, hop_limit=4)
    graph = build_copies(problem, 4)
    assert graph.level.max() <= 3
    assert (graph.level[graph.down.start] - graph.level[graph.down.to] == 1).all()
    assert (graph.is_exit == problem.is_gateway[graph.node]).all()


@given(seed=st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_rows_laid_one_under_the_other_add_up_as_they_do_one_by_one(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 30))
    rows = []
    for sensor in range(int(rng.integers(0, 9))):
        columns = np.sort(rng.choice(n, int(rng.integers(1, n + 1)), replace=False)).astype(np.int32)
        rows.append(Row(columns, rng.integers(1, 3, columns.size).astype(float), float(rng.integers(1, 3)), sensor))
    x, duals = rng.uniform(0, 1, n), rng.uniform(0, 5, len(rows))
    table = RowTable.of(rows, n)
    charged = np.zeros(n)
    for row, dual in zip(rows, duals, strict=True):
        charged[row.columns] += dual * row.coefficients
    np.testing.assert_allclose(table.gaps(x), row_gap(rows, x), atol=1e-12)
    np.testing.assert_allclose(table.loads(duals), charged, atol=1e-12)


@given(seed=st.integers(0, 10**6))
@settings(max_examples=25, deadline=None)
def test_the_loop_that_joins_words_agrees_with_the_arrays(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 40))
    arcs = rng.integers(0, n, (int(rng.integers(0, 120)), 2))
    adjacency = Adjacency.of(arcs[:, 0], arcs[:, 1], n)
    words = rng.integers(0, 2**63, (n, 2), dtype=np.int64).astype(np.uint64)
    np.testing.assert_array_equal(or_of_rows(0)(adjacency.ptr, adjacency.to, words), or_over(adjacency, words))
