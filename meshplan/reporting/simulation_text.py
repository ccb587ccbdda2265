"""Simulated days in words."""

from __future__ import annotations

import math

from meshplan.records.simulation import BY_DATE, WORST, SimulatedRoute, SimulatedRun, SimulationRecord

MOST_ROUTES = 12
"""Sensors that the text lists, the worst first; the table holds all."""


def simulation_text(record: SimulationRecord) -> str:
    """Return what came of the days: what arrived, what was lost and why, delays, airtime, cells, and what slots would gain."""
    season = {BY_DATE: "leaves and crops by date", WORST: "each link in its worst season"}.get(
        record.season, f"all in '{record.season}'"
    )
    mode = ", every sensor in its fast mode" if record.fast else ""
    blocks = [f"{record.property_name}: {record.number_of_days} days simulated, {season}{mode} (seed {record.seed})."]
    blocks += [_run(run, record) for run in record.runs]
    blocks.append(record.slots_note)
    if len(record.runs) > 1:
        random, slots = record.runs[:2]
        gained = _share(slots.arrived, slots.readings) - _share(random.arrived, random.readings)
        blocks.append(
            f"Slots against random offsets: {random.frames_collided} frames of {random.frames} met another one before, "
            f"{slots.frames_collided} of {slots.frames} do with slots; {gained * 100.0:+.2f} points of the readings arrive."
        )
    blocks.append("\n".join(f"- {note}" for note in record.notes))
    return "\n\n".join(block for block in blocks if block)


def _run(run: SimulatedRun, record: SimulationRecord) -> str:
    lost = {
        "fading": sum(route.lost_by_fading for route in run.routes if not route.is_command),
        "collisions": sum(route.lost_by_collision for route in run.routes if not route.is_command),
        "receivers that were sending": sum(route.lost_receiver_sending for route in run.routes if not route.is_command),
    }
    why = ", ".join(f"{number} by {cause}" for cause, number in lost.items() if number) or "none"
    lines = [
        f"With {run.way}: {run.arrived} of {run.readings} readings arrive ({_percent(run.arrived, run.readings)}). Lost: {why}.",
        _delays(run, record),
        *(
            f"{one.channel}: on the air {one.load * 100:.3g} % of the time, planned {one.planned_load * 100:.3g} %."
            for one in run.channels
        ),
        *_over(run),
    ]
    losing = sorted(
        (route for route in run.routes if route.arrived < route.readings), key=lambda route: (route.share, route.device)
    )
    lines += ["Who loses any, worst first:"] if losing else []
    lines += [f"  {_route(route)}" for route in losing[:MOST_ROUTES]]
    lines += [f"  and {len(losing) - MOST_ROUTES} more, in the table"] if len(losing) > MOST_ROUTES else []
    shorter = [each for each in run.devices if each.life_years < 0.95 * each.planned_life_years]
    lines += [f"{each.device}: cells last {each.life_years:.1f} years, planned {each.planned_life_years:.1f}." for each in shorter]
    return "\n".join(line for line in lines if line)


def _delays(run: SimulatedRun, record: SimulationRecord) -> str:
    total = sum(run.delays)
    if not total:
        return "Nothing arrives."
    parts, so_far = [], 0
    for step, number in zip((*record.delay_steps_s, math.inf), run.delays, strict=True):
        so_far += number
        if number and math.isfinite(step):
            parts.append(f"{_percent(so_far, total)} within {step:g} s")
    return f"Delay: {', '.join(parts)}."


def _over(run: SimulatedRun) -> list[str]:
    over = [each for each in run.devices if each.airtime_share > each.duty_limit]
    return [
        f"{each.device} is on the air {each.airtime_share:.2%} of the time; {each.duty_limit:.2%} are allowed." for each in over
    ]


def _route(route: SimulatedRoute) -> str:
    what = "commands to " if route.is_command else ""
    planned = (
        "" if route.planned_share is None else f", planned {route.planned_share * 100:.1f} % in the busiest hour and worst season"
    )
    delay = f", half within {_time(route.delay_median_s)}, 95 of 100 within {_time(route.delay_95_s)}" if route.arrived else ""
    return f"{what}{route.device}: {_percent(route.arrived, route.readings)} arrive{delay}{planned}"


def _share(part: int, whole: int) -> float:
    return part / whole if whole else 0.0


def _percent(part: int, whole: int) -> str:
    """Return a share in percent, rounded down, so that a single loss shows."""
    return f"{math.floor(10_000.0 * _share(part, whole)) / 100.0:g} %"


def _time(seconds: float) -> str:
    return f"{seconds:.2f} s" if seconds < 10.0 else f"{seconds:.0f} s"
