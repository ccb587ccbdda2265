"""What a change did, in a few figures: sensors, cost, weakest link, rules; and what of the sheet is drawn of a plan."""

from __future__ import annotations

import math
from typing import Any

from meshplan.records import Plan, Role
from meshplan.reporting.map.data import page_data
from meshplan.reporting.map.relief import relief_picture
from meshplan.workflow.plan import Planned, map_land
from meshplan.workflow.replan import Relinked


def strip_of(plan: Plan, before: Plan | None) -> dict[str, Any]:
    """Return the figures of a plan beside those of the one before the change."""
    served, had = _served(plan), None if before is None else _served(before)
    sensors = {device.name for device in plan.devices if device.role is Role.SENSOR}
    chosen = [link for link in plan.links if link.chosen]
    weakest = min(chosen, key=lambda link: (link.chance, link.key), default=None)
    return {
        "sensors": {
            "served": len(served),
            "of": len(sensors),
            "lost": [] if had is None else sorted((had & sensors) - served),
            "gained": [] if had is None else sorted(served - had),
        },
        "cost": {"now": plan.proof.cost, "was": None if before is None else before.proof.cost, "currency": plan.currency},
        "weakest": None if weakest is None else {"a": weakest.a, "b": weakest.b, "chance": _number(weakest.chance)},
        "rules": {"kept": all(line.lawful for line in plan.legal), "broken": [line.rule for line in plan.legal if not line.lawful]},
        "proof": {"optimal": plan.proof.optimal, "gap": _number(plan.proof.gap), "sentence": plan.proof.sentence},
        "devices": [device.name for device in plan.devices if device.in_plan and device.role is not Role.SENSOR],
    }


def touched_links(before: Planned, now: Relinked) -> dict[str, Any]:
    """Return which links a change touched, with their chances, and which sensors the plan before would still serve.

    Links are told by the names and antenna heights of their ends. A sensor is still served where every link of its route is there
    and keeps the chance that is asked for; the plan that is found afterwards may serve it another way.
    """
    old, new = _chances(before.links), _chances(now.links)
    changed = [key for key in new if old.get(key) != new[key]]
    asked = now.prepared.found.settings.requirement.link_chance
    best: dict[frozenset[str], float] = {}
    for (a, _, b, _), chance in new.items():
        pair = frozenset((a, b))
        best[pair] = max(chance, best.get(pair, 0.0))
    standing: list[str] = []
    failing: list[str] = []
    for route in before.plan.routes:
        hops = [frozenset(hop) for hop in zip(route.devices[:-1], route.devices[1:], strict=True)]
        (standing if all(best.get(hop, 0.0) >= asked for hop in hops) else failing).append(route.sensor)
    return {
        "of": len(new),
        "touched": [
            {"a": key[0], "a_m": key[1], "b": key[2], "b_m": key[3], "chance": _number(new[key]), "was": _number(old.get(key))}
            for key in changed
        ],
        "gone": [{"a": key[0], "b": key[2]} for key in old if key not in new],
        "standing": sorted(standing),
        "failing": sorted(failing),
    }


def drawn_of(planned: Planned) -> dict[str, Any]:
    """Return what the sheet draws: the data of the offline map with its engine, which answers while something is in the hand."""
    land = planned.prepared.landscape
    picture = relief_picture(land.ground_amsl_m, land.grid)
    data: dict[str, Any] = page_data(planned.plan, map_land(planned))
    data["map"] = {"uri": picture.uri, "bounds": picture.bounds, "tiles": None}
    return data


def _served(plan: Plan) -> set[str]:
    return {route.sensor for route in plan.routes}


def _chances(table: Any) -> dict[tuple[str, float, str, float], float]:
    stations = table.stations
    ends = [(station.site.name, station.antenna_agl_m) for station in stations]
    return {
        (*ends[a], *ends[b]): float(chance)
        for (a, b), chance in zip(table.pairs.tolist(), table.worst_chance.tolist(), strict=True)
    }


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else value
