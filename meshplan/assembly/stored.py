"""A stored plan back as a placement, so that it can be verified against the links computed anew."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Any

from meshplan.errors import InputError
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
    """Return the certificate kept in a plan record; an empty record proves nothing.

    Values are passed on as they are written, for the checker to judge: nothing is rounded, cut off or read kindly here.

    Raises
    ------
    InputError
        When the record is not built like a certificate.
    """
    try:
        unknown = sorted(set(record) - {"bound_units", "scale", "served", "rows", "site_prices", "branches", "sieves"})
        if unknown:
            raise KeyError(unknown[0])
        return Certificate(
            bound_units=record.get("bound_units", 0),
            scale=record.get("scale", 1),
            served=tuple(_list(record.get("served", []))),
            rows=tuple(_row(row) for row in _list(record.get("rows", []))),
            site_prices=_tuples(record.get("site_prices", [])),
            branches=tuple(_branch(branch) for branch in _list(record.get("branches", []))),
            sieves=tuple(_branch(sieve) for sieve in _list(record.get("sieves", []))),
        )
    except (AttributeError, KeyError, TypeError) as error:
        text = f"the certificate of the plan is not built like one ({type(error).__name__}: {error})"
        raise InputError(text, where="plan.json, proof.certificate", fix="Make the plan again.") from error


def _row(row: dict[str, Any]) -> CutRow:
    return CutRow(row["sensor_id"], row["weight"], row["need"], _tuples(row["members"]), row.get("without", ""))


def _branch(branch: dict[str, Any]) -> CertificateBranch:
    return CertificateBranch(_tuples(branch["decisions"]), _tuples(branch["weights"]), _tuples(branch.get("site_prices", [])))


def _tuples(parts: Any) -> Any:
    return tuple(tuple(_list(part)) for part in _list(parts))


def _list(value: Any) -> Any:
    if not isinstance(value, list | tuple):
        raise TypeError(f"{value!r:.40} is no list")
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
