"""A forecast hangs on the land, the rasters and the two ends alone: not on how wide the property is, nor on its working grid.

Two sites over one invented raster of 90 m, in properties of 0.3 to 20 km and with working cells from a quarter of the raster's to
its whole: margins within 0.5 dB, chances within 0.02 and the same verdict, in plan, profile, coverage and the page's engine (issue
12, point 1). What does not touch a link changes nothing of it, to the bit.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from one_browser import started_browser
from pyproj import Transformer
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from small_property import CRS, write_raster

from meshplan.assembly.page_data import map_landscape
from meshplan.explain.verdict import coverage_verdicts
from meshplan.inputs import grid_choice
from meshplan.links.link_table import LinkTable, compute_links
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.records import Link
from meshplan.reporting.map import write_map
from meshplan.terrain.geodesy import to_degrees
from meshplan.workflow import plan_property, profile_between
from meshplan.workflow.coverage import compute_coverage
from meshplan.workflow.prepare import prepare_property

RASTER_M, ACROSS, MIDDLE_M = 90.0, 300, (500_000.0, 5_200_000.0)
MARGIN_DB, CHANCE, SEED = 0.5, 0.02, 12_001
NARROW_KM, WIDE_KM = 0.3, 20.0
ENDS_M = ((-60.0, -75.0, 1.2), (70.0, 65.0, 5.0))
"""East and north of the middle, and antenna height: 191 m apart, so that the narrowest property holds them."""
FAR_ENDS_M = ((-1310.0, 420.0, 2.0), (1190.0, -380.0, 11.0))
"""2.6 km apart, for properties of 3 km and more."""
TO_DEGREES = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)


@cache
def hills() -> np.ndarray:
    """Return seeded hills of 2.5 km and smaller ones of 300 m, 27 km across, heights of single floats."""
    random = np.random.default_rng(SEED)
    found = 200.0 + 40.0 * _unit(random, 28.0) + 5.0 * _unit(random, 3.3) + 1.0 * _unit(random, 0.8)
    return found.astype(np.float32)


def _unit(random: np.random.Generator, cells: float) -> np.ndarray:
    field = gaussian_filter(random.standard_normal((ACROSS, ACROSS)), cells, mode="reflect")
    return np.asarray(field / field.std())


def lay(folder: Path, ends: tuple[tuple[float, float, float], ...], extra: str = "", more: tuple[str, ...] = ()) -> Path:
    """Write the property: a trough, a house, and further rows of sites as they are given."""
    folder.mkdir(parents=True, exist_ok=True)
    half_m = RASTER_M * ACROSS / 2.0
    place = from_origin(MIDDLE_M[0] - half_m, MIDDLE_M[1] + half_m, RASTER_M, RASTER_M)
    write_raster(folder / "ground.tif", hills(), transform=place)
    rows = ["name,role,lon_deg,lat_deg,antenna_agl_m,power"]
    for (east_m, north_m, height_m), words in zip(ends, (("Trough", "sensor", ""), ("House", "gateway", "mains")), strict=True):
        rows.append(row(words[0], words[1], east_m, north_m, height_m, words[2]))
    (folder / "sites.csv").write_text("\n".join([*rows, *more]) + "\n", encoding="utf-8")
    (folder / "property.toml").write_text(
        'name = "Wide"\ncountry = "europe"\nradio = "fsk-868-50k"\nseasons = "bare"\nsites = "sites.csv"\n'
        f'elevation = "ground.tif"\nland_cover.mapped = "all"\n{extra}',
        encoding="utf-8",
    )
    return folder


def row(name: str, role: str, east_m: float, north_m: float, height_m: float, power: str = "") -> str:
    lon_deg, lat_deg = TO_DEGREES.transform(MIDDLE_M[0] + east_m, MIDDLE_M[1] + north_m)
    return f"{name},{role},{lon_deg:.7f},{lat_deg:.7f},{height_m},{power}"


def terrain(width_km: float, part: int | None, ends: tuple[tuple[float, float, float], ...]) -> dict[str, Any]:
    """Return the settings that make a property so wide, with cells of a part of the raster's."""
    reach_m = max(abs(ends[1][0] - ends[0][0]), abs(ends[1][1] - ends[0][1]))
    found: dict[str, Any] = {"terrain.margin_m": max((1000.0 * width_km - reach_m) / 2.0, 0.0)}
    return found if part is None else {**found, "terrain.cell_m": RASTER_M / part}


def figures(link: Link) -> tuple[float, float, float]:
    one = link.seasons[0]
    return min(one.margin_at_a_db, one.margin_at_b_db), one.spread.total_db, one.chance


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[tuple[float, float, float], ...], Path]:
    return {ends: lay(tmp_path_factory.mktemp("wide") / str(i), ends) for i, ends in enumerate((ENDS_M, FAR_ENDS_M))}


@pytest.fixture(scope="module")
def narrowest(folders: dict[Any, Path]) -> dict[Any, Link]:
    """The link in the narrowest property that holds it, with the cells that are chosen for it."""
    widths = {ENDS_M: NARROW_KM, FAR_ENDS_M: 3.0}
    return {
        ends: profile_between(folder, "Trough", "House", overrides=terrain(widths[ends], None, ends))[0]
        for ends, folder in folders.items()
    }


def alike(found: tuple[float, float, float], link: Link, where: str) -> None:
    margin_db, _, chance = figures(link)
    assert found[0] == pytest.approx(margin_db, abs=MARGIN_DB), where
    assert found[2] == pytest.approx(chance, abs=CHANCE), where


@pytest.mark.slow
@settings(max_examples=8, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(share=st.floats(0.0, 1.0), part=st.sampled_from([None, 4, 3, 2, 1]), far=st.booleans())
@example(share=1.0, part=None, far=False)
@example(share=1.0, part=1, far=True)
@example(share=0.0, part=4, far=False)
def test_profile_and_plan_do_not_feel_the_width(
    folders: dict[Any, Path], narrowest: dict[Any, Link], share: float, part: int | None, far: bool
) -> None:
    ends = FAR_ENDS_M if far else ENDS_M
    least_km = 3.0 if far else NARROW_KM
    width_km = float(least_km * (WIDE_KM / least_km) ** share)
    if part is not None and width_km * 1000.0 < 12.0 * RASTER_M / part:
        part = None  # a grid of fewer than ten cells is refused
    chosen = terrain(width_km, part, ends)
    link = profile_between(folders[ends], "Trough", "House", overrides=chosen)[0]
    alike(figures(link), narrowest[ends], f"{width_km:.2f} km, cell {part}")
    assert link.verdict == narrowest[ends].verdict
    assert figures(link)[1] == pytest.approx(figures(narrowest[ends])[1], abs=0.2)


JS_BARE = """([a, b]) => {
  const end = (name) => { const d = meshPage.devices.get(name);
    return { name, end: meshPage.ends.get(name), place: L.latLng(d.lat_deg, d.lon_deg) }; };
  const one = meshTrial.computeBare(end(a), end(b)).found.seasons[0];
  return [one.marginDb, one.spreadDb, one.chance]; }"""


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.parametrize(
    ("width_km", "part", "far"),
    [(0.4, 4, False), (3.0, None, True), (6.0, 1, False), (20.0, None, False), (20.0, 1, True), (9.0, 3, True)],
)
def test_plan_coverage_and_page_do_not_feel_the_width(
    folders: dict[Any, Path], narrowest: dict[Any, Link], tmp_path: Path, width_km: float, part: int | None, far: bool
) -> None:
    ends = FAR_ENDS_M if far else ENDS_M
    where = f"{width_km:g} km, cell {part}"
    planned = plan_property(folders[ends], overrides=terrain(width_km, part, ends))
    prepared, plan = planned.prepared, planned.plan
    link = next(link for link in plan.links if {link.a, link.b} == {"Trough", "House"})
    alike(figures(link), narrowest[ends], where)
    assert link.verdict == narrowest[ends].verdict
    land = map_landscape(plan, prepared.landscape, prepared.stations, prepared.seasons, prepared.path)
    context = started_browser().new_context(offline=True)
    page = context.new_page()
    page.goto(write_map(plan, land, tmp_path / "map.html").as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    alike(tuple(page.evaluate(JS_BARE, ["Trough", "House"])), narrowest[ends], f"{where}, the page")
    context.close()
    grid = prepared.landscape.grid
    sensor = next(station for station in prepared.stations if station.key == "Trough")
    column, row_ = (round(float(part)) for part in grid.column_row(sensor.site.x_m, sensor.site.y_m))
    cover, _ = compute_coverage(prepared, plan, transmitters=["House"], receiver_agl_m=sensor.antenna_agl_m)
    lon_deg, lat_deg = (float(part) for part in to_degrees(grid)(*grid.x_y(column, row_)))
    there = f"{lat_deg:.8f},{lon_deg:.8f}"
    narrow = terrain(3.0 if far else NARROW_KM, None, ends)
    alone = profile_between(folders[ends], there, "House", antenna_a_agl_m=sensor.antenna_agl_m, overrides=narrow)[0]
    told = float(cover.margin_db[row_, column]), 0.0, float(cover.chance[row_, column])
    alike(told, alone, f"{where}, coverage")
    words, classes = coverage_verdicts(cover, plan.required_chance)
    assert words[classes[row_, column]] == alone.verdict


def table_of(folder: Path, pairs: list[tuple[str, str]], overrides: dict[str, Any]) -> tuple[LinkTable, list[int]]:
    """Return the links between named sites."""
    prepared = prepare_property(folder, overrides=overrides)
    names = [station.key for station in prepared.stations]
    wanted = np.array([[names.index(a), names.index(b)] for a, b in pairs])
    fields = draw_error_fields(prepared.landscape)
    table = compute_links(prepared.stations, wanted, prepared.landscape, prepared.seasons, prepared.path, error_fields=fields)
    return table, list(range(len(pairs)))


def bits(table: LinkTable) -> bytes:
    parts = (table.margin_db, table.spread_db, table.chance, table.elevation_shift_db, table.hidden_relief_db)
    return b"".join(np.ascontiguousarray(part).tobytes() for part in parts)


HEDGE = {"type": "Feature", "properties": {"kind": "hedge_deciduous", "height_m": 2.0}}


def draw_hedge(folder: Path, east_m: float, north_m: float) -> None:
    corners = [(east_m, north_m), (east_m + 60.0, north_m), (east_m + 60.0, north_m + 2.0), (east_m, north_m + 2.0)]
    ring = [TO_DEGREES.transform(MIDDLE_M[0] + x, MIDDLE_M[1] + y) for x, y in (*corners, corners[0])]
    shape = {**HEDGE, "geometry": {"type": "Polygon", "coordinates": [[list(place) for place in ring]]}}
    (folder / "cover.geojson").write_text(json.dumps({"type": "FeatureCollection", "features": [shape]}), encoding="utf-8")


@pytest.mark.slow
@settings(max_examples=5, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(at=st.tuples(st.integers(-1500, 1500), st.integers(900, 1700)), moved=st.tuples(st.integers(-60, 60), st.integers(-60, 60)))
def test_what_does_not_touch_a_link_alters_no_bit_of_it(
    tmp_path_factory: pytest.TempPathFactory, at: tuple[int, int], moved: tuple[int, int]
) -> None:
    """A hedge drawn far away; a sensor at the edge that moves and takes the extent of the land with it."""
    base = tmp_path_factory.mktemp("touch")
    edge = ("Edge", "sensor", 1900.0, -1800.0, 1.0)
    pairs = [("Trough", "House")]
    before, _ = table_of(lay(base / "before", FAR_ENDS_M, more=(row(*edge),)), pairs, {})
    hedged = lay(base / "hedge", FAR_ENDS_M, 'cover = "cover.geojson"\nland_cover.elsewhere = ["cover.geojson"]\n', (row(*edge),))
    draw_hedge(hedged, *at)
    elsewhere = ("Edge", "sensor", edge[2] + moved[0], edge[3] + moved[1], 1.0)
    away = lay(base / "moved", FAR_ENDS_M, more=(row(*elsewhere),))
    assert bits(table_of(hedged, pairs, {})[0]) == bits(before)
    assert bits(table_of(away, pairs, {})[0]) == bits(before)
    touched = [bits(table_of(folder, [("Edge", "House")], {})[0]) for folder in (base / "before", away)]
    assert (touched[0] != touched[1]) == (moved != (0, 0)), "the moved sensor's own link does change"


@pytest.mark.slow
def test_the_figures_of_a_link_do_not_hang_on_the_size_of_the_job(folders: dict[Any, Path]) -> None:
    """One link alone and among five hundred: margins, spreads and chances to the bit."""
    random = np.random.default_rng(SEED)
    places = random.uniform(-1400.0, 1400.0, (500, 2))
    folder = folders[FAR_ENDS_M].parent / "many"
    lay(folder, FAR_ENDS_M, more=tuple(row(f"S{i:03d}", "sensor", x, y, 1.0) for i, (x, y) in enumerate(places)))
    names = ["Trough", *(f"S{i:03d}" for i in range(500))]
    wide = terrain(4.0, None, FAR_ENDS_M)
    together, _ = table_of(folder, [(name, "House") for name in names], wide)
    for number in (0, 7, 250, 499):
        alone, _ = table_of(folder, [(names[number], "House")], wide)
        for one, many in (
            (alone.margin_db[:, 0], together.margin_db[:, number]),
            (alone.spread_db[:, 0], together.spread_db[:, number]),
            (alone.chance[:, 0], together.chance[:, number]),
        ):
            assert one.tobytes() == np.ascontiguousarray(many).tobytes(), names[number]


def test_a_raster_in_degrees_gives_a_link_the_same_bits_in_a_wider_property(tmp_path: Path) -> None:
    """The sensor at the edge moves by 30 m and takes the extent of the grid with it; then by 2.4 km, and the cells are others."""
    step_deg = 1.0 / 1200.0
    west_deg, north_deg = TO_DEGREES.transform(MIDDLE_M[0] - 9000.0, MIDDLE_M[1] + 9000.0)
    found = {}
    for name, east_m in (("near", 1500.0), ("moved", 3900.0), ("again", 3930.0)):
        folder = lay(tmp_path / name, FAR_ENDS_M, more=(row("Edge", "sensor", east_m, -900.0, 1.0),))
        place = from_origin(west_deg, north_deg, step_deg, step_deg)
        write_raster(folder / "ground.tif", hills()[:195, :290], transform=place, crs="EPSG:4326")
        found[name] = bits(table_of(folder, [("Trough", "House")], {})[0])
    assert found["moved"] == found["again"]
    assert found["near"] == found["moved"]


def test_a_link_goes_over_the_pixels_of_a_raster_finer_than_the_grid_of_a_wide_property(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A raster of 5 m in a property of 20 km, made small: the grid may have 40 000 cells, and those of 2 km have 10 m."""
    random = np.random.default_rng(SEED)
    heights = 200.0 + 12.0 * gaussian_filter(random.standard_normal((400, 400)), 20.0) * 40.0
    heights += gaussian_filter(random.standard_normal((400, 400)), 2.0) * 8.0
    names = [f"S{i:02d}" for i in range(40)]
    more = tuple(row(name, "sensor", *random.uniform(-180.0, 180.0, 2), 1.2) for name in names)
    folder = lay(tmp_path / "fine", ENDS_M, more=more)
    place = from_origin(MIDDLE_M[0] - 1000.0, MIDDLE_M[1] + 1000.0, 5.0, 5.0)
    write_raster(folder / "ground.tif", heights.astype(np.float32), transform=place)
    pairs = [(name, "House") for name in names]
    narrow, _ = table_of(folder, pairs, {"terrain.margin_m": 0.0})
    monkeypatch.setattr(grid_choice, "MOST_CELLS", 40_000)
    wide = prepare_property(folder, overrides={"terrain.margin_m": 900.0})
    assert wide.landscape.grid.cell_m >= 10.0
    found, _ = table_of(folder, pairs, {"terrain.margin_m": 900.0})
    assert found.margin_db == pytest.approx(narrow.margin_db, abs=0.001)
    assert found.spread_db == pytest.approx(narrow.spread_db, abs=0.001)
    assert found.chance == pytest.approx(narrow.chance, abs=0.001)
    asked, _ = table_of(folder, pairs, {"terrain.cell_m": 10.0})
    assert np.abs(asked.margin_db - narrow.margin_db).max() > MARGIN_DB, "who asks for coarse cells has smoothed relief"
