"""The invented properties restated in tests/published and their optima."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from published_tables import read_table

from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, Redundancy, SensorDemand


@dataclass(frozen=True)
class StoredOptimum:
    """What is known of one property under one rule."""

    instance: str
    hop_limit: int
    redundancy: Redundancy
    cost: float
    unreachable: frozenset[str]
    neg_log_success: float | None


def stored_optima() -> list[StoredOptimum]:
    """Return all optima, in the order of the table."""
    return [
        StoredOptimum(
            row["instance"],
            int(row["hop_limit"]),
            cast(Redundancy, row["redundancy"]),
            float(row["optimum_cost"]),
            frozenset(row["unreachable"].split()),
            float(row["neg_log"]) if row["neg_log"] else None,
        )
        for row in read_table("placement_optima.csv").rows
    ]


def read_property(instance: str, hop_limit: int, redundancy: Redundancy) -> PlacementProblem:
    """Return the placement problem of one property; sensors that cannot meet the rule are left out, as the reference does."""
    rows = [row for row in read_table("placement_instances.csv").rows if row["instance"] == instance]
    nodes = [NodeChoice(row["node"], float(row["cost"]), is_gateway=row["node"][0] == "G") for row in rows if row["cost"]]
    sensors = tuple(SensorDemand(row["node"]) for row in rows if not row["cost"])
    sensor_place = {sensor.id: i for i, sensor in enumerate(sensors)}
    node_place = {node.id: i for i, node in enumerate(nodes)}
    access, backhaul = [], []
    links = [
        (row["node"], end, int(chance) / 10_000)
        for row in rows
        for end, chance in zip(row["ends"].split(), row["chances"].split(), strict=True)
    ]
    for a, b, chance in links:
        for start, end in ((a, b), (b, a)):
            if end not in node_place:
                continue
            if start in sensor_place:
                access.append((sensor_place[start], node_place[end], chance))
            else:
                backhaul.append((node_place[start], node_place[end], chance))
    return PlacementProblem(
        sensors,
        tuple(nodes),
        Links.of(*zip(*access, strict=True)),
        Links.of(*zip(*backhaul, strict=True)),
        hop_limit=hop_limit,
        redundancy=redundancy,
        without_second_route="leave out",
    )
