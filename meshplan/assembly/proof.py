"""What is known of how good a plan is, as a record and in a sentence."""

from __future__ import annotations

from dataclasses import asdict, is_dataclass

from meshplan.planning.problem import MONEY_UNITS, PlacementResult
from meshplan.records import Proof

NOT_CERTIFIED = "Bound from the solver, not certified."

LEFT_OUT_UNPROVEN = (
    "Who is left out for want of airtime was found by a short search, the least important first; that no fewer would do is not "
    "proven."
)

ONE_ROUTE_UNPROVEN = (
    "Who goes without a second route for want of airtime was settled one device after the other; that no fewer need to is not "
    "proven."
)


def proof_record(result: PlacementResult) -> Proof:
    """Return the proof of a result: what the plan costs, what no plan can cost less than, and who says so."""
    return Proof(
        cost=result.plan.cost,
        lower_bound=result.solver_bound,
        gap=result.gap,
        optimal=result.proven,
        sentence=proof_sentence(result),
        certified_bound=result.certified_bound,
        certificate=_as_record(result.certificate),
        limits={"time_s": result.limits.time_s, "iterations": result.limits.iterations, "seed": result.limits.seed},
        versions=dict(result.versions),
        stopped=result.stopped,
    )


LEAST_TOLD = 0.001
"""A smaller share that may be saved is told as this: it is never written as none where nothing is proven."""


def proof_sentence(result: PlacementResult) -> str:
    """Return how good the plan is in words; where the bound does not follow from the certificate, that is said."""
    unworthy = any(miss.reason == "not worth its cost" for miss in result.plan.unserved)
    if result.proven and not result.plan.served:
        none = "no optional sensor is worth its cost" if unworthy else "no sensor can be served"
        if unworthy and any(miss.reason != "not worth its cost" for miss in result.plan.unserved):
            none += ", and no other can be served"
        sentences = [f"Proven: with the offered sites, heights and routes, and within the limits set, {none}."]
    elif result.proven:
        sentences = ["Proven: no other choice of the offered sites, heights and routes serves these sensors for less."]
    else:
        # The bound counts the worth of what is left out; what serves the same sensors leaves out the same.
        least = max(result.solver_bound - result.plan.forgone, 0.0)
        cheaper = max(1.0 - least / result.plan.cost if result.plan.cost > least else 0.0, LEAST_TOLD)
        sentences = [
            f"No plan that serves these sensors can be more than {cheaper:.1%} cheaper: at least {least:.2f} must be spent."
        ]
    if result.certified_bound < result.solver_bound - 0.5 / MONEY_UNITS:
        sentences.append(NOT_CERTIFIED)
    if any(miss.reason == "airtime is full" for miss in result.plan.unserved):
        sentences.append(LEFT_OUT_UNPROVEN)
    if "airtime is full" in result.plan.single_reasons:
        sentences.append(ONE_ROUTE_UNPROVEN)
    if result.stopped == "interrupted":
        sentences.append("The search was stopped by hand.")
    elif result.stopped == "time limit":
        sentences.append("The search ended at its time limit; a longer one may find a cheaper plan.")
    return " ".join(sentences)


def _as_record(certificate: object) -> dict[str, object]:
    return asdict(certificate) if is_dataclass(certificate) and not isinstance(certificate, type) else {}
