"""Coverage agrees with the link engine where a sensor stands, and says what it does not know."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import rasterio

from meshplan.errors import TooLargeError
from meshplan.links.coverage import Coverage
from meshplan.links.link_table import compute_links
from meshplan.records import Plan, Role
from meshplan.workflow import plan_property
from meshplan.workflow.coverage import compute_coverage, write_coverage
from meshplan.workflow.prepare import Prepared

SAMPLES = Path(__file__).resolve().parents[2] / "sample_sites"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def farm() -> tuple[Prepared, Plan, Coverage, tuple[Coverage, ...]]:
    planned = plan_property(SAMPLES / "mirrowick_bottom")
    best, singles = compute_coverage(planned.prepared, planned.plan, receiver_agl_m=1.0, season="leaf")
    return planned.prepared, planned.plan, best, singles


def test_the_raster_agrees_with_the_link_engine_at_random_places(
    farm: tuple[Prepared, Plan, Coverage, tuple[Coverage, ...]],
) -> None:
    """Shared rays pass at most half a cell aside; cells where that may show are computed as links (`links.cells_again`)."""
    prepared, _, best, singles = farm
    grid, random = prepared.landscape.grid, np.random.default_rng(8)
    like = next(s for s in prepared.stations if s.site.role is Role.SENSOR)
    for single in singles:
        transmitter = next(s for s in prepared.stations if s.key == single.names[0])
        rows, columns = random.integers(5, grid.rows - 5, 250), random.integers(5, grid.columns - 5, 250)
        stations = [transmitter]
        for row, column in zip(rows, columns, strict=True):
            x, y = (float(v) for v in grid.x_y(column, row))
            site = replace(like.site, name=f"{row} {column}", x_m=x, y_m=y)
            stations.append(replace(like, key=site.name, site=site, antenna_agl_m=1.0, inside=0))
        pairs = np.stack([np.arange(1, 251), np.zeros(250, dtype=int)], axis=1)
        season = next(s for s in prepared.seasons if s.name == "leaf")
        table = compute_links(stations, pairs, prepared.landscape, (season,), prepared.path)
        difference = single.loss_db[rows, columns] - table.losses.total_db[0]
        assert np.median(np.abs(difference)) < 0.02
        assert np.percentile(np.abs(difference), 99) < 0.1
    assert np.isfinite(best.chance).all()


def test_the_best_is_never_worse_than_any_single_transmitter(farm: tuple[Prepared, Plan, Coverage, tuple[Coverage, ...]]) -> None:
    _, _, best, singles = farm
    for single in singles:
        assert (best.chance >= single.chance - 1e-6).all()


def test_the_written_raster_is_cloud_optimised_and_lies_on_the_grid(
    farm: tuple[Prepared, Plan, Coverage, tuple[Coverage, ...]], tmp_path: Path
) -> None:
    prepared, plan, best, singles = farm
    raster, page = write_coverage(prepared, plan, best, singles, tmp_path)
    with rasterio.open(raster) as source:
        assert source.tags(ns="IMAGE_STRUCTURE")["LAYOUT"] == "COG"
        assert source.descriptions == ("loss_db", "margin_db", "chance", "transmitter")
        assert source.crs.to_string() == prepared.landscape.grid.crs
        assert source.transform.a == prepared.landscape.grid.cell_m
        np.testing.assert_allclose(source.read(3), best.chance, atol=1e-6)
    assert page.stat().st_size < 5_000_000


def test_a_job_that_does_not_fit_offers_a_coarser_cell(farm: tuple[Prepared, Plan, Coverage, tuple[Coverage, ...]]) -> None:
    prepared, plan, _, _ = farm
    with pytest.raises(TooLargeError, match=r"--set terrain\.cell_m=") as caught:
        compute_coverage(prepared, plan, most_bytes=1_000_000)
    assert "140 MB" in str(caught.value)
