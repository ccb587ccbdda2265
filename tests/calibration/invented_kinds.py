"""Invented properties of five kinds for the proof that intervals hold: what fields, towns and orchards do to links.

Spread s of single links, τ of ends and degrees of freedom ν are those of the reference notes (open land s 5, τ 3; rural 6, 4; town
7, 6, ν 8; ν of suburbs about 17, 9 and 14 by the spread of σ from cell to cell), the city one decibel wider than the town by own
choice. None is from a measured set.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from zlib import crc32

import numpy as np
from invented_readings import measure, property_links

from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.correct import correct_links
from meshplan.propagation.variability import reliability_margin_db
from meshplan.records.measurement import Calibration, MeasuredLink, PredictedLink

OFFSET_DB = 3.0
"""Spread of what all links of a property have in common (own choice)."""
READING_DB = 1.5
NEW_PLACES = 4
"""Places that nobody measures: what is learned must hold there too."""


@dataclass(frozen=True)
class Kind:
    """How links scatter."""

    name: str
    freedom: float
    own_db: float
    ends_db: float
    model_db: float
    """What the engine says of its own spread there."""


KINDS = (
    Kind("rural", math.inf, 6.0, 4.0, 8.0),
    Kind("city", 8.0, 8.0, 6.0, 8.0),
    Kind("orchard", math.inf, 5.0, 3.0, 7.0),
    Kind("campus", 14.0, 6.0, 5.0, 8.0),
    Kind("larger town", 8.0, 7.0, 6.0, 8.0),
)


@dataclass(frozen=True, eq=False)
class Invented:
    """A property with what was measured and what is true."""

    measured: tuple[MeasuredLink, ...]
    new: tuple[PredictedLink, ...]
    new_power_dbm: np.ndarray


def invent(kind: Kind, seed: int) -> Invented:
    """Return a property with 10 to 60 links to 1 to 4 gateways; what lies below the sensitivity is silent.

    In half of the properties the silent pairs are listed as not heard, in a quarter they are missing from the readings, and in a
    quarter everything is heard.
    """
    rng = np.random.default_rng([seed, crc32(kind.name.encode())])
    gateways = int(rng.integers(1, 5))
    places = max(int(rng.integers(10, 61)) // gateways, 3) + NEW_PLACES
    links = tuple(
        replace(link, spread=replace(link.spread, model_db=kind.model_db), environment="open", cover_m=())
        for link in property_links(rng, gateways=gateways, sensors=places)
    )
    ends = {name: kind.ends_db * rng.standard_normal() for name in sorted({end for link in links for end in (link.a, link.b)})}
    own = rng.standard_normal(len(links))
    if math.isfinite(kind.freedom):
        own *= np.sqrt(kind.freedom / rng.chisquare(kind.freedom, len(links)))
    power = np.array([link.received_dbm + ends[link.a] + ends[link.b] for link in links])
    power += OFFSET_DB * rng.standard_normal() + kind.own_db * own
    cut_dbm = float(np.quantile(power, rng.uniform(0.0, 0.35))) - (100.0 if seed % 4 == 0 else 0.0)
    links = tuple(replace(link, sensitivity_dbm=cut_dbm) for link in links)
    known = NEW_PLACES * gateways
    measured = measure(links[known:], power[known:], rng, reading_sd_db=READING_DB, censor="bounds" if seed % 2 else "drop")
    return Invented(measured, links[:known], power[:known])


def held(kind: Kind, seeds: range) -> dict[str, float]:
    """Return the share of links inside their 80 and 90 % intervals: at places left out, and at places that nobody measured."""
    inside: dict[str, list[bool]] = {"left out 80": [], "left out 90": [], "new 80": [], "new 90": []}
    for seed in seeds:
        case = invent(kind, seed)
        result = calibrate(case.measured)
        for share, chance in (("80", 0.9), ("90", 0.95)):
            inside[f"left out {share}"] += _left_out(result, chance) if seed % 4 == 0 else []
            inside[f"new {share}"] += _new(result, case, chance)
    return {what: float(np.mean(found)) for what, found in inside.items()}


def _left_out(result: Calibration, chance: float) -> list[bool]:
    """Judge the closed form, where every link was heard: those heard among silent ones lie above their forecast as a body."""
    fits = [fit for fit in result.fitted if math.isfinite(fit.left_out_dbm)]
    away = float(reliability_margin_db(chance, 1.0))
    return [abs(fit.measured.power_dbm - fit.left_out_dbm) <= away * fit.left_out_sd_db for fit in fits]


def _new(result: Calibration, case: Invented, chance: float) -> list[bool]:
    """Compare with the interval that chances of a plan are had from: the spread and the learned degrees of freedom."""
    found = correct_links(result, case.new)
    return [
        abs(power - link.received_dbm - one.correction_db) <= reliability_margin_db(chance, one.spread.total_db, one.freedom)
        for link, power, one in zip(case.new, case.new_power_dbm, found, strict=True)
    ]
