"""What a plan says of the search that made it: what contradicts the rest of it, and what nothing in the folder can tell."""

from __future__ import annotations

import re
from typing import Final

from meshplan import __version__
from meshplan.planning.solve import software_versions
from meshplan.records import Plan, Proof

STOPS: Final = ("proven", "iteration limit", "time limit", "interrupted")
"""Ways in which a search ends."""

LIMITS: Final = ("iterations", "seed", "time_s")

_VERSION: Final = re.compile(r"\d+(\.\w+)*([+-][\w.]+)?")


def search_faults(plan: Plan) -> list[str]:
    """Return where the fields about the search and the software contradict each other, or are none."""
    proof, installed = plan.proof, dict(software_versions())
    faults = [f"proof.limits has no {name}" for name in LIMITS if name not in proof.limits]
    faults += [f"proof.limits.{name} is nothing that limits a search" for name in proof.limits if name not in LIMITS]
    faults += _stop_faults(proof)
    named = {"version": plan.version, **{f"proof.versions.{name}": text for name, text in proof.versions.items()}}
    faults += [f"{path} says {text[:60]!r}, which is no version" for path, text in named.items() if not _VERSION.fullmatch(text)]
    faults += [f"proof.versions has no {name}" for name in installed if name not in proof.versions]
    return faults + [f"proof.versions.{name} is no part of the search" for name in proof.versions if name not in installed]


def _stop_faults(proof: Proof) -> list[str]:
    stopped = proof.stopped
    if stopped not in STOPS:
        return [f"proof.stopped says {stopped[:60]!r}; a search ends as {', '.join(STOPS)}"]
    if proof.optimal != (stopped == "proven"):
        return [f"proof.stopped says {stopped!r}, and the plan is {'' if proof.optimal else 'not '}said to be proven"]
    if stopped == "time limit" and proof.limits.get("time_s") is None:
        return ["proof.stopped says 'time limit', and proof.limits names none"]
    return []


def not_told(plan: Plan) -> tuple[str, ...]:
    """Return the fields about the search that the folder cannot confirm; versions only where they are not those at work here."""
    other = [f"version ({plan.version}; this is {__version__})"] if plan.version != __version__ else []
    installed = dict(software_versions())
    if dict(plan.proof.versions) != installed:
        changed = [f"{name} {text}" for name, text in plan.proof.versions.items() if installed.get(name) != text]
        other.append(f"proof.versions ({', '.join(changed)}; here {', '.join(f'{n} {installed[n]}' for n in sorted(installed))})")
    return (*other, "proof.limits", *(() if plan.proof.optimal else ("proof.stopped",)))
