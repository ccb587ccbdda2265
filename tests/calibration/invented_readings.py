"""Invented properties with a hidden truth, for the tests of calibration. Everything follows from the seed."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from meshplan.calibration.model import choose_terms, design_matrix, own_sd_db, reference_distance_m
from meshplan.calibration.posterior import ENDS_DB, SIZE_LOG_SD
from meshplan.records import Spread
from meshplan.records.measurement import MeasuredLink, PredictedLink

NAN = float("nan")
SPREAD = Spread(model_db=6.0, elevation_db=2.0, vegetation_db=0.0, soil_db=1.0, antenna_db=3.0)


@dataclass(frozen=True)
class Truth:
    """What the engine does not know."""

    offset_db: float = 0.0
    orchard_db: float = 0.0
    wood_db_per_m: float = 0.0
    slope: float = 0.0
    ends_db: tuple[tuple[str, float], ...] = ()
    own_sd_db: float = 3.0
    reading_sd_db: float = 1.0


def property_links(
    rng: np.random.Generator, *, gateways: int = 3, sensors: int = 24, extent_m: float = 900.0
) -> tuple[PredictedLink, ...]:
    """Return predicted links between all sensors and gateways over land with orchard, wood and open ground."""
    hubs = [(f"G{k}", *rng.uniform(0.2 * extent_m, 0.8 * extent_m, 2)) for k in range(gateways)]
    links = []
    for number in range(sensors):
        x, y = rng.uniform(0, extent_m, 2)
        kind = ("open", "orchard", "wood")[number % 3]
        for name, hub_x, hub_y in hubs:
            distance_m = max(math.hypot(x - hub_x, y - hub_y), 20.0)
            metres = float(rng.uniform(10, 80)) if kind != "open" else 0.0
            veg = 0.08 * metres
            loss_db = 32.45 + 20 * math.log10(868 * distance_m / 1000) + 0.1 * metres + 12
            links.append(
                PredictedLink(
                    f"S{number:02d}-{name}", f"S{number:02d}", name, x, y, hub_x, hub_y, distance_m, 14 - loss_db,
                    -120.0, replace(SPREAD, vegetation_db=veg), 868.0, environment=kind,
                    cover_m=((kind, metres),) if metres else (), in_leaf=True, noise_dbm=-117.0,
                )
            )  # fmt: skip
    return tuple(links)


def true_power_dbm(links: tuple[PredictedLink, ...], truth: Truth, rng: np.random.Generator) -> np.ndarray:
    """Return the real median power of each link."""
    ends = dict(truth.ends_db)
    powers = []
    for link in links:
        cover = dict(link.cover_m)
        powers.append(
            link.received_dbm
            + truth.offset_db
            + (truth.orchard_db if link.environment == "orchard" else 0.0)
            - truth.wood_db_per_m * cover.get("wood", 0.0)
            - truth.slope * 10 * math.log10(link.distance_m / 300)
            + ends.get(link.a, 0.0)
            + ends.get(link.b, 0.0)
        )
    return np.array(powers) + truth.own_sd_db * rng.standard_normal(len(links))


def measure(
    links: tuple[PredictedLink, ...],
    power_dbm: np.ndarray,
    rng: np.random.Generator,
    *,
    reading_sd_db: float = 1.0,
    censor: str = "bounds",
) -> tuple[MeasuredLink, ...]:
    """Return readings; what lies below the sensitivity is not heard: kept as bounds or dropped."""
    result = []
    for link, power in zip(links, power_dbm, strict=True):
        read = power + reading_sd_db * rng.standard_normal()
        if power >= link.sensitivity_dbm or censor == "ignore":
            result.append(MeasuredLink(link, float(read), reading_sd_db, powers_dbm=(float(read),)))
        elif censor == "bounds":
            result.append(MeasuredLink(link, NAN, 1.0, -math.inf, link.sensitivity_dbm))
    return tuple(result)


def drawn_power_dbm(links: tuple[PredictedLink, ...], rng: np.random.Generator) -> tuple[np.ndarray, dict[str, float]]:
    """Return real powers whose hidden causes and error sizes are drawn from the engine's own beliefs, and the causes."""
    terms, reference_m = choose_terms(links), reference_distance_m(links)
    own_factor = math.exp(SIZE_LOG_SD * rng.standard_normal() - SIZE_LOG_SD**2)
    ends = [t.prior_sd for t in terms if t.scaled]
    places = ENDS_DB * abs(rng.standard_normal()) / float(np.median(ends)) if ends else 1.0
    hidden = rng.standard_normal(len(terms)) * [t.prior_sd * (places if t.scaled else 1.0) for t in terms]
    own = own_factor * own_sd_db(links, terms, reference_m) * rng.standard_normal(len(links))
    shared = design_matrix(links, [t.name for t in terms], reference_m) @ hidden
    power = np.array([link.received_dbm for link in links]) + shared + own
    return power, {t.name: float(value) for t, value in zip(terms, hidden, strict=True)}
