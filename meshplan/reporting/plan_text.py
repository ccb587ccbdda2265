"""A plan in the terminal: what it is, what it serves, what it costs, what to look at."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from shlex import quote

from meshplan.propagation.seasons import season_words
from meshplan.records import VERDICT_WORDS, Plan, Remedy, Role, Unserved
from meshplan.reporting.words import care_of, decibels, metres, number, percent

LEGAL_WORDS = {
    "licensed": "rests on your licence",
    "conditional": "within the rules ON A CONDITION",
    "accepted": "within the rules on a condition that you answer for",
    "not checked": "NOT CHECKED against any country's rules, within the careful default only",
}
"""What is said of lawful lines with a condition, by status."""


def plan_text(plan: Plan, files: Sequence[Path], folder: Path | None = None) -> str:
    """Return the plan as text: breaches of the rules and unserved sensors first, then devices, routes, cost, law, assumptions.

    With `folder` the command that shows a better class names the folder as it was given, so that it can be copied.
    """
    blocks = [
        _head(plan),
        plan.wires_note,
        plan.not_mapped,
        _breaches(plan),
        _conditions(plan),
        _starved(plan),
        _unserved(plan),
        _single_routes(plan),
        _devices(plan),
        _routes(plan),
        _commands(plan),
        _air(plan),
        _money(plan),
        _options(plan, folder),
        _law(plan),
        _assumptions(plan),
    ]
    blocks.append("Written:\n" + "\n".join(f"  {path}" for path in files))
    return "\n\n".join(block for block in blocks if block)


def plan_summary(plan: Plan, files: Sequence[Path]) -> dict[str, object]:
    """Return the plan in short for scripts; plan.json holds all of it."""
    return {
        "property": plan.property_name,
        "radio": plan.radio.key,
        "sensors": sum(device.role is Role.SENSOR for device in plan.devices),
        "served": len(plan.routes),
        "starved": list(plan.starved),
        "unserved": [
            {"sensor": miss.sensor, "missing_db": miss.missing_db, "nearest": miss.nearest, "reason": miss.reason}
            for miss in plan.unserved
        ],
        "single_routes": [
            {"sensor": miss.sensor, "missing_db": miss.missing_db, "nearest": miss.nearest, "reason": miss.reason}
            for miss in plan.single_routes
        ],
        "gateways": [device.name for device in plan.devices if device.in_plan and device.role is Role.GATEWAY],
        "relays": [device.name for device in plan.devices if device.in_plan and device.role is Role.RELAY],
        "routes": {route.sensor: list(route.devices) for route in plan.routes},
        "cost": plan.proof.cost,
        "price": plan.price,
        "running_cost_per_year": plan.running_cost_per_year,
        "horizon_years": plan.horizon_years,
        "lower_bound": plan.proof.lower_bound,
        "gap": plan.proof.gap,
        "optimal": plan.proof.optimal,
        "lawful": plan.lawful,
        "breaches": [
            {"devices": line.subject, "rule": line.rule, "detail": line.detail, "change": line.remedy}
            for line in plan.legal
            if not line.lawful
        ],
        "wires_note": plan.wires_note,
        "not_mapped": plan.not_mapped,
        "conditions": [
            {"devices": line.subject, "rule": line.rule, "condition": line.condition, "to_answer_for": list(line.to_answer_for)}
            for line in plan.legal
            if line.lawful and line.condition
        ],
        "channels": [
            {"channel": one.channel, "load": one.load, "fast_load": one.fast_load, "stable": one.stable, "sentence": one.sentence}
            for one in plan.channels
        ],
        "delivered": {route.sensor: route.delivered_chance for route in plan.routes},
        "commands": [
            {
                "device": one.device,
                "most_wait_s": one.most_wait_s,
                "wait_s": finite(one.wait_s),
                "fit": one.fit,
                "sentence": one.sentence,
                "options": [{"change": option.change, "fit": option.fit, "sentence": option.sentence} for option in one.options],
            }
            for one in plan.commands
        ],
        "better_radio": plan.better_radio,
        "assumptions": list(plan.assumptions),
        "files": [str(path) for path in files],
    }


def finite(value: float) -> float | None:
    """Return a number that JSON can hold, None for endless."""
    return value if math.isfinite(value) else None


def _head(plan: Plan) -> str:
    sensors = sum(device.role is Role.SENSOR for device in plan.devices)
    seasons = ", ".join(season_words(season.name) for season in plan.seasons)
    radios = "".join(
        f"Radio: {radio.title}, {number(radio.frequency_mhz, 1)} MHz, up to {number(radio.tx_power_dbm, 1)} dBm\n"
        for radio in (plan.radio, *plan.more_radios)
    )
    once = f", {len(plan.single_routes)} of them without the second route that was asked for" if plan.single_routes else ""
    full = f", but on a channel so full that too few readings of {len(plan.starved)} of them arrive" if plan.starved else ""
    served = f"{plan.property_name}: {len(plan.routes)} of {sensors} sensor{'s' if sensors != 1 else ''} served{once}{full}"
    return f"{served}\n{radios}Rules: {plan.country}. Seasons: {seasons}."


def _starved(plan: Plan) -> str:
    """Say which sensors have a route on which collisions let too little through."""
    poor = [route for route in plan.routes if not route.arrives]
    worst = sorted(poor, key=lambda route: (route.delivered_chance or 0.0, route.sensor))
    if not worst:
        return ""
    lines = ["TOO FULL: readings collide, and in the busiest hour fewer arrive than was asked."]
    for route in worst[:3]:
        lines.append(f"  {route.sensor}: {percent(route.delivered_chance or 0.0)} of its readings arrive")
    lines += [f"  and {len(worst) - 3} more (tables/routes.csv)"] if len(worst) > 3 else []
    lines.append("  Report less often, take a faster setting, or give some of them another channel.")
    return "\n".join(lines)


def _unserved(plan: Plan) -> str:
    if not plan.unserved:
        return ""
    return "\n".join(["Not served:", *(line for miss in plan.unserved for line in _miss(miss)), *_care(plan.unserved)])


def _single_routes(plan: Plan) -> str:
    if not plan.single_routes:
        return ""
    lines = [line for miss in plan.single_routes for line in _miss(miss)]
    return "\n".join(["One route only, where two were asked for:", *lines, *_care(plan.single_routes)])


def _care(misses: Sequence[Unserved]) -> list[str]:
    """Return the safety texts that go with the advice shown for some sensors, each once."""
    care = care_of(best for miss in misses if (best := _best(miss)) is not None)
    return ["    before you raise anything:", *(f"    - {words}" for words in care)] if care else []


def _best(miss: Unserved) -> Remedy | None:
    """Return the advice that a terminal has room for."""
    return next((remedy for remedy in miss.remedies if remedy.suffices), next(iter(miss.remedies), None))


def _miss(miss: Unserved) -> list[str]:
    """Return what a sensor lacks and what would mend it; decibels only where some are missing."""
    lack = f", {decibels(miss.missing_db)} short to {miss.nearest}" if miss.nearest and miss.missing_db > 0.0 else ""
    lines = [f"  {miss.sensor}: {miss.reason}{lack}"]
    best = _best(miss)
    if best is not None:
        gain = f"+{decibels(best.gain_db)}" if best.gain_db > 0.0 else ""
        more = ", ".join(word for word in (gain, best.shortfall if gain or best.lacks else "") if word)
        lines.append(f"    {'would mend it' if best.suffices else 'helps most'}: {best.change}{f' ({more})' if more else ''}")
    return lines


def _devices(plan: Plan) -> str:
    lines = ["Build:"]
    for device in plan.devices:
        if device.in_plan and device.role is not Role.SENSOR:
            lines.append(
                f"  {device.role.value} {device.name}: antenna at {metres(device.antenna_agl_m)}, {device.power.value}, "
                f"{number(device.cost, 0)} {plan.currency}"
            )
            if device.reason:
                lines.append(f"    {device.reason}")
    return "\n".join(lines) if len(lines) > 1 else ""


def _routes(plan: Plan) -> str:
    if not plan.routes:
        return ""
    width = max(len(route.sensor) for route in plan.routes)
    lines = ["Routes, least certain first:"]
    for route in sorted(plan.routes, key=lambda route: (route.chance, route.sensor)):
        words = VERDICT_WORDS[min((plan.link(key) for key in route.links), key=lambda link: link.chance).verdict]
        lines.append(f"  {route.sensor:<{width}}  {percent(route.chance):>10}  {' → '.join(route.devices[1:])}  ({words})")
        if route.second_devices:
            lines.append(f"  {'':<{width}}  {'second':>10}  {' → '.join(route.second_devices[1:])}")
        elif route.second_note:
            lines.append(f"  {'':<{width}}  {'second':>10}  {route.second_note}")
    return "\n".join(lines)


def _commands(plan: Plan) -> str:
    """Say of every device that acts on command whether it hears in time, and what would do better."""
    lines = ["Commands:"] if plan.commands else []
    for one in plan.commands:
        lines.append(f"  {one.sentence}")
        lines += [f"    {option.sentence}" for option in one.options]
        lines += [f"    {must}" for must in one.must]
    return "\n".join(lines)


def _air(plan: Plan) -> str:
    """Say what each channel carries, and what one reading takes on the hop that repeats most."""
    if not plan.channels:
        return ""
    lines = ["On the air:", *(f"  {channel.sentence}" for channel in plan.channels)]
    hops = [hop for route in plan.routes for hop in route.hops]
    if hops:
        worst = max(hops, key=lambda hop: (hop.fast_mean_tries, hop.airtime_ms, hop.sender))
        confirmed = f", confirmed in {number(worst.acknowledgement_ms, 1)} ms" if worst.acknowledgement_ms else ", never confirmed"
        lines.append(
            f"  Most repeats: {worst.sender} to {worst.receiver}, {number(worst.fast_mean_tries, 2)} tries a reading; each "
            f"{number(worst.airtime_ms, 1)} ms (preamble {number(worst.preamble_ms, 1)}, header {number(worst.header_ms, 1)}, "
            f"payload {number(worst.payload_ms, 1)}, check {number(worst.check_ms, 1)}){confirmed}."
        )
    return "\n".join(lines)


def _money(plan: Plan) -> str:
    lines = [f"Cost of gateways and relays: {number(plan.price, 0)} {plan.currency}. {plan.proof.sentence}"]
    if plan.horizon_years > 0.0:
        lines[0] = (
            f"Cost of gateways and relays over {plan.horizon_years:g} years: {number(plan.proof.cost, 0)} {plan.currency}, "
            f"of which {number(plan.price, 0)} to buy. {plan.proof.sentence}"
        )
    if plan.running_costs:
        counted = "" if plan.horizon_years > 0.0 else ", not counted in the choice (cost.horizon_years)"
        lines.append(f"Running cost: {number(plan.running_cost_per_year, 0)} {plan.currency} a year{counted}:")
        lines += [f"  {cost.device}: {cost.what}, {number(cost.cost_per_year, 2)} ({cost.origin})" for cost in plan.running_costs]
    return "\n".join(lines)


def _breaches(plan: Plan) -> str:
    """Say what the rules forbid in this plan, every device by name."""
    if plan.lawful:
        return ""
    lines = ["DO NOT BUILD THIS PLAN AS IT IS: it breaks the radio rules."]
    for line in plan.legal:
        if not line.lawful:
            lines += [f"  {line.subject}: {line.detail}", f"    To comply: {line.remedy}"]
    return "\n".join(lines)


def _conditions(plan: Plan) -> str:
    """Say on which conditions the rules allow this plan that nobody answers for yet."""
    if not plan.to_answer_for:
        return ""
    lines = ["ON A CONDITION: the radio rules allow this plan only if what they ask for is true of your devices."]
    for line in plan.legal:
        if line.lawful and line.to_answer_for:
            lines += [
                f"  {shortened_list(line.subject)}: {line.condition} ({line.rule})",
                f"    {line.remedy[:1].upper()}{line.remedy[1:]}.",
            ]
    return "\n".join(lines)


def shortened_list(names: str) -> str:
    """Return a list of names with commas, only the first of it where there are many."""
    parts = names.split(", ")
    return names if len(parts) <= 3 else f"{parts[0]} and {len(parts) - 1} more"


def _options(plan: Plan, folder: Path | None = None) -> str:
    lines = [f"  {option.sentence}{'  (chosen)' if option.chosen else ''}" for option in plan.gateway_options]
    lines += [f"  {price['sentence']}" for price in plan.redundancy_prices]
    lines += [f"  {sentence}" for sentence in plan.what_more_buys]
    better = plan.better_radio
    if folder is not None and better:
        before, _, after = better.rpartition("meshplan plan ")
        better = f"{before}meshplan plan {quote(str(folder))} --radio{after.rpartition(' --radio')[2]}"
    lines += [f"  {better}"] if better else []
    return "Beside it:\n" + "\n".join(lines) if lines else ""


def _law(plan: Plan) -> str:
    lines = ["Radio rules:"]
    for line in plan.legal:
        state = LEGAL_WORDS.get(line.status, "within the rules") if line.lawful else "NOT within the rules"
        lines.append(f"  {shortened_list(line.subject)}: {state} ({line.rule}; table of {line.as_of}, {line.standing})")
        if line.lawful and line.condition:
            lines.append(f"    {line.condition}")
        if line.remedy and not line.lawful:
            lines.append(f"    To comply: {line.remedy}")
    lines.append("  A planning aid, not legal advice; check the local table.")
    return "\n".join(lines)


def _assumptions(plan: Plan) -> str:
    reported = [*plan.assumptions, *plan.unknowns]
    return "Assumed, or not known:\n" + "\n".join(f"  {line}" for line in reported) if reported else ""
