"""Neither the order of rows nor the names of sites change the forecast of a link, whichever end is written first."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from small_property import SIZE_M, SOUTH_M, WEST_M, Rows, lay_small_property, lon_lat, write_raster

from meshplan.links.link_table import compute_links
from meshplan.links.pairs import candidate_pairs
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.workflow.prepare import prepare_property

SEED = 12_012
Figures = dict[frozenset[str], tuple[float, ...]]


@cache
def places() -> Rows:
    """Return sensors, posts and a house at seeded places."""
    random = np.random.default_rng(SEED)
    roles = ["sensor"] * 5 + ["relay"] * 4 + ["gateway"]
    x, y = random.uniform(60.0, SIZE_M - 60.0, (2, len(roles)))
    heights = random.uniform(0.5, 6.0, len(roles))
    return [
        {
            "name": f"P{i}",
            "role": role,
            "x": float(x[i]),
            "y": float(y[i]),
            "antenna_agl_m": round(float(heights[i]), 2),
            "power": "" if role == "sensor" else "mains",
        }
        for i, role in enumerate(roles)
    ]


def write_cover(path: Path) -> None:
    """Write a wood, a hedge and a barn across the paths."""
    drawn = (
        ("wood_deciduous", 11.0, 250, 120, 330, 420),
        ("hedge", 3.0, 120, 100, 123, 500),
        ("building", 6.0, 400, 260, 440, 300),
    )
    features = [
        {
            "type": "Feature",
            "properties": {"kind": kind, "height_m": height_m},
            "geometry": {
                "type": "Polygon",
                "coordinates": [[lon_lat(*corner) for corner in ((w, s), (e, s), (e, n), (w, n), (w, s))]],
            },
        }
        for kind, height_m, w, s, e, n in drawn
    ]
    path.write_text(json.dumps({"type": "FeatureCollection", "features": features}), encoding="utf-8")


def figures_of(rows: Rows, back: dict[str, str], cell_m: float) -> Figures:
    """Return margin, spread, elevation spread and chance of every link in two seasons, by the first names of its ends."""
    random = np.random.default_rng(SEED)
    heights = 150.0 + 12.0 * gaussian_filter(random.standard_normal((120, 120)), 6.0) * 15.0
    with TemporaryDirectory() as scratch:
        folder = lay_small_property(Path(scratch) / "holding", sites=rows, settings='cover = "cover.geojson"\n')
        if cell_m > 5.0:
            count = int(SIZE_M / cell_m)
            heights = heights.reshape(count, 120 // count, count, 120 // count).mean(axis=(1, 3))
        place = from_origin(WEST_M, SOUTH_M + SIZE_M, cell_m, cell_m)
        write_raster(folder / "ground.tif", heights.astype(np.float32), transform=place)
        write_cover(folder / "cover.geojson")
        prepared = prepare_property(folder, overrides={"seasons": ["bare", "leaf"]})
        pairs = candidate_pairs(prepared.stations, prune=False)
        table = compute_links(
            prepared.stations,
            pairs,
            prepared.landscape,
            prepared.seasons,
            prepared.path,
            error_fields=draw_error_fields(prepared.landscape),
        )
    names = [back.get(station.key, station.key) for station in prepared.stations]
    rows_of = np.concatenate([table.margin_db, table.spread_db, table.elevation_spread_db[None], table.chance]).T
    return {frozenset((names[a], names[b])): tuple(found) for (a, b), found in zip(pairs, rows_of.tolist(), strict=True)}


@cache
def first(cell_m: float) -> Figures:
    """Return the figures of the rows as they stand above."""
    return figures_of(places(), {}, cell_m)


@settings(max_examples=5)
@given(order=st.permutations(range(10)), words=st.permutations([f"{letter} spot" for letter in "zyxWVutsra"]),
       cell_m=st.sampled_from([5.0, 30.0]))  # fmt: skip
def test_a_forecast_does_not_hang_on_order_or_names(order: list[int], words: list[str], cell_m: float) -> None:
    rows = [places()[i] | {"name": words[i]} for i in order]
    found = figures_of(rows, {words[i]: f"P{i}" for i in range(10)}, cell_m)
    wanted = first(cell_m)
    assert set(found) == set(wanted)
    assert len(wanted) == 5 * 5 + 6 + 4
    for pair, figures in wanted.items():
        assert found[pair] == pytest.approx(figures, abs=1e-4), sorted(pair)
    assert any(figures[1] < figures[0] - 1.0 for figures in wanted.values()), "leaves cost nothing"
    assert np.ptp([figures[0] for figures in wanted.values()]) > 20.0
