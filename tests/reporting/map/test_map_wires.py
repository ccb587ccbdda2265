"""Wires and pipes on the map: drawn, in the key, named where somebody stands too near, and whose land is shown is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from map_browser import DESK, PHONE, Opened, OpenMap
from osm_extract import Extract
from small_property import SOUTH_M, WEST_M, lay_small_property, lon_lat

from meshplan.inputs.osm_utilities import wire_rules
from meshplan.operation.wires import wires_nearby
from meshplan.reporting.map import write_map
from meshplan.workflow import Planned, plan_property
from meshplan.workflow.plan import map_land

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def wired(tmp_path_factory: pytest.TempPathFactory) -> tuple[Planned, Path]:
    folder = lay_small_property(tmp_path_factory.mktemp("wired"))
    made = Extract()
    made.line([(212, 100), (212, 500)], {"power": "line", "voltage": "110000"})
    made.line([(84, 200), (84, 400)], {"man_made": "pipeline"})
    made.node((212, 300), power="tower")
    made.write(folder / "cover.osm")
    planned = plan_property(folder)
    path = folder / "map.html"
    write_map(planned.plan, map_land(planned), path)
    return planned, path


@pytest.fixture
def wired_map(wired: tuple[Planned, Path]) -> Path:
    return wired[1]


def test_a_trial_is_warned_as_the_plan_warns(open_map: OpenMap, wired: tuple[Planned, Path]) -> None:
    """The page's rule against `operation.wires` at places along and off the line, for several heights."""
    planned, path = wired
    page = open_map(path, DESK).page
    utilities = [one for one in planned.prepared.found.utilities if one.kind.hazard == "overhead"]
    for x in (100.0, 170.0, 188.0, 196.0, 205.0, 212.0, 230.0, 236.0):
        for height_m in (1.0, 4.0, 8.0):
            lon_deg, lat_deg = lon_lat(x, 300.0)
            said = page.evaluate("([lat, lng, up]) => meshWires.words({ lat, lng }, up)", [lat_deg, lon_deg, height_m])
            found = wires_nearby("", WEST_M + x, SOUTH_M + 300.0, height_m, utilities, wire_rules())
            assert bool(said) == bool(found), (x, height_m)
            assert said.startswith("POWER LINE") == any(one.could_fall for one in found), (x, height_m)


def test_a_moved_mast_is_warned_at_once(open_map: OpenMap, wired_map: Path) -> None:
    page = open_map(wired_map, DESK).page
    page.evaluate("meshPage.trySite('South post')")
    assert "power line 1001, 110 kV lies 9 m from here" in page.inner_text("#wire-warning")
    page.evaluate("meshPage.trySite('House')")
    assert page.locator("#wire-warning").count() == 0


def test_lines_are_drawn_named_and_can_be_hidden(open_map: OpenMap, wired_map: Path) -> None:
    page = open_map(wired_map, DESK).page
    shown = "meshPage.layers.wires.getLayers().filter((one) => one._map).length"
    assert page.evaluate(shown) == 3
    assert "COULD FALL ON A POWER LINE: South post" in page.inner_text("#wires-note")
    page.evaluate("document.querySelector('[data-layer=wires]').click()")
    assert page.evaluate(shown) == 0
    words = "meshPage.layers.wires.getLayers().map((one) => one.getTooltip().getContent().textContent).sort()"
    assert page.evaluate(words) == ["pipeline 1002", "power line 1001, 110 kV", "power tower 5"]


@pytest.mark.parametrize("size", [DESK, PHONE, (320, 640)])
def test_the_credit_stands_on_the_map_and_covers_no_button_nor_the_scale(open_map: OpenMap, wired_map: Path, size: object) -> None:
    opened: Opened = open_map(wired_map, size)  # type: ignore[arg-type]
    page = opened.page
    assert "OpenStreetMap contributors" in page.inner_text("#credits")
    overlap = """() => {
      const a = document.getElementById("credits").getBoundingClientRect();
      return [...document.querySelectorAll("#sheet button, #sheet a, .leaflet-control-scale-line")].filter((one) => {
        const b = one.getBoundingClientRect();
        return b.width && a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
      }).map((one) => one.className || one.id);
    }"""
    assert page.evaluate(overlap) == []


@pytest.mark.parametrize(("size", "unfolded"), [(DESK, True), (PHONE, False)])
def test_long_credits_are_folded_up_on_a_phone_and_whole_in_the_list(
    open_map: OpenMap, tmp_path: Path, size: object, unfolded: bool
) -> None:
    """Those of the global elevation model are 240 letters; before, on a phone they covered a fifth of the map."""
    long = "produced using invented heights © makers " * 6
    planned = plan_property(lay_small_property(tmp_path / "property"))
    path = tmp_path / "map.html"
    write_map(replace(planned.plan, credits=(long.strip(), "© <b>mappers</b>")), map_land(planned), path)
    page = open_map(path, size).page  # type: ignore[arg-type]
    assert page.evaluate("document.getElementById('credits').open") is unfolded
    assert ("© <b>mappers</b>" in page.inner_text("#credits")) is unfolded
    share = "(r => r.height / document.getElementById('sheet').getBoundingClientRect().height)"
    assert page.evaluate(f"{share}(document.getElementById('credits').getBoundingClientRect())") < 0.2
    page.click("#credits summary")
    assert page.evaluate("document.getElementById('credits').open") is not unfolded
    assert "© <b>mappers</b>" in page.text_content("#ledger")
