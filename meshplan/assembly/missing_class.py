"""Sensors without a way because no gateway carries their class of radio: which, and where to name it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from meshplan.assembly.unserved import REASONS
from meshplan.records import Role, Unserved
from meshplan.records.station import Station

MOST_NAMED = 3
"""Gateways named in a sentence before the rest is only counted."""


def with_missing_class(unserved: Sequence[Unserved], stations: Sequence[Station]) -> tuple[Unserved, ...]:
    """Return the misses; where a sensor has no way and no gateway carries its class, with the column that would mend it."""
    gateways = [station for station in stations if station.site.role is Role.GATEWAY]
    carried = {station.radio.name for station in gateways}
    places = list(dict.fromkeys(station.site.name for station in gateways))
    where = ", ".join(places[:MOST_NAMED]) + (f" and {len(places) - MOST_NAMED} more" if len(places) > MOST_NAMED else "")

    def told(miss: Unserved) -> Unserved:
        own = sorted({station.radio.name for station in stations if station.key == miss.sensor})
        stuck = miss.reason.startswith((REASONS["no way to a gateway"], REASONS["no link at all"]))
        if not stuck or not own or not places or carried & set(own):
            return miss
        name = " or ".join(own)
        return replace(miss, reason=f"{miss.reason}; no gateway carries {name}: name it too in column 'radio' of {where}")

    return tuple(told(miss) for miss in unserved)
