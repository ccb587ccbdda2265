"""Candidates beside power lines: those that the planner finds come last and say so, and none is chosen for being cheaper."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from meshplan.inputs.osm_utilities import wire_rules
from meshplan.operation.wires import WireMap
from meshplan.records import Role, Site, Use
from meshplan.records.station import Station
from meshplan.records.utility import Utilities
from meshplan.terrain.candidates import Shunned

CAUTION: Final = "beside a power line, on which a mast could fall: only with the word of its owner"


def falls_on_wires(utilities: Utilities) -> Shunned | None:
    """Return what tells the places from which a mast or ladder could fall on a wire; None where no wire is mapped."""
    wires = [one for one in utilities if one.kind.hazard == "overhead"]
    if not wires:
        return None
    near = WireMap(wires, wire_rules())

    def falls(x_m: float, y_m: float, antenna_agl_m: float) -> bool:
        return any(one.could_fall for one in near.nearby("", x_m, y_m, antenna_agl_m))

    return falls


def said_of_wires(sites: Sequence[Site], falls: Shunned | None) -> tuple[Site, ...]:
    """Return candidates of the planner, those from which a mast could fall on a wire with that caution in their note."""
    if falls is None:
        return tuple(sites)

    def near(site: Site) -> bool:
        return falls(site.x_m, site.y_m, max((site.antenna_agl_m, *site.mast_heights_agl_m)))

    return tuple(replace(site, note=f"{CAUTION}; {site.note}") if near(site) else site for site in sites)


def could_be_set_aside(stations: Sequence[Station], falls: Shunned | None) -> tuple[str, ...]:
    """Return the candidates, each at one height, from which a mast could fall on a wire and which nobody insists on.

    A sensor that may forward stands there anyway.
    """
    if falls is None:
        return ()
    return tuple(
        station.key
        for station in stations
        if station.site.role is not Role.SENSOR
        and station.site.use is Use.FREE
        and not station.site.same_as
        and falls(station.site.x_m, station.site.y_m, station.antenna_agl_m)
    )
