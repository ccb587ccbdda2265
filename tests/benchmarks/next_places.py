"""Readings needed until the plan is the one that measuring everywhere would give: places as chosen over places in random order.

Run `python tests/benchmarks/next_places.py [PROPERTIES]`. Invented properties of 20 sensors and 2 gateways, two readings a place.
"""

from __future__ import annotations

import operator
import sys
from pathlib import Path

sys.path[:0] = [str(Path(__file__).resolve().parents[1] / "calibration")]

from invented_walks import REQUIRED, all_but_one, decisions, invented_walks, who_is_served  # noqa: E402

from meshplan.records.measurement import Stake  # noqa: E402

SENSORS, FIRST_SEED = 20, 100
"""Seeds that no test uses."""


def ratio(properties: int, on_edge: float, *, by_sensor: bool) -> tuple[float, int]:
    """Return readings as chosen over readings in random order, and how many properties had anything to find."""
    chosen, random = [], []
    for seed in range(FIRST_SEED, FIRST_SEED + properties):
        plan, done = (who_is_served, operator.eq) if by_sensor else (decisions, all_but_one)
        walks = invented_walks(seed, SENSORS, on_edge, plan, done)
        if not walks.nothing_to_find():
            chosen.append(walks.chosen([Stake(link, REQUIRED, served=link.a if by_sensor else "") for link in walks.links]))
            random.append(walks.at_random(seed))
    return sum(chosen) / sum(random), len(chosen)


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    for by_sensor, words in ((False, "every link's verdict but one"), (True, "which sensors are served")):
        for on_edge in (1 / 6, 0.3):
            found, used = ratio(count, on_edge, by_sensor=by_sensor)
            print(f"{words}, {on_edge:.0%} of links on the edge: {found:.2f} over {used} properties", flush=True)
