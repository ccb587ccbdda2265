"""Candidates with what they cost a year and with the price of their way out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from meshplan.assembly.supplies import find_in
from meshplan.errors import InputError, MeshplanError, nearest_name, raise_faults
from meshplan.operation.running_cost import mean_power_w, running_costs
from meshplan.records import Role, Site
from meshplan.records.backhaul import BackhaulClass
from meshplan.records.radio import Board, RadioMode
from meshplan.records.station import Station
from meshplan.settings import PropertySettings


def with_running_costs(
    stations: Sequence[Station], backhauls: dict[str, BackhaulClass], boards: dict[str, Board], settings: PropertySettings
) -> tuple[Station, ...]:
    """Return the stations with running costs; a place with two radios has two stations under one key and one cost.

    The price of a way out is added to a gateway that has no price of its own: column `cost` holds all of a place.
    """
    modes: dict[str, list[RadioMode]] = {}
    for station in stations:
        modes.setdefault(station.key, []).append(station.radio)
    found = []
    for station in stations:
        site = station.site
        if site.role is Role.SENSOR:
            found.append(station)
            continue
        fitted = Role.SENSOR if site.same_as else site.role
        board_key = getattr(settings.supply, f"{fitted.value}_board")
        board = boards[find_in(boards, board_key, f"supply.{fitted.value}_board")]
        way_out = backhauls[site.backhaul or settings.cost.backhaul] if site.role is Role.GATEWAY else None
        power_w = mean_power_w(modes[station.key], board)
        cells = settings.cost.battery / station.life_years if station.lasts else 0.0
        costs = running_costs(site, station.key, power_w, way_out, settings.cost.energy_per_kwh, cells)
        price = station.cost + (way_out.price if way_out is not None and site.cost is None else 0.0)
        name, drawn_w = (way_out.name, way_out.power_w) if way_out is not None else ("", 0.0)
        found.append(replace(station, cost=round(price, 2), running_costs=costs, backhaul=name, more_power_w=drawn_w))
    return tuple(found)


def check_backhauls(sites: Sequence[Site], backhauls: dict[str, BackhaulClass], settings: PropertySettings) -> None:
    """Raise the ways out that no table knows, and those at places that are no gateway, all at once."""
    faults: list[MeshplanError] = []
    named = [(settings.cost.backhaul, "property.toml, key 'cost.backhaul'", Role.GATEWAY)]
    named += [
        (site.backhaul, f"{site.where}, column 'backhaul'", site.role) for site in sites if site.backhaul and not site.same_as
    ]
    offered = {site.where for site in sites if site.role is Role.GATEWAY}
    for name, where, role in named:
        if name not in backhauls:
            fix = f"Write one of: {', '.join(backhauls)}."
            faults.append(InputError(f"'{name}' is no way out of a gateway.{nearest_name(name, backhauls)}", where=where, fix=fix))
        elif role is not Role.GATEWAY and where.removesuffix(", column 'backhaul'") not in offered:
            faults.append(InputError("only a gateway has a way out", where=where, fix="Leave the column empty here."))
    raise_faults(list(dict.fromkeys(faults)))


def backhaul_notes(sites: Sequence[Site], backhauls: dict[str, BackhaulClass], settings: PropertySettings) -> tuple[str, ...]:
    """Say what ways out ask for where any is named, and what is not counted of them."""
    named: dict[str, list[str]] = {}
    for site in sites:
        if site.role is Role.GATEWAY and (site.backhaul or settings.cost.backhaul != "own_network"):
            named.setdefault(site.backhaul or settings.cost.backhaul, []).append(site.name)
    return tuple(
        f"Way out of {'; '.join(names)}: {backhauls[kind].title}; it needs {backhauls[kind].needs}. "
        f"Counted: {backhauls[kind].price:g} {settings.cost.currency} once and {backhauls[kind].price_per_year:g} a year "
        f"({backhauls[kind].origin})."
        for kind, names in named.items()
    )
