"""What is said of land that nobody mapped: what it is taken for, what that costs, and how to replace it."""

from __future__ import annotations

from collections.abc import Sequence

from meshplan.explain.describe import link_key, season_of
from meshplan.links.link_table import LinkTable
from meshplan.propagation.clutter import LAND_CLASSES
from meshplan.terrain.mapped_land import MappedLand

LEAST_COST_DB = 0.5


def unmapped_line(mapped: MappedLand, cost: str = "") -> str:
    """Return the one line about unmapped land, with what it costs; empty where everything is mapped."""
    if mapped.everything:
        return ""
    land = LAND_CLASSES[mapped.unmapped]
    tops = " (equally likely: " + ", ".join(f"{top:g}" for top in land.tops_m) + " m tall)" if land.tops_m else ""
    others = ", ".join(f'"{name}"' for name in LAND_CLASSES if name != mapped.unmapped)
    return (
        f'NOT MAPPED: {mapped.why}, so it is taken for "{mapped.unmapped}": {land.words}{tops}. {cost + " " if cost else ""}'
        'To replace this, in property.toml: draw what stands there (cover = ...); or land_cover.mapped = "all" if the cover files '
        f"show all there is; or land_cover.unmapped = one of {others}. For one site: columns clutter and clearing_m."
    )


def unmapped_cost(table: LinkTable, rows: Sequence[int], of: str) -> str:
    """Return what unmapped land costs the weakest of some links, which `of` names; empty without links."""
    known = [row for row in rows if row not in table.indoor_legs]
    if not known:
        return ""
    row = min(known, key=lambda one: (float(table.worst_chance[one]), one))
    season = season_of(table, row)
    a, b = (table.stations[i] for i in table.pairs[row])
    cost_db = float(table.losses.clutter_db[season, row])
    uncertainty_db = float(table.clutter_spread_db[season, row])
    if cost_db < LEAST_COST_DB:
        return f"On {of}, {link_key(a, b)}, that costs nothing."
    return f"On {of}, {link_key(a, b)}, that costs {cost_db:.0f} ± {uncertainty_db:.0f} dB."
