"""The engine against the links of a farm mesh, with nothing said by the user: bias, error and what the intervals hold.

Run `python tests/benchmarks/farm_links.py`. Each link becomes a strip of land as its profile tells, with no cover file, and goes
through stations and links as any property does. Nothing is fitted: classes, spreads and the rule are those of the package.
Residual = predicted less measured loss; below zero means that more power was promised than came.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from scipy.special import ndtri

from meshplan.grid import Elevation, Grid, RasterNote
from meshplan.inputs.antennas import read_antennas, read_cables
from meshplan.inputs.radios import read_radio_classes
from meshplan.links.build_stations import build_stations
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.path_loss import PathSettings
from meshplan.propagation.ground import REFERENCE_LAND
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Season
from meshplan.records import Role, Site
from meshplan.records.radio import radio_mode
from meshplan.settings import PropertySettings
from meshplan.terrain.landscape import build_landscape
from meshplan.terrain.mapped_land import EVERYTHING_MAPPED, MappedLand

TABLE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "measured" / "farm_mesh_915mhz.json"

LEAF = Season("leaf", 1, 1.0, wet=False, snow=False)
"""The measurements are from a warm country: leaves on."""

ROWS = 4


@dataclass(frozen=True, eq=False)
class Residuals:
    """Predicted less measured loss of each link, and the spread the forecast gives itself."""

    residual_db: np.ndarray
    spread_db: np.ndarray

    @property
    def bias_db(self) -> float:
        """Mean residual."""
        return float(self.residual_db.mean())

    @property
    def rmse_db(self) -> float:
        """Root mean square residual."""
        return float(np.sqrt(np.mean(self.residual_db**2)))

    def held(self, share: float) -> float:
        """Return the share of links that the central interval of that share holds."""
        return float((np.abs(self.residual_db) <= ndtri(0.5 + share / 2.0) * self.spread_db).mean())


def read_links(table: Path) -> list[dict[str, Any]]:
    """Return the links of the table."""
    links: list[dict[str, Any]] = json.loads(table.read_text(encoding="utf-8"))["links"]
    return links


def forecast_db(distance_m: float, ground_m: Iterable[float], agl_m: tuple[float, float], mhz: float, mapped: MappedLand) -> Any:
    """Return loss and spread that the engine gives a link over a strip of land with this profile."""
    table = strip_table(distance_m, ground_m, agl_m, mhz, mapped)
    return float(table.losses.total_db[0, 0]), float(table.spread_db[0, 0])


def strip_table(
    distance_m: float, ground_m: Iterable[float], agl_m: tuple[float, float], mhz: float, mapped: MappedLand
) -> LinkTable:
    """Return the engine's table of the one link over a strip of land with this profile."""
    ground = np.array(list(ground_m), dtype=np.float32)
    cell_m = distance_m / (len(ground) - 1)
    grid = Grid("EPSG:32633", 500_000.0 - cell_m / 2.0, 5_000_000.0, cell_m, len(ground), ROWS)
    note = RasterNote("strip.tif", "ground", cell_m, 0.0, 100.0, 1.0, "profile of the table")
    land = np.repeat(ground[None, :], ROWS, axis=0)
    landscape = build_landscape(Elevation(grid, land, None, np.zeros(grid.shape, np.uint8), (note,), False, ()), (), mapped)
    y = 5_000_000.0 - ROWS / 2.0 * cell_m
    sites = [
        Site("a", Role.SENSOR, 0.0, 0.0, 500_000.0, y, agl_m[0]),
        Site("b", Role.GATEWAY, 0.0, 0.0, 500_000.0 + distance_m, y, agl_m[1]),
    ]
    radio = radio_mode(read_radio_classes(), "css-868-sf7" if mhz < 900.0 else "fsk-915-4k8")
    settings = PropertySettings.model_validate({"name": "strip", "elevation": ["strip.tif"], "sites": ["sites.csv"]})
    stations, _ = build_stations(sites, landscape, radio, read_antennas(), read_cables(), settings, lambda *_: radio.tx_power_dbm)
    path = PathSettings(mhz, float(effective_earth_radius_km()), "vertical", REFERENCE_LAND)
    return compute_links(stations, np.array([[0, 1]]), landscape, (LEAF,), path)


def residuals(links: list[dict[str, Any]], mapped: MappedLand) -> Residuals:
    """Return what the engine gives for all links, beside what was measured."""
    found = [
        forecast_db(link["distance_m"], link["ground_m"], (link["agl_m"], link["agl_m"]), link["f_mhz"], mapped) for link in links
    ]
    loss, spread = np.array(found).T
    return Residuals(loss - np.array([link["loss_db"] for link in links]), spread)


def residual_text(links: list[dict[str, Any]]) -> str:
    """Return the table of residuals by what is said of the land."""
    lines = [f"{len(links)} links of a farm mesh", f"{'land':<34}{'bias dB':>9}{'RMSE':>7}{'80 % hold':>11}{'90 % hold':>11}"]
    ways = [("mapped and bare", EVERYTHING_MAPPED)]
    ways += [(f"not mapped, {name}", MappedLand((), name)) for name in ("open", "rural", "suburban", "woodland")]
    for name, mapped in ways:
        found = residuals(links, mapped)
        lines.append(f"{name:<34}{found.bias_db:9.1f}{found.rmse_db:7.1f}{found.held(0.8):11.0%}{found.held(0.9):11.0%}")
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(residual_text(read_links(Path(sys.argv[1]) if len(sys.argv) > 1 else TABLE)))
