"""A stored plan back as a placement, so that it can be verified against the links computed anew."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from meshplan.errors import InputError
from meshplan.planning.problem import (
    Certificate,
    PlacementPlan,
    PlacementProblem,
    Route,
    ServedSensor,
    SolveLimits,
    UnservedSensor,
)
from meshplan.records import Plan, Role
from meshplan.records.codec import record_from_values


def stored_placement(plan: Plan, problem: PlacementProblem) -> PlacementPlan:
    """Return the placement that a plan record describes; a link that the problem lacks has chance 0."""
    chances = _chances(problem)
    served = tuple(
        ServedSensor(
            route.sensor,
            _route(route.devices, chances),
            _route(route.second_devices, chances) if route.second_devices else None,
        )
        for route in plan.routes
    )
    return PlacementPlan(
        opened=tuple(device.name for device in plan.devices if device.in_plan and device.role is not Role.SENSOR),
        served=served,
        unserved=tuple(UnservedSensor(miss.sensor, "no link at all") for miss in plan.unserved),
        cost=plan.proof.cost,
        neg_log_success=sum(-math.log(sensor.first.chance) if sensor.first.chance > 0.0 else math.inf for sensor in served),
        single_route=tuple(miss.sensor for miss in plan.single_routes),
    )


def stored_certificate(record: dict[str, Any]) -> Certificate | None:
    """Return the certificate kept in a plan record; None if there is none.

    Raises
    ------
    MeshplanError
        If it is none of ours; every fault with its place.
    """
    if not record:
        return None
    fix = "Write plan.json with `meshplan plan`, not by hand."
    return record_from_values(_as_lists(record), Certificate, where="plan.json, proof.certificate", fix=fix)


def stored_limits(record: dict[str, Any]) -> SolveLimits:
    """Return how long a plan says that it was looked for.

    Raises
    ------
    InputError
        If that makes no sense.
    """
    time_s, iterations, seed = (record.get(key) for key in ("time_s", "iterations", "seed"))
    whole = all(isinstance(value, int) and not isinstance(value, bool) and value >= 0 for value in (iterations, seed))
    timed = time_s is None or (isinstance(time_s, int | float) and not isinstance(time_s, bool) and 0.0 < time_s < math.inf)
    if not whole or not timed or not iterations:
        fix = "Write plan.json with `meshplan plan`, not by hand."
        raise InputError("the limits of the search make no sense", where="plan.json, proof.limits", fix=fix)
    return SolveLimits(time_s=None if time_s is None else float(time_s), iterations=int(iterations), seed=int(seed or 0))


def stored_settings(record: dict[str, Any]) -> dict[str, Any]:
    """Return the settings that a plan says it was made with, with lists as property.toml would give them."""
    settings: dict[str, Any] = _as_lists(record)
    return settings


def _as_lists(value: Any) -> Any:
    """Return free values with lists in place of tuples, as JSON and TOML have them."""
    if isinstance(value, list | tuple):
        return [_as_lists(item) for item in value]
    if isinstance(value, dict):
        return {key: _as_lists(item) for key, item in value.items()}
    return value


def _chances(problem: PlacementProblem) -> dict[tuple[str, str], float]:
    sensors, nodes = [s.id for s in problem.sensors], [n.id for n in problem.nodes]
    found: dict[tuple[str, str], float] = {}
    for links, starts in ((problem.access, sensors), (problem.backhaul, nodes)):
        for start, end, chance in zip(links.start.tolist(), links.end.tolist(), links.chance.tolist(), strict=True):
            found[starts[start], nodes[end]] = max(chance, found.get((starts[start], nodes[end]), 0.0))
    return found


def _route(devices: tuple[str, ...], chances: dict[tuple[str, str], float]) -> Route:
    return Route(tuple(devices[1:]), math.prod(chances.get(hop, 0.0) for hop in pairwise(devices)))
