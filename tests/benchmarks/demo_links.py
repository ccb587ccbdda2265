"""For each demo property a table of its links: loss by item, spread and chance in every season.

Run `python tests/benchmarks/demo_links.py`, or name a property. The links are those of the demo story: all sensors to one device.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Role
from meshplan.workflow.prepare import Prepared, equip, read_base

SITES = Path(__file__).resolve().parents[2] / "sample_sites"

HAND_CHECK_POWER_DBM = 13.0
"""Power of the hand-check behind the story of the orchard and the farm."""

STORY = (
    ("ossaby_terrace", "Study window", 2.0, None),
    ("ossaby_terrace", "Chimney", 9.0, None),
    ("ossaby_terrace_30m", "Chimney", 9.0, None),
    ("mirrowick_bottom", "House roof", 8.0, HAND_CHECK_POWER_DBM),
    ("mirrowick_bottom", "House roof", 14.0, HAND_CHECK_POWER_DBM),
    ("mirrowick_bottom", "Ridge post", 4.0, HAND_CHECK_POWER_DBM),
    ("pellimoor_orchard", "Orchard mast", 8.0, HAND_CHECK_POWER_DBM),
    ("pellimoor_orchard", "Shed gable", 10.0, HAND_CHECK_POWER_DBM),
)
"""Property, device, its antenna height, power if it is not the lawful one."""


@dataclass(frozen=True, eq=False)
class DemoLinks:
    """Links of all sensors, and of the gateways beside them, to one device."""

    prepared: Prepared
    device: str
    table: LinkTable

    def row(self, site: str) -> int:
        """Return the row of the link whose site's name begins so."""
        names = [self.table.stations[i].site.name for i in self.table.pairs[:, 0]]
        return next(row for row, name in enumerate(names) if name.startswith(site))

    def margin_db(self, site: str, season: str = "leaf") -> float:
        """Return the margin of a link in a season."""
        return float(self.table.margin_db[self._season(season), self.row(site)])

    def chance(self, site: str, season: str = "leaf") -> float:
        """Return the chance of a link in a season."""
        return float(self.table.chance[self._season(season), self.row(site)])

    def reaching(self, season: str, least_db: float) -> set[str]:
        """Return the short names of the sensors with at least that margin in a season."""
        rows = np.flatnonzero(self.table.margin_db[self._season(season)] >= least_db)
        sites = [self.table.stations[self.table.pairs[row, 0]].site for row in rows]
        return {site.name.split(maxsplit=1)[0].rstrip(",") for site in sites if site.role is Role.SENSOR}

    def _season(self, name: str) -> int:
        return [season.name for season in self.table.seasons].index(name)


@cache
def demo_links(folder: str, device: str, height_m: float, power_dbm: float | None = None, radio: str | None = None) -> DemoLinks:
    """Return the links of all sensors to a device of a demo property.

    Parameters
    ----------
    folder : str
        Property below `sample_sites`.
    device, height_m
        Name of a site that is no sensor, and one of its antenna heights.
    power_dbm : float, optional
        In place of what the law allows.
    radio : str, optional
        In place of the radio of the property.
    """
    base = read_base(SITES / folder, overrides={"radio_settings.power_dbm": power_dbm} if power_dbm is not None else None)
    prepared = equip(base, radio or base.found.settings.radio[0])
    stations = prepared.stations
    target = next(
        number
        for number, station in enumerate(stations)
        if station.site.name == device and station.antenna_agl_m == height_m and station.site.role is not Role.SENSOR
    )
    others = [
        number
        for number, station in enumerate(stations)
        if station.site.role is Role.SENSOR or (station.site.role is Role.GATEWAY and station.site.name != device)
    ]
    fields = draw_error_fields(prepared.landscape)
    pairs = np.array([(number, target) for number in others])
    table = compute_links(stations, pairs, prepared.landscape, prepared.seasons, prepared.path, error_fields=fields)
    return DemoLinks(prepared, stations[target].key, table)


def table_text(links: DemoLinks) -> str:
    """Return the table: one line a link and season, losses by item in dB."""
    table, losses = links.table, links.table.losses
    head = f"{links.prepared.found.settings.name}: all sensors to {links.device}, {links.prepared.radio.title}"
    columns = (
        f"{'link from':<26}{'season':<8}{'m':>6}{'free':>7}{'ground':>8}{'hill':>6}{'build.':>8}{'plants':>8}{'hidden':>8}"
        f"{'local':>7}{'margin':>8}{'± dB':>7}{'chance':>8}"
    )
    lines = [head, "=" * len(columns), columns, "-" * len(columns)]
    for row, (i, j) in enumerate(table.pairs):
        a, b = table.stations[i], table.stations[j]
        for number, season in enumerate(table.seasons):
            local_db = a.local_loss_db + b.local_loss_db + a.entry_loss_db + b.entry_loss_db + 2.0 * season.antenna_loss_db
            items = (
                f"{losses.free_space_db[row]:7.1f}{losses.terrain_db[row]:8.1f}{losses.behind_hill_db[row]:6.1f}"
                f"{losses.building_db[row]:8.1f}{losses.vegetation_db[number, row]:8.1f}"
                f"{table.hidden_relief_db[row]:8.1f}{local_db:7.1f}"
            )
            result = f"{table.margin_db[number, row]:8.1f}{table.spread_db[number, row]:7.1f}{table.chance[number, row]:8.2f}"
            name = a.key if number == 0 else ""
            metres = f"{table.distance_m[row]:6.0f}" if number == 0 else f"{'':6}"
            lines.append(f"{name[:25]:<26}{season.name:<8}{metres}{items}{result}")
    return "\n".join(lines) + "\n"


def main(names: list[str]) -> None:
    """Print the tables of the named properties, or of all."""
    for folder, device, height_m, power_dbm in STORY:
        if not names or folder in names:
            print(table_text(demo_links(folder, device, height_m, power_dbm)))


if __name__ == "__main__":
    main(sys.argv[1:])
