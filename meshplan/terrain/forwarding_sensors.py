"""Sensors that may forward for others: relay candidates that stand there anyway."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from meshplan.records import Power, Role, Site, Use


def forwarding_sensors(sites: Sequence[Site]) -> tuple[tuple[Site, ...], tuple[str, ...]]:
    """Return a relay candidate for each sensor that may forward, and the sentence that names them.

    A sensor may forward if its site says so, or if it has mains or a panel and its site does not rule it out. The candidate is the
    sensor itself: same place, antenna and box, with its receiver open all the time.

    Parameters
    ----------
    sites : sequence of Site
        Placed on the grid.
    """
    taken = {site.name.casefold() for site in sites}
    found = []
    for site in sites:
        may = site.forwards if site.forwards is not None else site.power is not Power.BATTERY
        name = f"{site.name} ({Role.RELAY})"
        if site.role is Role.SENSOR and may and name.casefold() not in taken:
            found.append(
                replace(
                    site,
                    name=name,
                    role=Role.RELAY,
                    mast_heights_agl_m=(),
                    optional=False,
                    importance=1.0,
                    cost=None,
                    worth=None,
                    use=Use.FREE,
                    second_route=False,
                    note="",
                    same_as=site.name,
                )
            )
    if not found:
        return (), ()
    names = ", ".join(site.same_as for site in found)
    them = "this sensor" if len(found) == 1 else "these sensors"
    reported = f"May forward for others: {names}. The plan may use {them} as a relay; column 'forwards' = no rules it out."
    return tuple(found), (reported,)
