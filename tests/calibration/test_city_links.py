"""Real packets of a city at 868 MHz: the calibration against a plain fit on distance, each place left out in turn."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer

from meshplan.calibration.calibrate import calibrate
from meshplan.calibration.combine import combine_readings
from meshplan.inputs.measurements import read_readings
from meshplan.records import Spread
from meshplan.records.measurement import Calibration, PredictedLink, Reading

PLAIN_FIT_DB = 6.8
"""One exponent and one offset for each gateway, fitted to all medians (note beside the data; 6.77 dB when computed again)."""


def free_space_prediction(reading: Reading, metric: Transformer) -> PredictedLink:
    """Return what an engine without terrain says: 14 dBm, 0 dBi, free space (ITU-R P.525)."""
    a, b = metric.transform(reading.a.lon_deg, reading.a.lat_deg), metric.transform(reading.b.lon_deg, reading.b.lat_deg)
    distance_m = math.hypot(a[0] - b[0], a[1] - b[1])
    received = 14 - (32.4478 + 20 * math.log10(868) + 20 * math.log10(distance_m / 1000))
    spread = Spread(model_db=8.0, elevation_db=2.0, vegetation_db=0.0, soil_db=0.0, antenna_db=3.0)
    return PredictedLink(
        reading.where, reading.a.name, reading.b.name, *a, *b, distance_m, received, -137.0, spread, 868.0
    )  # fmt: skip


@pytest.fixture(scope="module")
def city(reference_dir: Path) -> Calibration:
    source = read_readings([reference_dir / "measured" / "city_868mhz_packets.csv"], ())
    metric = Transformer.from_crs("EPSG:4326", "EPSG:32634", always_xy=True)
    predicted = [free_space_prediction(reading, metric) for reading in source.readings]
    return calibrate(combine_readings(source.readings, predicted), source=source)


@pytest.mark.slow
def test_a_left_out_place_is_predicted_no_worse_than_by_the_plain_fit(city: Calibration) -> None:
    left = city.left_out
    assert left is not None
    print(
        f"left-out places: {left.error_db:.2f} dB over {left.links} links, {left.error_over_readings_db:.2f} dB over packets; "
        f"plain fit left out {left.distance_only_db:.2f} and {left.distance_only_over_readings_db:.2f} dB"
    )
    assert (left.locations, left.links) == (32, 174)
    assert left.error_db < left.distance_only_db
    assert left.error_over_readings_db < left.distance_only_over_readings_db


@pytest.mark.slow
@pytest.mark.xfail(strict=True, reason="6.91 dB; 6.76 before tails, missing links and the spread of places were learned; open")
def test_a_left_out_place_is_predicted_as_well_as_the_plain_fit_describes_those_it_was_fitted_to(city: Calibration) -> None:
    assert city.left_out is not None
    assert city.left_out.error_db <= PLAIN_FIT_DB


@pytest.mark.slow
def test_the_intervals_of_left_out_places_hold_what_they_say(city: Calibration) -> None:
    assert city.left_out is not None
    assert 0.85 <= city.left_out.inside_90 <= 0.97


@pytest.mark.slow
def test_free_space_is_27_db_too_strong_and_this_is_said(city: Calibration) -> None:
    """The note beside the data gives 27 dB."""
    everything = city.residuals[-1]
    assert everything.mean_before_db == pytest.approx(-27.0, abs=0.6)
    assert any("far from what was expected" in warning for warning in city.warnings)
    assert abs(everything.mean_after_db) < 1.5


@pytest.mark.slow
def test_mountain_gateways_stand_out(city: Calibration) -> None:
    """G6 and G8 stand on mountains far away (note beside the data): stronger than the others for their distance."""
    offsets = {name: city.parameter(f"end {name}").mean for name in (f"G{k}" for k in range(1, 9))}
    assert set(sorted(offsets, key=lambda name: -offsets[name])[:2]) == {"G6", "G8"}
    assert np.mean([offsets[name] for name in ("G6", "G8")]) > 2
