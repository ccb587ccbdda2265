"""The engine against packets measured in a city, uncalibrated: how far off, said plainly.

Run `python tests/benchmarks/city_links.py`. The table names neither terrain nor houses nor gateway heights, so only four things
can be compared: free space; the engine over level ground with the heights of the authors' example (1.2 m and 45 m); that with the
published median loss of a street at the lower end; and what the tool gives where "urban" is said of unmapped land. None is
fitted. Residual = predicted less measured power; above zero means that more power was promised than came.
"""

from __future__ import annotations

import csv
import sys
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.special import ndtri

from meshplan.grid import Elevation, Grid, RasterNote
from meshplan.loss.path_loss import Ends, PathSettings, path_losses
from meshplan.propagation.clutter import built_up_loss_db
from meshplan.propagation.ground import REFERENCE_LAND
from meshplan.propagation.refraction import effective_earth_radius_km
from meshplan.propagation.seasons import Season
from meshplan.terrain.landscape import build_landscape
from meshplan.terrain.mapped_land import MappedLand
from meshplan.terrain.profile import Profiles, cover_pieces

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from benchmarks.farm_links import forecast_db

TABLE = Path(__file__).resolve().parents[3] / "shared" / "reference" / "measured" / "city_868mhz_packets.csv"

POWER_DBM = 14.0
"""Assumed, from memory, with antennas of 0 dBi: the table states neither."""

USER_AGL_M, GATEWAY_AGL_M = 1.2, 45.0
"""The authors' example; the true gateway heights are not given and two gateways stand on mountains."""

URBAN = 'the tool with "urban" said'

CITY_UP_TO_M = 20_000.0
"""Beyond it only the two mountain gateways are heard."""


@dataclass(frozen=True, eq=False)
class Medians:
    """Median power of each link, and its distance."""

    distance_m: np.ndarray
    power_dbm: np.ndarray
    packets: int


def read_medians(table: Path) -> Medians:
    """Return the median of the packets of each position and gateway."""
    links: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    with table.open(encoding="utf-8", newline="") as stream:
        for row in csv.DictReader(stream):
            links[row["location_id"], row["gateway_id"]].append((float(row["distance_m"]), float(row["signal_power_dbm"])))
    values = np.array([np.median(np.array(packets), axis=0) for packets in links.values()])
    return Medians(values[:, 0], values[:, 1], sum(len(packets) for packets in links.values()))


def predictions_dbm(distance_m: np.ndarray) -> dict[str, np.ndarray]:
    """Return the power that each of the three uncalibrated ways promises."""
    count, samples = len(distance_m), 501
    grid = Grid("EPSG:32633", 0.0, 0.0, 100.0, 2, 2)
    note = RasterNote("none", "ground", 100.0, 0.0, 100.0, 1.0, "level ground, assumed")
    flat = np.zeros(grid.shape, dtype=np.float32)
    landscape = build_landscape(Elevation(grid, flat, None, np.zeros(grid.shape, np.uint8), (note,), False, ()), ())
    level = np.zeros((count, samples))
    open_ground = cover_pieces(np.zeros((1, 1), dtype=np.uint16), None, level, level)
    profiles = Profiles(distance_m, level, np.zeros((count, samples), dtype=np.uint16), None, open_ground)
    nowhere = np.zeros(count, dtype=np.uint16)
    ends = Ends(np.full(count, USER_AGL_M), np.full(count, GATEWAY_AGL_M), nowhere, nowhere, np.zeros(count))
    settings = PathSettings(868.0, float(effective_earth_radius_km()), "vertical", REFERENCE_LAND)
    losses = path_losses(profiles, ends, landscape, (Season("leaf", 7, 1.0, wet=False, snow=False),), settings)
    power = POWER_DBM - losses.total_db[0]
    return {
        "free space": POWER_DBM - losses.free_space_db,
        "engine over level ground": power,
        "engine and a street at the lower end": power - built_up_loss_db(np.maximum(distance_m, 250.0), 868.0),
        URBAN: POWER_DBM - urban_forecast_db(distance_m)[0],
    }


def urban_forecast_db(distance_m: np.ndarray) -> np.ndarray:
    """Return loss and spread that the tool gives over level ground of which nothing but "urban" is known; shape (2, n)."""
    level = np.zeros(33)
    heights = (USER_AGL_M, GATEWAY_AGL_M)
    return np.array([forecast_db(float(one), level, heights, 868.0, MappedLand((), "urban")) for one in distance_m]).T


def residual_text(medians: Medians) -> str:
    """Return bias, spread and root mean square error of each way, for all links and for those inside the city."""
    lines = [
        f"{medians.packets} packets, {len(medians.power_dbm)} links, medians; {POWER_DBM:g} dBm and 0 dBi assumed",
        f"{'predicted by':<54}{'links':>7}{'bias dB':>9}{'± dB':>7}{'RMSE':>7}",
    ]
    for where, chosen in (("all", medians.distance_m > 0.0), ("within 20 km", medians.distance_m <= CITY_UP_TO_M)):
        for name, power in predictions_dbm(medians.distance_m).items():
            residual = (power - medians.power_dbm)[chosen]
            rmse = float(np.sqrt(np.mean(residual**2)))
            lines.append(f"{f'{name}, {where}':<54}{chosen.sum():>7}{residual.mean():9.1f}{residual.std():7.1f}{rmse:7.1f}")
    chosen = medians.distance_m <= CITY_UP_TO_M
    loss, spread = urban_forecast_db(medians.distance_m[chosen])
    off_db = np.abs(POWER_DBM - loss - medians.power_dbm[chosen])
    held = [f"{share:.0%} intervals hold {(off_db <= ndtri(0.5 + share / 2.0) * spread).mean():.0%}" for share in (0.8, 0.9)]
    lines.append(f"{URBAN}, within 20 km: {', '.join(held)}")
    lines.append(
        "Only packets that arrived are listed, so weak links look better than they are, and a good method looks pessimistic."
    )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(residual_text(read_medians(Path(sys.argv[1]) if len(sys.argv) > 1 else TABLE)))
