"""The engine inside the page and the Python engine, on the same land: golden vectors over random pairs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, fields, replace
from typing import Any

import numpy as np
import pytest
import shapely
from map_fixture import GRID, GROUND, make_plan
from numpy.typing import NDArray

from meshplan.assembly import page_data
from meshplan.assembly.page_data import page_engine
from meshplan.explain.obstacles import CLEAR_SHARE, RIDGE_RISE_M, clearance_label, clearance_words
from meshplan.grid import Elevation, RasterNote
from meshplan.loss.bypass_paths import row_bypass_losses_db
from meshplan.loss.elevation_draws import relief_hides, terrain_draws_db
from meshplan.loss.end_clutter import assumed_clutter, named_clutter
from meshplan.loss.path_loss import Ends, PathLosses, PathSettings, path_losses
from meshplan.loss.raised_ends import OVER_THE_ROOF, end_tops, raised_paths
from meshplan.loss.uncertainty import draw_error_fields
from meshplan.propagation.antenna import omnidirectional_gain_dbi, polarisation_loss_db, sector_gain_dbi
from meshplan.propagation.clutter import CLUTTER_MOST_MHZ, LEAST_ANTENNA_M, MOST_END_LOSS_DB, end_loss_db
from meshplan.propagation.fresnel import fresnel_radius_m
from meshplan.propagation.ground import ground_constants
from meshplan.propagation.seasons import usual_seasons
from meshplan.records import Cover
from meshplan.records.clutter import EndClutter
from meshplan.reporting.map.assets import figures_script, own_file
from meshplan.reporting.map.data import engine_record, errors_record, json_block
from meshplan.terrain.landscape import Landscape, build_landscape
from meshplan.terrain.mapped_land import MappedLand
from meshplan.terrain.profile import CoverPieces, Profiles, sample_profiles

PAIRS = 1000
SAMPLES = 140
SEED = 20_261
SEASONS = usual_seasons("south")

pytestmark = pytest.mark.browser


def box(left: float, low: float, right: float, top: float) -> Any:
    return shapely.box(GRID.west_m + left, GRID.south_m + low, GRID.west_m + right, GRID.south_m + top)


COVERS = (
    Cover("belt", "wood_evergreen", box(150, 500, 700, 560), 14.0),
    Cover("hanger", "wood_deciduous", box(300, 380, 800, 470), 11.0),
    Cover("hedge", "hedge_deciduous", box(700, 100, 708, 400), 4.0),
    Cover("row", "hedge_evergreen", box(940, 560, 950, 900), 40.0),
    Cover("trees", "orchard", box(820, 150, 1120, 420), 3.5, row_azimuth_deg=20.0),
    Cover("field", "maize", box(100, 700, 500, 950), 2.5, heights_by_month_m=(2.5, 2.5, 0, 0, 0, 0, 0, 0, 0.2, 0.9, 2.0, 2.5)),
    Cover("shed", "building", box(180, 200, 240, 250), 7.0, wall="steel_cladding"),
    Cover("house", "building", box(600, 250, 640, 285), 9.0, wall="timber_dry"),
    Cover("pond", "water", box(400, 200, 520, 260), 0.0),
)


def make_land(frequency_mhz: float, canopy: bool) -> tuple[Landscape, PathSettings]:
    """Return the invented valley with all kinds of cover on it, with or without a surface raster."""
    ground = np.where(np.isfinite(GROUND), GROUND, 95.0).astype(np.float32)
    surface = None
    if canopy:
        random = np.random.default_rng(SEED)
        surface = ground + random.uniform(0, 9, ground.shape).astype(np.float32)
        surface[:, :40] = np.nan
    note = RasterNote("ground.tif", "ground", 5.0, 0.5, 30.0, 1.0, "")
    elevation = Elevation(GRID, ground, surface, np.zeros(GRID.shape, dtype=np.uint8), (note,), False, ())
    settings = PathSettings(frequency_mhz, 8494.7, "vertical", ground_constants("average", frequency_mhz))
    return build_landscape(elevation, COVERS), settings


Around = Mapping[int, NDArray[np.float64]]


def random_paths(land: Landscape, count: int, frequency_mhz: float) -> tuple[Profiles, Ends, Around]:
    """Return seeded pairs of places and heights; some ends stand inside a building."""
    random = np.random.default_rng(SEED)
    x = GRID.west_m + random.uniform(10, 1190, (2, count))
    y = GRID.south_m + random.uniform(10, 990, (2, count))
    # Some paths run along a hedge, just within its long side, where the way around it is short.
    x[:, :40] = GRID.west_m + random.uniform(940.3, 942.0, (2, 40))
    y[0, :40], y[1, :40] = GRID.south_m + random.uniform(420, 540, 40), GRID.south_m + random.uniform(920, 985, 40)
    heights = np.exp(random.uniform(np.log(0.2), np.log(12.0), (2, count)))
    profiles = sample_profiles(land, x[0], y[0], x[1], y[1], SAMPLES)
    solid = np.array([False, *(cover.is_building for cover in land.covers)])
    first, last = profiles.cover_index[:, 0], profiles.cover_index[:, -1]
    inside_a, inside_b = (np.where(solid[number], number, 0).astype(np.uint16) for number in (first, last))
    bearing = np.degrees(np.arctan2(x[1] - x[0], y[1] - y[0])) % 360
    around = row_bypass_losses_db(land, profiles, x[0], y[0], x[1], y[1], frequency_mhz)
    return profiles, Ends(heights[0], heights[1], inside_a, inside_b, bearing), around


def pieces_of(profiles: Profiles, path: int) -> dict[str, Any]:
    """Return the cover pieces of one path in the page's form."""
    pieces = profiles.pieces
    here = slice(*np.searchsorted(pieces.pair, [path, path + 1]))
    canopy = None if pieces.canopy_m is None else [None if np.isnan(v) else float(v) for v in pieces.canopy_m[here]]
    lists = {"sample": pieces.sample[here], "number": pieces.cover_index[here], "share": pieces.share[here]}
    return {**{name: values.tolist() for name, values in lists.items()}, "canopy": canopy}


def page_row(profiles: Profiles, ends: Ends, around: Around, i: int) -> dict[str, Any]:
    """Return one path in the page's form."""
    return {
        "along": profiles.along_m[i].tolist(),
        "ground": profiles.ground_amsl_m[i].tolist(),
        "number": profiles.cover_index[i].tolist(),
        "canopy": None if profiles.canopy_m is None else [None if np.isnan(v) else float(v) for v in profiles.canopy_m[i]],
        "pieces": pieces_of(profiles, i),
        "bearingDeg": float(ends.bearing_deg[i]),
        "around": [[number, float(losses[i])] for number, losses in around.items() if np.isfinite(losses[i])],
        "ends": {
            "aAgl": float(ends.antenna_a_agl_m[i]),
            "bAgl": float(ends.antenna_b_agl_m[i]),
            "insideA": int(ends.inside_a[i]),
            "insideB": int(ends.inside_b[i]),
        },
    }


def page_losses(page: Any, engine: Any, profiles: Profiles, ends: Ends, around: Around) -> list[dict[str, Any]]:
    """Run the page's engine on the very samples of the Python engine."""
    page.evaluate("(record) => { window.constants = JSON.parse(record); }", json_block(engine_record(engine)))
    found: list[dict[str, Any]] = []
    for start in range(0, len(profiles.distance_m), 100):
        part = range(start, min(start + 100, len(profiles.distance_m)))
        rows = [page_row(profiles, ends, around, i) for i in part]
        found += page.evaluate(
            """(rows) => rows.map((row) => {
              const seen = (heights) => heights && heights.map((height) => height === null ? NaN : height);
              row.canopy = seen(row.canopy);
              row.pieces.canopy = seen(row.pieces.canopy);
              const found = meshLinks.pathLosses({ ...row, around: new Map(row.around) }, row.ends, constants);
              return { ...found, spread: found.seasons.map((one) => one.spreadDb), clearanceM: found.clearance.clearanceM };
            })""",
            rows,
        )
    return found


@pytest.fixture
def engine_page(browser: Any) -> Any:
    """A blank page that holds the engine alone."""
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.add_script_tag(content=figures_script().replace("const meshFigures", "window.meshFigures"))
    for name, holder in (("formulas.js", "meshEngine"), ("links.js", "meshLinks")):
        page.add_script_tag(content=own_file(name).replace(f"const {holder}", f"window.{holder}"))
    yield page
    context.close()


@pytest.mark.parametrize(("frequency_mhz", "canopy"), [(868.0, False), (2440.0, True), (433.0, False)])
def test_page_and_python_agree_on_the_same_samples(engine_page: Any, frequency_mhz: float, canopy: bool) -> None:
    land, settings = make_land(frequency_mhz, canopy)
    count = PAIRS if frequency_mhz == 868.0 else 400
    profiles, ends, around = random_paths(land, count, frequency_mhz)
    expected = path_losses(profiles, ends, land, SEASONS, settings, around_db=around)
    assert_varied(expected)
    if frequency_mhz == 868.0:
        assert (expected.bypass_saved_db > 0.1).any(), "some hedges are passed around their end"
    found = page_losses(engine_page, page_engine(make_plan(), land, (), SEASONS, settings), profiles, ends, around)
    for name, wanted in (
        ("freeSpaceDb", expected.free_space_db),
        ("terrainDb", expected.terrain_db),
        ("behindHillDb", expected.behind_hill_db),
        ("buildingDb", expected.building_db),
        ("totalDb", expected.total_db.T),
        ("spread", expected.vegetation_spread_db.T),
        ("clearanceM", expected.clearance_m),
    ):
        difference = np.abs(np.array([row[name] for row in found]) - wanted)
        assert difference.max() <= 0.1, (
            f"{name}: {difference.max():.3f} dB in row {np.unravel_index(difference.argmax(), difference.shape)}"
        )
        assert difference.max() <= 1e-6, f"{name} should be the same formula: {difference.max():.2e}"
    parts = expected.terrain_parts
    obstructed = parts.obstacle_db + expected.building_db + expected.vegetation_db.max(axis=0) > 1.0
    assert [row["obstructed"] for row in found] == obstructed.tolist()
    assert [row["groundLimited"] for row in found] == parts.ground_limited.tolist()


def assert_varied(losses: PathLosses) -> None:
    """The random pairs must meet every rule, or agreement on them says little."""
    assert set(np.unique(losses.building_path)) == {0, 1, 2}
    assert set(np.unique(losses.vegetation_path)) == {0, 1, 2, 3}
    assert losses.terrain_parts.ground_limited.any()
    assert (losses.behind_hill_db > 0.5).any()
    assert (losses.vegetation_db[0] != losses.vegetation_db[1]).any()


def test_antenna_patterns_are_the_same(engine_page: Any) -> None:
    random = np.random.default_rng(SEED)
    gain, up, off = random.uniform(0, 15, 300), random.uniform(-80, 80, 300), random.uniform(-180, 180, 300)
    width, tilt = random.uniform(20, 120, 300), random.uniform(0, 10, 300)
    found = engine_page.evaluate(
        """(rows) => rows.map(([gain, up, off, width, tilt]) => [meshEngine.omnidirectionalGainDbi(gain, up, tilt),
          meshEngine.sectorGainDbi(gain, off, up, width, tilt)])""",
        np.column_stack([gain, up, off, width, tilt]).tolist(),
    )
    wanted = np.column_stack(
        [
            omnidirectional_gain_dbi(gain, up, downtilt_deg=tilt),
            sector_gain_dbi(gain, off, up, horizontal_beamwidth_deg=width, downtilt_deg=tilt),
        ]
    )
    assert np.abs(np.array(found) - wanted).max() < 1e-9


def test_crossed_antennas_cost_the_same(engine_page: Any) -> None:
    angles = [float(angle) for angle in range(-180, 181, 5)]
    found = engine_page.evaluate("(rows) => rows.map((angle) => meshEngine.polarisationLossDb(angle))", angles)
    assert found == pytest.approx(polarisation_loss_db(angles).tolist(), abs=1e-9)


def test_the_loss_of_an_end_is_the_same(engine_page: Any) -> None:
    rule = {"most_mhz": CLUTTER_MOST_MHZ, "most_end_loss_db": MOST_END_LOSS_DB, "least_antenna_m": LEAST_ANTENNA_M}
    cases = [
        (top, height, mhz, width)
        for top in (0.0, 10.0, 15.0, 25.0)
        for height in (0.1, 1.5, 6.0, 12.0, 25.0)
        for mhz in (169.0, 868.0, 2440.0, 5800.0)
        for width in (27.0, 100.0)
    ]
    found = engine_page.evaluate("([rows, rule]) => rows.map((row) => meshEngine.endLossDb(...row, rule))", [cases, rule])
    wanted = [float(end_loss_db(top, height, mhz, street_width_m=width)) for top, height, mhz, width in cases]
    assert found == pytest.approx(wanted, abs=1e-9)
    assert max(wanted) == MOST_END_LOSS_DB


def test_clutter_costs_the_same(engine_page: Any) -> None:
    """Named and assumed clutter at either end, over the same samples: loss and spread of every season."""
    land, settings = make_land(868.0, canopy=False)
    land = replace(land, mapped=MappedLand((), "rural"))
    count = 120
    profiles, ends, around = random_paths(land, count, 868.0)
    kinds: list[EndClutter | None] = [
        assumed_clutter("rural", 1.0),
        named_clutter("urban"),
        assumed_clutter("urban", 0.4, clearing_m=60.0),
        None,
        named_clutter("suburban", unmapped_share=1.0),
    ]
    random = np.random.default_rng(SEED)
    pick = random.integers(0, len(kinds), (2, count))
    heights = (ends.antenna_a_agl_m, ends.antenna_b_agl_m)
    tops = tuple(
        end_tops(height.tolist(), [kinds[i] for i in chosen], np.arange(count))
        for height, chosen in zip(heights, pick, strict=True)
    )
    # The profiles are the places' own, so that the paths need not be sampled anew.
    wanted = [
        raised_paths(
            profiles_of(profiles, i),
            ends_of(ends, i),
            (tops[0].at(np.array([i])), tops[1].at(np.array([i]))),
            land,
            SEASONS,
            settings,
            (np.zeros(1),) * 4,
            around_db={number: losses[i : i + 1] for number, losses in around.items()},
        ).losses
        for i in range(count)
    ]
    expected = np.array([losses.clutter_db[:, 0] for losses in wanted])
    spread = np.array([np.hypot(losses.clutter_spread_a_db, losses.clutter_spread_b_db)[:, 0] for losses in wanted])
    engine = page_engine(make_plan(), land, (), SEASONS, settings)
    rows = [
        {
            **page_row(profiles, ends, around, i),
            "around_a": page_around(kinds[pick[0, i]]),
            "around_b": page_around(kinds[pick[1, i]]),
        }
        for i in range(count)
    ]
    engine_page.evaluate("(record) => { window.constants = JSON.parse(record); }", json_block(engine_record(engine)))
    found = engine_page.evaluate(
        """(rows) => rows.map((row) => {
          const profile = { ...row, distanceM: row.along[row.along.length - 1], around: new Map(row.around) };
          const end = (which) => ({ antenna_agl_m: row.ends[`${which}Agl`], inside: row.ends[`inside${which.toUpperCase()}`],
            around: row[`around_${which}`] });
          const bare = meshLinks.pathLosses(profile, row.ends, constants);
          return meshLinks.clutterOf(profile, end("a"), end("b"), bare, constants).map((one) => [one.extraDb, one.spreadDb]);
        })""",
        rows,
    )
    got = np.array(found)
    assert np.abs(got[:, :, 0] - expected).max() <= 1e-6
    assert np.abs(got[:, :, 1] - spread).max() <= 1e-6
    assert (expected > 5.0).mean() > 0.3
    assert (expected == 0.0).any()
    assert (np.ptp(expected, axis=1) > 0.5).any(), "leaves count"


def page_around(around: EndClutter | None) -> dict[str, Any] | None:
    """Return clutter as the page has them."""
    made = page_data.page_around(around)
    return None if made is None else asdict(made)


def ends_of(ends: Ends, i: int) -> Ends:
    """Return the ends of one path."""
    return Ends(*(getattr(ends, item.name)[i : i + 1] for item in fields(Ends)))


def profiles_of(profiles: Profiles, i: int) -> Profiles:
    """Return one of the profiles."""
    pieces = profiles.pieces
    here = slice(*np.searchsorted(pieces.pair, [i, i + 1]))
    own = CoverPieces(
        np.zeros(here.stop - here.start, dtype=np.intp), pieces.sample[here], pieces.cover_index[here], pieces.share[here], None
    )
    return Profiles(profiles.distance_m[i : i + 1], profiles.ground_amsl_m[i : i + 1], profiles.cover_index[i : i + 1], None, own)


def test_chance_is_the_normal_distribution(engine_page: Any) -> None:
    from scipy.special import ndtr

    z = np.linspace(-6, 6, 200)
    found = engine_page.evaluate("(z) => z.map(meshEngine.normalChance)", z.tolist())
    assert np.abs(np.array(found) - ndtr(z)).max() < 2e-7


def test_elevation_draws_spread_the_loss_the_same(engine_page: Any) -> None:
    """The waves of the planner's own error fields over the same samples: spread of heights, and what hidden relief adds."""
    land, settings = make_land(868.0, canopy=False)
    count = 60
    random = np.random.default_rng(SEED)
    x = GRID.west_m + random.uniform(10, 1190, (2, count))
    y = GRID.south_m + random.uniform(10, 990, (2, count))
    heights = np.exp(random.uniform(np.log(0.2), np.log(12.0), (2, count)))
    profiles = sample_profiles(land, x[0], y[0], x[1], y[1], SAMPLES)
    nobody = np.zeros(count, dtype=np.uint16)
    bearing = np.degrees(np.arctan2(x[1] - x[0], y[1] - y[0])) % 360
    ends = Ends(heights[0], heights[1], nobody, nobody, bearing)
    losses = path_losses(profiles, ends, land, SEASONS, settings)
    over_roofs = losses.building_path == OVER_THE_ROOF
    fields_ = draw_error_fields(land)
    drawn = terrain_draws_db(profiles, ends, land, settings, fields_, x[0], y[0], x[1], y[1], over_roofs=over_roofs)
    hidden = drawn.mean(axis=1) - losses.terrain_db - np.where(over_roofs, losses.building_db, 0.0)
    assert relief_hides(profiles, fields_).all()
    engine = page_engine(make_plan(), land, (), SEASONS, settings)
    engine_page.add_script_tag(content=own_file("terrain.js").replace("const meshLand", "window.meshLand"))
    cell = {"full_cell_m": GRID.cell_m}
    rows = []
    for i in range(count):
        column, row = GRID.column_row(x[:, i], y[:, i])
        places = [{"column": float(c), "row": float(r)} for c, r in zip(column, row, strict=True)]
        rows.append({**page_row(profiles, ends, {}, i), "places": places})
    engine_page.evaluate("(record) => { window.constants = JSON.parse(record); }", json_block(engine_record(engine)))
    found = engine_page.evaluate(
        """async ([rows, records, cell, cellM]) => {
          const errors = await Promise.all(records.map(meshLand.openErrors));
          const land = { record: cell, cellM, errors };
          return rows.map((row) => {
            const profile = { ...row, around: new Map() },
              along = meshLand.Land.prototype.errorsAlong.call(land, ...row.places, row.along.length),
              losses = meshLinks.pathLosses(profile, row.ends, constants);
            const drawn = meshLinks.terrainDraws({ ...profile, errors: along }, row.ends, losses, constants);
            return [drawn.spreadDb, drawn.hiddenDb];
          });
        }""",
        [rows, [errors_record(one) for one in engine.errors], cell, GRID.cell_m],
    )
    got = np.array(found)
    assert np.abs(got[:, 0] - drawn.std(axis=1, ddof=1)).max() <= 0.1
    assert np.abs(got[:, 1] - hidden).max() <= 0.1
    assert hidden.max() > 1.0, "hidden relief counts"
    assert over_roofs.any()


@pytest.mark.parametrize("ground_limited", [False, True])
def test_a_clearance_has_the_same_words(engine_page: Any, ground_limited: bool) -> None:
    """The page says of a trial what the planner says of a link: kind, sentence and the few words at the mark."""
    zone_m = float(fresnel_radius_m(1, 250.0, 750.0, 868.0))
    shares = [-3.01, -0.103, 0.0, 0.071, 0.31, 0.5991, 0.6004, 0.83, 0.9996, 1.004, 7.3]
    profile = {"along": [0.0, 250.0, 1000.0], "ground": [10.0, 11.0, 12.0], "number": [0, 0, 0]}
    engine = {"frequency_mhz": 868.0, "clear_share": CLEAR_SHARE, "ridge_rise_m": RIDGE_RISE_M, "covers": [{"words": "hedge"}]}
    for number, height_m, what in ((0, 11.0, "ground"), (0, 15.2, "ridge"), (1, 15.2, "hedge")):
        row = {**profile, "ground": [10.0, height_m, 12.0], "number": [0, number, 0]}
        found = engine_page.evaluate(
            """([row, shares, zone, limited, engine]) => shares.map((fraction) => meshLinks.clearanceWords(
              row, { index: 1, fraction, clearanceM: fraction * zone }, limited, "A", engine))""",
            [row, shares, zone_m, ground_limited, engine],
        )
        for share, got in zip(shares, found, strict=True):
            words = clearance_words(share, share * zone_m, zone_m, f"{what} 250 m from A", ground_limited=ground_limited)
            assert (got["kind"], got["sentence"]) == words
            assert got["label"] == f"{what}: {clearance_label(words[0], share * zone_m)}"
