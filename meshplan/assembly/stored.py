"""A stored plan back as a placement, so that it can be verified against the links computed anew."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from meshplan.planning.problem import (
    Certificate,
    CertificateBranch,
    CutRow,
    PlacementPlan,
    PlacementProblem,
    Route,
    ServedSensor,
    UnservedSensor,
)
from meshplan.records import Plan, Role


def stored_placement(plan: Plan, problem: PlacementProblem) -> PlacementPlan:
    """Return the placement that a plan record describes; a link that the problem lacks has chance 0."""
    chances = _chances(problem)
    covered = {sensor.id for sensor in problem.sensors if sensor.second_route} if problem.redundancy != "none" else set()
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
        single_route=tuple(sensor.sensor_id for sensor in served if sensor.second is None and sensor.sensor_id in covered),
    )


def stored_certificate(record: dict[str, Any]) -> Certificate:
    """Return the certificate kept in a plan record; an empty record proves nothing."""
    rows = tuple(
        CutRow(
            row["sensor_id"],
            int(row["weight"]),
            int(row["need"]),
            tuple((name, int(level)) for name, level in row["members"]),
            row.get("without", ""),
        )
        for row in record.get("rows", ())
    )
    return Certificate(
        bound_units=int(record.get("bound_units", 0)),
        scale=int(record.get("scale", 1)),
        served=tuple(record.get("served", ())),
        rows=rows,
        site_prices=_prices(record),
        branches=tuple(
            CertificateBranch(
                tuple((name, int(level), bool(opened)) for name, level, opened in branch["decisions"]),
                tuple((int(row), int(weight)) for row, weight in branch["weights"]),
                _prices(branch),
            )
            for branch in record.get("branches", ())
        ),
    )


def _prices(record: dict[str, Any]) -> tuple[tuple[str, int], ...]:
    return tuple((name, int(price)) for name, price in record.get("site_prices", ()))


def _chances(problem: PlacementProblem) -> dict[tuple[str, str], float]:
    sensors, nodes = [s.id for s in problem.sensors], [n.id for n in problem.nodes]
    found: dict[tuple[str, str], float] = {}
    for links, starts in ((problem.access, sensors), (problem.backhaul, nodes)):
        for start, end, chance in zip(links.start.tolist(), links.end.tolist(), links.chance.tolist(), strict=True):
            found[starts[start], nodes[end]] = max(chance, found.get((starts[start], nodes[end]), 0.0))
    return found


def _route(devices: tuple[str, ...], chances: dict[tuple[str, str], float]) -> Route:
    return Route(tuple(devices[1:]), math.prod(chances.get(hop, 0.0) for hop in pairwise(devices)))
