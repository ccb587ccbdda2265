"""Is there a class that would serve more, or need fewer relays? One line for a plan, from a few plans more."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from shlex import quote
from typing import Any, Final

from meshplan.assembly.routes import LinkMargins
from meshplan.assembly.running import run_plan
from meshplan.errors import InputError
from meshplan.links.link_table import LinkTable, with_stations
from meshplan.planning.problem import PlacementProblem, PlacementResult, SolveLimits
from meshplan.planning.solve import solve_placement
from meshplan.records import Role
from meshplan.records.radio import RadioClass, RadioMode, radio_mode
from meshplan.records.station import Station
from meshplan.workflow.airtime import overfull
from meshplan.workflow.prepare import Base, Prepared, choose_mode, equip, refusal_of

MOST_NAMED = 3
"""Relays that differ are named up to so many."""

MOST_PLACES: Final = 150
"""Stations up to which other classes are tried."""

MOST_TRIED: Final = 4
"""Other classes that are planned."""

SAME_BAND: Final = 0.05
"""Frequencies within this share of each other use the same path losses here (0.4 dB of free space): enough for a hint."""

WORTH_A_TRY_DB: Final = 1.0
"""More loss than that another class must allow (own choice)."""

TRIAL_ITERATIONS: Final = 20
"""Iterations of the solver for one trial."""


Problem = Callable[[Prepared, LinkTable, float], tuple[PlacementProblem, float]]
"""Makes the placement problem of a property over its links with an airtime factor, and tells the share that devices may fill."""


def better_radio(
    prepared: Prepared, links: LinkTable, result: PlacementResult, problem_of: Problem, *, calibrated: bool = False
) -> str:
    """Return a sentence with the lawful class that serves more sensors, or all of them with fewer relays; empty if none was found.

    No second route that was asked for may be lost by it. What the property states of frequency, power, intervals and duty holds for
    it too: a class that `plan --radio` would refuse with them, or would have to plan anew for lack of airtime, is not named.
    Classes of the same band that reach further are tried at the setting that reaches least further first, each planned once with
    little effort over the links already computed. Properties where places name their own classes, and large ones, are left out.
    The command that it ends with repeats the settings and `calibrated` of this plan, with which the other class was tried.
    """
    gateways = {station.key for station in links.stations if station.site.role is Role.GATEWAY}
    relays, single = len(set(result.plan.opened) - gateways), len(result.plan.single_route)
    if prepared.parts or len(links.stations) > MOST_PLACES or not (result.plan.unserved or relays):
        return ""
    served = len(result.plan.served)
    for mode in _candidates(prepared):
        other = equip(prepared.base, mode.name, mixed=False)
        if refusal_of(other) is not None or len(other.stations) != len(links.stations):
            continue
        table = with_stations(links, other.stations)
        problem, share = problem_of(other, table, 1.0)
        found = solve_placement(problem, limits=SolveLimits(iterations=TRIAL_ITERATIONS))
        needs = len(set(found.plan.opened) - gateways)
        more, fewer = len(found.plan.served) - served, relays - needs
        if (more <= 0 and (more < 0 or fewer <= 0)) or len(found.plan.single_route) > single or _starves(other, links, found):
            continue
        if (
            more > 0
            and _required(problem, found) <= _required(problem, result)
            and _value(problem, found) >= _value(problem, result)
        ):
            continue  # the sensors more are optional, and not worth what they cost
        if overfull(other, table, found.plan, share) > 1.0:
            continue  # `plan` would look for another plan then, which may serve fewer
        modules = _radios_price(other.stations, found) - _radios_price(links.stations, result)
        theirs, ours = (tuple(name for name in plan.opened if name not in gateways) for plan in (found.plan, result.plan))
        options = repeated_options(prepared.base.overrides, calibrated=calibrated, time_s=result.limits.time_s)
        return _sentence(prepared, mode, more, (theirs, ours), (found.plan.cost, result.plan.cost), modules, options)
    return ""


def _sentence(
    prepared: Prepared,
    mode: RadioMode,
    more: int,
    relays: tuple[Sequence[str], Sequence[str]],
    costs: tuple[float, float],
    modules: float,
    options: str,
) -> str:
    """Return what another class does better; where it costs more all told, that comes first.

    `relays` and `costs` (of gateways and relays) are those with the other class and those of the plan; `modules` is what the radio
    modules of every device cost more with it; `options` are those of the plan.
    """
    currency, price = prepared.found.settings.cost.currency, costs[0] - costs[1] + modules
    what = f"serves {more} more sensor{'s' if more > 1 else ''}" if more > 0 else "serves as many sensors"
    with_relays = relay_words(*relays)
    paid, before = (f"{cost:.0f}" for cost in costs)
    of_devices = f"{paid} {currency} of gateways and relays{f' instead of {before}' if paid != before else ', as now'}"
    look = f"Look at it with: meshplan plan {quote(prepared.found.folder.name)} --radio {mode.name}{options}"
    if price >= 0.5:
        of_modules = f"{abs(modules):.0f} {currency} {'more' if modules >= 0.0 else 'less'}"
        return (
            f"Another class costs {price:.0f} {currency} more all told, and {what} with {with_relays} ({of_devices}, and "
            f"{of_modules} for the radio modules of every device): {mode.title}. {look}"
        )
    all_told = f"{-price:.0f} {currency} less" if price <= -0.5 else "the same"
    return (
        f"Another class {what} with {with_relays}, for {of_devices} (all told {all_told} with the radio modules of every device): "
        f"{mode.title}. {look}"
    )


def repeated_options(overrides: Mapping[str, Any], *, calibrated: bool, time_s: float | None) -> str:
    """Return the options of a plan as they are written after a command, but for its class of radio."""
    changes = "".join(f" --set {quote(f'{key}={_as_toml(value)}')}" for key, value in _dotted(overrides))
    seconds = "" if time_s is None else f" --seconds {time_s:g}"
    return f"{changes}{' --calibrated' if calibrated else ''}{seconds}"


def _dotted(settings: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, Any]]:
    """Yield settings by their dotted keys; they may hold nested tables."""
    for key, value in settings.items():
        if isinstance(value, Mapping):
            yield from _dotted(value, f"{above}{key}.")
        else:
            yield f"{above}{key}", value


def _as_toml(value: Any) -> str:
    import tomlkit  # noqa: PLC0415 - only a plan with changed settings needs it

    return str(tomlkit.item(value).as_string())


def relay_words(theirs: Sequence[str], ours: Sequence[str]) -> str:
    """Return how many relays a plan needs against another; where as many, which of them differ."""
    needs = f"{len(theirs) or 'no'} relay{'s' if len(theirs) > 1 else ''}"
    if len(theirs) != len(ours):
        return f"{needs} instead of {len(ours) or 'none'}"
    new, old = ([name for name in some if name not in others] for some, others in ((theirs, ours), (ours, theirs)))
    if not ours:
        return "no relay, as now"
    if not new:
        return "the same relay" if len(ours) == 1 else f"the same {len(ours)} relays"
    if len(new) > MOST_NAMED:
        return f"as many relays ({len(ours)}, {len(new)} of them elsewhere)"
    them = f"{' and '.join(new)} instead of {' and '.join(old)}"
    return f"as many relays ({len(ours)}, {them})" if len(ours) > 1 else f"one relay as now ({them})"


def _required(problem: PlacementProblem, result: PlacementResult) -> int:
    """Return how many sensors a plan serves that may not be left out."""
    required = {sensor.id for sensor in problem.sensors if sensor.required}
    return sum(item.sensor_id in required for item in result.plan.served)


def _value(problem: PlacementProblem, result: PlacementResult) -> float:
    """Return what a plan costs and what the optional sensors that it does not serve are worth."""
    served = {item.sensor_id for item in result.plan.served}
    return result.plan.cost + sum(s.worth for s in problem.sensors if not s.required and s.id not in served)


def _starves(other: Prepared, links: LinkTable, found: PlacementResult) -> bool:
    """Return whether another class fills the channel so much that readings it has a route for do not arrive."""
    table, settings = with_stations(links, other.stations), other.base.found.settings
    return bool(run_plan(found.plan, table.stations, LinkMargins.of(table), other.base.catalogue, settings).starved)


def _radios_price(stations: Sequence[Station], result: PlacementResult) -> float:
    """Return the price of the radio modules of all sensors and of the devices that are used."""
    used = {station.key: station for station in stations if station.site.role is Role.SENSOR or station.key in result.plan.opened}
    return sum(station.radio.radio.price.value for station in used.values())


def _candidates(prepared: Prepared) -> list[RadioMode]:
    """Return lawful two-way modes of the same band that allow more loss than the plan's own, the fastest of each class first."""
    base, own = prepared.base, prepared.radio
    found: list[RadioMode] = []
    for key, radio in base.classes.items():
        if radio.one_way or not radio.relay_capable or not radio.acknowledged or radio.licence_required:
            continue
        if not _may_be_near(radio, own.frequency_mhz):
            continue
        for setting in radio.settings:
            name = f"{key}-{setting.name.lower()}" if len(radio.settings) > 1 else key
            if not _may_reach_further(base, name, own):
                continue
            try:
                mode, verdict = choose_mode(base, name)
            except InputError:
                continue
            near = abs(mode.frequency_mhz - own.frequency_mhz) <= SAME_BAND * own.frequency_mhz
            if verdict.lawful and near and _allowed_loss_db(mode) > _allowed_loss_db(own) + WORTH_A_TRY_DB:
                found.append(mode)
    found.sort(key=lambda mode: (_allowed_loss_db(mode), mode.name))
    step = max(1, len(found) // MOST_TRIED)
    return found[step - 1 :: step][:MOST_TRIED]


def _may_reach_further(base: Base, name: str, own: RadioMode) -> bool:
    """Tell whether a setting allows more loss at the highest power of its class: the law is asked for no other."""
    try:
        mode = radio_mode(base.classes, name, wide_area=base.found.settings.radio_settings.protocol == "wide-area")
    except InputError:
        return False
    power = mode.radio.tx_power_dbm
    return max(power.value, power.high or power.value) - mode.sensitivity_dbm > _allowed_loss_db(own) + WORTH_A_TRY_DB


def _may_be_near(radio: RadioClass, frequency_mhz: float) -> bool:
    """Tell whether the tuning range of a class comes near a frequency: the law is asked for no other."""
    band, away = radio.band_mhz, SAME_BAND * frequency_mhz
    lowest, highest = (band.low or band.value), (band.high or band.value)
    return min(lowest, band.value) <= frequency_mhz + away and max(highest, band.value) >= frequency_mhz - away


def _allowed_loss_db(mode: RadioMode) -> float:
    return mode.tx_power_dbm - mode.sensitivity_dbm
