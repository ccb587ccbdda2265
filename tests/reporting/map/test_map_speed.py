"""A map of 300 sensors is soon ready and pans as smoothly as a map should: ratios within one run, never seconds."""

from __future__ import annotations

import random
import shutil
from pathlib import Path
from typing import Any

import pytest

from meshplan.inputs import read_property
from meshplan.records import Role
from meshplan.reporting.map import write_map
from meshplan.workflow.plan import map_land, plan_property

pytestmark = [pytest.mark.browser, pytest.mark.slow]

SAMPLES = Path(__file__).resolve().parents[3] / "sample_sites"
SENSORS = 300
RUNS = 7
MOST_READY = 2.0
MOST_FRAME = 2.0
"""Both asked for by the users of large maps; a frame of the empty map counts as no less than one of the screen."""

FRAMES = """async () => { const { map } = meshPage, times = [];
  const frame = () => new Promise(done => requestAnimationFrame(done));
  await frame(); await frame(); map.fire('movestart');
  let last = performance.now();
  for (let i = 0; i < 60; i++) {
    map._rawPanBy(L.point(i % 20 < 10 ? 8 : -8, 0)); map.fire('move');  /* as Leaflet moves the map under a dragging hand */
    await frame();
    const now = performance.now(); times.push(now - last); last = now;
  }
  map.fire('moveend');
  return times.sort((p, q) => p - q)[30]; }"""

EMPTY = """() => { const { map } = meshPage, relief = window[meshPage.data.map.relief];
  const all = []; map.eachLayer(one => all.push(one));
  for (const one of all) if (one !== relief) map.removeLayer(one); }"""


@pytest.fixture(scope="module")
def maps(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Return the map of a demo, and of the same property with as many sensors more as make 300."""
    home = tmp_path_factory.mktemp("speed")
    many = Path(shutil.copytree(SAMPLES / "mirrowick_bottom", home / "many"))
    sensors = [site for site in read_property(many).sites if site.role is Role.SENSOR]
    lon, lat = [site.lon_deg for site in sensors], [site.lat_deg for site in sensors]
    dice = random.Random(7)
    rows = ["name,role,lon_deg,lat_deg,antenna_agl_m,added"]
    for number in range(SENSORS - len(sensors)):
        where = f"{dice.uniform(min(lon), max(lon)):.7f},{dice.uniform(min(lat), max(lat)):.7f}"
        rows.append(f"Bed {number:03d},sensor,{where},1,yes")
    (many / "changes.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    found = {}
    for name, folder in (("demo", SAMPLES / "mirrowick_bottom"), ("many", many)):
        planned = plan_property(folder)
        found[name] = write_map(planned.plan, map_land(planned), home / f"{name}.html")
    return found


def opened(browser: Any, file: Path) -> Any:
    context = browser.new_context(viewport={"width": 1440, "height": 900}, offline=True, reduced_motion="reduce")
    page = context.new_page()
    page.goto(file.as_uri())
    page.wait_for_selector("html[data-ready=yes]", state="attached")
    return page


def test_three_hundred_sensors_are_ready_in_less_than_twice_the_time_of_a_demo(browser: Any, maps: dict[str, Path]) -> None:
    ready: dict[str, list[float]] = {name: [] for name in maps}
    for _ in range(RUNS):
        for name, file in maps.items():
            page = opened(browser, file)
            ready[name].append(page.evaluate("meshPage.readyAt"))
            sensors = page.evaluate("meshPage.data.devices.filter(one => one.role === 'sensor').length")
            assert (sensors == SENSORS) is (name == "many")
            page.context.close()
    assert min(ready["many"]) < MOST_READY * min(ready["demo"]), ready


def test_three_hundred_sensors_pan_in_less_than_two_frames_of_an_empty_map(browser: Any, maps: dict[str, Path]) -> None:
    page = opened(browser, maps["many"])
    page.evaluate(FRAMES)  # what is drawn for the first time
    full = [page.evaluate(FRAMES) for _ in range(RUNS)]
    page.evaluate(EMPTY)
    page.evaluate(FRAMES)
    empty = [page.evaluate(FRAMES) for _ in range(RUNS)]
    assert min(full) <= MOST_FRAME * max(min(empty), 1000 / 60), (full, empty)
    page.context.close()
