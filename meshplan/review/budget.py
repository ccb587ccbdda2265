"""How often a review may cry wolf, and the thresholds that follow from it.

The budget is one false alarm a year in a network of twenty devices that is looked at daily. Each kind of finding has a share; the
threshold of its test follows from that share, never from a log.
"""

from __future__ import annotations

import math
from typing import Final

from scipy.optimize import brentq
from scipy.special import stdtrit

NETWORK_DEVICES: Final = 20
YEAR_DAYS: Final = 365.0
SHARES: Final = {
    "silence": 0.15,
    "loss": 0.15,
    "step": 0.15,
    "common step": 0.05,
    "slope": 0.15,
    "cell": 0.10,
    "need": 0.05,
    "load": 0.05,
    "clock": 0.05,
    "hour": 0.10,
}
"""False alarms that each kind may give in a network-year; one together (own choice)."""

OVERSHOOT: Final = 1.166
"""What a sum in discrete steps goes over its threshold by, twice 0.583 (Siegmund, Sequential Analysis, 1985, from memory)."""


def days_between_alarms(kind: str) -> float:
    """Return the mean number of device-days from one false alarm of a kind to the next."""
    return NETWORK_DEVICES * YEAR_DAYS / SHARES[kind]


def run_length(slack: float, threshold: float) -> float:
    """Return the mean number of samples to a false alarm of a one-sided cumulative sum of independent normal samples.

    Parameters
    ----------
    slack : float
        Taken off each sample before it is added, in standard deviations (k).
    threshold : float
        Sum at which the alarm comes, in standard deviations (h).

    Notes
    -----
    Source
        Siegmund, Sequential Analysis, 1985: (e^{2kb} − 2kb − 1)/(2k²) with b = h + 1.166 (from memory; radio facts 2, § 6, have the
        same values at k = 0.5)
    """
    grown = 2.0 * slack * (threshold + OVERSHOOT)
    return math.expm1(min(grown, 700.0)) / (2.0 * slack**2) - grown / (2.0 * slack**2)


def sum_threshold(slack: float, samples: float, correlation: float = 0.0) -> float:
    """Return the threshold of a cumulative sum that gives one false alarm in so many samples; never below 1.

    Parameters
    ----------
    correlation : float
        Of a sample with the next, 0 to below 1: sums of such samples spread by √((1 + ρ)/(1 − ρ)) more.

    Notes
    -----
    Source
        `run_length`, solved for the threshold; for samples of an autoregressive sequence the sum is taken as a diffusion with its
        long-run spread (derived: slack and threshold are both counted in that spread)
    Accuracy
        Drawn sequences, slack 1.5: as many alarms as allowed at ρ = 0, a tenth of them at ρ = 0.5 (on the safe side)
    """
    wider = math.sqrt((1.0 + correlation) / (1.0 - correlation))

    def lacking(threshold: float) -> float:
        return math.log(max(run_length(slack / wider, threshold / wider), 1e-300)) - math.log(samples)

    return float(brentq(lacking, 1.0, 1000.0)) if lacking(1.0) < 0.0 else 1.0


def quantile(kind: str, looks_per_device_year: float, freedom: float = math.inf) -> float:
    """Return how many standard errors a test must show when it is asked so often a year in each device.

    With few degrees of freedom the standard error is itself uncertain: Student's t then.
    """
    chance = SHARES[kind] / (NETWORK_DEVICES * looks_per_device_year)
    return -float(stdtrit(min(max(freedom, 1.0), 1e6), chance))
