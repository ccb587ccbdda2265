"""Does a stored plan hold? Everything it says is worked out anew from the folder, and compared field by field."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path
from shlex import quote
from typing import Any, Final

from meshplan.assembly.alternatives import Alternatives, asks_for_all, look_at_alternatives, option_sentence, price_sentence
from meshplan.assembly.differences import plan_differences
from meshplan.assembly.stored import stored_certificate, stored_limits, stored_placement, stored_settings
from meshplan.assembly.unserved import SECOND_REASONS
from meshplan.errors import InputError
from meshplan.explain.remedies import Correct
from meshplan.inputs.file_hashes import hash_inputs
from meshplan.links.link_table import LinkTable
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.planning.certificate import check_certificate
from meshplan.planning.problem import MONEY_UNITS, Certificate, PlacementPlan, PlacementProblem, PlacementResult, SolveLimits
from meshplan.planning.rebuild import rebuild_plan, service_of
from meshplan.planning.solve import solve_placement
from meshplan.planning.verify import verify_plan
from meshplan.records import Plan
from meshplan.reporting.check_text import CheckReport
from meshplan.workflow.airtime import at_the_limit, overfull, second_routes_without_airtime
from meshplan.workflow.better_radio import better_radio
from meshplan.workflow.learned import CALIBRATION_FILE, correction_as_asked
from meshplan.workflow.plan import (
    compute_all_links,
    plan_with_links,
    problem_and_share,
    solve_within_airtime,
    write_up,
)
from meshplan.workflow.prepare import Prepared, prepare_property, refuse_unlawful
from meshplan.workflow.told_of_search import not_told, search_faults

COMPARED_ELSEWHERE: Final = ("inputs", "proof.certificate")
"""Files are compared by their hashes, the certificate is checked row by row."""

NEEDS_THE_SOLVER: Final = ("gateway_options", "redundancy_prices", "what_more_buys", "better_radio")
"""Other plans that a plan is compared with; of larger properties only `--again` works them out too."""

FEW_NODES: Final = 40
"""Candidates up to which other plans are always worked out: they take seconds then (own choice)."""

NOT_COMPARED: Final = ("version", "proof.versions", "proof.limits", "proof.stopped")
"""What software is said to have searched, and for how long: `told_of_search` tells what of it cannot be."""

NEVER_COVERED: Final = (
    "which of equally cheap plans was taken",
    "the table 'precision' on top of plan.json",
    "the files beside it (map, report, tables, exports)",
)
"""What the check says plainly that it does not look at."""

CENT: Final = 0.5 / MONEY_UNITS
"""Costs are whole thousandths; less is rounding."""

LEAST_SEARCH_S: Final = 60.0
"""Time that the check gives at least to a search that the plan says was made against the clock (own choice)."""


@dataclass(frozen=True, eq=False)
class _Ground:
    """What follows from the folder and the settings of the plan."""

    prepared: Prepared
    links: LinkTable
    problem: PlacementProblem
    share: float
    """Part of what the rules allow that devices may fill."""
    notes: tuple[str, ...]
    limits: SolveLimits
    correct: Correct
    """What corrected the links."""


def check_plan(
    folder: Path, plan: Plan, *, radio: str | None = None, overrides: dict[str, Any] | None = None, again: bool = False
) -> CheckReport:
    """Return whether a stored plan holds: what it says is worked out anew from the folder, with the settings that it was made with.

    Checked: the files by their hashes; every device, route, cost and power rule by plain search; the bound by its certificate, in
    whole numbers and without the solver; and every other field of the record, which is made again from the devices chosen and
    compared (`assembly.differences` says how closely). Where the certificate does not carry a claim - that no sensor more can be
    served, or a bound that rests on the solver - the search is made again.

    Parameters
    ----------
    folder : Path
        The property that the plan was made from.
    plan : Plan
    radio : str, optional
        The class that the plan is taken to be made with: another one is refused.
    overrides : dict, optional
        Settings that the plan must keep beside those that it says it was made with.
    again : bool
        Whether to plan again too, and compare what only the solver tells: other gateways, prices of second routes, more hops,
        another class. With few candidates that is always done, from the devices of the plan.
    """
    _refuse_another_radio(folder, plan, radio)
    ground = _ground(folder, plan, overrides or {})
    problem = ground.problem
    certificate = stored_certificate(plan.proof.certificate)
    stored = stored_placement(plan, problem)
    faults = [*search_faults(plan), *_changed_files(plan, ground), *verify_plan(problem, stored)]
    known = all(name in problem.node_index for name in stored.opened) and len(set(stored.opened)) == len(stored.opened)
    warnings: list[str] = []
    proven_units = 0
    rebuilt: PlacementPlan | None = None
    if known:
        proven_units, more = _certified(problem, certificate, stored)
        faults += more
        rebuilt = rebuild_plan(
            problem,
            stored.opened,
            {item.sensor_id for item in stored.served},
            set(stored.single_route),
            seed=ground.limits.seed,
        )
        if rebuilt is None:
            faults.append("the devices cannot carry these sensors within the airtime that the rules allow")
        else:
            more, warnings = _claims(problem, plan, rebuilt, proven_units, ground.limits)
            faults += more
            faults += _other_fields(ground, plan, rebuilt, certificate, proven_units, again=again)
    faults += _unfounded_factor(plan, ground, rebuilt)
    proven = proven_units / MONEY_UNITS
    worth = ", what the optional sensors left out are worth counted" if proven > plan.proof.cost + CENT else ""
    settings = {**({"radio": plan.made_with.radio} if plan.made_with.radio else {}), **ground.prepared.base.overrides}
    made = [f"{key} = {value}" for key, value in settings.items()]
    made += ["what readings taught (--calibrated)"] if plan.made_with.calibrated else []
    skipped = [*(() if again or _is_quick(ground) else NEEDS_THE_SOLVER), *not_told(plan), *NEVER_COVERED]
    return CheckReport(
        title=f"{plan.property_name}: the plan {'holds' if not faults else 'does not hold'}",
        good=not faults,
        facts=(
            ("made with", ", ".join(made) or "property.toml as it is"),
            ("files", f"{len(plan.inputs)} compared by their SHA-256 hashes"),
            ("routes", f"{len(plan.routes)} checked link by link"),
            ("cost", f"{plan.proof.cost:.2f} {plan.currency}"),
            ("certified bound", f"{proven:.2f} {plan.currency}, from {_evidence(plan.proof.certificate)}{worth}"),
            ("solver's bound", f"{plan.proof.lower_bound:.2f} {plan.currency}"),
            ("not covered", ", ".join(skipped)),
        ),
        assumptions=ground.notes,
        warnings=tuple(warnings),
        faults=tuple(dict.fromkeys(faults)),
    )


def _refuse_another_radio(folder: Path, plan: Plan, radio: str | None) -> None:
    made = plan.made_with.radio or plan.radio.key
    if radio is not None and radio not in (made, plan.radio.key):
        raise InputError(
            f"the plan was made with {made}, not with {radio}",
            where="--radio",
            fix=f"Leave --radio out to check it, or plan with the other class: meshplan plan {quote(folder.name)} --radio {radio}",
        )


def _ground(folder: Path, plan: Plan, overrides: dict[str, Any]) -> _Ground:
    settings = {**stored_settings(plan.made_with.settings), **overrides}
    prepared = prepare_property(folder, radio=plan.made_with.radio or None, overrides=settings)
    refuse_unlawful(prepared)
    links = compute_all_links(prepared, error_fields=draw_error_fields(prepared.landscape))
    correct, notes = correction_as_asked(
        prepared.found.folder, prepared.landscape.grid.crs, calibrated=plan.made_with.calibrated, command="plan"
    )
    links = correct(links)
    stated = plan.made_with.airtime_factor
    problem, share = problem_and_share(prepared, links, stated if 1.0 <= stated < math.inf else 1.0, _once(plan))
    return _Ground(prepared, links, problem, share, notes, stored_limits(plan.proof.limits), correct)


def _once(plan: Plan) -> frozenset[str]:
    """Return the sensors of which a plan says that there is no airtime for their second route."""
    return frozenset(miss.sensor for miss in plan.single_routes if miss.reason == SECOND_REASONS["airtime is full"])


def _unfounded_factor(plan: Plan, ground: _Ground, rebuilt: PlacementPlan | None) -> list[str]:
    """Tell if the plan keeps more or less airtime free than the search that it says was made; few plans keep more.

    The same of second routes that there is no airtime for: those that the plan promises all the same, and those that it gives up.

    A search that keeps the usual airtime ends there only if no device of its plan is fuller than was counted on.
    """
    stated = plan.made_with.airtime_factor
    once, promised = (
        _once(plan),
        (
            ()
            if rebuilt is None
            else second_routes_without_airtime(ground.prepared, ground.links, ground.problem, rebuilt, max(stated, 1.0))
        ),
    )
    if promised:
        return [
            f"{', '.join(promised)}: the plan promises a second route, which the devices left have no airtime for when one fails"
        ]
    if not once and stated == 1.0 and (rebuilt is None or overfull(ground.prepared, ground.links, rebuilt, ground.share) <= 1.0):
        return []
    problem, _, found = solve_within_airtime(ground.prepared, ground.links, limits=ground.limits)
    faults = (
        [] if found == stated else [f"the plan keeps {stated:g} times the usual airtime free for a reading; it should be {found:g}"]
    )
    without = {sensor.id for sensor in problem.sensors if sensor.one_route}
    if once != without and once:
        faults.append(
            f"the plan says that there is no airtime for a second route of {', '.join(sorted(once))}; it should name "
            f"{', '.join(sorted(without)) or 'nobody'}"
        )
    return faults


def _changed_files(plan: Plan, ground: _Ground) -> list[str]:
    """Tell which files are not those that the plan was made from."""
    if not plan.inputs:
        return ["the plan does not name the files that it was made from: make it again"]
    found = ground.prepared.found
    now = hash_inputs(found.folder, found.settings, more=(CALIBRATION_FILE,) if plan.made_with.calibrated else ())
    before, after = ({file.name: file.sha256 for file in files} for files in (plan.inputs, now))
    faults = [f"{name} has changed since the plan was made" for name in before if name in after and before[name] != after[name]]
    faults += [f"{name}, which the plan was made from, is not read any more" for name in before if name not in after]
    return faults + [f"{name} is read now, and the plan was made without it" for name in after if name not in before]


def _certified(problem: PlacementProblem, certificate: Certificate | None, stored: PlacementPlan) -> tuple[int, list[str]]:
    """Return the bound that the certificate proves, in thousandths of the currency unit, and what is wrong with it."""
    if certificate is None:
        return 0, []
    result = check_certificate(problem, certificate, stored)
    return (result.bound_units if not result.faults else 0), list(result.faults)


def _claims(
    problem: PlacementProblem, plan: Plan, rebuilt: PlacementPlan, proven_units: int, limits: SolveLimits
) -> tuple[list[str], list[str]]:
    """Return what is wrong with what the plan says of itself, and what could not be confirmed."""
    proof, currency = plan.proof, plan.currency
    total, proven = rebuilt.cost + rebuilt.forgone, proven_units / MONEY_UNITS
    faults = []
    if not proof.certified_bound <= proven + CENT:
        faults.append(
            f"the plan claims a certified bound of {_exact(proof.certified_bound)} {currency}, its certificate proves "
            f"{_exact(proven)}"
        )
    if not math.isfinite(proof.lower_bound) or proof.lower_bound > total + CENT:
        faults.append(f"the plan claims a lower bound of {_exact(proof.lower_bound)} {currency}, and itself costs {_exact(total)}")
        return faults, []
    if proof.optimal and proof.lower_bound < total - CENT:
        faults.append(
            f"the plan claims to be the cheapest, with a bound of {_exact(proof.lower_bound)} {currency} below its {_exact(total)}"
        )
    lacking = {miss.sensor_id for miss in rebuilt.unserved if miss.reason in _A_CHOICE}
    lacking |= {name for name, why in zip(rebuilt.single_route, rebuilt.single_reasons, strict=True) if why in _A_CHOICE}
    required = {sensor.id for sensor in problem.sensors if sensor.required}
    if proof.lower_bound <= proven + CENT and not lacking & required:
        return faults, []
    return _search_again(problem, plan, rebuilt, limits, faults)


_A_CHOICE: Final = ("airtime is full", "budget is spent", "one mast per site")
"""Reasons that speak of all sensors together; no certificate covers them."""


def _search_again(
    problem: PlacementProblem, plan: Plan, rebuilt: PlacementPlan, limits: SolveLimits, faults: list[str]
) -> tuple[list[str], list[str]]:
    """Compare with a new search what rests on the solver's word."""
    proof, currency = plan.proof, plan.currency
    total = rebuilt.cost + rebuilt.forgone
    other = solve_placement(problem, limits=_own_effort(limits))
    mine, best = service_of(problem, rebuilt), service_of(problem, other.plan)
    if best[:2] > mine[:2]:
        served, single = {item.sensor_id for item in rebuilt.served}, set(rebuilt.single_route)
        more = [item.sensor_id for item in other.plan.served if item.sensor_id not in served]
        twice = sorted(single & {item.sensor_id for item in other.plan.served} - set(other.plan.single_route))
        what = [f"{', '.join(more)} can be served" if more else "", f"{', '.join(twice)} can have two routes" if twice else ""]
        stated = " and ".join(word for word in what if word) or "more important sensors can be served"
        faults.append(f"{stated} within the limits set; the plan says that this cannot be")
    elif best[:2] == mine[:2] and -best[2] < total - CENT and (proof.optimal or proof.lower_bound > -best[2] + CENT):
        faults.append(
            f"the same can be had for {_exact(-best[2])} {currency}; the plan claims that nothing costs below "
            f"{_exact(proof.lower_bound)}"
        )
    elif best[:2] == mine[:2] and proof.lower_bound > other.solver_bound + CENT:
        faults.append(
            f"the bound of {_exact(proof.lower_bound)} {currency} rests on the solver, which now reaches "
            f"{_exact(other.solver_bound)} "
            "only: not confirmed"
        )
    elif proof.optimal and not other.proven:
        faults.append("the plan is said to be proven, on the word of the solver, which could not prove it now: not confirmed")
    else:
        return faults, [f"The bound of {proof.lower_bound:.2f} {currency} rests on the solver, which was run again to confirm it."]
    return faults, []


def _own_effort(limits: SolveLimits) -> SolveLimits:
    """Return how long the check searches: no less than usual, whatever little the plan says was done for its claims."""
    usual = SolveLimits()
    time_s = None if limits.time_s is None else max(limits.time_s, LEAST_SEARCH_S)
    return SolveLimits(time_s=time_s, iterations=max(limits.iterations, usual.iterations), seed=limits.seed)


def _other_fields(
    ground: _Ground, plan: Plan, rebuilt: PlacementPlan, certificate: Certificate | None, proven_units: int, *, again: bool
) -> list[str]:
    """Return where the record differs from the one that is made anew from the devices chosen."""
    proof = plan.proof
    total = rebuilt.cost + rebuilt.forgone
    proven = bool(proof.optimal) and proof.lower_bound >= total - CENT
    bound = min(proof.lower_bound, total)
    result = PlacementResult(
        plan=rebuilt,
        certified_bound=proven_units / MONEY_UNITS,
        solver_bound=bound,
        gap=0.0 if proven or total <= 0 or bound >= total - CENT else (total - bound) / total,
        proven=proven,
        proven_by="",
        stopped=proof.stopped if proof.stopped in ("time limit", "iteration limit", "interrupted") and not proven else "proven",  # type: ignore[arg-type]
        certificate=certificate,
        steps=(),
        limits=ground.limits,
        versions=(),
    )
    alternatives, better = Alternatives(plan.gateway_options, plan.redundancy_prices, plan.what_more_buys), plan.better_radio
    if not again and _is_quick(ground):
        prepared, links, factor = ground.prepared, ground.links, plan.made_with.airtime_factor
        alternatives = look_at_alternatives(
            ground.problem,
            result,
            links,
            prepared.found.settings.cost.currency,
            limits=ground.limits,
            at_limit=at_the_limit(prepared, links, ground.problem, factor),
        )
        better = better_radio(prepared, links, result, problem_and_share, calibrated=plan.made_with.calibrated)
    made = write_up(
        ground.prepared,
        ground.links,
        ground.problem,
        result,
        alternatives,
        notes=ground.notes,
        calibrated=plan.made_with.calibrated,
        correct=ground.correct,
        better=better,
        airtime_factor=plan.made_with.airtime_factor,
    )
    faults = list(plan_differences(plan, made, skip=(*COMPARED_ELSEWHERE, *NOT_COMPARED)))
    faults += _contradictions(ground.problem, plan, rebuilt)
    if again:
        other = plan_with_links(
            ground.prepared,
            ground.links,
            limits=ground.limits,
            notes=ground.notes,
            calibrated=plan.made_with.calibrated,
            correct=ground.correct,
        )
        fields = {name: getattr(other.plan, name) for name in NEEDS_THE_SOLVER}
        faults += plan_differences(plan, replace(plan, **fields))
    return faults


def _is_quick(ground: _Ground) -> bool:
    """Return whether the other plans are worked out anew in seconds, and depend on no clock."""
    return len(ground.problem.nodes) <= FEW_NODES and ground.limits.time_s is None


def _contradictions(problem: PlacementProblem, plan: Plan, rebuilt: PlacementPlan) -> list[str]:
    """Tell where the other plans it is compared with contradict the plan itself, their own figures or what is proven."""
    faults = []
    bound, total, asked_twice = plan.proof.lower_bound, rebuilt.cost + rebuilt.forgone, problem.redundancy != "none"
    for option in plan.gateway_options:
        names = ", ".join(option.gateways)
        mine = set(rebuilt.opened) - set(option.gateways)
        if option.chosen and not (
            set(option.gateways) <= set(rebuilt.opened)
            and abs(option.cost - rebuilt.cost) <= CENT
            and option.sensors_served == len(rebuilt.served)
        ):
            faults.append(f"the gateway choice that is marked as chosen ({names}) is not that of the plan")
        counts = [len(mine)] if option.chosen else range(len(problem.nodes) + 1)
        single = [len(rebuilt.single_route)] if option.chosen else range(option.sensors_served + 1 if asked_twice else 1)
        told = (
            option_sentence(option.gateways, option.sensors_served, n, option.cost, plan.currency, once=once)
            for n in counts
            for once in single
        )
        if option.sentence not in told:
            faults.append(f"the sentence about the gateway choice {names} does not say what its figures say")
        if problem.redundancy == "none" and option.sensors_served >= len(problem.sensors) and option.cost < bound - CENT:
            faults.append(f"the gateway choice {names} is said to serve all for less than the bound of {bound:.2f}")
    level = problem.redundancy
    for price in plan.redundancy_prices:
        cost, doubled, own = price["cost"], price["sensors_with_second_route"], price.get("level")
        words = price_sentence(str(own), cost, doubled, plan.currency, for_all=asks_for_all(problem))
        if price["sentence"] != words:
            faults.append(f"the sentence about second routes ({own}) does not say what its figures say")
        least = price.get("lower_bound")
        if own != level or not isinstance(least, int | float):
            continue
        if least > total + CENT or (plan.proof.optimal and not rebuilt.forgone and abs(cost - rebuilt.cost) > CENT):
            faults.append(f"the price of second routes ({own}) is not that of the plan, which asks for just that")
    return faults


def _evidence(certificate: dict[str, Any]) -> str:
    cuts, branches = len(certificate.get("rows", ())), len(certificate.get("branches", ()))
    return f"{cuts} cuts" + (f" in {branches} branches" if branches else "")


def _exact(amount: float) -> str:
    """Return an amount to the thousandth that bounds are told apart by, without idle noughts."""
    text = f"{amount:.3f}"
    return text[:-1] if text.endswith("0") else text
