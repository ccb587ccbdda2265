"""What a place that the property does not have yet would be equipped with and would cost, for the map's trials."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from meshplan.inputs.site_columns import DEFAULT_HEIGHT_AGL_M, DEFAULT_POWER
from meshplan.links.build_stations import FREE_MAST_M, build_stations
from meshplan.records import Power, Purpose, Role, Site
from meshplan.reporting.map import NewPlace
from meshplan.terrain.geodesy import to_degrees
from meshplan.terrain.landscape import Landscape
from meshplan.workflow.prepare import Prepared, power_at
from meshplan.workflow.running_costs import with_running_costs

_SUPPLIES: Final = {
    Role.SENSOR: (DEFAULT_POWER[Role.SENSOR],),
    Role.RELAY: (Power.PANEL, Power.MAINS),
    Role.GATEWAY: (Power.MAINS, Power.PANEL),
}
"""Supplies that are offered for a new place, the usual one first."""


def new_places(prepared: Prepared) -> tuple[NewPlace, ...]:
    """Return one new place of each role, purpose and supply, as the reader of sites and the prices of the property have it.

    In a property of several radio classes a new place carries that of the property, as a row that names none does.
    """
    part = prepared.parts[0] if prepared.parts else prepared
    base, costs = part.base, part.found.settings.cost
    sites = tuple(_sites(part.landscape))
    stations, _ = build_stations(sites, part.landscape, part.radio, base.antennas, base.cables, part.found.settings, power_at(base))
    priced = with_running_costs(stations, base.backhauls, base.catalogue.boards, part.found.settings)
    return tuple(
        NewPlace(
            station=station,
            usual_agl_m=DEFAULT_HEIGHT_AGL_M[station.site.role],
            cost=costs.sensor if station.site.role is Role.SENSOR else station.cost,
            mast_per_m=0.0 if station.site.role is Role.SENSOR else costs.mast_per_m,
            free_mast_m=FREE_MAST_M,
        )
        for station in priced
    )


def _sites(landscape: Landscape) -> Iterator[Site]:
    """Yield places on open ground: what stands around a place is looked up where the user puts it."""
    open_land = np.isfinite(landscape.ground_amsl_m) & (landscape.cover_index == 0)
    row, column = np.unravel_index(int(open_land.argmax()), open_land.shape)
    x_m, y_m = (float(value) for value in landscape.grid.x_y(float(column), float(row)))
    lon_deg, lat_deg = (float(value) for value in to_degrees(landscape.grid)(x_m, y_m))
    for role, supplies in _SUPPLIES.items():
        for purpose in Purpose if role is Role.SENSOR else (Purpose.TREND,):
            for power in supplies:
                name = f"new {role} for {purpose} on {power}"
                site = Site(name, role, lon_deg, lat_deg, x_m, y_m, antenna_agl_m=FREE_MAST_M, purpose=purpose, power=power)
                yield replace(site, where="a new place")
