"""The file itself, read without a browser."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from branca.element import JavascriptLink
from map_fixture import GRID, GROUND, HOSTILE_NAMES, make_landscape, make_plan, rename

from meshplan.assembly.page_records import OnlineTiles
from meshplan.errors import MeshplanError
from meshplan.grid import Grid
from meshplan.reporting.map import assets, render_map, write_map
from meshplan.reporting.map.contours import MOST_LEVELS, choose_step_m, contour_lines
from meshplan.reporting.map.data import json_block, verdict_of_chance
from meshplan.reporting.map.page import inlined
from meshplan.reporting.map.relief import relief_picture

PAGE_LIMIT = 2_000_000


@pytest.fixture(scope="module")
def page() -> str:
    return render_map(make_plan(), make_landscape())


def without_data(page: str) -> str:
    """Return the page without its embedded pictures, libraries and data, where only fixed words are left."""
    page = re.sub(r"<script.*?</script>", "", page, flags=re.DOTALL)
    return re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)


def data_of(page: str) -> dict:
    block = re.search(r'<script type="application/json" id="plan-data">(.*?)</script>', page, flags=re.DOTALL)
    assert block
    return json.loads(block[1])


def test_same_plan_same_bytes(page: str) -> None:
    assert render_map(make_plan(), make_landscape()) == page


def test_the_file_is_written_whole(tmp_path: Path, page: str) -> None:
    path = write_map(make_plan(), make_landscape(), tmp_path / "deep" / "map.html")
    assert path.read_bytes() == page.encode()
    assert "\r" not in page, "a browser would count other bytes than the hashes of the policy"
    assert [one.name for one in path.parent.iterdir()] == ["map.html"]


def test_it_stays_small(page: str) -> None:
    assert len(page.encode()) < PAGE_LIMIT


def test_nothing_in_it_points_to_a_network(page: str) -> None:
    assert not re.search(r"(?:src|href)\s*=\s*[\"']?(?:https?:)?//", without_data(page))
    assert not re.search(r"url\(\s*[\"']?(?:https?:)?//", page)
    assert "@import" not in page
    assert "sourceMappingURL" not in page


def test_the_policy_comes_first_and_allows_no_network(page: str) -> None:
    head = page[page.index("<head>") :]
    policy = re.match(r"<head>\s*<meta http-equiv=\"Content-Security-Policy\" content=\"([^\"]*)\">", head)
    assert policy
    rules = dict(rule.strip().split(" ", 1) for rule in policy[1].split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data: blob:"
    assert "unsafe" not in rules["script-src"]
    assert rules["script-src"].count("'sha256-") == 3


def test_a_reader_may_zoom_and_the_language_is_named(page: str) -> None:
    assert '<html lang="en">' in page
    assert "user-scalable" not in page
    assert "maximum-scale" not in page


def test_leaflet_keeps_its_licence(page: str) -> None:
    assert "Leaflet 1.9.4, a JS library for interactive maps" in page


def test_names_never_meet_a_template_engine() -> None:
    plan = make_plan()
    names = dict(zip([device.name for device in plan.devices], HOSTILE_NAMES, strict=False))
    hostile = rename(plan, {**names, "property": "{{7*7}} {% if %} </title>"})
    page = render_map(hostile, make_landscape(hostile))
    data = data_of(page)
    assert [device["name"] for device in data["devices"]][: len(HOSTILE_NAMES)] == list(HOSTILE_NAMES)
    assert "<title>{{7*7}} {% if %} &lt;/title&gt;: network plan</title>" in page
    assert "</script><script>window.stolen" not in page
    assert "\u2028" not in page


def test_the_data_are_the_plan(page: str) -> None:
    plan, data = make_plan(), data_of(page)
    assert [link["key"] for link in data["links"]] == [link.key for link in plan.links]
    for found, link in zip(data["links"], plan.links, strict=True):
        assert found["verdict"] == link.verdict
        assert found["chance"] == pytest.approx(link.chance)
        worst = next(season for season in found["seasons"] if season["season"] == link.worst_season)
        assert worst["verdict"] == link.verdict
        losses = [(data["items"][row][0], data["items"][row][2], value) for row, value in worst["losses"]]
        assert losses == [
            (item.name, item.source, pytest.approx(item.value_db, abs=1e-7)) for item in link.season(link.worst_season).losses
        ]


def test_a_sensor_carries_the_verdict_of_its_weakest_hop(page: str) -> None:
    devices = {device["name"]: device for device in data_of(page)["devices"]}
    assert devices["Wood edge"]["verdict"] == "thin"
    assert devices["Stream level"]["verdict"] == "good"
    assert devices["Far meadow"]["verdict"] == ""


def test_verdicts_of_seasons_come_from_the_limits_of_the_plan() -> None:
    plan = make_plan()
    assert verdict_of_chance(plan, 0.97) == "ample"
    assert verdict_of_chance(plan, 0.9699) == "good"
    assert verdict_of_chance(plan, 0.1) == "failing"
    assert verdict_of_chance(plan, float("nan")) == "not sure"
    assert verdict_of_chance(replace(plan, verdict_limits={**plan.verdict_limits, "ample": 0.99}), 0.97) == "good"


def test_unknown_numbers_become_null() -> None:
    assert json_block({"a": float("nan"), "b": (1.0, np.float32(0.5)), "c": float("inf")}) == '{"a":null,"b":[1,0.5],"c":null}'


def test_a_block_cannot_close_its_element() -> None:
    text = json_block(["</script>", "<!--", "\u2028", "&"])
    assert not set("<>&\u2028") & set(text)
    assert json.loads(text) == ["</script>", "<!--", "\u2028", "&"]


def test_a_changed_library_is_refused() -> None:
    with pytest.raises(MeshplanError) as error:
        assets.check_asset("leaflet.js", b"something else")
    assert str(error.value) == (
        "package django-js-lib-leaflet: the installed map library is not the published one: 'leaflet.js' has changed\n"
        "  Reinstall it: pip install --force-reinstall django-js-lib-leaflet==1.9.4.1"
    )


def test_a_link_nobody_knows_is_refused() -> None:
    with pytest.raises(MeshplanError, match=r"the page would need 'https://example\.org/x\.js' from the network"):
        inlined(JavascriptLink("https://example.org/x.js"))


def test_a_map_without_engine_offers_no_trials() -> None:
    data = data_of(render_map(make_plan(), replace(make_landscape(), engine=None)))
    assert data["engine"] is None
    assert data["terrain"] is None


def test_a_plan_without_links_still_prints_a_map() -> None:
    plan = replace(make_plan(), links=(), routes=(), loses_service={}, unserved=(), shapes=())
    assert data_of(render_map(plan, make_landscape(plan)))["links"] == []


def test_contours_are_few_enough_to_read() -> None:
    found = contour_lines(GROUND, GRID)
    levels = {height for height, _, _ in found.lines}
    assert 8 <= len(levels) <= MOST_LEVELS + 1
    assert any(heavy for _, heavy, _ in found.lines)


@pytest.mark.parametrize("relief_m", [0.5, 3.0, 30.0, 400.0, 3000.0])
def test_the_contour_step_fits_the_relief(relief_m: float) -> None:
    assert relief_m / choose_step_m(0.0, relief_m) <= MOST_LEVELS


def test_contours_lie_at_their_height() -> None:
    ground = np.tile(np.linspace(0, 50, 101, dtype=np.float32), (40, 1))
    grid = Grid("EPSG:32632", 500_000, 5_300_000, 10.0, 101, 40)
    from pyproj import Transformer

    to_grid = Transformer.from_crs("EPSG:4326", grid.crs, always_xy=True)
    for height, _, points in contour_lines(ground, grid).lines:
        x_m, _ = to_grid.transform(points[:, 0], points[:, 1])
        column, _ = grid.column_row(x_m, x_m)
        inner = (column > 4) & (column < 96)
        assert np.abs(column[inner] * 0.5 - height).max(initial=0.0) < 0.05


def test_flat_and_unknown_land_is_drawn_too() -> None:
    flat = np.full((30, 40), 12.0, dtype=np.float32)
    flat[:5] = np.nan
    grid = Grid("EPSG:32632", 500_000, 5_300_000, 10.0, 40, 30)
    assert contour_lines(flat, grid).lines == ()
    picture = relief_picture(flat, grid)
    assert picture.south_deg < picture.north_deg
    assert picture.west_deg < picture.east_deg


def test_tiles_open_one_host_and_no_more() -> None:
    tiles = OnlineTiles("https://tiles.example.org/{z}/{x}/{y}.png", "© a mapping agency")
    page = render_map(make_plan(), make_landscape(), tiles=tiles)
    assert "img-src data: blob: https://tiles.example.org; style-src" in page
    assert data_of(page)["map"]["tiles"]["attribution"] == "© a mapping agency"


@pytest.mark.parametrize(
    "url",
    [
        "http://tiles.example.org/{z}/{x}/{y}.png",
        "https://{s}.example.org/{z}/{x}/{y}.png",
        "https://tiles.example.org/{z}/{x}.png",
        "https://tiles.example.org; script-src */{z}/{x}/{y}",
        "javascript:alert(1)//{z}{x}{y}",
    ],
)
def test_other_addresses_of_tiles_are_refused(url: str) -> None:
    with pytest.raises(MeshplanError, match="is no address of map tiles"):
        render_map(make_plan(), make_landscape(), tiles=OnlineTiles(url, "somebody"))


def test_tiles_need_an_attribution() -> None:
    with pytest.raises(MeshplanError, match="the tiles have no attribution"):
        render_map(make_plan(), make_landscape(), tiles=OnlineTiles("https://tiles.example.org/{z}/{x}/{y}.png", " "))
