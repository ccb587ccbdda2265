"""The maps of two demos, planned anew: every link opens, and the page's own engine stays near the planner's."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from map_browser import DESK, OpenMap
from pyproj import Transformer

from meshplan.links.link_table import sample_count
from meshplan.loss.bypass_paths import row_bypass_losses_db
from meshplan.loss.error_fields import draw_error_fields
from meshplan.loss.path_loss import Ends, path_losses
from meshplan.reporting.map import write_map
from meshplan.terrain.profile import sample_profiles
from meshplan.workflow.plan import PathsAsked, Planned, compute_all_links, map_land, plan_property
from meshplan.workflow.prepare import prepare_property

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SAMPLES = Path(__file__).resolve().parents[3] / "sample_sites"
DEMOS = ("mirrowick_bottom", "ossaby_terrace")
"""A valley with a ridge and woods; a garden of terraces with a hedge and houses."""
PAIRS = 1000
SEED = 20_262
PAGE_LIMIT = 2_000_000


@dataclass(frozen=True)
class Demo:
    planned: Planned
    file: Path


@pytest.fixture(scope="module", params=DEMOS)
def demo(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Demo:
    planned = plan_property(SAMPLES / request.param)
    land = map_land(planned)
    return Demo(planned, write_map(planned.plan, land, tmp_path_factory.mktemp("demo") / "map.html"))


@pytest.fixture
def page(open_map: OpenMap, demo: Demo) -> Any:
    return open_map(demo.file, DESK).page


def test_the_page_counts_what_the_plan_counts(page: Any, demo: Demo) -> None:
    plan = demo.planned.plan
    assert demo.file.stat().st_size < PAGE_LIMIT
    assert page.evaluate("meshPage.drawn.size") == len(plan.links)
    assert page.evaluate("meshPage.markers.size") == len(plan.devices)
    assert page.locator("#ledger > table:first-of-type tr[data-link]").count() == len(plan.chosen_links)
    assert page.locator(".alarm-box > div").count() == len(plan.unserved)


def test_every_link_opens_with_its_chart(page: Any, demo: Demo) -> None:
    for link in demo.planned.plan.links:
        page.evaluate("key => meshPage.showLink(key)", link.key)
        assert page.evaluate("document.querySelector('.view-title').textContent") == f"{link.a} → {link.b}"
        assert page.is_visible("#section svg .fresnel") is (link.distance_m >= 0.5), link.key
        assert link.clearance.sentence in page.inner_text("#ledger")


def test_every_device_opens(page: Any, demo: Demo) -> None:
    for device in demo.planned.plan.devices:
        page.evaluate("name => meshPage.showSite(name)", device.name)
        assert page.evaluate("document.querySelector('.view-title').textContent") == device.name


def test_random_pairs_agree_with_the_full_raster(page: Any, demo: Demo) -> None:
    """1000 pairs anywhere on the land, sampled in the page from its own packed land: within 1 dB of the planner's engine."""
    made = demo.planned.prepared
    land, grid = made.landscape, made.landscape.grid
    random = np.random.default_rng(SEED)
    x = random.uniform(grid.west_m + 30, grid.east_m - 30, (2, PAIRS))
    y = random.uniform(grid.south_m + 30, grid.north_m - 30, (2, PAIRS))
    heights = np.exp(random.uniform(np.log(0.4), np.log(12.0), (2, PAIRS)))
    lon, lat = Transformer.from_crs(grid.crs, "EPSG:4326", always_xy=True).transform(x.ravel(), y.ravel())
    lon, lat = lon.reshape(2, PAIRS), lat.reshape(2, PAIRS)
    found = page.evaluate(
        """(rows) => rows.map(([latA, lngA, latB, lngB, aAgl, bAgl]) => {
          const profile = meshPage.land.profile({ lat: latA, lng: lngA }, { lat: latB, lng: lngB });
          return meshLinks.pathLosses(profile, { aAgl, bAgl, insideA: 0, insideB: 0 }, meshPage.data.engine).totalDb; })""",
        np.column_stack([lat[0], lon[0], lat[1], lon[1], heights[0], heights[1]]).tolist(),
    )
    wanted = np.empty((PAIRS, len(made.seasons)))
    nobody = np.zeros(1, dtype=np.uint16)
    for i in range(PAIRS):
        samples = sample_count(float(np.hypot(x[1, i] - x[0, i], y[1, i] - y[0, i])), land.sampled_as_m)
        places = x[0, [i]], y[0, [i]], x[1, [i]], y[1, [i]]
        profiles = sample_profiles(land, *places, samples)
        around = row_bypass_losses_db(land, profiles, *places, made.path.frequency_mhz)
        bearing = np.degrees(np.arctan2(x[1, [i]] - x[0, [i]], y[1, [i]] - y[0, [i]])) % 360
        ends = Ends(heights[0, [i]], heights[1, [i]], nobody, nobody, bearing)
        wanted[i] = path_losses(profiles, ends, land, made.seasons, made.path, around_db=around).total_db[:, 0]
    known = np.isfinite(wanted).all(axis=1)
    difference = np.abs(np.array(found, dtype=float)[known] - wanted[known])
    assert known.sum() > 0.95 * PAIRS
    assert difference.max() <= 1.0, f"worst {difference.max():.2f} dB, mean {difference.mean():.3f} dB"


def test_the_page_alone_is_near_every_link_of_the_plan(page: Any, demo: Demo) -> None:
    """Before any correction by the plan: the page's own loss, margin and chance."""
    looked_at = 0
    for link in demo.planned.plan.links:
        found = page.evaluate(
            """([a, b]) => { const end = (name) => { const d = meshPage.devices.get(name);
                return { name, end: meshPage.ends.get(name), place: L.latLng(d.lat_deg, d.lon_deg) }; };
              const trial = meshTrial.computeBare(end(a), end(b));
              return trial.found ? trial.found.seasons.map((one) => [one.lossDb, one.marginDb, one.chance]) : trial.unknown; }""",
            [link.a, link.b],
        )
        if isinstance(found, str):
            assert found in {"one place", "one building"}, link.key
            continue
        looked_at += 1
        for (loss, margin, chance), result in zip(found, link.seasons, strict=True):
            assert loss == pytest.approx(result.path_loss_db, abs=0.1), link.key
            assert margin == pytest.approx(min(result.margin_at_a_db, result.margin_at_b_db), abs=0.1), link.key
            assert chance == pytest.approx(result.chance, abs=0.02), link.key
    assert looked_at >= 10


def test_a_trial_at_its_place_shows_the_margin_of_the_plan(page: Any, demo: Demo) -> None:
    looked_at = 0
    for link in demo.planned.plan.chosen_links:
        found = page.evaluate(
            """([a, b]) => { const end = (name) => { const d = meshPage.devices.get(name);
                return { name, end: meshPage.ends.get(name), place: L.latLng(d.lat_deg, d.lon_deg) }; };
              const trial = meshTrial.compute(end(a), end(b));
              return trial.unknown ? trial.unknown : [trial.now.marginDb, trial.verdict]; }""",
            [link.a, link.b],
        )
        if isinstance(found, str):
            assert found in {"one place", "one building"}, link.key
            continue
        looked_at += 1
        assert found[0] == pytest.approx(link.margin_db, abs=0.05), link.key
        assert found[1] == link.verdict, link.key
    assert looked_at >= 10


def test_places_added_on_the_page_are_what_the_planner_makes_of_the_saved_file(page: Any, demo: Demo, tmp_path: Path) -> None:
    """A sensor and a relay put on the map, saved as changes.csv and planned: links, margins and chances as the page said."""
    said = page.evaluate(
        """() => { const devices = [...meshPage.devices.values()];
          const middle = (of) => of.reduce((sum, one) => sum + one, 0) / of.length;
          const place = L.latLng(middle(devices.map(d => d.lat_deg)), middle(devices.map(d => d.lon_deg)));
          meshPage.tryAdd();
          meshPage.map.fire("click", { latlng: place });
          const sensor = [...meshChanges.added.values()][0];
          document.getElementById("add-another").click();
          const role = document.getElementById("add-role");
          role.value = "relay"; role.dispatchEvent(new Event("change"));
          meshPage.map.fire("click", { latlng: L.latLng(place.lat + 3e-4, place.lng + 3e-4) });
          const relay = [...meshChanges.added.values()][1];
          const told = (found) => found.filter(o => !o.trial.unknown)
            .map(o => [o.name, o.trial.seasons.map(s => [s.marginDb, s.chance])]);
          return { text: document.getElementById("change-text").value, sensor: [sensor.name, told(meshAdd.receivers(sensor))],
            relay: [relay.name, told(meshAdd.senders(relay, null))] }; }"""
    )
    folder = Path(shutil.copytree(demo.planned.prepared.found.folder, tmp_path / "again", ignore=shutil.ignore_patterns("out*")))
    (folder / "changes.csv").write_text(said["text"], encoding="utf-8")
    prepared = prepare_property(folder)
    links = compute_all_links(prepared, error_fields=draw_error_fields(prepared.landscape), asked=PathsAsked(prune=False))
    planned = demo.planned.plan
    pairs = {tuple(sorted(pair)): i for i, pair in enumerate(links.pairs.tolist())}
    looked_at = 0
    for mine, found in (said["sensor"], said["relay"]):
        me = next(i for i, one in enumerate(links.stations) if one.site.name == mine)
        for other, seasons in found:
            agl_m = planned.device(other).antenna_agl_m
            same = [i for i, one in enumerate(links.stations) if other in (one.key, one.site.name) and one.antenna_agl_m == agl_m]
            them = same[0] if same else None
            row = pairs.get(tuple(sorted((me, them)))) if them is not None else None
            if row is None:
                continue
            looked_at += 1
            for season, (margin_db, chance) in enumerate(seasons):
                assert margin_db == pytest.approx(float(links.margin_db[season, row]), abs=0.3), (mine, other)
                assert chance == pytest.approx(float(links.chance[season, row]), abs=0.03), (mine, other)
    assert looked_at >= 8
