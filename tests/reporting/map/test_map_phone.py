"""What a phone shows of every view: nothing beyond the edge of the screen, nothing too small for a finger."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from map_browser import PHONE, OpenMap
from map_fixture import make_landscape, make_plan

from meshplan.records import HopRecord, Plan
from meshplan.reporting.map import write_map

pytestmark = pytest.mark.browser

PLAN = make_plan()
SENSOR = next(route.sensor for route in PLAN.routes if len(route.devices) > 2)
EVERY_VIEW = (
    "meshPage.showOverview()",
    f"meshPage.showSite({SENSOR!r})",
    "meshPage.showSite('House roof')",
    f"meshPage.showLink({PLAN.links[0].key!r})",
    "meshPage.trySite('House roof')",
    "document.getElementById('open-trial').click()",
    "document.getElementById('open-add').click()",
    "document.getElementById('open-help').click()",
)
BEYOND = """() => [...document.querySelectorAll('#panel *, #cartouche *, dialog[open] *')]
  .filter(e => e.getClientRects().length && !e.closest('.unseen, svg, textarea') && getComputedStyle(e).position !== 'absolute')
  .filter(e => e.getBoundingClientRect().right > innerWidth + 1).map(e => `${e.tagName}: ${e.textContent.slice(0, 40)}`)"""
SMALL = """() => [...document.querySelectorAll('#panel, #cartouche, #sheet > *, dialog[open]')]
  .flatMap(e => [...e.querySelectorAll('button, select, input, summary, a[href]')])
  .filter(e => e.getClientRects().length && !e.closest('.leaflet-pane'))
  .map(e => e.closest('label') || e).filter(e => e.getBoundingClientRect().height < 43.5)
  .map(e => `${e.tagName}: ${e.textContent.slice(0, 40)}`)"""


def with_hops() -> Plan:
    """Return the plan with the airtime of each hop, as real plans have it."""
    routes = tuple(
        replace(
            route,
            hops=tuple(
                HopRecord(a, b, 112.5, 107.0, 128.0, 104.0, 131.0, 151.5, 1.1, 1.23, 0.98, 0.999)
                for a, b in zip(route.devices[:-1], route.devices[1:], strict=True)
            ),
        )
        for route in PLAN.routes
    )
    return replace(PLAN, routes=routes)


@pytest.mark.parametrize("size", [(320, 640), PHONE])
def test_no_view_reaches_beyond_the_edge_or_below_a_finger(open_map: OpenMap, tmp_path: Path, size: tuple[int, int]) -> None:
    """Every fold open; 44 px: WCAG 2.2, 2.5.5; no second scroll: 1.4.10 Reflow."""
    page = open_map(write_map(with_hops(), make_landscape(), tmp_path / "map.html"), size, has_touch=True, is_mobile=True).page
    for view in EVERY_VIEW:
        page.evaluate(view)
        page.evaluate("document.querySelectorAll('#ledger details').forEach(one => { one.open = true; })")
        assert page.evaluate(BEYOND) == [], view
        assert page.evaluate(SMALL) == [], view


def test_what_to_do_next_is_seen_at_once_on_a_small_phone(open_map: OpenMap, tmp_path: Path) -> None:
    """Where every sensor is served nothing loud stands above it."""
    served = replace(PLAN, unserved=(), devices=tuple(one for one in PLAN.devices if one.name != "Far meadow"))
    served = replace(served, links=tuple(link for link in PLAN.links if "Far meadow" not in (link.a, link.b)))
    page = open_map(
        write_map(served, make_landscape(served), tmp_path / "map.html"), (320, 640), has_touch=True, is_mobile=True
    ).page
    assert page.evaluate("document.querySelector('#next-step button').getBoundingClientRect().bottom <= innerHeight")
