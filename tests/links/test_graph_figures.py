"""Edges of the link graph carry the figures of the link table in the worst season, which are worked out once for all of them."""

from __future__ import annotations

import numpy as np
from landscapes import NORTH_M, WEST_M, make_landscape, rough
from link_stations import BARE, LEAF, links_between, make_site
from shapely import box

from meshplan.links.graph import build_graph
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Cover, Role


def test_edges_are_rows_of_the_table_in_its_worst_season() -> None:
    wood = Cover("wood", "wood_deciduous", box(WEST_M + 150, NORTH_M - 200, WEST_M + 250, NORTH_M - 50), 12.0)
    land = make_landscape(rough(60, 90, 3, 1.0), covers=(wood,), error_m=2.0)
    random = np.random.default_rng(2)
    roles = [Role.GATEWAY] + [Role.RELAY] * 6 + [Role.SENSOR] * 6
    sites = [
        make_site(f"s{i}", *random.uniform((12.0, 12.0), (440.0, 285.0)).tolist(), 0.4, role, power="mains")
        for i, role in enumerate(roles)
    ]
    pairs = [(i, j) for j in range(7) for i in range(j + 1, 13)]
    table = links_between(sites, land, pairs=pairs, seasons=(BARE, LEAF), error_fields=draw_error_fields(land))
    least = float(np.median(table.worst_chance))
    graph = build_graph(table, least_chance=least)
    expected = {}
    for row, (i, j) in enumerate(table.pairs):
        season = int(np.argmin(table.chance[:, row]))
        chance = float(table.chance[season, row])
        if chance >= least:
            margin = min(table.margin_at_a_db[season, row], table.margin_at_b_db[season, row])
            edge = {"chance": chance, "margin_db": float(margin), "row": row}
            a, b = table.stations[i], table.stations[j]
            expected[a.key, b.key] = edge
            if a.site.role is b.site.role is Role.RELAY:
                expected[b.key, a.key] = edge
    assert {(a, b): data for a, b, data in graph.edges(data=True)} == expected
    assert 0 < len({edge["row"] for edge in expected.values()}) < len(pairs)
    assert set(table.worst_season.tolist()) == {0, 1}


def test_figures_of_all_links_are_worked_out_once() -> None:
    """They were made anew for each edge, which took the square of the links."""
    land = make_landscape(rough(40, 40, 3, 1.0))
    table = links_between([make_site(f"s{i}", 20.0 + 30.0 * i, 60.0, 2.0, Role.RELAY) for i in range(4)], land)
    assert table.margin_db is table.margin_db
    assert table.worst_season is table.worst_season
    assert table.worst_chance is table.worst_chance
