"""Classes side by side on one property: which to take, why, and which comes next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from math import inf, isfinite
from typing import Final

ENOUGH_YEARS: Final = 1.0
"""A sensor should last a season at least (common practice, no source)."""

ALIKE_COST: Final = 1.10
"""Plans within a tenth of the cheapest count as equally cheap; then surer, longer-lived ones win (own choice)."""


@dataclass(frozen=True)
class ClassResult:
    """What planning the property with one class (at one setting) came to."""

    name: str
    title: str
    lawful: bool
    legal_reason: str
    """Why not, or under which rule."""
    sensors_served: int
    sensors_total: int
    weakest_chance: float
    """Of all routes in use; NaN without one."""
    relays: int
    cost: float
    airtime_headroom: float
    """Share of the tightest limit (duty or channel load) that is left in the fast mode; negative if overdrawn."""
    shortest_battery_years: float
    """Infinite if nothing runs on a battery."""
    worst_latency_s: float
    unfit: tuple[str, ...] = ()
    """Purposes of the property that the class cannot serve, in words."""
    wiring: str = ""
    conditional: bool = False
    """Whether the rules allow it only on a condition that nobody answers for."""

    @property
    def serves_all(self) -> bool:
        """Whether every sensor has a route."""
        return self.sensors_served == self.sensors_total

    @property
    def obstacle(self) -> str:
        """Return the first thing that speaks against the class; empty if nothing does."""
        found = (
            (not self.lawful, "not lawful here"),
            (self.sensors_served == 0, "reach no sensor"),
            (self.conditional, "rest on a condition of the rules"),
            (bool(self.unfit), "cannot do what the property asks"),
            (not self.serves_all, "leave sensors unserved"),
            (self.airtime_headroom < 0, "overload the channel or the duty limit"),
            (self.shortest_battery_years < ENOUGH_YEARS, "empty their cells within a year"),
        )
        return next((words for holds, words in found if holds), "")


@dataclass(frozen=True)
class Recommendation:
    """Which class to take, in two sentences."""

    best: str
    """Name; empty if nothing can be recommended."""
    runner_up: str
    sentences: tuple[str, str]
    ranking: tuple[str, ...]
    """All names, best first."""


def ranked(results: Sequence[ClassResult]) -> tuple[ClassResult, ...]:
    """Return the results, best first.

    Lawful ones come first, then those that serve the purposes, serve more sensors, rest on no open condition of the rules, keep
    within the airtime and last a year.
    Among equals the cheapest wins; what costs at most a tenth more counts as equally cheap and is told apart by the weakest
    chance, then the battery, then the delay. Names settle the rest.
    """
    whole = [result.cost for result in results if not result.obstacle]
    cheapest = min(whole, default=0.0)

    def key(result: ClassResult) -> tuple[float | str, ...]:
        dear = 0.0 if result.cost <= cheapest * ALIKE_COST else result.cost
        chance = result.weakest_chance if isfinite(result.weakest_chance) else 0.0
        return (
            float(not result.lawful),
            float(bool(result.unfit)),
            float(-result.sensors_served),
            float(result.conditional),
            float(result.airtime_headroom < 0),
            float(result.shortest_battery_years < ENOUGH_YEARS),
            dear,
            -round(chance, 2),
            -min(result.shortest_battery_years, 20.0),
            result.cost,
            result.worst_latency_s if isfinite(result.worst_latency_s) else inf,
            result.name,
        )

    return tuple(sorted(results, key=key))


def recommend(results: Sequence[ClassResult], *, currency: str = "") -> Recommendation:
    """Return the class to take with its reasons, and its runner-up with what speaks against the rest."""
    order = ranked(results)
    names = tuple(result.name for result in order)
    usable = [result for result in order if result.lawful and result.sensors_served > 0]
    if not usable:
        why = _against(order)
        return Recommendation(
            "",
            "",
            ("No class of the catalogue can be recommended here.", f"Of {len(order)} tried, {why}." if why else "None was tried."),
            names,
        )
    best = usable[0]
    second = usable[1] if len(usable) > 1 else None
    return Recommendation(
        best=best.name,
        runner_up=second.name if second else "",
        sentences=(_praise(best, currency), _rest(best, second, order, currency)),
        ranking=names,
    )


def _praise(best: ClassResult, currency: str) -> str:
    served = "all" if best.serves_all else f"{best.sensors_served} of"
    relays = {0: "without a relay", 1: "with 1 relay"}.get(best.relays, f"with {best.relays} relays")
    reasons = [
        f"it serves {served} {best.sensors_total} sensors lawfully {relays} for {_money(best.cost, currency)}",
        f"its weakest route works with a chance of {_chance(best.weakest_chance)}",
    ]
    if isfinite(best.shortest_battery_years):
        reasons.append(f"the first cell is empty after {best.shortest_battery_years:.1f} years")
    flaw = best.obstacle
    sentence = f"Take {best.title}: {', '.join(reasons[:-1])}{' and ' if len(reasons) > 1 else ''}{reasons[-1]}"
    return f"{sentence} (but beware: such plans {flaw})." if flaw else f"{sentence}."


def _rest(best: ClassResult, second: ClassResult | None, order: Sequence[ClassResult], currency: str) -> str:
    others = [result for result in order if result is not best and result is not second]
    why = _against(others)
    tail = f"; of the other {len(others)}, {why}" if why else ""
    if second is None:
        return f"There is no runner-up{tail}."
    return f"The runner-up is {second.title}, {_difference(best, second, currency)}{tail}."


def _difference(best: ClassResult, second: ClassResult, currency: str) -> str:
    """Say in a few words why the second comes second."""
    if second.sensors_served < best.sensors_served:
        return f"which serves {second.sensors_served} of {second.sensors_total} sensors"
    if second.obstacle:
        return f"but such plans {second.obstacle}"
    if second.cost > best.cost * ALIKE_COST:
        return f"which costs {_money(second.cost, currency)}"
    if second.weakest_chance < best.weakest_chance - 0.005 and _chance(second.weakest_chance) != _chance(best.weakest_chance):
        return f"whose weakest route works with a chance of {_chance(second.weakest_chance)} only"
    if round(second.shortest_battery_years, 1) < round(best.shortest_battery_years, 1):
        return f"whose first cell is empty after {second.shortest_battery_years:.1f} years"
    return f"which does as well for {_money(second.cost, currency)}"


def _against(results: Sequence[ClassResult]) -> str:
    """Count what speaks against the classes, the commonest first."""
    counts = Counter(result.obstacle for result in results if result.obstacle)
    words = []
    for obstacle, count in sorted(counts.items(), key=lambda item: (-item[1], item[0])):
        if obstacle == "not lawful here":
            words.append(f"{count} {'is' if count == 1 else 'are'} not lawful here")
        else:
            words.append(f"{count} would {obstacle.replace('cannot', 'not')}")
    return ", ".join(words)


def _chance(chance: float) -> str:
    """Return a chance in words; nothing that is not sure is called 100 %."""
    return "over 99 %" if chance >= 0.995 else f"{chance * 100:.0f} %"


def _money(amount: float, currency: str) -> str:
    return f"{amount:.0f} {currency}".strip()
