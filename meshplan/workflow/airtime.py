"""How full the devices of a plan are, and who loses service when one of them fails."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from math import ceil, inf

from meshplan.assembly.routes import LinkMargins
from meshplan.assembly.running import Running, run_plan
from meshplan.assembly.traffic import AirtimeBudget, airtime_budget, usual_tries
from meshplan.links.link_table import LinkTable
from meshplan.links.mixture import link_radios
from meshplan.planning.explain import FailureEffect, what_loses_service, without_second_airtime
from meshplan.planning.problem import PlacementPlan, PlacementProblem
from meshplan.planning.rebuild import rebuild_plan
from meshplan.workflow.prepare import Prepared

MOST_AIRTIME_ROUNDS = 3
"""Times that a plan is made anew because its repeats and commands take more airtime than was counted on."""

NO_WORRY = 0.5
"""Where all devices of a plan together are less full than this part of one, none of them can be too full for another (own choice:
repeats may double)."""


def overfull(prepared: Prepared, links: LinkTable, plan: PlacementPlan, share: float) -> float:
    """Return how far the fullest device of a plan exceeds what it may fill, as a factor; 1 where none does.

    `share` is the part of what the rules allow that devices may fill.
    """
    return how_overfull(running_of(prepared, links, plan), plan, share)


def running_of(prepared: Prepared, links: LinkTable, plan: PlacementPlan) -> Running:
    """Return what running a plan costs each of its devices."""
    settings, catalogue, radios = prepared.found.settings, prepared.base.catalogue, link_radios(links)
    return run_plan(plan, links.stations, LinkMargins.of(links), catalogue, settings, radios, prepared.landscape)


def how_overfull(running: Running, plan: PlacementPlan, share: float) -> float:
    """Return what `overfull` returns, of a plan whose running is known."""
    most = max(_filled(running, plan), default=0.0) / share
    return most if most > 1.0 + 1e-9 else 1.0


def _filled(running: Running, plan: PlacementPlan) -> list[float]:
    """Return how full each device of a plan is in its busiest hour, as a part of what the rules allow."""
    return [
        running.duty[key].fast_duty_share / running.duty[key].duty_limit
        for key in plan.opened
        if 0.0 < running.duty[key].duty_limit < 1.0
    ]


def airtime_of(prepared: Prepared, links: LinkTable, share: float, airtime_factor: float) -> AirtimeBudget:
    """Return loads and room where devices may fill a share of what the rules allow; the factor is that of `placement_problem`."""
    wish = prepared.found.settings.radio_settings
    tries = {key: value * airtime_factor for key, value in usual_tries(links).items()}
    return airtime_budget(links.stations, prepared.base.catalogue.region, wish.licence, wish.accepts, share, tries)


def at_the_limit(prepared: Prepared, links: LinkTable, problem: PlacementProblem, airtime_factor: float) -> PlacementProblem:
    """Return a problem with all the airtime that the rules allow, of which plans keep half free where they can."""
    budget = airtime_of(prepared, links, 1.0, airtime_factor)
    return replace(
        problem,
        sensors=tuple(replace(sensor, load=budget.load.get(sensor.id, 0.0)) for sensor in problem.sensors),
        nodes=tuple(replace(node, capacity=budget.capacity.get(node.id, inf)) for node in problem.nodes),
    )


def lost_by_failure(
    prepared: Prepared, links: LinkTable, problem: PlacementProblem, plan: PlacementPlan, airtime_factor: float
) -> dict[str, tuple[str, ...]]:
    """Return the sensors that lose service when each device of a plan fails: those without a way, and those without airtime.

    What is left may fill all that the rules allow. Whether it can carry those that must take another way is judged by the routes
    that they then take, repeats and all, as the plan itself is judged.
    """
    limited = at_the_limit(prepared, links, problem, airtime_factor)
    found = {effect.node_id: effect for effect in what_loses_service(limited, plan)}
    if sum(_filled(running_of(prepared, links, plan), plan)) > NO_WORRY:
        for node_id, effect in found.items():
            found[node_id] = _with_airtime(prepared, links, problem, plan, effect, airtime_factor)
    return {node_id: effect.lost for node_id, effect in found.items()}


def second_routes_without_airtime(
    prepared: Prepared, links: LinkTable, problem: PlacementProblem, plan: PlacementPlan, airtime_factor: float
) -> tuple[str, ...]:
    """Return the sensors whose second route a plan promises, though there is no airtime for it when a certain device fails.

    Of the devices with such sensors the first one by name counts: planned anew without theirs, the others may have room.
    """
    if problem.redundancy == "none" or not problem.has_capacity or not any(item.second is not None for item in plan.served):
        return ()
    lost = lost_by_failure(prepared, links, problem, plan, airtime_factor)
    each = (without_second_airtime(problem, plan, {node: lost[node]}) for node in sorted(lost))
    return next((names for names in each if names), ())


def _with_airtime(
    prepared: Prepared,
    links: LinkTable,
    problem: PlacementProblem,
    plan: PlacementPlan,
    effect: FailureEffect,
    factor: float,
) -> FailureEffect:
    """Return the effect of a failure with the airtime that the new routes take."""
    for _ in range(MOST_AIRTIME_ROUNDS):
        if not effect.rerouted:
            break
        limited = at_the_limit(prepared, links, problem, factor)
        kept = {item.sensor_id for item in plan.served} - set(effect.lost)
        after = _after_failure(limited, plan, effect.node_id, kept)
        full = 1.0 if after is None else overfull(prepared, links, after, 1.0)
        if full <= 1.0:
            break
        factor = ceil(factor * full * 1e6) / 1e6
        (effect,) = what_loses_service(at_the_limit(prepared, links, problem, factor), plan, only=(effect.node_id,))
    return effect


def _after_failure(problem: PlacementProblem, plan: PlacementPlan, failed: str, kept: Collection[str]) -> PlacementPlan | None:
    """Return the plan that is left when a device has failed, with the sensors that keep service."""
    sensors = tuple(replace(sensor, required=True, left_out=sensor.id not in kept) for sensor in problem.sensors)
    single = replace(problem, sensors=sensors, redundancy="none")
    return rebuild_plan(single, [name for name in plan.opened if name != failed], kept, ())
