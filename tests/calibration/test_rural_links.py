"""Invented links over ten kilometres of hills: the calibration against plain fits, each place left out in turn."""

from __future__ import annotations

import math

import numpy as np
import pytest

from meshplan.calibration.calibrate import calibrate
from meshplan.records import Spread
from meshplan.records.measurement import MeasuredLink, PredictedLink

PLACES, GATEWAYS = 45, 3


def hilly_links(rng: np.random.Generator) -> tuple[PredictedLink, ...]:
    """Return predictions by free space or plane earth, with a diffraction loss that has nothing to do with distance."""
    hubs = [(f"GW{k}", *rng.uniform(2000, 8000, 2), float(rng.uniform(10, 40))) for k in range(GATEWAYS)]
    links = []
    for number in range(PLACES):
        x, y = rng.uniform(0, 10_000, 2)
        height = float(rng.choice([1.5, 2.0, 3.0, 5.0]))
        for name, hub_x, hub_y, hub_height in hubs:
            distance_m = math.hypot(x - hub_x, y - hub_y)
            diffraction = max(0.0, float(rng.normal(8, 9)))
            free = 32.45 + 20 * math.log10(868) + 20 * math.log10(distance_m / 1000)
            plane = 120 + 40 * math.log10(distance_m / 1000) - 20 * math.log10(height * hub_height)
            links.append(
                PredictedLink(
                    f"P{number}-{name}", f"P{number:02d}", name, x, y, hub_x, hub_y, distance_m,
                    14 - max(free, plane) - diffraction, -137.0, Spread(8, 3, 0, 0, 3), 868.0,
                    environment="hill" if diffraction > 6 else "open", diffraction_db=diffraction,
                    ground_limited=plane > free, antenna_a_agl_m=height, antenna_b_agl_m=hub_height,
                )
            )  # fmt: skip
    return tuple(links)


def real_powers_dbm(links: tuple[PredictedLink, ...], rng: np.random.Generator) -> np.ndarray:
    """Return powers: diffraction 40 % too large in the engine, another slope and height gain, shadowing alike among neighbours."""
    place = np.array([(link.a_x_m, link.a_y_m) for link in links])
    hub = np.array([int(link.b[-1]) for link in links])
    gap = np.hypot(*(place[:, None] - place[None]).transpose(2, 0, 1))
    shadow = 36 * np.exp(-gap / 300) * (hub[:, None] == hub[None]) + 16 * np.eye(len(links))
    own = np.linalg.cholesky(shadow) @ rng.standard_normal(len(links))
    hubs, places = rng.normal(0, 5, GATEWAYS)[hub], np.repeat(rng.normal(0, 3, PLACES), GATEWAYS)
    distance, height, diffraction = features(links)
    predicted = np.array([link.received_dbm for link in links])
    return predicted - 6 + hubs + places + 0.4 * diffraction + 0.6 * (distance - 35) - 0.4 * height + own


def features(links: tuple[PredictedLink, ...]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return (
        np.array([10 * math.log10(link.distance_m) for link in links]),
        np.array([10 * math.log10(link.antenna_a_agl_m * link.antenna_b_agl_m) for link in links]),
        np.array([link.diffraction_db for link in links]),
    )


def least_squares_left_out_db(design: np.ndarray, power: np.ndarray) -> float:
    """Return the error of an ordinary fit (numpy.linalg.lstsq) with each place left out."""
    place, errors = np.repeat(np.arange(PLACES), GATEWAYS), []
    for left in range(PLACES):
        rest = place != left
        fit = np.linalg.lstsq(design[rest], power[rest], rcond=None)[0]
        errors.append(power[~rest] - design[~rest] @ fit)
    return float(np.sqrt(np.mean(np.square(errors))))


@pytest.mark.slow
def test_left_out_places_are_predicted_better_than_by_fits_on_distance_height_and_diffraction() -> None:
    ours, full, distance_only, inside = [], [], [], []
    for seed in range(5):
        rng = np.random.default_rng(seed)
        links = hilly_links(rng)
        power = real_powers_dbm(links, rng)
        result = calibrate([MeasuredLink(link, float(p), 1.5) for link, p in zip(links, power, strict=True)])
        assert result.left_out is not None
        hubs = np.array([[link.b == f"GW{k}" for k in range(GATEWAYS)] for link in links], dtype=float)
        distance, height, diffraction = features(links)
        full.append(least_squares_left_out_db(np.column_stack([hubs, distance, height, diffraction]), power))
        distance_only.append(least_squares_left_out_db(np.column_stack([hubs, distance]), power))
        ours.append(result.left_out.error_db)
        inside.append(result.left_out.inside_90)
        assert result.left_out.distance_only_db == pytest.approx(distance_only[-1], rel=1e-6)
    assert np.mean(ours) < np.mean(full) < np.mean(distance_only)
    assert max(np.array(ours) - np.array(full)) < 0.3
    assert 0.85 <= np.mean(inside) <= 0.95


@pytest.mark.slow
def test_a_thousand_links_are_learned_from() -> None:
    """More than the grid of error sizes is learned from: the rest still counts for the causes."""
    rng = np.random.default_rng(1)
    sets = [hilly_links(np.random.default_rng(seed)) for seed in range(4)]
    links = tuple(link for one in sets for link in one)
    power = np.concatenate([real_powers_dbm(one, rng) for one in sets])
    result = calibrate([MeasuredLink(link, float(p), 1.5) for link, p in zip(links, power, strict=True)])
    assert len(result.fitted) == len(links) == 540
    assert result.parameter("diffraction").mean == pytest.approx(-0.4, abs=0.12)
