"""How far the loss formulas are from the rigorous solution over smooth ground: `python -m meshplan.propagation.audit`.

The truth is computed afresh (see `smooth_ground_truth`), so the table needs no reference file.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement
from typing import Final

import numpy as np

from meshplan.propagation.diffraction import delta_bullington_loss_db
from meshplan.propagation.ground import Polarisation
from meshplan.propagation.low_antenna import low_antenna_loss_db
from meshplan.propagation.smooth_ground_truth import smooth_ground_excess_db
from meshplan.propagation.two_ray import crossover_m
from meshplan.units import Array

AUDIT_EARTH_RADIUS_KM: Final = 8495.0
AUDIT_SAMPLES: Final = 101
FREQUENCIES_MHZ: Final = (433.0, 868.0, 915.0, 2440.0, 5800.0)
HEIGHTS_M: Final = (0.5, 1.0, 2.0, 5.0, 10.0)
DISTANCES_M: Final = (20.0, 30.0, 50.0, 100.0, 200.0, 499.0, 500.0, 1000.0, 2000.0, 5000.0, 10000.0, 20000.0)
BANDS_M: Final = ((20.0, 50.0), (50.0, 500.0), (500.0, 5000.0), (5000.0, 20001.0))
POLARISATIONS: Final[tuple[Polarisation, ...]] = ("vertical", "horizontal")


@dataclass(frozen=True)
class AuditCases:
    """Smooth-ground links beyond their crossover, the rigorous loss, and what the formulas say; shape (n,)."""

    polarisation: Polarisation
    frequency_mhz: Array
    distance_m: Array
    height_start_m: Array
    height_end_m: Array
    truth_db: Array
    delta_bullington_db: Array
    low_antenna_db: Array


@dataclass(frozen=True)
class AuditRow:
    """Errors, formula minus truth, of one band of distance and one frequency."""

    polarisation: Polarisation
    frequency_mhz: float
    from_m: float
    to_m: float
    count: int
    delta_bullington_db: tuple[float, float, float]
    """Least, greatest and mean error."""
    low_antenna_db: tuple[float, float, float]


def audit_cases(
    polarisation: Polarisation,
    *,
    frequencies_mhz: Sequence[float] = FREQUENCIES_MHZ,
    heights_m: Sequence[float] = HEIGHTS_M,
    distances_m: Sequence[float] = DISTANCES_M,
) -> AuditCases:
    """Return all pairs of heights at all distances beyond the crossover for which the rigorous loss can be had."""
    kept: list[tuple[float, float, float, float, float]] = []
    for frequency in frequencies_mhz:
        for start, end in combinations_with_replacement(heights_m, 2):
            for distance in distances_m:
                if distance <= float(crossover_m(start, end, frequency)):
                    continue
                truth = smooth_ground_excess_db(
                    distance, start, end, frequency, polarisation=polarisation, earth_radius_km=AUDIT_EARTH_RADIUS_KM
                )
                if np.isfinite(truth):
                    kept.append((frequency, distance, start, end, truth))
    frequency_mhz, distance_m, start_m, end_m, truth_db = np.array(kept).T
    along = distance_m[:, None] * np.linspace(0.0, 1.0, AUDIT_SAMPLES)
    flat = np.zeros(AUDIT_SAMPLES)
    models = [
        model(
            along,
            flat,
            flat,
            start_m,
            end_m,
            frequency_mhz,
            earth_radius_km=AUDIT_EARTH_RADIUS_KM,
            polarisation=polarisation,
        ).total_db
        for model in (delta_bullington_loss_db, low_antenna_loss_db)
    ]
    return AuditCases(polarisation, frequency_mhz, distance_m, start_m, end_m, truth_db, models[0], models[1])


def low_antenna_error_table() -> tuple[AuditRow, ...]:
    """Return the errors of both formulas by polarisation, frequency and band of distance."""
    rows: list[AuditRow] = []
    for polarisation in POLARISATIONS:
        cases = audit_cases(polarisation)
        for frequency in FREQUENCIES_MHZ:
            for near, far in BANDS_M:
                chosen = (cases.frequency_mhz == frequency) & (cases.distance_m >= near) & (cases.distance_m < far)
                if not chosen.any():
                    continue
                delta = (cases.delta_bullington_db - cases.truth_db)[chosen]
                low = (cases.low_antenna_db - cases.truth_db)[chosen]
                rows.append(
                    AuditRow(polarisation, frequency, near, far, int(chosen.sum()), _least_most_mean(delta), _least_most_mean(low))
                )
    return tuple(rows)


def format_error_table(rows: Sequence[AuditRow]) -> str:
    """Return the table as text, with one closing line for all of it."""
    lines = [
        "Loss over smooth ground, formula minus rigorous solution, dB: least … greatest (mean).",
        f"Antennas {HEIGHTS_M[0]}–{HEIGHTS_M[-1]:g} m, beyond the crossover, reference land.",
        "",
        f"{'polarisation':<13}{'MHz':>5}  {'distance m':<12}{'links':>5}   {'delta-Bullington':<24}low-antenna rule",
    ]
    lines += [
        f"{row.polarisation:<13}{row.frequency_mhz:>5.0f}  {f'{row.from_m:.0f}–{row.to_m:.0f}':<12}{row.count:>5}   "
        f"{_in_words(row.delta_bullington_db):<24}{_in_words(row.low_antenna_db)}"
        for row in rows
    ]
    least = min(row.low_antenna_db[0] for row in rows)
    most = max(row.low_antenna_db[1] for row in rows)
    lines += ["", f"All {sum(row.count for row in rows)} links, low-antenna rule: {least:+.2f} … {most:+.2f} dB."]
    return "\n".join(lines)


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; the way in for `python -m meshplan.propagation.audit`."""
    argparse.ArgumentParser(prog="python -m meshplan.propagation.audit", description=__doc__).parse_args(arguments)
    print(format_error_table(low_antenna_error_table()))
    return 0


def _least_most_mean(error_db: Array) -> tuple[float, float, float]:
    return float(error_db.min()), float(error_db.max()), float(error_db.mean())


def _in_words(error_db: tuple[float, float, float]) -> str:
    return f"{error_db[0]:+.2f} … {error_db[1]:+.2f} ({error_db[2]:+.2f})"


if __name__ == "__main__":
    raise SystemExit(main())
