"""Who is left out where the airtime of all devices together does not carry everybody."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from meshplan.planning.capacity import left_out_by_airtime
from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, SensorDemand
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan


def gateways_and_sensors(capacity: list[int], sensors: list[tuple[int, int, bool]]) -> PlacementProblem:
    """Return sensors of (load, importance, required) that all hear all gateways."""
    demands = tuple(
        SensorDemand(f"S{n}", importance=float(importance), required=required, load=float(load))
        for n, (load, importance, required) in enumerate(sensors)
    )
    nodes = tuple(NodeChoice(f"G{n}", 1.0, is_gateway=True, capacity=float(room)) for n, room in enumerate(capacity))
    pairs = list(product(range(len(demands)), range(len(nodes))))
    return PlacementProblem(demands, nodes, Links.of([s for s, _ in pairs], [n for _, n in pairs]), Links.of([], []))


def fits(capacity: list[int], loads: list[int]) -> bool:
    """Return whether the loads can be laid on the devices, by trying all."""
    return any(
        all(sum(load for load, here in zip(loads, way, strict=True) if here == n) <= room for n, room in enumerate(capacity))
        for way in product(range(len(capacity)), repeat=len(loads))
    )


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1, 8), min_size=1, max_size=2),
    st.lists(st.tuples(st.integers(1, 5), st.integers(1, 4), st.booleans()), min_size=1, max_size=6),
)
def test_no_more_important_ones_could_be_carried(capacity: list[int], sensors: list[tuple[int, int, bool]]) -> None:
    problem = gateways_and_sensors(capacity, sensors)
    everything = np.ones(len(capacity), dtype=bool)
    out = left_out_by_airtime(problem, everything, list(range(len(sensors))), seed=1)
    assert out == left_out_by_airtime(problem, everything, list(range(len(sensors))), seed=1)
    assert fits(capacity, [load for n, (load, _, _) in enumerate(sensors) if n not in out])

    def lost(names: tuple[int, ...]) -> int:
        return sum(1 + (1000 * sensors[n][1] if sensors[n][2] else 0) for n in names)

    best = min(
        lost(names)
        for size in range(len(sensors) + 1)
        for names in combinations(range(len(sensors)), size)
        if fits(capacity, [load for n, (load, _, _) in enumerate(sensors) if n not in names])
    )
    assert lost(out) == best


def test_of_equals_the_last_named_are_left_out_and_told_why() -> None:
    problem = gateways_and_sensors([3], [(1, 1, True)] * 5)
    out = left_out_by_airtime(problem, np.ones(1, dtype=bool), list(range(5)), seed=1)
    assert out == (3, 4)
    demands = tuple(SensorDemand(s.id, load=s.load, left_out=n in out) for n, s in enumerate(problem.sensors))
    settled = PlacementProblem(demands, problem.nodes, problem.access, problem.backhaul)
    result = solve_placement(settled)
    assert [(miss.sensor_id, miss.reason) for miss in result.plan.unserved] == [
        ("S3", "airtime is full"),
        ("S4", "airtime is full"),
    ]
    assert [item.sensor_id for item in result.plan.served] == ["S0", "S1", "S2"]
    assert verify_plan(settled, result.plan) == ()
