"""From a link graph to a placement problem."""

from __future__ import annotations

from math import inf
from typing import TYPE_CHECKING, Any

from meshplan.errors import InputError, MeshplanError, raise_faults
from meshplan.planning.problem import (
    Links,
    NodeChoice,
    PlacementProblem,
    Redundancy,
    SecondRouteFallback,
    SensorDemand,
)

if TYPE_CHECKING:
    import networkx as nx

ROLES = ("sensor", "relay", "gateway")


def problem_from_graph(
    graph: nx.Graph,
    *,
    hop_limit: int | None = 3,
    redundancy: Redundancy = "none",
    second_hop_limit: int | None = None,
    without_second_route: SecondRouteFallback = "serve once",
    min_link_chance: float = 0.0,
    min_route_chance: float = 0.0,
    budget: float = inf,
) -> PlacementProblem:
    """Return the placement problem of a link graph.

    Parameters
    ----------
    graph : networkx.DiGraph or Graph
        Nodes carry `role` ("sensor", "relay", "gateway"). Sensors may carry `importance`, `required`, `worth`,
        `second_route`, `load`, `min_route_chance`, `left_out`, `one_route`; relays and gateways carry `cost` and may carry
        `site`, `forced_in`, `forbidden`, `power_ok`, `capacity`. Edges point the way a message travels to the gateway and carry
        `chance`; links out of gateways and into sensors are ignored. An undirected graph counts both ways. Names and order are
        the graph's.
    """
    faults: list[MeshplanError] = []
    sensors: list[SensorDemand] = []
    nodes: list[NodeChoice] = []
    place: dict[Any, int] = {}
    role_of: dict[Any, str] = {}
    for name, data in graph.nodes(data=True):
        role = data.get("role")
        if role not in ROLES:
            faults.append(
                InputError(f"'{name}' has the role {role!r}", where=f"device '{name}'", fix=f"Use one of: {', '.join(ROLES)}.")
            )
            continue
        role_of[name] = role
        if role == "sensor":
            place[name] = len(sensors)
            sensors.append(_sensor(str(name), data))
        elif "cost" not in data:
            faults.append(InputError(f"'{name}' has no cost", where=f"device '{name}'", fix="Give every relay and gateway a cost."))
        else:
            place[name] = len(nodes)
            nodes.append(_node(str(name), data, role == "gateway"))
    directed = graph if graph.is_directed() else graph.to_directed(as_view=True)
    access: list[tuple[int, int, float]] = []
    backhaul: list[tuple[int, int, float]] = []
    for start, end, chance in directed.edges(data="chance"):
        if start not in place or end not in place:
            continue
        if chance is None:
            faults.append(
                InputError(
                    f"the link '{start}' to '{end}' has no chance",
                    where=f"link '{start}' to '{end}'",
                    fix="Give every link a chance.",
                )
            )
        elif role_of[end] != "sensor" and role_of[start] != "gateway":
            rows = access if role_of[start] == "sensor" else backhaul
            rows.append((place[start], place[end], float(chance)))
    raise_faults(faults)
    return PlacementProblem(
        tuple(sensors),
        tuple(nodes),
        _links(access),
        _links(backhaul),
        hop_limit=hop_limit,
        redundancy=redundancy,
        second_hop_limit=second_hop_limit,
        without_second_route=without_second_route,
        min_link_chance=min_link_chance,
        min_route_chance=min_route_chance,
        budget=budget,
    )


def _sensor(name: str, data: dict[str, Any]) -> SensorDemand:
    return SensorDemand(
        name,
        importance=float(data.get("importance", 1.0)),
        required=bool(data.get("required", True)),
        worth=float(data.get("worth", 0.0)),
        second_route=bool(data.get("second_route", True)),
        load=float(data.get("load", 0.0)),
        min_route_chance=float(data.get("min_route_chance", 0.0)),
        left_out=bool(data.get("left_out", False)),
        one_route=bool(data.get("one_route", False)),
    )


def _node(name: str, data: dict[str, Any], is_gateway: bool) -> NodeChoice:
    return NodeChoice(
        name,
        float(data["cost"]),
        is_gateway=is_gateway,
        site=str(data.get("site", "")),
        forced_in=bool(data.get("forced_in", False)),
        forbidden=bool(data.get("forbidden", False)),
        power_ok=bool(data.get("power_ok", True)),
        capacity=float(data.get("capacity", inf)),
    )


def _links(rows: list[tuple[int, int, float]]) -> Links:
    rows = sorted(rows)
    return Links.of([row[0] for row in rows], [row[1] for row in rows], [row[2] for row in rows])
