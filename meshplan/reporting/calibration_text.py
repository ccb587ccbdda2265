"""A calibration, the verdicts it changed and the next walk, as plain text for the command line."""

from __future__ import annotations

import math
from collections.abc import Sequence

from meshplan.records.measurement import Calibration, Parameter, ResidualLine, VerdictChange, Walk
from meshplan.reporting.words import count, metres, number

MOST_CAUSES = 14


def calibration_text(calibration: Calibration) -> str:
    """Return what was learned: errors before and after, causes with intervals, and what to be wary of."""
    lines = [_head(calibration), ""]
    if calibration.residuals:
        lines += ["Measured minus predicted, dB (mean ± spread)", *(_residual(line) for line in calibration.residuals), ""]
    if calibration.left_out is not None:
        lines += [*_left_out(calibration), ""]
    lines += [*_causes(calibration), *_errors(calibration)]
    for title, sentences in (("Be wary", calibration.warnings), ("Noticed in the files", calibration.notes)):
        if sentences:
            lines += ["", title, *(f"  - {sentence}" for sentence in sentences)]
    return "\n".join(lines) + "\n"


def changes_text(changes: Sequence[VerdictChange]) -> str:
    """Return which verdicts changed and why."""
    if not changes:
        return "No verdict changed.\n"
    better = sum(change.better for change in changes)
    head = f"{count(len(changes), 'verdict')} changed: {better} for the better, {len(changes) - better} for the worse."
    return "\n".join([head, *(f"  {'+' if change.better else '−'} {change.sentence}" for change in changes)]) + "\n"


def walk_text(walk: Walk) -> str:
    """Return where to measure next, in walking order."""
    if not walk.stops:
        return "\n".join(walk.notes or ("There is nowhere to measure.",)) + "\n"
    share = 100 * walk.value / walk.value_of_knowing_all if walk.value_of_knowing_all > 0 else 0.0
    lines = [
        f"Measure next at {count(len(walk.stops), 'place')}, a round of {metres(walk.length_m)}. Together they are expected to "
        f"save {number(share)} % of the wrong decisions still open."
    ]
    lines += [f"  {k}. {stop.sentence}" for k, stop in enumerate(walk.stops, start=1)]
    return "\n".join([*lines, *walk.notes]) + "\n"


def _head(calibration: Calibration) -> str:
    """Return what went in."""
    files = f" from {', '.join(calibration.files)}" if calibration.files else ""
    links = calibration.heard + calibration.not_heard
    silent = f", {calibration.not_heard} of them tried and not heard" if calibration.not_heard else ""
    return f"{count(calibration.readings, 'reading')}{files}: {count(links, 'link')}{silent}."


def _residual(line: ResidualLine) -> str:
    """Return one environment."""
    return (
        f"  {line.environment:<18}{count(line.links, 'link'):>10}   before {_pair(line.mean_before_db, line.sd_before_db)}   "
        f"after {_pair(line.mean_after_db, line.sd_after_db)}{_against_others(line)}"
    )


def _against_others(line: ResidualLine) -> str:
    """Return how an environment differs from the others, nothing if there is only one."""
    if line.learned_low_db == line.learned_high_db or line.environment == "all":
        return ""
    interval = f"({number(line.learned_low_db, 1)} to {number(line.learned_high_db, 1)})"
    return f"   against the others {number(line.learned_db, 1)} {interval}"


def _pair(mean: float, sd: float) -> str:
    """Return mean and spread."""
    return f"{number(mean, 1):>6} ± {number(sd, 1) if math.isfinite(sd) else '?':<5}"


def _left_out(calibration: Calibration) -> list[str]:
    """Return how well a place is predicted by all others."""
    left = calibration.left_out
    assert left is not None
    lines = [
        f"Each of {left.locations} places left out in turn: predicted to {number(left.error_db, 1)} dB over links, "
        f"{number(left.error_over_readings_db, 1)} dB over single readings",
        f"  before calibration {number(left.before_db, 1)} and {number(left.before_over_readings_db, 1)} dB",
    ]
    if math.isfinite(left.distance_only_db):
        lines.append(
            f"  a plain fit on distance {number(left.distance_only_db, 1)} and {number(left.distance_only_over_readings_db, 1)} dB"
        )
    lines.append(f"  {number(100 * left.inside_90)} % of left-out links lie inside their 90 % interval")
    return lines


def _causes(calibration: Calibration) -> list[str]:
    """Return the causes about which the readings said something, the strongest first."""
    informed = [p for p in calibration.parameters if p.informed]
    ranked = sorted(informed, key=lambda p: (-abs(p.mean) / max(p.sd, 1e-9), p.name))
    lines = ["What the readings say (90 % interval)", *(_cause(p) for p in ranked[:MOST_CAUSES])]
    if len(ranked) > MOST_CAUSES:
        lines.append(f"  and {len(ranked) - MOST_CAUSES} more, see the file")
    return lines if ranked else ["The readings say next to nothing about any cause."]


def _cause(parameter: Parameter) -> str:
    """Return one cause with its interval."""
    decimals = 2 if parameter.unit in ("dB per m", "dB per dB", "share") else 1
    low, mean, high = (number(value, decimals) for value in (parameter.low, parameter.mean, parameter.high))
    return f"  {parameter.name:<22}{mean:>7}  ({low} to {high}) {parameter.unit}: {parameter.meaning}"


def _errors(calibration: Calibration) -> list[str]:
    """Return what was learned about the size of errors."""
    factors = calibration.factors
    alike = f"; neighbours within about {metres(factors.correlation_m)} err alike" if factors.correlation_m > 0 else ""
    return [
        f"Single links differ {number(factors.own, 2)} times as much as the engine expected "
        f"({number(factors.own_low, 2)} to {number(factors.own_high, 2)}){alike}."
    ]
