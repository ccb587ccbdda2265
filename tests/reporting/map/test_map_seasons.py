"""A season has one set of words: in the switch, the red box, the tables, the help and the sentences that Python writes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from map_browser import OpenMap
from map_fixture import make_landscape, make_plan

from meshplan.links.seasons import MONTH_NAMES, season_word, seasons_named
from meshplan.propagation.seasons import months_of_year, season_words, usual_seasons
from meshplan.records import Plan
from meshplan.reporting.map import write_map

EVERY = tuple(season.name for season in (*usual_seasons(), *months_of_year()))
RENAMED = {"bare": "Aug", "leaf": "tall_crop"}


def renamed() -> Plan:
    """Return the plan with seasons whose names are not yet words."""
    plan = make_plan()
    links = tuple(
        replace(
            link,
            worst_season=RENAMED.get(link.worst_season, link.worst_season),
            seasons=tuple(replace(one, season=RENAMED.get(one.season, one.season)) for one in link.seasons),
        )
        for link in plan.links
    )
    seasons = tuple(replace(one, name=RENAMED.get(one.name, one.name)) for one in plan.seasons)
    return replace(plan, links=links, seasons=seasons)


def test_words_of_a_season_can_be_given_back_to_every_command() -> None:
    for name in EVERY:
        words = season_words(name)
        assert "_" not in words
        (season,) = seasons_named([words], "north")
        assert season.name == name
    assert [season_words(month.name).casefold() for month in months_of_year()] == list(MONTH_NAMES)
    assert season_word("Tall crop") == "tall_crop"


@pytest.mark.browser
def test_the_page_calls_each_season_as_python_does(open_map: OpenMap, tmp_path: Path) -> None:
    plan = renamed()
    page = open_map(write_map(plan, make_landscape(plan), tmp_path / "seasons.html")).page
    assert page.evaluate("names => names.map(meshParts.seasonWords)", list(EVERY)) == [season_words(name) for name in EVERY]
    titles = page.eval_on_selector_all("#season option", "all => all.map(one => one.textContent)")
    assert titles == ["Worst season", "August", "Tall crop"]
    for value, words in (("Aug", "August"), ("tall_crop", "tall crop")):
        page.evaluate("meshPage.showOverview()")
        page.select_option("#season", value)
        assert page.inner_text("#state").lower().startswith(f"{words.lower()}: ")
        assert f"in the season “{words}”" in page.inner_text("#unserved")
        page.evaluate("key => meshPage.showLink(key)", plan.links[0].key)
        told = page.inner_text("#ledger")
        assert f"Season “{words}”" in told
        assert "tall_crop" not in told
    assert not any(raw in page.text_content("#help") for raw in ("tall_crop", "undefined"))
    assert "crops as in" in page.text_content("#help")
