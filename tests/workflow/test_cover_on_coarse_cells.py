"""A wood, a house and a hedge cost a link the same whatever the working cell over a raster of 30 m is (issue 12, point 1)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from one_browser import started_browser
from pyproj import Transformer
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from small_property import CRS, write_raster

from meshplan.assembly.page_data import map_landscape
from meshplan.records import Link
from meshplan.reporting.map import write_map
from meshplan.terrain.geodesy import to_degrees
from meshplan.workflow import plan_property, profile_between
from meshplan.workflow.coverage import compute_coverage

RASTER_M, ACROSS, MIDDLE_M = 30.0, 100, (500_000.0, 5_200_000.0)
MARGIN_DB, CHANCE, SEED = 0.5, 0.02, 12_030
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


def degrees(east_m: float, north_m: float) -> list[float]:
    return [round(float(part), 8) for part in TO_DEGREES.transform(MIDDLE_M[0] + east_m, MIDDLE_M[1] + north_m)]


def box(west: float, south: float, east: float, north: float, **properties: Any) -> dict[str, Any]:
    ring = [degrees(*corner) for corner in ((west, south), (east, south), (east, north), (west, north), (west, south))]
    return {"type": "Feature", "properties": properties, "geometry": {"type": "Polygon", "coordinates": [ring]}}


def lay(folder: Path, shapes: list[dict[str, Any]]) -> Path:
    """Write gentle hills of 30 m cells, a sensor, a gateway 452 m away and what stands between them."""
    random = np.random.default_rng(SEED)
    relief = gaussian_filter(random.standard_normal((ACROSS, ACROSS)), 6.0)
    half_m = RASTER_M * ACROSS / 2.0
    place = from_origin(MIDDLE_M[0] - half_m, MIDDLE_M[1] + half_m, RASTER_M, RASTER_M)
    write_raster(folder / "ground.tif", (200.0 + 4.0 * relief / relief.std()).astype(np.float32), transform=place)
    rows = ["name,role,lon_deg,lat_deg,antenna_agl_m,power"]
    for name, role, place_m, words in (("Trough", "sensor", (0.0, 0.0), "1,"), ("House", "gateway", (410.0, 190.0), "4,mains")):
        rows.append(f"{name},{role},{','.join(str(part) for part in degrees(*place_m))},{words}")
    (folder / "sites.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    (folder / "cover.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": shapes}), encoding="utf-8")
    (folder / "property.toml").write_text(
        'name = "Coarse"\ncountry = "europe"\nradio = "fsk-868-50k"\nseasons = ["june", "bare"]\nsites = "sites.csv"\n'
        'elevation = "ground.tif"\ncover = "cover.geojson"\nland_cover.mapped = "all"\n',
        encoding="utf-8",
    )
    return folder


def drawn_at_random(seed: int) -> list[dict[str, Any]]:
    """Return a wood, a house and a hedge across the path, none of which lies on whole cells."""
    random = np.random.default_rng(seed)
    wood, house, hedge = random.uniform(60.0, 130.0), random.uniform(215.0, 260.0), random.uniform(300.0, 370.0)
    wide, long, thick = random.uniform(20.0, 60.0), random.uniform(8.0, 20.0), random.uniform(1.0, 4.0)
    return [
        box(wood, wood / 2.2 - 60.0, wood + wide, wood / 2.2 + 90.0, kind="wood_deciduous", height_m=8),
        box(house, house / 2.2 - 12.0, house + long, house / 2.2 + 17.0, kind="building", height_m=6),
        box(hedge, hedge / 2.2 - 70.0, hedge + thick, hedge / 2.2 + 40.0, kind="hedge_deciduous", height_m=2.5),
    ]


def figures(link: Link) -> list[tuple[float, float]]:
    return [(min(one.margin_at_a_db, one.margin_at_b_db), one.chance) for one in link.seasons]


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_what_stands_on_coarse_cells_costs_what_it_costs_on_fine_ones(tmp_path: Path, seed: int) -> None:
    folder = lay(tmp_path, drawn_at_random(seed))
    by_default = profile_between(folder, "Trough", "House")[0]
    bare = profile_between(lay(tmp_path, [box(10.0, 170.0, 20.0, 180.0, kind="wood_deciduous", height_m=8)]), "Trough", "House")[0]
    assert figures(by_default)[0][0] < figures(bare)[0][0] - 3.0, "what stands there is met"
    lay(tmp_path, drawn_at_random(seed))
    for part in (1, 2, 3, 4):
        link = profile_between(folder, "Trough", "House", overrides={"terrain.cell_m": RASTER_M / part})[0]
        for found, wanted in zip(figures(link), figures(by_default), strict=True):
            assert found[0] == pytest.approx(wanted[0], abs=MARGIN_DB), RASTER_M / part
            assert found[1] == pytest.approx(wanted[1], abs=CHANCE), RASTER_M / part
        assert link.verdict == by_default.verdict


JS_BARE = """([a, b]) => {
  const end = (name) => { const d = meshPage.devices.get(name);
    return { name, end: meshPage.ends.get(name), place: L.latLng(d.lat_deg, d.lon_deg) }; };
  return meshTrial.computeBare(end(a), end(b)).found.seasons.map((one) => [one.marginDb, one.chance]); }"""


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize("seed", [2, 4])
def test_plan_page_and_coverage_meet_the_same_cover_on_coarse_cells(tmp_path: Path, seed: int) -> None:
    folder = lay(tmp_path, drawn_at_random(seed))
    coarse = {"terrain.cell_m": RASTER_M}
    by_default = figures(profile_between(folder, "Trough", "House")[0])
    planned = plan_property(folder, overrides=coarse)
    prepared, plan = planned.prepared, planned.plan
    link = next(link for link in plan.links if {link.a, link.b} == {"Trough", "House"})
    land = map_landscape(plan, prepared.landscape, prepared.stations, prepared.seasons, prepared.path)
    context = started_browser().new_context(offline=True)
    page = context.new_page()
    page.goto(write_map(plan, land, tmp_path / "map.html").as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    told = page.evaluate(JS_BARE, ["Trough", "House"])
    context.close()
    for one, other, wanted in zip(told, figures(link), by_default, strict=True):
        assert other[0] == pytest.approx(wanted[0], abs=MARGIN_DB)
        assert one[0] == pytest.approx(other[0], abs=0.1), "the page tells what the plan tells"
        assert one[1] == pytest.approx(other[1], abs=CHANCE)
    season, grid = prepared.seasons[0].name, prepared.landscape.grid
    cover, _ = compute_coverage(prepared, plan, transmitters=["House"], receiver_agl_m=1.0, season=season)
    for row, column in np.random.default_rng(seed).integers(2, min(grid.shape) - 2, (6, 2)):
        lon_deg, lat_deg = (float(part) for part in to_degrees(grid)(*grid.x_y(column, row)))
        alone = profile_between(folder, f"{lat_deg:.8f},{lon_deg:.8f}", "House", antenna_a_agl_m=1.0, overrides=coarse)[0]
        assert cover.margin_db[row, column] == pytest.approx(figures(alone)[0][0], abs=0.1)
        assert cover.chance[row, column] == pytest.approx(figures(alone)[0][1], abs=CHANCE)
