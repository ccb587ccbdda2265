"""Beyond range: can this class do what the purpose asks for? Delay, confirmation, two ways, a safe state when the link is lost."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from meshplan.errors import InputError, nearest_name
from meshplan.operation.airtime import acknowledgement_ms, time_on_air_ms
from meshplan.operation.channel import Delay
from meshplan.records.radio import RadioMode

ALARM_DELIVERY: Final = 0.995
"""Share of alarms and commands that must arrive in time (common practice, no source)."""

TREND_DELIVERY: Final = 0.95
"""Share of readings that must arrive (common practice, no source)."""

NOT_FOR_LIFE: Final = "Licence-exempt radio is never for the safety of life: it must accept interference (ERC/REC 70-03)."


@dataclass(frozen=True)
class PurposeDemand:
    """What a purpose asks of a radio."""

    key: str
    title: str
    delay_s: float
    """Longest acceptable delay."""
    update_s: float | None
    """Interval of a loop that must be refreshed all the time; None for readings and single commands."""
    payload_bytes: int
    needs_acknowledgement: bool
    needs_downlink: bool
    """Whether the far device must hear at any time."""
    delivery: float
    fail_safe: str
    """What must happen by itself when the link is lost; empty if nothing needs to."""


_ALL: Final = (
    PurposeDemand("trend", "readings for a trend", 3600.0, None, 20, False, False, TREND_DELIVERY, ""),
    PurposeDemand(
        "alarm", "an alarm (frost, flood, overflow)", 300.0, None, 8, True, False, ALARM_DELIVERY,
        "a silent sensor is an alarm in itself after three missed heartbeats, and a second path exists",
    ),
    PurposeDemand(
        "gate", "opening and closing a gate", 5.0, None, 8, True, True, ALARM_DELIVERY,
        "a gate stops by its own obstacle sensor and limit switches, never by radio",
    ),
    PurposeDemand(
        "pump", "switching a pump", 30.0, None, 8, True, True, ALARM_DELIVERY,
        "a pump stops by its own timer, float or dry-run guard when it hears nothing",
    ),
    PurposeDemand(
        "valve", "switching an irrigation valve", 30.0, None, 8, True, True, ALARM_DELIVERY,
        "a valve closes by its own timer or spring when it hears nothing",
    ),
    PurposeDemand(
        "brushed-motor", "steering the speed of a brushed motor", 0.1, 0.05, 6, True, True, ALARM_DELIVERY,
        "the motor stops within half a second when no fresh command came",
    ),
)  # fmt: skip

DEMANDS: Final[dict[str, PurposeDemand]] = {demand.key: demand for demand in _ALL}
"""Delays, updates and deliveries are common practice, no source."""


@dataclass(frozen=True)
class Suitability:
    """Whether a class serves a purpose, and why."""

    fit: bool
    purpose: str
    radio: str
    reasons: tuple[str, ...]
    """Why not; empty if it fits."""
    must: tuple[str, ...]
    """What must be built in whatever the radio does."""
    sentence: str
    late: str = ""
    """The reason that is its delay; empty if it comes in time."""


def demand_for(purpose: str) -> PurposeDemand:
    """Return the demand of a purpose ("control" stands for the switching of a pump)."""
    key = {"control": "pump"}.get(purpose, purpose)
    if key not in DEMANDS:
        raise InputError(
            f"the purpose '{purpose}' is not known.{nearest_name(purpose, DEMANDS)}",
            where="purpose",
            fix=f"Write one of: {', '.join(DEMANDS)}, control.",
        )
    return DEMANDS[key]


def suitability(
    demand: PurposeDemand,
    mode: RadioMode,
    delay: Delay,
    *,
    hops: int = 1,
    duty_limit: float = 1.0,
    battery_downlink: bool = False,
    reporting_interval_s: float = 900.0,
    relays_two_way: bool = True,
) -> Suitability:
    """Return whether a class can do a job beyond reaching the place.

    Parameters
    ----------
    demand : PurposeDemand
    mode : RadioMode
    delay : Delay
        Over the route, from `channel.route_delay`.
    hops : int
    duty_limit : float
        Share of the hour the law allows.
    battery_downlink : bool
        Whether the far device sleeps and hears only after its own report.
    reporting_interval_s : float
        Of that report.
    relays_two_way : bool
        Whether every device between can send both ways.
    """
    reasons: list[str] = []
    if demand.needs_acknowledgement and not mode.acknowledged:
        reasons.append(
            "it never learns whether a packet arrived"
            + ("" if mode.tx_only else ": confirmation must be written into your own program")
        )
    if demand.needs_downlink and (mode.tx_only or not relays_two_way):
        reasons.append("the far device cannot hear or cannot answer: it is one-way")
    if hops > 1 and not mode.radio.relay_capable:
        reasons.append("it cannot be relayed, and the route has more than one hop")
    late = ""
    worst = delay.worst_s + (reporting_interval_s if demand.needs_downlink and battery_downlink else 0.0)
    if worst > demand.delay_s:
        why = " (the device sleeps and hears only after its own report)" if battery_downlink and demand.needs_downlink else ""
        late = f"the worst delay is {_seconds(worst)}, {_seconds(demand.delay_s)} are acceptable{why}"
        reasons.append(late)
    if delay.delivered < demand.delivery:
        reasons.append(f"{delay.delivered * 100:.1f} % arrive within the tries, {demand.delivery * 100:.1f} % are needed")
    if demand.update_s is not None:
        reasons.extend(_loop_reasons(demand, mode, hops, duty_limit))
    must = [f"Fail-safe: {demand.fail_safe}."] if demand.fail_safe else []
    must.append(NOT_FOR_LIFE)
    verdict = "serves" if not reasons else "does not serve"
    sentence = f"{mode.title} {verdict} for {demand.title}"
    return Suitability(
        fit=not reasons,
        purpose=demand.key,
        radio=mode.name,
        reasons=tuple(reasons),
        must=tuple(must),
        late=late,
        sentence=f"{sentence}: {'; '.join(reasons)}." if reasons else f"{sentence}.",
    )


def _loop_reasons(demand: PurposeDemand, mode: RadioMode, hops: int, duty_limit: float) -> Sequence[str]:
    """Say what keeps a class from refreshing a loop in time."""
    assert demand.update_s is not None
    command_s = time_on_air_ms(mode, demand.payload_bytes) / 1000.0
    answer_s = acknowledgement_ms(mode) / 1000.0
    found = []
    if (command_s + answer_s) * hops > demand.update_s:
        found.append(
            f"a command and its answer ({mode.acknowledgement_bytes} bytes) take {_seconds((command_s + answer_s) * hops)} "
            f"on the air, the loop asks for one every {_seconds(demand.update_s)}"
        )
    if command_s / demand.update_s > duty_limit:
        found.append(
            f"refreshing it would use {min(1.0, command_s / demand.update_s) * 100:.0f} % of the time on the air, "
            f"{duty_limit * 100:.3g} % are allowed"
        )
    return found


def _seconds(seconds: float) -> str:
    if seconds < 1.0:
        return f"{seconds * 1000.0:.0f} ms"
    return f"{seconds:.0f} s" if seconds < 120.0 else f"{seconds / 60.0:.0f} min"
