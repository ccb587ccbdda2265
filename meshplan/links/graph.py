"""The link graph: who could speak to whom, with what chance."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshplan.links.link_table import LinkTable
from meshplan.records import Power, Role, Use


def build_graph(table: LinkTable, *, least_chance: float, second_routes_for_all: bool = True, horizon_years: float = 0.0) -> Any:
    """Return a networkx DiGraph of stations with the links that are worth keeping, each towards the gateways.

    Parameters
    ----------
    table : LinkTable
    least_chance : float
        Links with a smaller chance in their worst season are left out.
    second_routes_for_all : bool
        Whether every sensor asks for a second route, or only those marked.
    horizon_years : float
        Years of running cost that count beside the price.

    Returns
    -------
    networkx.DiGraph
        Nodes are station keys with `role`, `site`, `antenna_agl_m`, and what `planning.problem_from_graph` reads; edges have
        `chance`, `margin_db` and `row` in the table. Links between relays stand in both directions.
    """
    import networkx as nx  # noqa: PLC0415 - heavy, and no other command than a plan needs it

    graph = nx.DiGraph()
    for station in table.stations:
        site = station.site
        facts = {"role": site.role.value, "site": site.place_name, "antenna_agl_m": station.antenna_agl_m}
        if site.role is Role.SENSOR:
            facts |= {
                "importance": site.importance,
                "required": not site.optional,
                "worth": site.worth or 0.0,
                "second_route": site.second_route or second_routes_for_all,
            }
        else:
            # A site that must be used is used at its own height; its other heights step aside.
            other_height = site.use is Use.FORCED and station.antenna_agl_m != site.antenna_agl_m
            facts |= {
                "cost": round(station.cost + horizon_years * station.running_cost_per_year, 2),
                "forced_in": site.use is Use.FORCED and not other_height,
                "forbidden": site.use is Use.FORBIDDEN or other_height,
                "power_ok": site.power is not Power.BATTERY or station.lasts,
            }
        graph.add_node(station.key, **facts)
    chances = table.worst_chance
    margins = np.take_along_axis(table.margin_db, table.worst_season[None, :], axis=0)[0]
    for row in np.flatnonzero(chances >= least_chance).tolist():
        i, j = table.pairs[row]
        a, b = table.stations[i], table.stations[j]
        strength = {"chance": float(chances[row]), "margin_db": float(margins[row]), "row": row}
        graph.add_edge(a.key, b.key, **strength)
        if a.site.role is Role.RELAY and b.site.role is Role.RELAY:
            graph.add_edge(b.key, a.key, **strength)
    return graph
