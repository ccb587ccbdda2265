"""A plan with two radio classes: the reader chooses which one the map shows and which one a trial is computed with."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from map_browser import DESK, PHONE, Opened, OpenMap
from small_property import changed, lay_small_property, usual_sites

from meshplan.records import Plan
from meshplan.reporting.map import write_map
from meshplan.workflow import Planned, plan_property
from meshplan.workflow.plan import map_land

pytestmark = pytest.mark.browser
SHORT, FAR = "ble-coded-125k", "fsk-868-50k"


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Planned:
    """A sensor of a short-range class beside a post that carries both classes."""
    sites = changed(usual_sites(), {"South post": {"radio": f"{SHORT}+{FAR}"}})
    vine: dict[str, Any] = {"name": "Vine", "role": "sensor", "x": 212, "y": 272, "antenna_agl_m": 2.0, "radio": SHORT}
    return plan_property(lay_small_property(tmp_path_factory.mktemp("mixed"), sites=[*sites, vine]))


@pytest.fixture(scope="module")
def mixed_map(mixed: Planned, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("map") / "map.html"
    write_map(mixed.plan, map_land(mixed), path)
    return path


@pytest.fixture
def desk(open_map: OpenMap, mixed_map: Path) -> Opened:
    return open_map(mixed_map, DESK)


def links_of(plan: Plan, radio: str, *, chosen: bool = True) -> list[str]:
    return sorted(link.key for link in plan.links if link.radio == radio and link.chosen is chosen)


def drawn(page: Any) -> list[str]:
    return page.evaluate("[...meshPage.drawn].filter(([, lines]) => lines.line._map).map(([key]) => key).sort()")  # type: ignore[no-any-return]


def test_only_links_of_the_radio_shown_stay_on_the_map_and_in_the_list(desk: Opened, mixed: Planned) -> None:
    page, plan = desk.page, mixed.plan
    everything = sorted(link.key for link in plan.chosen_links)
    assert drawn(page) == everything
    for radio in (SHORT, FAR):
        page.select_option("#radio", radio)
        assert drawn(page) == links_of(plan, radio)
        rows = page.eval_on_selector_all("#ledger > table:first-of-type tr[data-link]", "rows => rows.map(r => r.dataset.link)")
        assert sorted(rows) == links_of(plan, radio)
        assert f"{len(rows)} link" in page.inner_text("#live")
    page.select_option("#radio", "")
    assert drawn(page) == everything


def test_sites_without_the_radio_shown_turn_pale_and_say_so(desk: Opened) -> None:
    page = desk.page
    page.select_option("#radio", SHORT)
    pale = page.eval_on_selector_all(".mark.elsewhere", "marks => marks.map(mark => mark.dataset.site)")
    assert "Bed" in pale
    assert not {"Vine", "South post"} & set(pale)
    bed = page.locator(".mark[data-site='Bed']")
    assert "does not carry the radio shown" in bed.get_attribute("aria-label")
    assert not bed.locator(".name").is_visible()
    page.select_option("#radio", "")
    assert page.locator(".mark.elsewhere").count() == 0
    assert "radio shown" not in bed.get_attribute("aria-label")


def test_a_trial_is_computed_with_the_class_of_its_device_and_agrees_with_the_plan(desk: Opened, mixed: Planned) -> None:
    page, plan = desk.page, mixed.plan
    for key in (*links_of(plan, SHORT), *links_of(plan, FAR)):
        link = plan.link(key)
        found = page.evaluate(
            """([a, b, radio]) => { meshTrial.useRadio(radio);
              const end = (name) => { const d = meshPage.devices.get(name);
                return { name, end: meshPage.ends.get(name), place: L.latLng(d.lat_deg, d.lon_deg) }; };
              return meshTrial.computeBare(end(a), end(b)).found.seasons.map((one) => one.marginDb); }""",
            [link.a, link.b, link.radio],
        )
        for margin_db, season in zip(found, link.seasons, strict=True):
            finer_db = sum(item.value_db for item in season.losses if item.name.startswith("Relief finer"))
            assert margin_db - finer_db == pytest.approx(min(season.margin_at_a_db, season.margin_at_b_db), abs=0.3), key


def test_the_trial_panel_names_its_class_and_offers_the_other(desk: Opened, mixed: Planned) -> None:
    page = desk.page
    page.click(".mark[data-site='Vine']")
    page.click("#try-site")
    assert mixed.plan.more_radios[0].title in page.inner_text("#ledger")
    assert page.locator("#trial-radio").count() == 0, "Vine carries one class only"
    page.click("#open-trial")
    assert page.eval_on_selector_all("#kind-B option", "options => options.map(one => one.value)") == ["South post", "Vine"]
    first = page.inner_text("#trial-margin")
    other = FAR if page.input_value("#trial-radio") == SHORT else SHORT
    page.select_option("#trial-radio", other)
    assert page.input_value("#trial-radio") == other
    assert page.evaluate("meshPage.engine.radio") == other
    assert page.inner_text("#trial-margin") != first


def test_the_switch_is_reached_by_keyboard_and_large_enough_for_a_thumb(open_map: OpenMap, mixed_map: Path, mixed: Planned) -> None:
    page = open_map(mixed_map, PHONE, has_touch=True, is_mobile=True).page
    page.focus("#open-tools")
    page.keyboard.press("Enter")
    assert page.get_attribute("#open-tools", "aria-expanded") == "true"
    switch = page.get_by_label("Radio shown")
    assert switch.bounding_box()["height"] >= 44
    switch.focus()
    page.keyboard.press("ArrowDown")
    assert page.input_value("#radio") == mixed.plan.radio.key
    assert drawn(page) == links_of(mixed.plan, mixed.plan.radio.key)


def test_one_radio_has_no_switch(open_map: OpenMap, map_file: Path) -> None:
    assert not open_map(map_file, DESK).page.get_by_label("Radio shown").is_visible()
