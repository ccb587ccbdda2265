"""Reader of the property instances of the reference set."""

from __future__ import annotations

import json
from pathlib import Path

from meshplan.planning.problem import Links, NodeChoice, PlacementProblem, Redundancy, SensorDemand


def read_property(path: Path, hop_limit: int, redundancy: Redundancy) -> PlacementProblem:
    """Return the placement problem of one file; sensors that cannot meet the rule are left out, as the reference does."""
    data = json.loads(path.read_text(encoding="utf-8"))
    nodes = [NodeChoice(name, cost, is_gateway=True) for name, cost in data["gateways"].items()]
    nodes += [NodeChoice(name, cost) for name, cost in data["relays"].items()]
    sensors = tuple(SensorDemand(name) for name in data["sensors"])
    sensor_place = {sensor.id: i for i, sensor in enumerate(sensors)}
    node_place = {node.id: i for i, node in enumerate(nodes)}
    access, backhaul = [], []
    for a, b, chance in data["links"]:
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
